"""
A standing to plain JSON values and back: all runs as columns of packed numbers, each set of regions once.

Over years there are some 75,000 runs; as numbers that are read from text they took a fifth of all that a site takes
after one more commit.
"""

from __future__ import annotations

import sys
from array import array
from base64 import b64decode, b64encode
from collections.abc import Sequence
from itertools import islice
from typing import Any

from gatekeep.history.standing import Standing
from gatekeep.model.evidence import RegionUse
from gatekeep.model.health import Run, State

_STATES = tuple(State)
#: By identity: an enumeration computes its members' hashes in Python, seventy thousand times.
_NUMBERS = {id(state): number for number, state in enumerate(_STATES)}
_CODE = "q"


def encode_standing(standing: Standing) -> dict[str, Any]:
    """Give the values of a standing, without `known_count`."""
    # By identity: readers give equal regions as one value nearly always, and a few repetitions do no harm.
    numbers: dict[int, int] = {}
    uses: list[list[list[Any]]] = []
    places: list[int] = []
    runs = [run for line in standing.runs.values() for run in line]
    for run in runs:
        number = numbers.get(id(run.regions))
        if number is None:
            number = numbers[id(run.regions)] = len(uses)
            uses.append(
                [[use.name, use.used_bytes, use.capacity_bytes, use.reserve_bytes, use.flash] for use in run.regions]
            )
        places.append(number)
    columns = {
        "first": _pack([run.first for run in runs]),
        "last": _pack([run.last for run in runs]),
        "first_evidence": _pack([run.first_evidence_id for run in runs]),
        "evidence": _pack([run.evidence_id for run in runs]),
        "state": _pack([_NUMBERS[id(run.state)] for run in runs]),
        "regions": _pack(places),
        "warnings": _pack([run.warning_count for run in runs]),
    }
    counts = {target: len(line) for target, line in standing.runs.items()}
    return {"marks": standing.marks, "regions": uses, "counts": counts, "runs": columns}


def decode_standing(document: dict[str, Any]) -> Standing:
    """
    Read what `encode_standing` gave.

    Raises:
        KeyError, TypeError, ValueError, IndexError: It is something else.
    """
    regions = [
        tuple(
            RegionUse(name=name, used_bytes=used, capacity_bytes=capacity, reserve_bytes=reserve, flash=flash)
            for name, used, capacity, reserve, flash in entry
        )
        for entry in document["regions"]
    ]
    columns = document["runs"]
    runs = iter(
        [
            Run(
                first=first,
                last=last,
                first_evidence_id=first_evidence_id,
                evidence_id=evidence_id,
                state=_STATES[state],
                regions=regions[uses],
                warning_count=warning_count,
            )
            for first, last, first_evidence_id, evidence_id, state, uses, warning_count in zip(
                _unpack(columns["first"]),
                _unpack(columns["last"]),
                _unpack(columns["first_evidence"]),
                _unpack(columns["evidence"]),
                _unpack(columns["state"]),
                _unpack(columns["regions"]),
                _unpack(columns["warnings"]),
                strict=True,
            )
        ]
    )
    lines = {target: tuple(islice(runs, count)) for target, count in document["counts"].items()}
    if next(runs, None) is not None or any(len(lines[target]) != count for target, count in document["counts"].items()):
        raise ValueError("the runs are not as many as their counts say")
    return Standing(runs=lines, marks=tuple((commit_id, stamp) for commit_id, stamp in document["marks"]))


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
