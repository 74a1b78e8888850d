"""How lines are carried from one tree to another."""

from __future__ import annotations

from difflib import SequenceMatcher

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gatekeep.model.change import FileLines, Hunk, LineMap


def hunk(old_start: int, old_count: int, new_start: int, new_count: int) -> Hunk:
    return Hunk(old_start=old_start, old_count=old_count, new_start=new_start, new_count=new_count)


def lines(*hunks: Hunk, path: str = "x.c", new_path: str | None = None) -> FileLines:
    return FileLines(old_path=path, new_path=new_path or path, hunks=hunks)


def diff(old: list[str], new: list[str]) -> FileLines:
    """Make the hunks of a unified diff without context, by Python's own difflib."""
    found = [
        hunk(i1 + 1 if i2 > i1 else i1, i2 - i1, j1 + 1 if j2 > j1 else j1, j2 - j1)
        for tag, i1, i2, j1, j2 in SequenceMatcher(a=old, b=new, autojunk=False).get_opcodes()
        if tag != "equal"
    ]
    return lines(*found)


@pytest.mark.parametrize(
    ("hunks", "expected"),
    [
        ((), [1, 2, 3, 4, 5]),
        ((hunk(0, 0, 1, 2),), [3, 4, 5, 6, 7]),
        ((hunk(3, 0, 4, 2),), [1, 2, 3, 6, 7]),
        ((hunk(1, 2, 0, 0),), [None, None, 1, 2, 3]),
        ((hunk(4, 2, 3, 0),), [1, 2, 3, None, None]),
        ((hunk(2, 2, 2, 1),), [1, None, None, 3, 4]),
        ((hunk(2, 1, 2, 3), hunk(4, 0, 7, 1)), [1, None, 5, 6, 8]),
        ((hunk(1, 5, 1, 1),), [None, None, None, None, None]),
    ],
)
def test_old_line_becomes(hunks: tuple[Hunk, ...], expected: list[int | None]) -> None:
    assert [lines(*hunks).map_line(line) for line in range(1, 6)] == expected


def test_hunk_of_a_line_is_found_on_both_sides() -> None:
    of = lines(hunk(2, 1, 2, 3), hunk(4, 0, 7, 1), hunk(6, 2, 9, 0))
    assert [of.find_hunk_of_old(line) for line in range(1, 9)] == [None, 0, None, None, None, 2, 2, None]
    assert [of.find_hunk_of_new(line) for line in range(1, 11)] == [
        *(None, 0, 0, 0, None, None, 1, None, None, None),
    ]


TEXTS = st.lists(st.sampled_from(["a", "b", "c", "}", ""]), max_size=30)


@given(TEXTS, TEXTS)
def test_surviving_lines_keep_their_text_and_order_and_all_others_are_in_hunks(old: list[str], new: list[str]) -> None:
    of = diff(old, new)
    mapped = [of.map_line(line) for line in range(1, len(old) + 1)]
    alive = [line for line in mapped if line is not None]
    assert alive == sorted(set(alive))
    for index, line in enumerate(mapped):
        assert (line is None) == (of.find_hunk_of_old(index + 1) is not None)
        if line is not None:
            assert new[line - 1] == old[index]
            assert of.find_hunk_of_new(line) is None
    brought = [line for line in range(1, len(new) + 1) if of.find_hunk_of_new(line) is not None]
    assert sorted([*alive, *brought]) == list(range(1, len(new) + 1))


def test_place_follows_its_file() -> None:
    line_map = LineMap(
        files={
            "a.c": lines(hunk(0, 0, 1, 1), path="a.c"),
            "b.c": lines(hunk(2, 1, 1, 0), path="b.c", new_path="d/b.c"),
        },
        removed=frozenset({"gone.c"}),
    )
    assert line_map.map_place("a.c", 1) == ("a.c", 2)
    assert line_map.map_place("b.c", 1) == ("d/b.c", 1)
    assert line_map.map_place("b.c", 2) is None
    assert line_map.map_place("gone.c", 1) is None
    assert line_map.map_place("untouched.c", 9) == ("untouched.c", 9)
