"""
When a region reaches its reserve at the present growth. Pure.

The slope is Theil's and Sen's: the median of the slopes between all pairs of points. Up to 29 % of the points may be
anything (a feature that came and went, a wrong build) without carrying it away. Its interval comes from the variance of
Kendall's tau, ties corrected. The line begins at the last size, which is a fact, and not where a fit would have it.

Silence is an answer. Nothing is said from few points, from few changes of size (one large feature is no growth), where
the interval holds zero, or about a day beyond a year.

What the interval does not know: sizes build on each other, so their deviations from a line are not independent, as the
method has it; the true interval is wider. Requiring several changes of size catches the worst of it.

Source: H. Theil, "A rank-invariant method of linear and polynomial regression analysis", Indagationes Mathematicae 12
(1950); P. K. Sen, "Estimates of the regression coefficient based on Kendall's tau", Journal of the American Statistical
Association 63 (1968), 1379-1389. Checked in a test against scipy.stats.theilslopes.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right, insort
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from enum import Enum
from itertools import groupby, pairwise
from math import sqrt
from operator import itemgetter
from statistics import NormalDist, median

#: Fewer say nothing about growth: below eight the 95 % interval of the slope spans nearly all slopes there are.
LEAST_POINTS = 8
#: Changes of size among the points. One step, whoever made it, is no trend.
LEAST_CHANGES = 4
#: What is older is not the present growth.
PRESENT_DAYS = 180
#: Nobody plans a flash part by a guess that looks further ahead; from the last point.
HORIZON_DAYS = 365
CONFIDENCE = 0.95
#: Pairs grow with the square: of a longer history so many points are taken, evenly spread, the ends among them. 100
#: make 4,950 slopes, which take 2 to 4 ms; a site asks for hundreds of regions.
MOST_POINTS = 100
_DAY_S = 86400.0


class Silence(Enum):
    """Why nothing is said; the value completes "no forecast: "."""

    TOO_FEW_POINTS = "too few points"
    TOO_FEW_CHANGES = "its size has changed too seldom"
    NOT_GROWING = "it is not growing"
    UNCLEAR = "the data do not say whether it grows"
    TOO_FAR = "not within the time that can be foreseen"
    REACHED = "its reserve is reached already"


@dataclass(frozen=True, slots=True, kw_only=True)
class Slope:
    """A slope, in units of y per unit of x, with the interval that holds it at the confidence that was asked for."""

    middle: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossing:
    """
    Where a line that starts at the last point reaches a limit, in units of x.

    `early` is by the highest slope and `late` by the lowest, None where that is beyond the horizon.
    """

    slope: Slope
    from_x: float
    from_y: float
    at: float
    early: float
    late: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """
    The day on which a region reaches its reserve.

    `late_on` is None where it lies beyond the horizon. `bytes_per_day` is the growth with its interval. `point_count`
    points of the last `PRESENT_DAYS` days speak for it.
    """

    reached_on: date
    early_on: date
    late_on: date | None
    bytes_per_day: Slope
    point_count: int


def fit_slope(points: Sequence[tuple[float, float]], *, confidence: float = CONFIDENCE) -> Slope | None:
    """
    Fit the slope of Theil and Sen.

    Args:
        points: (x, y), in any order; all pairs are taken, so keep them few.
        confidence: Of the interval, above 0.5 and below 1.

    Returns:
        None when all points have one x, or there are less than two.
    """
    # With x in order no pair needs a test of its direction.
    ordered = sorted(points)
    slopes = sorted(
        (other_y - y) / (other_x - x)
        for index, (x, y) in enumerate(ordered)
        for other_x, other_y in ordered[index + 1 :]
        if other_x > x
    )
    if not slopes:
        return None
    lowest, highest = _find_ends(ordered, len(slopes), confidence)
    return Slope(middle=median(slopes), low=slopes[lowest], high=slopes[highest])


def _find_ends(points: Sequence[tuple[float, float]], slope_count: int, confidence: float) -> tuple[int, int]:
    """Give the places of the interval's ends among the slopes in order."""
    count = len(points)
    ties = _sum_ties(x for x, _ in points) + _sum_ties(y for _, y in points)
    deviation = sqrt(max(0.0, (count * (count - 1) * (2 * count + 5) - ties) / 18))
    # Sen's equation 2.6, two-sided.
    reach = NormalDist().inv_cdf((1 + confidence) / 2) * deviation
    lowest = max(round((slope_count - reach) / 2) - 1, 0)
    return lowest, min(round((slope_count + reach) / 2), slope_count - 1)


