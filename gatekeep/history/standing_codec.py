"""
A standing to plain values and back: all runs as columns of packed numbers.

Over years there are some 50,000 runs; as numbers that are read from text they took a fifth of all that a site takes
after one more commit. Their regions stand in two tables: one that is written as it was read, and one of what is new
since, which is put to it when it has grown large.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from itertools import islice
from operator import ne
from typing import Any, TypeVar

from gatekeep.history.kept_regions import KeptRegions, RegionTable, encode_regions
from gatekeep.history.packed import pack, unpack
from gatekeep.history.standing import Standing
from gatekeep.model.evidence import RegionUse
from gatekeep.model.health import Run, State

_STATES = tuple(State)
#: By identity: an enumeration computes its members' hashes in Python, seventy thousand times.
_NUMBERS = {id(state): number for number, state in enumerate(_STATES)}
#: New regions are kept by themselves up to this share of the table, and so many in any case.
_NEW_SHARE, _NEW_AT_LEAST = 0.25, 1000
_Value = TypeVar("_Value")


def encode_standing(standing: Standing) -> dict[str, Any]:
    """Give the values of a standing, without `known_count`."""
    runs = [run for line in standing.runs.values() for run in line]
    # Turned by the interpreter at once: attribute by attribute took thrice as long.
    firsts, lasts, first_ids, last_ids, states, regions, warning_counts = zip(*runs, strict=True) if runs else [()] * 7
    tables, places = _encode_tables(regions)
    columns = {
        "first": pack(firsts),
        "last": pack(lasts),
        "first_evidence": pack(first_ids),
        "evidence": pack(last_ids),
        "state": pack([_NUMBERS[id(state)] for state in states]),
        "regions": pack(places),
        "warnings": pack(warning_counts),
    }
    counts = {target: len(line) for target, line in standing.runs.items()}
    return {"marks": standing.marks, "regions": tables, "counts": counts, "runs": columns}


def _encode_tables(regions: Sequence[Sequence[RegionUse]]) -> tuple[list[dict[str, Any]], list[int]]:
    """Give the tables, and for each of the regions its place in them, one table after the other."""
    old = next((uses.table for uses in regions if isinstance(uses, KeptRegions)), None)
    # By identity: readers give equal regions as one value nearly always, and a few repetitions do no harm.
    new = {id(uses): uses for uses in regions if type(uses) is not KeptRegions or uses.table is not old}
    if old is None or len(new) > max(_NEW_AT_LEAST, _NEW_SHARE * len(old)):
        old, new = None, {id(uses): uses for uses in regions}
    start = len(old) if old is not None else 0
    numbers = {identity: number for number, identity in enumerate(new, start)}
    places = [uses.at if (at := numbers.get(id(uses))) is None else at for uses in regions]  # type: ignore[attr-defined]  # all others are of the old table
    tables = [encode_regions(new.values())]
    return ([old.document, *tables] if old is not None else tables), places


def decode_standing(document: dict[str, Any]) -> Standing:
    """
    Read what `encode_standing` gave.

    Raises:
        KeyError, TypeError, ValueError, IndexError: It is something else.
    """
    old, *others = map(RegionTable, document["regions"])
    regions: list[Sequence[RegionUse]] = [KeptRegions(old, at) for at in range(len(old))]
    regions += [table.read(at) for table in others for at in range(len(table))]
    columns, counts = document["runs"], document["counts"]
    if len({len(column) for column in columns.values()}) > 1:
        raise ValueError("the columns are not of one length")
    runs = map(
        Run,
        unpack(columns["first"]),
        unpack(columns["last"]),
        unpack(columns["first_evidence"]),
        unpack(columns["evidence"]),
        map(_STATES.__getitem__, unpack(columns["state"])),
        map(regions.__getitem__, unpack(columns["regions"])),
        unpack(columns["warnings"]),
    )
    lines = dict(zip(counts, _cut(runs, counts.values()), strict=True))
    return Standing(runs=lines, marks=tuple((commit_id, stamp) for commit_id, stamp in document["marks"]))


def _cut(values: Iterator[_Value], counts: Collection[int]) -> list[tuple[_Value, ...]]:
    """Cut a row into pieces; ValueError where it is shorter or longer than they are together."""
    pieces = [tuple(islice(values, count)) for count in counts]
    if next(values, None) is not None or any(map(ne, map(len, pieces), counts)):
        raise ValueError("not as many as their counts say")
    return pieces
