"""
Whether the machine's clock was set back while something ran.

GNU make and its like decide by the times of files, and these come from the wall clock. Where it is set back in the
middle of a build (a step of NTP, a virtual machine whose clock is corrected, a leap second), what is made later looks
older: a second pass of make may leave out what a clean build makes. Such a build says nothing. A clock that is set
forward keeps the order of files, and changes nothing: all durations and limits here go by the steady clock.

The steady clock and the wall clock are one counter to the kernel, slewed alike; what lies between the two changes only
when somebody sets the wall clock, or the machine sleeps, which sets it forward.

Source: clock_gettime(2), CLOCK_REALTIME and CLOCK_MONOTONIC; the GNU make manual, "How make Processes a Makefile".
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

#: Files are stamped with a clock that ticks every 10 ms at most (CONFIG_HZ of 100): what is less shows in no order.
_TICK_NS = 10_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockReading:
    """How far the wall clock was ahead of the steady one, in ns; at least and at most, since we may be held up."""

    least_ns: int
    most_ns: int


ReadClocks = Callable[[], ClockReading]


def read_clocks(
    wall_ns: Callable[[], int] = time.time_ns, steady_ns: Callable[[], int] = time.monotonic_ns
) -> ClockReading:
    """Look at both clocks."""
    before_ns = steady_ns()
    moment_ns = wall_ns()
    after_ns = steady_ns()
    return ClockReading(least_ns=moment_ns - after_ns, most_ns=moment_ns - before_ns)


def find_set_back_s(before: ClockReading, after: ClockReading) -> float:
    """Give by how many seconds at least the wall clock was set back between two readings; 0.0 where it was not."""
    set_back_ns = before.least_ns - after.most_ns
    return set_back_ns / 1e9 if set_back_ns > _TICK_NS else 0.0
