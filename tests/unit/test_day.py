"""The day by which waivers and keys count, where the clock cannot be believed."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from gatekeep.cli.day import Calendar, settle_day
from gatekeep.errors import RunnerError
from gatekeep.history.store import SqliteStore
from gatekeep.history.sweeps import begin_sweep
from gatekeep.model.matrix import Approver, Maintainer, Place
from gatekeep.model.rule import Rule
from gatekeep.model.waiver import Waiver
from tests.site_cases import make_line

PLACE = Place(path="waivers.yml", line=3, column=1)
NOON = datetime(2026, 6, 30, 12, tzinfo=UTC)


class Clock:
    """A wall clock and a steady one, moved by the test."""

    def __init__(self) -> None:
        self.moment, self.steady_s = NOON, 100.0
        self.calendar = Calendar(now=lambda: self.moment, steady_s=lambda: self.steady_s)

    def go(self, passed: timedelta, *, set_by: timedelta = timedelta()) -> None:
        self.steady_s += passed.total_seconds()
        self.moment += passed + set_by


def waiver(since: date, until: date) -> Waiver:
    who = Maintainer(name="Oda Brekke", email="oda@skerry.example")
    return Waiver(
        name="lough",
        rule=Rule.BROKEN,
        targets=("mips/lough",),
        reason="",
        who=who,
        since=since,
        until=until,
        place=PLACE,
    )


def key(until: date | None) -> Approver:
    return Approver(name="oda", key="ssh-ed25519 AAAA", until=until, place=PLACE)


JUNE = waiver(date(2026, 5, 1), date(2026, 6, 30))


def test_the_day_goes_on_with_the_clock_over_midnight_and_sleep() -> None:
    clock = Clock()
    assert settle_day(clock.calendar, None, [JUNE], []) == date(2026, 6, 30)
    clock.go(timedelta(hours=13))
    assert settle_day(clock.calendar, None, [JUNE], []) == date(2026, 7, 1)


@pytest.mark.parametrize("set_by", [timedelta(days=1), timedelta(days=-70), timedelta(days=4000)])
def test_a_waiver_on_one_day_and_not_on_the_other_is_undecided(set_by: timedelta) -> None:
    clock = Clock()
    clock.go(timedelta(minutes=1), set_by=set_by)
    with pytest.raises(RunnerError, match=r"said 2026-06-30 before it was set .* decides waiver lough; see that"):
        settle_day(clock.calendar, None, [JUNE], [])


def test_a_clock_that_was_set_where_nothing_ends_is_believed() -> None:
    clock = Clock()
    clock.go(timedelta(minutes=1), set_by=timedelta(days=-10))
    assert settle_day(clock.calendar, None, [JUNE], [key(None), key(date(2026, 7, 1))]) == date(2026, 6, 20)
    # Some seconds are nobody's concern, midnight or not.
    clock = Clock()
    clock.go(timedelta(hours=12), set_by=timedelta(seconds=-3))
    assert settle_day(clock.calendar, None, [JUNE], []) == date(2026, 6, 30)


def test_a_waiver_that_has_not_begun_is_not_one_that_has_ended() -> None:
    """What it names blocks on the one day for being at the base, and on the other does not."""
    clock = Clock()
    clock.go(timedelta(minutes=1), set_by=timedelta(days=-365))
    with pytest.raises(RunnerError, match="waiver lough"):
        settle_day(clock.calendar, None, [waiver(date(2026, 5, 1), date(2026, 6, 1))], [])


def test_a_key_whose_last_day_lies_between_is_undecided() -> None:
    clock = Clock()
    clock.go(timedelta(minutes=1), set_by=timedelta(days=3))
    with pytest.raises(RunnerError, match="decides the key of oda"):
        settle_day(clock.calendar, None, [], [key(date(2026, 7, 1))])


def test_a_clock_behind_the_last_sweep_is_believed_once_another_sweep_went_by_it(tmp_path: Path) -> None:
    commit = make_line(1)[0]
    clock = Clock()
    with SqliteStore(tmp_path / "evidence.db") as store:
        assert settle_day(clock.calendar, store, [JUNE], []) == date(2026, 6, 30)
        begin_sweep(store, commit, NOON - timedelta(days=1))
        assert settle_day(clock.calendar, store, [JUNE], []) == date(2026, 6, 30)
        begin_sweep(store, commit, NOON + timedelta(days=1))
        with pytest.raises(RunnerError, match=r"last sweep began on 2026-07-01: .* waiver lough; set the clock, or"):
            settle_day(clock.calendar, store, [JUNE], [])
        assert settle_day(clock.calendar, store, [waiver(date(2026, 5, 1), date(2026, 7, 1))], []) == NOON.date()
        begin_sweep(store, commit, NOON)
        assert settle_day(clock.calendar, store, [JUNE], []) == date(2026, 6, 30)
