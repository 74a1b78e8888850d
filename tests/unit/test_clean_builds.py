"""What sweeps have really built, read from a real store and held against a plain count."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from gatekeep.history.clean_builds import list_decided, load_clean_builds
from gatekeep.history.store import SqliteStore
from gatekeep.history.sweeps import SweepSink, begin_sweep, finish_sweep, list_sweeps
from gatekeep.model.evidence import Evidence, NotDecided, Outcome, TimedOut, Try, name_outcome
from gatekeep.model.history import SweepState
from tests.cases import broken
from tests.site_cases import image, make_line

TARGETS = tuple(f"arm/board{number}" for number in range(9))
LINE = make_line(12)
#: Swept by hand, of some change.
ASIDE = replace(LINE[0], commit_id="f" * 40, tree_id="e" * 40)
LATE = TimedOut(limit_s=60, stopped_by="SIGTERM")
CONTRADICTED = NotDecided(message="two builds", tries=(Try(outcome="built"), Try(outcome="broken")))
START = datetime(2026, 3, 1, 2, tzinfo=UTC)


@pytest.mark.parametrize("seed", range(5))
def test_the_newest_clean_build_that_told_something_counts(tmp_path: Path, seed: int):
    drawn = random.Random(seed)
    wanted: dict[str, tuple[str, int, str, datetime]] = {}
    with SqliteStore(tmp_path / "evidence.db") as store:
        decided: set[str] = set()
        for night in range(12):
            commit = drawn.choice([*LINE, ASIDE])
            begins_at = START + timedelta(days=night)
            sweep = begin_sweep(store, commit, begins_at)
            decided = set()
            for index, target in enumerate(TARGETS):
                # The last of them is seldom reached, and one never.
                if index == 8 or drawn.random() < (0.9 if index == 7 else 0.4):
                    continue
                outcomes: list[Outcome] = [image(), broken(), LATE, CONTRADICTED]
                outcome = drawn.choice(outcomes)
                built = Evidence(
                    target=target,
                    tree_id=commit.tree_id,
                    commit_id=commit.commit_id,
                    # One of its own: a later build of the same replaces an earlier one.
                    key=f"{night}",
                    toolchain_version="1",
                    outcome=outcome,
                    started_at=begins_at + timedelta(minutes=index),
                )
                SweepSink(store, sweep.sweep_id).add(built)
                if outcome is not CONTRADICTED:
                    decided.add(target)
                    if commit is not ASIDE and built.started_at is not None:
                        told = (commit.commit_id, sweep.sweep_id, name_outcome(outcome), built.started_at)
                        wanted[target] = told
            if drawn.random() < 0.8:
                finish_sweep(store, sweep.sweep_id, SweepState.UNDECIDED, [], begins_at + timedelta(hours=1))
        sweeps = list_sweeps(store)
        found = load_clean_builds(store, sweeps, LINE, TARGETS)
        assert list_decided(store, sweeps[-1].sweep_id) == decided
    assert {name: (one.commit.commit_id, one.sweep_id, one.outcome) for name, one in found.items()} == {
        name: told[:3] for name, told in wanted.items()
    }
    # A build past its limit that is gone has the time of its sweep.
    begun = {name: one.built_at for name, one in found.items() if one.outcome != "timed out"}
    assert begun == {name: told[3] for name, told in wanted.items() if name in begun}


def test_a_build_that_is_made_again_later_is_not_the_sweeps(tmp_path: Path):
    built = Evidence(
        target="arm/mere",
        tree_id=LINE[0].tree_id,
        commit_id=LINE[0].commit_id,
        key="k",
        toolchain_version="1",
        outcome=image(),
        started_at=START,
    )
    with SqliteStore(tmp_path / "evidence.db") as store:
        sweep = begin_sweep(store, LINE[0], START)
        SweepSink(store, sweep.sweep_id).add(built)
        finish_sweep(store, sweep.sweep_id, SweepState.FINISHED, [], START + timedelta(hours=1))
        store.add(replace(built, started_at=START + timedelta(days=3)))
        found = load_clean_builds(store, list_sweeps(store), LINE, ["arm/mere"])
    assert found["arm/mere"].built_at == START + timedelta(hours=1)
