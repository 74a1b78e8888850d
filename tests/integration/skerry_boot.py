"""
Boots composed Skerry images in the emulator that the tree brings (tools/emulate.py), and gives what the console said.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path
from typing import Any

from gatekeep.cli.demo_scenario import locate_scenario


def _load() -> Any:
    """Load the tree's program as a module; the tree is no package, and is not to be one."""
    path = locate_scenario() / "tree" / "tools" / "emulate.py"
    spec = importlib.util.spec_from_file_location("skerry_emulate", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


_emulate = _load()
#: Ports that Unicorn can run; it has no LoongArch.
EMULATED_PORTS: tuple[str, ...] = tuple(_emulate.MACHINES)


def load_board_facts(tree: Path, board: str) -> Any:
    """Read port, memory regions (name to origin and bytes) and device addresses of a board."""
    return _emulate.Board(tree, board)


def boot(facts: Any, image: bytes) -> str:
    """
    Run an image from reset.

    Returns:
        What the console showed, `\\r\\n` as `\\n`, until the keeper was idle, the boot was stopped, the processor could
        do no more, or 20 s.
    """
    console: bytes = _emulate.boot(facts, image)
    return console.decode("ascii", "replace").replace("\r\n", "\n")
