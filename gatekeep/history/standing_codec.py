"""
A standing to plain JSON values and back: all runs as columns of packed numbers, each set of regions once.

Over years there are some 75,000 runs; as numbers that are read from text they took a fifth of all that a site takes
after one more commit.
"""

from __future__ import annotations

import sys
from array import array
from base64 import b64decode, b64encode
from collections.abc import Collection, Iterator, Sequence
from itertools import chain, islice
from operator import ne
from typing import Any, TypeVar

from gatekeep.history.standing import Standing
from gatekeep.model.evidence import RegionUse
from gatekeep.model.health import Run, State

_STATES = tuple(State)
#: By identity: an enumeration computes its members' hashes in Python, seventy thousand times.
_NUMBERS = {id(state): number for number, state in enumerate(_STATES)}
_CODE = "q"
_Value = TypeVar("_Value")


def encode_standing(standing: Standing) -> dict[str, Any]:
    """Give the values of a standing, without `known_count`."""
    runs = [run for line in standing.runs.values() for run in line]
    # Turned by the interpreter at once: attribute by attribute took thrice as long.
    firsts, lasts, first_ids, last_ids, states, regions, warning_counts = zip(*runs, strict=True) if runs else [()] * 7
    # By identity: readers give equal regions as one value nearly always, and a few repetitions do no harm.
    each = {id(uses): uses for uses in regions}
    numbers = {identity: number for number, identity in enumerate(each)}
    columns = {
        "first": _pack(firsts),
        "last": _pack(lasts),
        "first_evidence": _pack(first_ids),
        "evidence": _pack(last_ids),
        "state": _pack([_NUMBERS[id(state)] for state in states]),
        "regions": _pack([numbers[id(uses)] for uses in regions]),
        "warnings": _pack(warning_counts),
    }
    counts = {target: len(line) for target, line in standing.runs.items()}
    return {"marks": standing.marks, "regions": _encode_regions(each.values()), "counts": counts, "runs": columns}


def _encode_regions(regions: Collection[tuple[RegionUse, ...]]) -> dict[str, Any]:
    """Each use once, and of what a use is of (all but how much is used) each once: thousands of builds share few."""
    uses = {use: number for number, use in enumerate(dict.fromkeys(chain.from_iterable(regions)))}
    kinds: dict[tuple[Any, ...], int] = {}
    of = [kinds.setdefault((name, *rest), len(kinds)) for name, _, *rest in uses]
    return {
        "kinds": list(kinds),
        "of": _pack(of),
        "used": _pack([use.used_bytes for use in uses]),
        "counts": _pack([len(entry) for entry in regions]),
        "uses": _pack([uses[use] for use in chain.from_iterable(regions)]),
    }


def _decode_regions(document: dict[str, Any]) -> list[tuple[RegionUse, ...]]:
    kinds = [(name, capacity_bytes, reserve, flash) for name, capacity_bytes, reserve, flash in document["kinds"]]
    known = [
        RegionUse(name, used_bytes, capacity_bytes, reserve_bytes, flash)
        for used_bytes, (name, capacity_bytes, reserve_bytes, flash) in zip(
            _unpack(document["used"]), map(kinds.__getitem__, _unpack(document["of"])), strict=True
        )
    ]
    uses = map(known.__getitem__, _unpack(document["uses"]))
    return _cut(uses, _unpack(document["counts"]))


def decode_standing(document: dict[str, Any]) -> Standing:
    """
    Read what `encode_standing` gave.

    Raises:
        KeyError, TypeError, ValueError, IndexError: It is something else.
    """
    regions, columns = _decode_regions(document["regions"]), document["runs"]
    if len({len(text) for text in columns.values()}) > 1:
        raise ValueError("the columns are not of one length")
    runs = map(
        Run,
        _unpack(columns["first"]),
        _unpack(columns["last"]),
        _unpack(columns["first_evidence"]),
        _unpack(columns["evidence"]),
        map(_STATES.__getitem__, _unpack(columns["state"])),
        map(regions.__getitem__, _unpack(columns["regions"])),
        _unpack(columns["warnings"]),
    )
    counts = document["counts"]
    lines = dict(zip(counts, _cut(runs, counts.values()), strict=True))
    return Standing(runs=lines, marks=tuple((commit_id, stamp) for commit_id, stamp in document["marks"]))


def _cut(values: Iterator[_Value], counts: Collection[int]) -> list[tuple[_Value, ...]]:
    """Cut a row into pieces; ValueError where it is shorter or longer than they are together."""
    pieces = [tuple(islice(values, count)) for count in counts]
    if next(values, None) is not None or any(map(ne, map(len, pieces), counts)):
        raise ValueError("not as many as their counts say")
    return pieces


def _pack(numbers: Sequence[int]) -> str:
    """Eight bytes a number, least byte first, as base64."""
    packed = array(_CODE, numbers)
    if sys.byteorder == "big":
        packed.byteswap()
    return b64encode(packed).decode("ascii")


def _unpack(text: str) -> list[int]:
    packed = array(_CODE)
    packed.frombytes(b64decode(text, validate=True))
    if sys.byteorder == "big":
        packed.byteswap()
    return packed.tolist()
