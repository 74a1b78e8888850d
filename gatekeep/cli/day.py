"""
The day by which waivers and keys count, as far as the machine's clock can be believed.

A clock that was set in the middle of a run, or that runs behind the last sweep, leaves two days to choose from. Where
nothing that counts begins or ends between them it does not matter; else nobody knows, and undecided is never pass.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

from gatekeep.errors import RunnerError
from gatekeep.model.matrix import Approver
from gatekeep.model.waiver import Waiver

if TYPE_CHECKING:
    from gatekeep.history.store import SqliteStore

#: A clock that is a little off matters at midnight alone, and then to no one.
_TOLERANCE = timedelta(seconds=5)


def _read_steady_s() -> float:
    """Give the clock that nobody sets and that goes on while the machine sleeps (clock_gettime(2))."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


@dataclass(slots=True, kw_only=True)
class Calendar:
    """
    Knows the day, and another one where the clock was set since this was made.

    `now` gives aware instants; `steady_s` is in seconds from any moment, and is never set.
    """

    now: Callable[[], datetime]
    steady_s: Callable[[], float] = _read_steady_s
    _began_at: datetime = field(init=False)
    _began_s: float = field(init=False)

    def __post_init__(self) -> None:
        self._began_at, self._began_s = self.now(), self.steady_s()

    @property
    def today(self) -> date:
        """The day in UTC."""
        return _day_of(self.now())

    def find_other(self) -> date | None:
        """Give the day that it would be had nobody set the clock; None where nobody did."""
        moment = self.now()
        expected = self._began_at + timedelta(seconds=self.steady_s() - self._began_s)
        return None if abs(moment - expected) <= _TOLERANCE else _day_of(expected)


def settle_day(
    calendar: Calendar, store: SqliteStore | None, waivers: Iterable[Waiver], approvers: Iterable[Approver]
) -> date:
    """
    Give the day in UTC on which to judge.

    Args:
        calendar: Of this run.
        store: Knows the last sweep; None does not ask it.
        waivers: All that may count.
        approvers: All that may count.

    Raises:
        RunnerError: It may be another day, on which not the same of them count.
        StoreError: The store cannot be read.
    """
    waivers, approvers = tuple(waivers), tuple(approvers)
    today = calendar.today
    if not waivers and all(approver.until is None for approver in approvers):
        return today
    if other := calendar.find_other():
        doubtful = _list_doubtful(today, other, waivers, approvers)
        if doubtful:
            raise RunnerError(
                f"the machine's clock says {today}, and said {other} before it was set during this run: which "
                f"is right decides {doubtful}; see that it is right now, and run again"
            )
    swept_at = _ask_last_begun_at(store) if store is not None else None
    if swept_at is not None and swept_at > calendar.now() + _TOLERANCE:
        doubtful = _list_doubtful(today, _day_of(swept_at), waivers, approvers)
        if doubtful:
            raise RunnerError(
                f"the machine's clock says {today}, and the last sweep began on {_day_of(swept_at)}: which is "
                f"right decides {doubtful}; set the clock, or, where it is right now, sweep once"
            )
    return today


def _ask_last_begun_at(store: SqliteStore) -> datetime | None:
    # As the store itself, imported when it is asked.
    from gatekeep.history.sweeps import load_last_begun_at

    return load_last_begun_at(store)


def _list_doubtful(one: date, other: date, waivers: Iterable[Waiver], approvers: Iterable[Approver]) -> str:
    """Name what does not count alike on both days; empty where all does."""
    found = [
        f"waiver {waiver.name}"
        for waiver in waivers
        if (waiver.since <= one, one <= waiver.until) != (waiver.since <= other, other <= waiver.until)
    ]
    found += [
        f"the key of {approver.name}"
        for approver in approvers
        if approver.until is not None and (one <= approver.until) != (other <= approver.until)
    ]
    return ", ".join(dict.fromkeys(found))


def _day_of(moment: datetime) -> date:
    return moment.astimezone(UTC).date()
