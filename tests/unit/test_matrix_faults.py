"""Malformed matrices: every fault, with its place and the whole message."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Any

import pytest
import yaml

from gatekeep.errors import MatrixError
from gatekeep.matrix.faults import find_nearest
from gatekeep.matrix.load import parse_matrix

DATA = Path(__file__).parent.parent / "data" / "matrices"
SOUND = (DATA / "sound.yml").read_text(encoding="utf-8")


class Stage(Enum):
    """What could see a fault; see the head of malformed.yml."""

    SYNTAX = "syntax"
    SHAPE = "shape"
    SPELLING = "spelling"
    MEANING = "meaning"


@dataclass(frozen=True, slots=True)
class Case:
    """A malformed matrix and all that the loader says of it, in order."""

    name: str
    stage: Stage
    text: str
    messages: tuple[str, ...]


def _read_case(entry: dict[str, Any]) -> Case:
    text = SOUND
    for edit in entry["edits"]:
        old = edit.get("old", text)
        if text.count(old) != 1:
            raise ValueError(f"{entry['name']}: {old!r} does not stand once in the matrix")
        text = text.replace(old, edit["new"])
    messages = tuple(f"m.yml:{message}" for message in entry["messages"])
    return Case(entry["name"], Stage(entry["stage"]), text, messages)


CASES = tuple(_read_case(entry) for entry in yaml.safe_load((DATA / "malformed.yml").read_text(encoding="utf-8")))
each_case = pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)


def _refuse(text: str | bytes) -> MatrixError:
    with pytest.raises(MatrixError) as caught:
        parse_matrix(text.encode() if isinstance(text, str) else text, path="m.yml")
    return caught.value


def test_matrix_that_the_cases_edit_is_sound():
    matrix = parse_matrix(SOUND.encode(), path="m.yml")
    assert [target.name for target in matrix.targets] == ["riscv64/vale", "riscv64/mere"]


@each_case
def test_malformed_matrix_is_refused_with_every_fault_in_order(case):
    error = _refuse(case.text)
    assert (str(error), *map(str, error.others)) == case.messages
    assert all(not other.others for other in error.others)


@each_case
def test_message_says_what_is_wrong_and_what_to_do(case):
    """Form: place: what is wrong, got and wanted; what to do."""
    for message in case.messages:
        _place, _, problem = message.partition(": ")
        wrong, separator, way_out = problem.partition("; ")
        assert wrong
        assert separator
        assert way_out


@each_case
def test_place_exists_in_the_file(case):
    error = _refuse(case.text)
    lines = case.text.split("\n")
    for fault in (error, *error.others):
        assert 1 <= fault.line <= len(lines)
        assert 1 <= fault.column <= len(lines[fault.line - 1]) + 1


def test_bytes_that_are_not_utf_8_are_named_with_their_place():
    error = _refuse("matrix: 1\ntree: å".encode() + b"\xff\n")
    assert str(error) == "m.yml:2:8: byte 0xFF is not UTF-8; save the file as UTF-8"


def test_utf_16_is_refused():
    error = _refuse(SOUND.encode("utf-16-le"))
    assert str(error) == "m.yml:1:2: character U+0000 stands here, which no reader sees; remove it"


def test_file_beyond_the_limit_is_refused():
    assert str(_refuse(b"#" * (4 * 1024**2 + 1))) == "m.yml:1:1: the file is larger than 4 MiB; shorten it"


def test_a_thousand_faults_are_counted_and_a_hundred_shown():
    error = _refuse(SOUND.replace("      mere:\n", "".join(f"      b{n}: {{prat: x}}\n" for n in range(1000))))
    assert str(error) == "m.yml:23:12: board b0 has no key 'prat'; did you mean part?"
    assert len(error.others) == 100
    assert str(error.others[-1]) == ("m.yml:122:13: 900 more faults were found and are not shown; mend these first")


@pytest.mark.parametrize(
    ("word", "known", "nearest"),
    [
        ("capasity", ["capacity", "regions"], "capacity"),
        ("Tree", ["tree"], "tree"),
        ("clnag", ["clang"], "clang"),
        ("prat", ["part", "ports"], "part"),
        ("vale", ["mere", "tarn"], None),
        ("x", ["y"], None),
        ("", ["y"], None),
        ("abcdefgh", ["abcdxxxx"], None),
        ("abcdefgh", ["abcdexxx"], "abcdexxx"),
        ("board", ["boards", "board"], "board"),
        ("bord", ["board", "bird"], "board"),
    ],
)
def test_nearest_spelling_is_at_most_three_edits_away(word, known, nearest):
    assert find_nearest(word, known) == nearest
