"""Forecasts from runs: what `forecast` says of the same commits, renewed by the week, and the same when remembered."""

from __future__ import annotations

import json
import random
from collections.abc import Sequence
from dataclasses import asdict, replace
from datetime import timedelta

import pytest

from gatekeep.judge.forecast import PRESENT_DAYS, Forecast, forecast
from gatekeep.judge.outlook import Known, list_outlooks
from gatekeep.model.change import Commit
from gatekeep.model.evidence import RegionUse
from gatekeep.model.health import Run, State
from tests.site_cases import make_line


def make_runs(stretches: Sequence[tuple[int, int, int | None]]) -> tuple[Run, ...]:
    """(first, last, used bytes of main; None without an image)."""
    return tuple(
        Run(
            first=first,
            last=last,
            first_evidence_id=number + 1,
            evidence_id=number + 1,
            state=State.WELL if used is not None else State.BROKEN,
            regions=(RegionUse(name="main", used_bytes=used, capacity_bytes=3000, reserve_bytes=100),)
            if used is not None
            else (),
        )
        for number, (first, last, used) in enumerate(stretches)
    )


def growing(count: int) -> tuple[Run, ...]:
    """A target that every commit builds, ten bytes larger."""
    return make_runs([(at, at, 1000 + 10 * at) for at in range(count)])


def foretold(commits: Sequence[Commit], runs: Sequence[Run], last: int) -> Forecast:
    """Ask the forecast itself, commit by commit, up to one of them."""
    points = [
        (commits[at].committed_at, run.regions[0].used_bytes)
        for run in runs
        if run.regions
        for at in range(run.first, min(run.last, last) + 1)
    ]
    found = forecast(points, limit_bytes=2900)
    assert isinstance(found, Forecast)
    return found


@pytest.mark.parametrize("count", [30, 150])
def test_an_outlook_is_the_forecast_of_the_commits(count: int):
    commits, runs = make_line(count), growing(count)
    (found,) = list_outlooks({"arm/mere": runs}, commits)["arm/mere"]
    told = foretold(commits, runs, count - 1)
    assert (found.reached_on, found.early_on, found.late_on) == (told.reached_on, told.early_on, told.late_on)
    assert (found.point_count, found.from_bytes) == (told.point_count, runs[-1].regions[0].used_bytes)
    assert found.from_on == commits[-1].committed_at.date()
    assert found.point_count == min(count, PRESENT_DAYS + 1)


def test_stretches_without_an_image_and_clocks_that_went_wrong_do_no_harm():
    commits = list(make_line(60))
    commits[20], commits[41] = (
        replace(commits[20], committed_at=commits[41].committed_at),
        replace(commits[41], committed_at=commits[20].committed_at),
    )
    stretches: list[tuple[int, int, int | None]] = [(at, at, 1000 + 10 * at) for at in range(60)]
    stretches[30:35] = [(30, 34, None)]
    runs = make_runs(stretches)
    (found,) = list_outlooks({"arm/mere": runs}, commits)["arm/mere"]
    told = foretold(commits, runs, 59)
    assert (found.reached_on, found.point_count) == (told.reached_on, told.point_count)


def test_what_nothing_built_since_is_renewed_once_a_week():
    commits = make_line(100)
    seen = []
    for end in range(60, 90):
        stretches: list[tuple[int, int, int | None]] = [(at, at, 1000 + 10 * at) for at in range(60)]
        runs = make_runs([*stretches[:-1], (59, end, 1590)])
        (found,) = list_outlooks({"arm/mere": runs}, commits[: end + 1])["arm/mere"]
        # Never older than a week, and never from before its last build.
        assert timedelta(0) <= commits[end].committed_at.date() - found.from_on < timedelta(days=7)
        assert found.from_on >= commits[59].committed_at.date()
        last = next(at for at, commit in enumerate(commits) if commit.committed_at.date() == found.from_on)
        assert found.reached_on == foretold(commits, runs, last).reached_on
        seen.append(found.from_on)
    assert len(set(seen)) <= 30 / 7 + 2


def test_what_is_remembered_changes_no_answer():
    drawn = random.Random(3)
    known = Known()
    for count in range(40, 60):
        commits = make_line(count)
        runs = {
            f"arm/board-{number}": make_runs(
                [(at, min(at + 2, count - 1), 1000 + (5 + number) * at) for at in range(0, count, 3)]
            )
            for number in range(drawn.randrange(3, 8))
        }
        # As it comes back from a file.
        known = Known(**json.loads(json.dumps(asdict(known))))
        assert list_outlooks(runs, commits, known) == list_outlooks(runs, commits)
        assert list_outlooks(runs, commits, known, known_count=count) == list_outlooks(runs, commits)
        assert len(known.answers) <= len(runs)


@pytest.mark.parametrize("seed", range(20))
def test_what_was_asked_of_commits_that_stay_needs_no_digest(seed: int):
    """Sizes change from any commit on, and what is said to be as it was is."""
    drawn = random.Random(seed)
    commits = make_line(120)
    sizes = [1000 + 8 * at + drawn.randrange(6) for at in range(120)]
    known, before = Known(), 0
    for _ in range(12):
        changed = drawn.randrange(120)
        sizes[changed] += drawn.choice((0, 60, 200))
        count = drawn.randrange(40, 120)
        runs = {"arm/mere": make_runs([(at, at, sizes[at] if at % 9 else None) for at in range(count)])}
        # Once built, and never since.
        runs["arm/holm"] = make_runs([*((at, at, sizes[at]) for at in range(30)), (30, count - 1, sizes[30])])
        stays = min(changed, before, count)
        assert list_outlooks(runs, commits[:count], known, known_count=stays) == list_outlooks(runs, commits[:count])
        before = count


def test_a_target_without_an_image_has_no_outlook():
    assert list_outlooks({"arm/mere": make_runs([(0, 5, None)]), "arm/holm": ()}, make_line(6)) == {}
