"""
When the regions of a target reach their reserve, from its runs over the branch. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache

from gatekeep.judge.forecast import PRESENT_DAYS, Silence, foretell
from gatekeep.model.change import Commit
from gatekeep.model.health import Outlook, Run

_DAY_S = 86400.0
_UNKNOWN = -1


@dataclass(frozen=True, slots=True)
class _Present:
    """The commits of the last `PRESENT_DAYS` days before one: positions and days since 1970, in the order of time."""

    first: int
    positions: tuple[int, ...]
    days: tuple[float, ...]


def list_outlooks(runs: Mapping[str, Sequence[Run]], commits: Sequence[Commit]) -> dict[str, tuple[Outlook, ...]]:
    """
    Ask for every flash region of every target's newest image when it reaches its reserve.

    Args:
        runs: By target.
        commits: The branch, oldest first.

    Returns:
        By target, in the order of its regions; targets of which nothing can be said are left out.
    """
    days = [commit.committed_at.timestamp() / _DAY_S for commit in commits]

    # Most targets have a result at the newest commit, and so the same present.
    @lru_cache(maxsize=16)
    def present(last: int) -> _Present:
        begin = days[last] - PRESENT_DAYS
        # People's clocks go wrong: the order of time decides, but for the last, which is what the flash holds now.
        before = [at for at in range(last) if begin <= days[at] <= days[last]]
        before.sort(key=days.__getitem__)
        positions = (*before, last)
        return _Present(min(positions), positions, tuple(days[at] for at in positions))

    found: dict[str, tuple[Outlook, ...]] = {}
    for target, line in runs.items():
        image = next((run for run in reversed(line) if run.regions), None)
        outlooks = _list_regions(line, image, present(image.last)) if image is not None else ()
        if outlooks:
            found[target] = outlooks
    return found


def _list_regions(line: Sequence[Run], image: Run, present: _Present) -> tuple[Outlook, ...]:
    recent = [run for run in line if run.last >= present.first and run.first <= image.last]
    found: list[Outlook] = []
    for use in image.regions:
        if not use.flash:
            continue
        sizes = [_UNKNOWN] * (image.last + 1 - present.first)
        for run in recent:
            used = next((known.used_bytes for known in run.regions if known.name == use.name), _UNKNOWN)
            start, end = max(run.first, present.first) - present.first, min(run.last, image.last) + 1 - present.first
            sizes[start:end] = [used] * (end - start)
        ordered = (sizes[at - present.first] for at in present.positions)
        points = [(day, used) for day, used in zip(present.days, ordered, strict=True) if used != _UNKNOWN]
        answer = foretell(points, limit_bytes=use.capacity_bytes - use.reserve_bytes)
        if not isinstance(answer, Silence):
            slope = answer.bytes_per_day
            found.append(
                Outlook(
                    region=use.name,
                    from_on=datetime.fromtimestamp(present.days[-1] * _DAY_S, UTC).date(),
                    reached_on=answer.reached_on,
                    early_on=answer.early_on,
                    late_on=answer.late_on,
                    bytes_per_day=(slope.low, slope.middle, slope.high),
                    from_bytes=use.used_bytes,
                    commits_per_day=max(len(present.days) / PRESENT_DAYS, 0.001),
                    point_count=answer.point_count,
                )
            )
    return tuple(found)
