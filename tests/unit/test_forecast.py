"""Forecasts: the slope against SciPy, what must not move it, and when to be silent."""

from __future__ import annotations

import random
from datetime import UTC, date, datetime, timedelta
from math import isnan

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats

from gatekeep.judge.forecast import (
    HORIZON_DAYS,
    LEAST_POINTS,
    MOST_POINTS,
    Forecast,
    Silence,
    Slope,
    find_crossing,
    find_silence,
    fit_slope,
    forecast,
    take_evenly,
)

START = datetime(2026, 1, 1, 12, tzinfo=UTC)
Points = list[tuple[float, float]]

whole_points = st.lists(
    st.tuples(st.integers(0, 60).map(float), st.integers(-1000, 1000).map(float)), min_size=2, max_size=40
).filter(lambda points: len({x for x, _ in points}) > 1)


def growing(count: int, each: int = 10, *, first: int = 1000) -> list[tuple[datetime, int]]:
    """One commit a day, each with so many bytes more."""
    return [(START + timedelta(days=day), first + each * day) for day in range(count)]


@settings(max_examples=60)
@given(whole_points, st.sampled_from([0.6, 0.9, 0.95, 0.99]))
@pytest.mark.filterwarnings("ignore:invalid value encountered in sqrt:RuntimeWarning")
def test_slope_and_interval_are_scipys(points: Points, confidence: float) -> None:
    # Source of the check: scipy.stats.theilslopes, which names Sen 1968 for the interval.
    theirs = stats.theilslopes([y for _, y in points], [x for x, _ in points], confidence)
    # So many ties that the variance comes out below zero: SciPy has no interval, ours is the narrowest there is.
    assume(not isnan(theirs.low_slope))
    ours = fit_slope(points, confidence=confidence)
    assert ours is not None
    assert ours.middle == pytest.approx(float(theirs.slope), rel=1e-12, abs=1e-12)
    assert ours.low == pytest.approx(float(theirs.low_slope), rel=1e-12, abs=1e-12)
    assert ours.high == pytest.approx(float(theirs.high_slope), rel=1e-12, abs=1e-12)


def test_slope_of_a_real_looking_series_is_scipys() -> None:
    lot = random.Random(7)
    used, points = 40_000, []
    for commit in range(120):
        used += lot.choice((0, 0, 0, 0, 8, 24, 160, -40))
        points.append((float(commit), float(used)))
    theirs = stats.theilslopes([y for _, y in points], [x for x, _ in points], 0.95)
    assert fit_slope(points) == Slope(
        middle=float(theirs.slope), low=float(theirs.low_slope), high=float(theirs.high_slope)
    )


@given(whole_points, st.sampled_from([0.6, 0.9, 0.95, 0.99]))
def test_silence_from_signs_alone_is_what_the_slope_says(points: Points, confidence: float) -> None:
    slope = fit_slope(points, confidence=confidence)
    assert slope is not None
    expected = Silence.NOT_GROWING if slope.high <= 0 else Silence.UNCLEAR if slope.low <= 0 else None
    assert find_silence(points, confidence=confidence) is expected


@given(whole_points, st.integers(-500, 500), st.integers(-500, 500), st.sampled_from([0.25, 2.0, 8.0]))
def test_shifting_moves_nothing_and_scaling_scales(points: Points, by_x: int, by_y: int, factor: float) -> None:
    slope = fit_slope(points)
    assert slope is not None
    # Whole numbers and powers of two: nothing is rounded, so the answers are the same to the bit.
    assert fit_slope([(x + by_x, y + by_y) for x, y in points]) == slope
    scaled = fit_slope([(x, y * factor) for x, y in points])
    assert scaled == Slope(middle=slope.middle * factor, low=slope.low * factor, high=slope.high * factor)


@given(st.integers(1, 50), st.lists(st.integers(-100_000, 100_000), min_size=5, max_size=5), st.randoms())
def test_outliers_do_not_move_it(each: int, strange: list[int], lot: random.Random) -> None:
    # 5 of 20 points: 105 of 190 pairs are untouched, more than half. (The breakdown point is 1 - sqrt(1/2), 29 %.)
    points = [(float(day), float(1000 + each * day)) for day in range(20)]
    for place, value in zip(lot.sample(range(20), 5), strange, strict=True):
        points[place] = (points[place][0], float(value))
    slope = fit_slope(points)
    assert slope is not None
    assert slope.middle == each


@given(st.integers(0, 100_000), st.integers(0, 400))
def test_a_constant_series_gives_silence(used: int, count: int) -> None:
    found = forecast(growing(count, 0, first=used), limit_bytes=used + 100)
    assert found is (Silence.TOO_FEW_POINTS if count < LEAST_POINTS else Silence.NOT_GROWING)


