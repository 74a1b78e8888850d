"""What jobs leave goes, whatever it is, and is out of the way at once."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from gatekeep.build.leavings import Leavings


def listed(folder: Path) -> list[str]:
    return sorted(os.listdir(folder))


def fill(place: Path) -> None:
    (place / "deep" / "er").mkdir(parents=True)
    (place / "deep" / "er" / "file").write_bytes(b"1")
    (place / "deep").chmod(0)


def test_nothing_is_there_after_clearing_and_soon_nothing_at_all(tmp_path: Path) -> None:
    leavings = Leavings(tmp_path, ("out", "tmp"))
    for _ in range(3):
        fill(tmp_path / "out")
        leavings.clear()
        assert {"out", "tmp"}.isdisjoint(listed(tmp_path))
    (tmp_path / "other").touch()
    leavings.close()
    assert listed(tmp_path) == ["other"]


def test_what_a_killed_process_has_left_goes(tmp_path: Path) -> None:
    for name in ("out", "out.old", "tmp.old", "trash"):
        fill(tmp_path / name)
    (tmp_path / "tmp").write_bytes(b"not a folder")
    leavings = Leavings(tmp_path, ("out", "tmp"))
    leavings.clear()
    assert {"out", "tmp"}.isdisjoint(listed(tmp_path))
    leavings.close()
    assert listed(tmp_path) == []


def test_a_link_in_the_place_of_a_folder_is_not_followed(tmp_path: Path) -> None:
    precious = tmp_path / "precious"
    fill(precious)
    mode = precious.stat().st_mode
    work = tmp_path / "work"
    work.mkdir()
    (work / "out").symlink_to(precious)
    leavings = Leavings(work, ("out",))
    leavings.clear()
    leavings.close()
    assert listed(work) == []
    assert (precious.stat().st_mode, listed(precious)) == (mode, ["deep"])


def test_what_could_not_be_removed_is_told_before_the_next_job(tmp_path: Path) -> None:
    work = tmp_path / "work"
    (work / "out").mkdir(parents=True)
    leavings = Leavings(work, ("out",))
    # No folder can be made where a file lies, and the trash must be one.
    (work / "trash").write_bytes(b"")
    leavings.clear()
    with pytest.raises(OSError, match="trash"):
        leavings.clear()
    (work / "trash").unlink()
    leavings.clear()
    leavings.close()
    assert listed(work) == []
