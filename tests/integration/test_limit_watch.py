"""Where the keeper puts a build's process 1, with folders in the place of the kernel's."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from gatekeep.build.limit_watch import LimitWatch

WANTED: dict[str, Any] = {
    "places": [],
    "file_bytes": 1 << 30,
    "disk_bytes": 1 << 30,
    "memory_bytes": 1 << 28,
    "processes": 64,
}


@pytest.fixture
def first() -> Iterator[int]:
    with subprocess.Popen(["sleep", "600"]) as process:
        yield process.pid
        process.kill()


def test_controllers_of_one_hierarchy_share_a_group(tmp_path: Path, first: int) -> None:
    """
    A process that enters a second group leaves the first, and its limit with it.

    Source: the kernel's Documentation/admin-guide/cgroup-v2.rst, "Processes": a process belongs to one cgroup, and can
    be migrated by writing its PID to the "cgroup.procs" file of the target.
    """
    LimitWatch(WANTED | {"groups": {"memory": str(tmp_path), "pids": str(tmp_path)}}, first)
    (group,) = tmp_path.iterdir()
    assert (group / "pids.max").read_text() == "64"
    assert (group / "memory.limit_in_bytes").read_text() == str(1 << 28)
    assert (group / "cgroup.procs").read_text() == str(first)


def test_hierarchies_of_version_1_have_a_group_each(tmp_path: Path, first: int) -> None:
    folders = {name: tmp_path / name for name in ("memory", "pids")}
    for folder in folders.values():
        folder.mkdir()
    LimitWatch(WANTED | {"groups": {name: str(folder) for name, folder in folders.items()}}, first)
    for name, limit in (("memory", "memory.limit_in_bytes"), ("pids", "pids.max")):
        (group,) = folders[name].iterdir()
        assert {path.name for path in group.iterdir()} >= {limit, "cgroup.procs"}


def test_counting_what_was_written_leaves_no_trace_in_the_tree(tmp_path: Path, first: int) -> None:
    """A folder that we list must not count as listed by the build: any file that comes there would build it anew."""
    folders = [tmp_path / "tree", tmp_path / "tree" / "docs", tmp_path / "tree" / "docs" / "old"]
    for folder in folders:
        folder.mkdir()
        (folder / "file").write_bytes(b"x" * 5000)
    for folder in folders:
        os.utime(folder, (1_000_000_000, 1_000_000_001))
    watch = LimitWatch(WANTED | {"places": [os.fsencode(folders[0])], "groups": {}}, first)
    assert watch._count_written([]) >= 3 * 5000
    assert [folder.stat().st_atime for folder in folders] == [1_000_000_000] * 3
