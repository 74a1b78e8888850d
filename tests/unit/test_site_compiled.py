"""Compiled templates that were kept change nothing, whatever became of them."""

from __future__ import annotations

from pathlib import Path

import pytest
from jinja2 import DictLoader, Environment

from gatekeep.report.site.compiled import CompiledTemplates


def render(folder: Path, source: str = "{{ 6 * 7 }}", *, depends_on: tuple[Path, ...] = (), writes: bool = True) -> str:
    cache = CompiledTemplates(folder, depends_on=depends_on, writes=writes)
    return (
        Environment(autoescape=True, loader=DictLoader({"one": source}), bytecode_cache=cache)
        .get_template("one")
        .render()
    )


def test_what_was_kept_is_taken(tmp_path: Path) -> None:
    assert render(tmp_path / "kept") == "42"
    (file,) = (tmp_path / "kept").iterdir()
    before = file.stat()
    assert render(tmp_path / "kept") == "42"
    assert (file.stat().st_ino, file.stat().st_mtime_ns) == (before.st_ino, before.st_mtime_ns)


def test_another_source_or_surrounding_is_compiled_anew(tmp_path: Path) -> None:
    around = tmp_path / "page.py"
    around.write_text("autoescape")
    folder = tmp_path / "kept"
    assert render(folder, depends_on=(around,)) == "42"
    (file,) = folder.iterdir()
    first = file.read_bytes()
    assert render(folder, "{{ 6 * 8 }}", depends_on=(around,)) == "48"
    second = file.read_bytes()
    around.write_text("no autoescape")
    assert render(folder, "{{ 6 * 8 }}", depends_on=(around,)) == "48"
    assert len({first, second, file.read_bytes()}) == 3
    assert list(folder.iterdir()) == [file]


def test_what_is_damaged_anywhere_is_compiled_anew(tmp_path: Path) -> None:
    assert render(tmp_path) == "42"
    (file,) = tmp_path.iterdir()
    whole = file.read_bytes()
    for at in range(0, len(whole), 7):
        file.write_bytes(whole[:at])
        assert render(tmp_path) == "42"
        file.write_bytes(whole[:at] + bytes([whole[at] ^ 255]) + whole[at + 1 :])
        assert render(tmp_path) == "42"


@pytest.mark.parametrize("folder", ["a file/kept", "not there/kept"])
def test_a_folder_that_cannot_be_written_is_done_without(tmp_path: Path, folder: str) -> None:
    (tmp_path / "a file").write_text("")
    assert render(tmp_path / folder) == "42"
    assert [path.name for path in tmp_path.iterdir()] == ["a file"]


def test_nothing_is_written_where_nobody_wants_it_and_what_is_there_is_taken(tmp_path: Path) -> None:
    folder = tmp_path / "kept"
    assert render(folder, writes=False) == "42"
    assert not folder.exists()
    assert render(folder) == "42"
    (file,) = folder.iterdir()
    cache = CompiledTemplates(folder, depends_on=(), writes=False)
    assert cache.get_bucket(Environment(autoescape=True), "one", None, "{{ 6 * 7 }}").code is not None
    file.unlink()
    assert render(folder, writes=False) == "42"
    assert list(folder.iterdir()) == []
