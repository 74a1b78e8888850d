"""
A standing to plain JSON values and back: runs as rows of numbers, each text and each set of regions once.
"""

from __future__ import annotations

from typing import Any

from gatekeep.history.standing import Standing
from gatekeep.model.evidence import RegionUse
from gatekeep.model.health import Run, State


def encode_standing(standing: Standing) -> dict[str, Any]:
    """Give the values of a standing, without `known_count`."""
    regions: dict[tuple[RegionUse, ...], int] = {}
    rows = {
        target: [
            [
                run.first,
                run.last,
                run.evidence_id,
                run.state.value,
                regions.setdefault(run.regions, len(regions)),
                run.warning_count,
                run.elapsed_s,
                run.built_at,
            ]
            for run in runs
        ]
        for target, runs in standing.runs.items()
    }
    uses = [
        [[use.name, use.used_bytes, use.capacity_bytes, use.reserve_bytes, use.flash] for use in entry]
        for entry in regions
    ]
    return {"marks": standing.marks, "regions": uses, "runs": rows}


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
    states = {state.value: state for state in State}
    return Standing(
        runs={
            target: tuple(
                Run(
                    first=first,
                    last=last,
                    evidence_id=evidence_id,
                    state=states[state],
                    regions=regions[uses],
                    warning_count=warning_count,
                    elapsed_s=elapsed_s,
                    built_at=built_at,
                )
                for first, last, evidence_id, state, uses, warning_count, elapsed_s, built_at in rows
            )
            for target, rows in document["runs"].items()
        },
        marks=tuple((commit_id, stamp) for commit_id, stamp in document["marks"]),
    )
