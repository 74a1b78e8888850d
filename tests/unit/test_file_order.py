"""How long each file took is a table that can be read, and that names no file that is gone."""

from __future__ import annotations

from tests.conftest import DURATIONS, ROOT, parse_durations, render_durations


def test_the_longest_comes_first_and_what_is_short_is_left_out():
    text = render_durations({"tests/b.py": 2.0, "tests/a.py": 2.0, "tests/long.py": 61.25, "tests/short.py": 0.9})
    assert text == "61.2 tests/long.py\n2.0 tests/a.py\n2.0 tests/b.py\n"
    assert parse_durations(text) == {"tests/long.py": 61.2, "tests/a.py": 2.0, "tests/b.py": 2.0}


def test_what_is_read_again_comes_in_the_same_order():
    """Equal when it is written, and not before."""
    text = render_durations({"tests/b.py": 30.54, "tests/a.py": 30.46})
    assert text == "30.5 tests/a.py\n30.5 tests/b.py\n"
    assert render_durations(parse_durations(text)) == text


def test_the_table_names_files_that_are_there():
    text = DURATIONS.read_text(encoding="utf-8")
    durations = parse_durations(text)
    assert durations
    assert [name for name in durations if not (ROOT / name).is_file()] == []
    assert render_durations(durations) == text
