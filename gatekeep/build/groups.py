"""
Where control groups can be made that hold a build to its limits; the keeper makes them.

Found by trying: a group of ours below our own (version 1, and a delegated version 2), or beside our own (version 2
lets no group have both processes and limited children, and a user's session gives the right to make siblings).

Source: cgroups(7); the kernel's Documentation/admin-guide/cgroup-v2.rst, "No Internal Process Constraint" and
"Delegation"; Documentation/admin-guide/cgroup-v1/memory.rst and pids.rst.
"""

from __future__ import annotations

import os
import re
from contextlib import suppress
from pathlib import Path

from gatekeep.build.machine import iter_groups

_CONTROLLERS = {"memory": ("memory.max", "memory.limit_in_bytes"), "pids": ("pids.max",)}
_OURS = re.compile(r"gatekeep-([0-9]+)(?:-[0-9]+)?")


def find_groups(*, root: Path = Path("/")) -> dict[str, str]:
    """Give the folder in which groups can be made, by controller (memory, pids); none where they cannot."""
    found: dict[str, str] = {}
    for controller, limits in _CONTROLLERS.items():
        for folder, _version in list(iter_groups(root, controller))[:2]:
            if _can_limit(folder, limits):
                _sweep(folder)
                found[controller] = str(folder)
                break
    return found


def _can_limit(folder: Path, limits: tuple[str, ...]) -> bool:
    trial = folder / f"gatekeep-{os.getpid()}"
    try:
        trial.mkdir()
    except OSError:
        return False
    try:
        return any(os.access(trial / limit, os.W_OK) for limit in limits) and os.access(
            folder / "cgroup.procs", os.W_OK
        )
    finally:
        with suppress(OSError):
            trial.rmdir()


def _sweep(folder: Path) -> None:
    """Remove the groups of keepers that were killed."""
    for group in folder.glob("gatekeep-*"):
        match = _OURS.fullmatch(group.name)
        if match and not Path("/proc", match[1]).exists():
            with suppress(OSError):
                group.rmdir()