def test_steady_growth_is_foretold_to_the_day() -> None:
    points = growing(20)
    assert forecast(points, limit_bytes=1500) == Forecast(
        reached_on=date(2026, 2, 20),
        early_on=date(2026, 2, 20),
        late_on=date(2026, 2, 20),
        bytes_per_day=Slope(middle=10.0, low=10.0, high=10.0),
        point_count=20,
    )


def test_the_interval_holds_the_middle_and_widens_with_noise() -> None:
    lot = random.Random(3)
    points = [(START + timedelta(days=day), 10_000 + 40 * day + lot.randint(-300, 300)) for day in range(60)]
    found = forecast(points, limit_bytes=16_000)
    assert isinstance(found, Forecast)
    assert found.late_on is not None
    assert found.early_on < found.reached_on < found.late_on


@pytest.mark.parametrize(
    ("points", "limit", "silence"),
    [
        ([], 2000, Silence.TOO_FEW_POINTS),
        (growing(LEAST_POINTS - 1), 2000, Silence.TOO_FEW_POINTS),
        # All of it long ago but the last.
        ([*growing(20), (START + timedelta(days=400), 1200)], 2000, Silence.TOO_FEW_POINTS),
        (growing(20), 1190, Silence.REACHED),
        (growing(20, -10), 2000, Silence.NOT_GROWING),
        # One feature of 4 KiB is no growth, however sure a rank test is of it.
        ([(at, 1000 if day < 15 else 5096) for day, (at, _) in enumerate(growing(30))], 9000, Silence.TOO_FEW_CHANGES),
        ([(at, 1000 + (7 * day) % 5) for day, (at, _) in enumerate(growing(30))], 2000, Silence.UNCLEAR),
        (growing(20, 1), 1019 + HORIZON_DAYS + 1, Silence.TOO_FAR),
    ],
)
def test_silence_says_why(points: list[tuple[datetime, int]], limit: int, silence: Silence) -> None:
    assert forecast(points, limit_bytes=limit) is silence


def test_the_last_day_of_the_horizon_is_still_told() -> None:
    found = forecast(growing(20, 1), limit_bytes=1019 + HORIZON_DAYS)
    assert isinstance(found, Forecast)
    assert found.reached_on == date(2027, 1, 20)


def test_a_late_day_beyond_the_horizon_is_left_open() -> None:
    lot = random.Random(5)
    points = [(float(day), 10_000.0 + 4 * day + lot.randint(-60, 60)) for day in range(60)]
    slope = fit_slope(points)
    assert slope is not None
    horizon = 800 / slope.middle + 1
    found = find_crossing(points, limit=points[-1][1] + 800, horizon=horizon)
    assert not isinstance(found, Silence)
    assert found.late is None
    assert found.early < found.at <= 59 + horizon


@pytest.mark.parametrize("noise", [0, 1])
def test_more_than_silence_is_never_said_of_noise_alone(noise: int) -> None:
    # 95 % of such series must be silent by the interval; rising ones are half of the rest, and most go too far ahead.
    told = 0
    for seed in range(200):
        lot = random.Random(seed)
        points = [(float(day), 1000.0 + noise * lot.randint(0, 400)) for day in range(40)]
        told += not isinstance(find_crossing(points, limit=2000, horizon=HORIZON_DAYS), Silence)
    assert told <= 10


def test_commits_older_than_their_parents_do_no_harm() -> None:
    points = growing(20)
    points[3], points[12] = (points[12][0], points[3][1]), (points[3][0], points[12][1])
    found = forecast(points, limit_bytes=1500)
    assert isinstance(found, Forecast)
    assert abs((found.reached_on - date(2026, 2, 20)).days) <= 2


def test_of_a_long_history_few_points_are_taken_and_the_slope_stays() -> None:
    lot = random.Random(1)
    points = [(float(commit), 5.0 * commit + lot.randint(-200, 200)) for commit in range(3000)]
    taken = take_evenly(points, MOST_POINTS)
    assert (len(taken), taken[0], taken[-1]) == (MOST_POINTS, points[0], points[-1])
    slope = fit_slope(taken)
    assert slope is not None
    assert slope.low < 5.0 < slope.high
    assert slope.middle == pytest.approx(5.0, rel=0.01)


def test_points_at_one_instant_have_no_slope() -> None:
    assert fit_slope([(1.0, 2.0), (1.0, 3.0)]) is None
    assert fit_slope([(1.0, 2.0)]) is None
