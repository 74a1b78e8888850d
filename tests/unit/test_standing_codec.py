"""What is known of runs survives its way through JSON, and nothing else passes for it."""

from __future__ import annotations

import json
from copy import deepcopy
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

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
STANDINGS = st.builds(
    Standing,
    runs=st.dictionaries(
        st.sampled_from(("arm/mere", "mips/skarn", "x86/kelp")), st.lists(RUNS, max_size=4).map(tuple)
    ),
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
    assert decode_standing(json.loads(json.dumps(encode_standing(standing)))) == standing


def damage(kind: str, document: dict[str, Any]) -> None:
    match kind:
        case "a column is shorter":
            document["runs"]["last"] = document["runs"]["last"][:-12] + "="
        case "a column is gone":
            del document["runs"]["state"]
        case "no base64":
            document["runs"]["first"] = "!" + document["runs"]["first"][1:]
        case "fewer are counted":
            document["counts"]["x86/kelp"] = 1
        case "more are counted":
            document["counts"]["x86/kelp"] = 3
        case "regions that are not there":
            del document["regions"]["counts"]
        case _:
            document["regions"]["kinds"][0].append("boot")


@pytest.mark.parametrize(
    "kind",
    [
        "a column is shorter",
        "a column is gone",
        "no base64",
        "fewer are counted",
        "more are counted",
        "regions that are not there",
        "regions that are none",
    ],
)
def test_what_is_something_else_is_refused(kind: str) -> None:
    document = json.loads(json.dumps(encode_standing(ONE)))
    assert decode_standing(deepcopy(document)) == ONE
    damage(kind, document)
    with pytest.raises((KeyError, TypeError, ValueError, IndexError)):
        decode_standing(document)
