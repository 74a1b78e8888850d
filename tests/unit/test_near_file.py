"""Which file a recipe may have meant."""

from __future__ import annotations

from pathlib import Path

import pytest

from gatekeep.build.near_file import find_near_file


@pytest.mark.parametrize(
    ("wanted", "near"),
    [
        ("gaff.axf", "gaff.elf"),
        ("gaf.elf", "gaff.elf"),
        ("GAFF.elf", "gaff.elf"),
        ("start.elf", "start.o"),
        ("zzz", None),
        ("link.elf", None),
    ],
)
def test_nearest_file_is_a_regular_one_beside_it(tmp_path: Path, wanted: str, near: str | None) -> None:
    for name in ("gaff.elf", "gaff.map", "start.o", "checksum.o"):
        (tmp_path / name).write_bytes(b"")
    (tmp_path / "link.elg").symlink_to("gaff.elf")
    (tmp_path / "zzy").mkdir()
    assert find_near_file(tmp_path / wanted) == (tmp_path / near if near is not None else None)


def test_without_a_folder_there_is_none(tmp_path: Path) -> None:
    assert find_near_file(tmp_path / "none" / "x.elf") is None