def find_silence(points: Sequence[tuple[float, float]], *, confidence: float = CONFIDENCE) -> Silence | None:
    """
    Say whether the slope's interval leaves anything to foretell, from the signs of the slopes alone.

    It says what `fit_slope` would lead to, in a thirtieth of the time: most regions of most targets do not grow.

    Args:
        points: As for `fit_slope`.
        confidence: As for `fit_slope`.

    Returns:
        None when the whole interval lies above zero.
    """
    ordered = sorted(points)
    rising = falling = level = 0
    earlier: list[float] = []
    for _, group in groupby(ordered, key=itemgetter(0)):
        here = [y for _, y in group]
        for y in here:
            below, upto = bisect_left(earlier, y), bisect_right(earlier, y)
            rising += below
            level += upto - below
            falling += len(earlier) - upto
        for y in here:
            insort(earlier, y)
    slope_count = rising + level + falling
    if not slope_count:
        return Silence.TOO_FEW_POINTS
    lowest, highest = _find_ends(ordered, slope_count, confidence)
    if highest < falling + level:
        return Silence.NOT_GROWING
    return Silence.UNCLEAR if lowest < falling + level else None


def _sum_ties(values: Iterable[float]) -> int:
    return sum(times * (times - 1) * (2 * times + 5) for times in Counter(values).values() if times > 1)


def find_crossing(
    points: Sequence[tuple[float, float]], *, limit: float, horizon: float, most_points: int = MOST_POINTS
) -> Crossing | Silence:
    """
    Say where a growing series reaches a limit.

    Args:
        points: (x, y) in the order of x, which may be days or the numbers of commits.
        limit: The y in question.
        horizon: How far behind the last x an answer may lie.
        most_points: How many of the points are taken at most, evenly spread.
    """
    if len(points) < LEAST_POINTS:
        return Silence.TOO_FEW_POINTS
    last_x, last_y = points[-1]
    if last_y >= limit:
        return Silence.REACHED
    changes = sum(1 for (_, before), (_, after) in pairwise(points) if before != after)
    if changes == 0:
        return Silence.NOT_GROWING
    if changes < LEAST_CHANGES:
        return Silence.TOO_FEW_CHANGES
    taken = take_evenly(points, most_points)
    silence = find_silence(taken)
    slope = fit_slope(taken) if silence is None else None
    if slope is None:
        return silence or Silence.TOO_FEW_POINTS
    left = limit - last_y
    if left / slope.middle > horizon:
        return Silence.TOO_FAR
    late = left / slope.low
    return Crossing(
        slope=slope,
        from_x=last_x,
        from_y=last_y,
        at=last_x + left / slope.middle,
        early=last_x + left / slope.high,
        late=last_x + late if late <= horizon else None,
    )


def take_evenly(points: Sequence[tuple[float, float]], most: int) -> tuple[tuple[float, float], ...]:
    """Take at most so many points (2 or more), evenly spread by their places, the first and the last among them."""
    if len(points) <= most:
        return tuple(points)
    return tuple(points[round(place * (len(points) - 1) / (most - 1))] for place in range(most))


def forecast(points: Iterable[tuple[datetime, int]], *, limit_bytes: int) -> Forecast | Silence:
    """
    Say when a region reaches its reserve.

    Args:
        points: (commit time, used bytes) of one region, in the order of the branch; times are aware. The last one is
            the present. Only the last `PRESENT_DAYS` days before it count.
        limit_bytes: Capacity without the reserve.

    Returns:
        A forecast, or why there is none. The clock is not asked: a reached day may lie in the past where nothing was
        committed for long.
    """
    every = list(points)
    if not every:
        return Silence.TOO_FEW_POINTS
    # People's clocks go wrong, and a branch has commits that are older than their parents: the order of time decides,
    # but for the last, which is what the flash holds now.
    *earlier, (last_at, last_bytes) = every
    first_at = last_at - timedelta(days=PRESENT_DAYS)
    present = sorted((at.timestamp() / _DAY_S, used) for at, used in earlier if first_at <= at <= last_at)
    present.append((last_at.timestamp() / _DAY_S, last_bytes))
    return foretell(present, limit_bytes=limit_bytes)


def foretell(present: Sequence[tuple[float, int]], *, limit_bytes: int) -> Forecast | Silence:
    """
    Say when a region reaches its reserve, of points that are the present already.

    Args:
        present: (days since 1970, used bytes) in the order of time, none older than `PRESENT_DAYS` before the last.
        limit_bytes: As for `forecast`.
    """
    found = find_crossing(present, limit=limit_bytes, horizon=HORIZON_DAYS)
    if isinstance(found, Silence):
        return found
    return Forecast(
        reached_on=_day(found.at),
        early_on=_day(found.early),
        late_on=_day(found.late) if found.late is not None else None,
        bytes_per_day=found.slope,
        point_count=len(present),
    )


def _day(days: float) -> date:
    return datetime.fromtimestamp(days * _DAY_S, UTC).date()
