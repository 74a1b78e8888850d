"""
Builds Skerry for the tests, as its matrix words it, with the real compiler.
"""

from __future__ import annotations

import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path

from gatekeep.cli.demo_scenario import locate_scenario
from gatekeep.matrix.load import load_matrix
from gatekeep.model.matrix import Target

TREE = locate_scenario() / "tree"
MATRIX = load_matrix(TREE / "matrix.yml")

Build = subprocess.CompletedProcess[str]


def environment() -> dict[str, str]:
    """The python3 of this test run comes first on the path: it has ziglang. No HOME: the compilers need none."""
    return {"PATH": os.pathsep.join((str(Path(sys.executable).parent), os.defpath, "/usr/local/bin")), "LC_ALL": "C"}


def build(target: Target, out: Path, tree: Path = TREE, jobs: int = 2) -> Build:
    """Run the target's recipe as the matrix words it."""
    out.mkdir(parents=True, exist_ok=True)
    fills = {"{out}": str(out), "{tree}": str(tree), "{jobs}": str(jobs)}
    (words,) = target.recipe.build
    command = []
    for word in words:
        for placeholder, value in fills.items():
            word = word.replace(placeholder, value)
        command.append(word)
    return subprocess.run(command, cwd=tree, env=environment(), capture_output=True, text=True, check=False)


def find_target(name: str) -> Target:
    """Give a target of main by name."""
    target = MATRIX.get_target(name)
    if target is None:
        raise KeyError(name)
    return target


@cache
def build_all(root: Path) -> dict[str, tuple[Path, Build]]:
    """All targets of main by name, as (output folder, run): built once for a test session, two at a time."""
    outs = [root / "skerry" / target.name.replace("/", "-") for target in MATRIX.targets]
    with ThreadPoolExecutor(2) as pool:
        runs = list(pool.map(build, MATRIX.targets, outs))
    return {target.name: (out, run) for target, out, run in zip(MATRIX.targets, outs, runs, strict=True)}
