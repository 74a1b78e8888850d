"""What is known of runs survives its way through bytes, and nothing else passes for it."""

from __future__ import annotations

import marshal
from copy import deepcopy
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gatekeep.history.kept_regions import KeptRegions
from gatekeep.history.packed import pack
from gatekeep.history.standing import Standing
from gatekeep.history.standing_codec import decode_standing, encode_standing
from gatekeep.model.evidence import RegionUse
from gatekeep.model.health import Run, State

REGIONS = (
    (),
    (RegionUse(name="boot", used_bytes=7, capacity_bytes=512),),
    (
        RegionUse(name="boot", used_bytes=9, capacity_bytes=512, flash=False),
        RegionUse(name="main", used_bytes=2**40, capacity_bytes=2**41, reserve_bytes=100),
    ),
    # An image may claim all addresses of 64 bits.
    (RegionUse(name="ram", used_bytes=2**64, capacity_bytes=512, flash=False),),
)
COUNTS = st.integers(0, 2**62)
RUNS = st.builds(
    Run,
    first=COUNTS,
    last=COUNTS,
    first_evidence_id=COUNTS,
    evidence_id=COUNTS,
    state=st.sampled_from(State),
    regions=st.sampled_from(REGIONS),
    warning_count=COUNTS,
)
NAMES = ("arm/mere", "mips/skarn", "x86/kelp")
STANDINGS = st.builds(
    Standing,
    runs=st.dictionaries(st.sampled_from(NAMES), st.lists(RUNS, max_size=4).map(tuple)),
    marks=st.lists(st.tuples(st.text(max_size=3), COUNTS), max_size=3).map(tuple),
)
ONE = Standing(
    runs={
        "arm/mere": (Run(first=0, last=3, first_evidence_id=4, evidence_id=5, state=State.WELL, regions=REGIONS[2]),),
        "x86/kelp": (
            Run(first=0, last=1, first_evidence_id=6, evidence_id=6, state=State.BROKEN),
            Run(first=2, last=3, first_evidence_id=8, evidence_id=8, state=State.WELL),
        ),
    },
    marks=(("c1", 7),),
)


@given(STANDINGS)
def test_there_and_back(standing: Standing) -> None:
    assert decode_standing(marshal.loads(marshal.dumps(encode_standing(standing)))) == standing


@given(STANDINGS, STANDINGS)
def test_what_was_read_is_written_again_and_what_is_new_behind_it(standing: Standing, newer: Standing) -> None:
    first = marshal.loads(marshal.dumps(encode_standing(standing)))
    read = decode_standing(first)
    both = replace(read, runs={name: read.runs.get(name, ()) + newer.runs.get(name, ()) for name in NAMES})
    second = marshal.loads(marshal.dumps(encode_standing(both)))
    found = decode_standing(second)
    assert found.runs == {name: standing.runs.get(name, ()) + newer.runs.get(name, ()) for name in NAMES}
    if any(read.runs.values()):
        assert second["regions"][0] == first["regions"][0]
    # Read and written a third time, it stays as it is.
    assert decode_standing(marshal.loads(marshal.dumps(encode_standing(found)))) == found


def test_many_new_regions_are_put_to_the_old() -> None:
    def grown(count: int, start: int) -> tuple[Run, ...]:
        return tuple(
            Run(at, at, at, at, State.WELL, (RegionUse("boot", at, 10**6),)) for at in range(start, start + count)
        )

    first = decode_standing(encode_standing(Standing(runs={"arm/mere": grown(3000, 0)}, marks=())))
    some = replace(first, runs={"arm/mere": first.runs["arm/mere"] + grown(900, 3000)})
    assert len(encode_standing(some)["regions"]) == 2
    many = replace(first, runs={"arm/mere": first.runs["arm/mere"] + grown(1100, 3000)})
    document = encode_standing(many)
    assert len(document["regions"]) == 1
    assert decode_standing(document).runs == {"arm/mere": grown(4100, 0)}


def test_regions_that_are_kept_are_as_good_as_any() -> None:
    (run,) = decode_standing(marshal.loads(marshal.dumps(encode_standing(ONE)))).runs["arm/mere"]
    regions = run.regions
    assert isinstance(regions, KeptRegions)
    assert (regions == REGIONS[2], regions != REGIONS[2], regions == REGIONS[1]) == (True, False, False)
    assert (len(regions), regions[1], regions[:1], bool(regions)) == (2, REGIONS[2][1], REGIONS[2][:1], True)
    assert (repr(regions), hash(regions)) == (repr(REGIONS[2]), hash(REGIONS[2]))


def damage(kind: str, document: dict[str, Any]) -> None:
    match kind:
        case "a column is shorter":
            document["runs"]["last"] = document["runs"]["last"][:-8]
        case "a column is gone":
            del document["runs"]["state"]
        case "a number is cut":
            document["runs"]["first"] = document["runs"]["first"][:-1]
        case "fewer are counted":
            document["counts"]["x86/kelp"] = 1
        case "more are counted":
            document["counts"]["x86/kelp"] = 3
        case "regions that are not there":
            document["regions"] = []
        case "a place past the regions":
            document["runs"]["regions"] = pack([0, 1, 2])
        case "a use that leads nowhere":
            document["regions"][0]["uses"] = pack([0, 2])
        case "a use of nothing":
            document["regions"][0]["of"] = pack([0, -1])
        case "more uses than are counted":
            document["regions"][0]["counts"] = pack([1, 0])
        case _:
            document["regions"][0]["kinds"] = [(*document["regions"][0]["kinds"][0], "boot")]


@pytest.mark.parametrize(
    "kind",
    [
        "a column is shorter",
        "a column is gone",
        "a number is cut",
        "fewer are counted",
        "more are counted",
        "regions that are not there",
        "a place past the regions",
        "a use that leads nowhere",
        "a use of nothing",
        "more uses than are counted",
        "regions that are none",
    ],
)
def test_what_is_something_else_is_refused(kind: str) -> None:
    document = marshal.loads(marshal.dumps(encode_standing(ONE)))
    assert decode_standing(deepcopy(document)) == ONE
    damage(kind, document)
    with pytest.raises((KeyError, TypeError, ValueError, IndexError)):
        decode_standing(document)
