"""
How good the order is in which builds start: Graham's bounds, and his worst case worked out.

Source: R. L. Graham, "Bounds on Multiprocessing Timing Anomalies", SIAM Journal on Applied Mathematics 17 (1969),
pages 416-429.
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.simulated_workers import (
    find_optimum_s,
    graham_bound,
    graham_worst_case,
    list_schedule_s,
    lower_bound_s,
    simulate,
)

DURATIONS = st.lists(st.integers(1, 40).map(float), min_size=1, max_size=6)


def name(durations: list[float]) -> dict[str, float]:
    return {f"arm/board-{number}": duration for number, duration in enumerate(durations)}


def test_worst_case_of_two_workers_is_the_published_one() -> None:
    assert graham_worst_case(2) == [3, 3, 2, 2, 2]
    assert graham_worst_case(4) == [7, 7, 6, 6, 5, 5, 4, 4, 4]


@pytest.mark.parametrize("workers", [2, 3, 4, 8, 64])
def test_worst_case_takes_exactly_as_long_as_the_theorem_says(workers: int) -> None:
    durations = graham_worst_case(workers)
    assert simulate(name(durations), workers) == 4 * workers - 1
    assert (4 * workers - 1) / (3 * workers) == pytest.approx(graham_bound(workers))


@pytest.mark.parametrize("workers", [2, 3])
def test_optimum_of_the_worst_case_is_three_times_the_workers(workers: int) -> None:
    assert find_optimum_s(graham_worst_case(workers), workers) == 3 * workers


@settings(deadline=None)
@given(DURATIONS, st.integers(1, 4))
def test_known_durations_never_take_longer_than_the_bound_of_the_longest_first(
    durations: list[float], workers: int
) -> None:
    optimum_s = find_optimum_s(durations, workers)
    makespan_s = simulate(name(durations), workers)
    assert lower_bound_s(durations, workers) <= optimum_s <= makespan_s
    assert makespan_s <= graham_bound(workers) * optimum_s + 1e-9


@settings(deadline=None)
@given(DURATIONS, st.integers(1, 4))
def test_unknown_durations_never_take_longer_than_the_bound_of_any_list(durations: list[float], workers: int) -> None:
    """Theorem 1 of the same paper: whatever the order, 2 - 1/m times the optimum at most."""
    makespan_s = simulate(name(durations), workers, expected_s={})
    assert makespan_s <= (2 - 1 / workers) * find_optimum_s(durations, workers) + 1e-9


@settings(deadline=None)
@given(DURATIONS, st.integers(1, 4))
def test_no_worker_is_left_idle_while_a_job_waits(durations: list[float], workers: int) -> None:
    """`run_jobs` with its futures does what a list schedule worked out by hand does."""
    assert simulate(name(durations), workers) == list_schedule_s(sorted(durations, reverse=True), workers)
