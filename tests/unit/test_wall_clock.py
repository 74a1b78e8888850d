"""A clock that is set back is seen, however long we are held up between two looks."""

from __future__ import annotations

import pytest

from gatekeep.build.wall_clock import ClockReading, find_set_back_s, read_clocks

SECOND_NS = 1_000_000_000


def look(ahead_s: float, held_up_s: float = 0.0, since_s: float = 5.0) -> ClockReading:
    """Look at a wall clock that is so far ahead of the steady one, held up on both sides of it."""
    steady_ns = iter([int((since_s - held_up_s) * SECOND_NS), int((since_s + held_up_s) * SECOND_NS)])
    return read_clocks(wall_ns=lambda: int((since_s + ahead_s) * SECOND_NS), steady_ns=lambda: next(steady_ns))


@pytest.mark.parametrize(
    ("before_s", "after_s", "set_back_s"),
    [
        (1000.0, 1000.0, 0.0),
        (1000.0, 1000.0 - 3600, 3600.0),
        (1000.0, 1000.0 + 3600, 0.0),
        # A leap second, by which the kernel sets the clock back.
        (1000.0, 999.0, 1.0),
        # Less than a tick of the clock that files are stamped with.
        (1000.0, 999.995, 0.0),
        (1000.0, 999.5, 0.5),
    ],
)
def test_how_far_the_clock_was_set_back(before_s: float, after_s: float, set_back_s: float) -> None:
    assert find_set_back_s(look(before_s), look(after_s, since_s=90.0)) == pytest.approx(set_back_s)


def test_a_process_that_was_held_up_sees_no_jump_where_there_was_none() -> None:
    for held_up_s in (0.0, 0.3, 20.0):
        for later_s in (0.0, 0.3, 20.0):
            found_s = find_set_back_s(look(1000.0, held_up_s, since_s=50.0), look(1000.0, later_s, since_s=99.0))
            assert found_s == 0.0


def test_the_machines_own_clocks_stand_still_between_two_looks() -> None:
    assert find_set_back_s(read_clocks(), read_clocks()) == 0.0
