"""
How much longer a run may take. Pure: durations in, seconds out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import median


def estimate_left_s(
    running: Sequence[tuple[float | None, float]],
    waiting: Sequence[float | None],
    finished_s: Sequence[float],
    *,
    workers: int,
) -> float | None:
    """
    Estimate how long the rest of a run takes.

    Args:
        running: (expected seconds or None, seconds since the start) of every job that runs.
        waiting: Expected seconds, or None, of every job that has not started.
        finished_s: What the finished jobs took; with the expected ones it tells what an unknown job may take.
        workers: How many jobs run at once, at least 1.

    Returns:
        Seconds: the work that is left shared out over the workers, and never less than the longest job that is left. A
        job that is past its expected time counts as about to end. 0 when nothing is left; None when no duration is
        known yet.

    Source:
        R. L. Graham, "Bounds on multiprocessing timing anomalies", SIAM J. Appl. Math. 17(2), 1969: no schedule ends
        before max(longest job, work / workers), and starting jobs whenever a worker is free takes less than twice that.
    """
    if not running and not waiting:
        return 0.0
    known = [expected for expected, _ in running if expected is not None]
    known += [expected for expected in waiting if expected is not None]
    known += finished_s
    if not known:
        return None
    typical = median(known)
    left = [max(0.0, (typical if expected is None else expected) - elapsed) for expected, elapsed in running]
    left += [typical if expected is None else expected for expected in waiting]
    return max(sum(left) / workers, max(left))


def say_time_left(left_s: float | None) -> str:
    """Word an estimate no finer than it is: `about 20 s left`, `about 3 min left`, `about 1 h 10 min left`."""
    if left_s is None:
        return "time left not known yet"
    if left_s < 1:
        return "nearly done"
    if left_s <= 55:
        return f"about {math.ceil(left_s / 5) * 5} s left"
    minutes = math.ceil(left_s / 60)
    if minutes < 60:
        return f"about {minutes} min left"
    hours, minutes = divmod(math.ceil(minutes / 10) * 10, 60)
    return f"about {hours} h {minutes} min left" if minutes else f"about {hours} h left"


def say_duration(duration_s: float) -> str:
    """Word what something took: `0.41 s`, `43 s`, `3 min 20 s`, `1 h 4 min`."""
    if duration_s < 10:
        return f"{duration_s:.2f} s"
    seconds = round(duration_s)
    if seconds < 60:
        return f"{seconds} s"
    if seconds < 3600:
        return f"{seconds // 60} min {seconds % 60} s"
    return f"{seconds // 3600} h {seconds % 3600 // 60} min"
