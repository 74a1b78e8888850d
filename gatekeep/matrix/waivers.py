"""
The file of waivers: its shape, its JSON Schema, and the way from its bytes to `Waiver` values.

It lies beside the matrix and is read by the same reader. How long a waiver lasts is held by the file alone: it says
its first day too, and from that to its last are at most so many days as the matrix allows. So a file that was right
stays right, whatever day it is; which waivers are in force is for the judge to say.
"""

from __future__ import annotations

from datetime import timedelta
from importlib.resources import files
from typing import Any

from pydantic import Field

from gatekeep.matrix.entries import Entry
from gatekeep.matrix.faults import Faults, suggest
from gatekeep.matrix.nodes import decode, read_nodes
from gatekeep.matrix.scalars import Day, Line, Name, Person, TargetPattern, WaivableRule, WaiversVersion
from gatekeep.matrix.schema import render_schema_of
from gatekeep.matrix.shape import read_entry
from gatekeep.model.matrix import Matrix, Place
from gatekeep.model.waiver import Waiver

SCHEMA_FILE = "waivers.schema.json"


class WaiverEntry(Entry):
    """A dated exception to one rule for named targets."""

    KIND = "waiver"
    rule: WaivableRule = Field(description="The rule that it excuses.", examples=["broken"])
    targets: list[TargetPattern] = Field(
        min_length=1,
        description="Targets by name; riscv64/* are all of a port that the matrix lists.",
        examples=["[riscv64/vale]"],
    )
    reason: Line = Field(
        description="Why, in one sentence; every report shows it.", examples=['"the new part comes in June"']
    )
    who: Person = Field(description="Who answers for it.", examples=['"Isa Thorne <isa@skerry.example>"'])
    since: Day = Field(description="Its first day, in UTC.", examples=["2026-05-01"])
    until: Day = Field(description="Its last day, in UTC.", examples=["2026-06-30"])


class WaiversEntry(Entry):
    """Dated exceptions to the rules of the matrix beside this file."""

    KIND = "waivers"
    NAMED = False
    waivers: WaiversVersion = Field(description="Version of this format.", examples=["1"])
    granted: dict[Name, WaiverEntry] = Field(
        {},
        description="Waivers by name.",
        examples=[
            "{vale-part: {rule: outgrown, targets: [riscv64/vale], reason: the new part comes in June, "
            "who: Isa Thorne, since: 2026-05-01, until: 2026-06-30}}"
        ],
    )


def parse_waivers(text: bytes, *, path: str, matrix: Matrix) -> tuple[Waiver, ...]:
    """
    Read waivers from the bytes of their file.

    Args:
        text: The whole file.
        path: Its name, for places in messages.
        matrix: The one that lies beside it: its targets, and how long a waiver may last.

    Returns:
        In file order, with the names of targets in place of patterns.

    Raises:
        MatrixError: The first fault by line; all others that could be told are its `others`.

    Source:
        RFC 3339, section 5.6, full-date.
    """
    faults = Faults(path)
    root = read_nodes(decode(text, faults), faults, kind="file of waivers", begin="waivers: 1")
    entry = read_entry(root, faults, WaiversEntry)
    found = [_resolve(entry, name, waiver, matrix, faults) for name, waiver in entry.granted.items()]
    faults.raise_if_any()
    return tuple(waiver for waiver in found if waiver is not None)


def _resolve(file: WaiversEntry, name: str, entry: WaiverEntry, matrix: Matrix, faults: Faults) -> Waiver | None:
    names: dict[str, None] = {}
    for index, pattern in enumerate(entry.targets):
        members = _list_members(pattern, matrix)
        mark = entry.value_at("targets", index)
        if not members:
            way_out = suggest(pattern, [target.name for target in matrix.targets], none="remove the waiver")
            faults.add(mark, f"{matrix.path} has no target {pattern}; {way_out}")
        elif repeated := [member for member in members if member in names]:
            faults.add(mark, f"{repeated[0]} is named here again; name each target once")
        names.update(dict.fromkeys(members))
    if entry.until < entry.since:
        faults.add(entry.value_at("until"), f"ends before it begins ({entry.since}); write a later day")
        return None
    allowed_days = matrix.rules.waiver_days
    # A waiver of one day begins and ends on it.
    if (entry.until - entry.since).days >= allowed_days:
        last_day = entry.since + timedelta(days=allowed_days - 1)
        problem = f"a waiver lasts at most {allowed_days} days from its first, got {entry.until}; write {last_day}"
        faults.add(entry.value_at("until"), f"{problem} or an earlier day")
    mark = file.name_at("granted", name)
    return Waiver(
        name=name,
        rule=entry.rule,
        targets=tuple(sorted(names)),
        reason=entry.reason,
        who=entry.who,
        since=entry.since,
        until=entry.until,
        place=Place(path=faults.path, line=mark[0], column=mark[1]),
    )


def _list_members(pattern: str, matrix: Matrix) -> list[str]:
    if not pattern.endswith("/*"):
        return [pattern] if matrix.get_target(pattern) is not None else []
    return [target.name for target in matrix.targets if target.name.startswith(pattern[:-1])]


def render_waivers_schema() -> dict[str, Any]:
    """
    Make the schema from the models that the reader itself uses.

    Source:
        JSON Schema, draft 2020-12.
    """
    return render_schema_of(WaiversEntry, identity="urn:gatekeep:waivers:1", title="Waivers of gatekeep")


def read_waivers_schema_text() -> str:
    """Give the file in the package; a test holds it equal to `render_waivers_schema`."""
    return files("gatekeep.matrix").joinpath(SCHEMA_FILE).read_text(encoding="utf-8")
