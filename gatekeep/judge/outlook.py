"""
When the regions of a target reach their reserve, from its runs over the branch. Pure.

The present of a target that nothing has built since is renewed once a week, on a day of the week of its own, and not at
every commit: a few more points at the same size hardly move a slope over half a year, and its page stays as it is.
"""

from __future__ import annotations

import hashlib
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from functools import cache
from itertools import islice
from operator import le
from typing import Any
from zlib import crc32

from gatekeep.judge.forecast import PRESENT_DAYS, Silence, foretell
from gatekeep.model.change import Commit
from gatekeep.model.health import OUTLOOK_DAYS, Outlook, Run

_DAY_S = 86400.0
_UNKNOWN = -1
_RENEWED_DAYS = 7.0


#: Does so many pieces of work, by number, and gives what each gave.
Share = Callable[[int, Callable[[int], Any]], list[Any]]


def _do_all(count: int, do: Callable[[int], Any]) -> list[Any]:
    return [do(number) for number in range(count)]


@dataclass(slots=True, kw_only=True)
class Known:
    """
    Answers of an earlier time as plain JSON values.

    `answers` by the digest of what they were computed from; `asked` by target: the commit that it looked back from, and
    the digest of its answer.
    """

    answers: dict[str, list[list[Any]]] = field(default_factory=dict)
    asked: dict[str, list[str]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Present:
    """
    The commits of the last `PRESENT_DAYS` days before one, which is the last of them.

    `first` is the least of `positions`; these and `days` since 1970 are in the order of time. `digest` is that of the
    days and how the positions lie.
    """

    first: int
    positions: tuple[int, ...]
    days: tuple[float, ...]
    digest: str


def list_outlooks(
    runs: Mapping[str, Sequence[Run]],
    commits: Sequence[Commit],
    known: Known | None = None,
    *,
    known_count: int = 0,
    share: Share = _do_all,
) -> dict[str, tuple[Outlook, ...]]:
    """
    Ask for every flash region of every target's newest image when it reaches its reserve.

    Args:
        runs: By target.
        commits: The branch, oldest first.
        known: Answers of an earlier time; afterwards those of this time, and no others. The answer is the same with
            and without it.
        known_count: So many first commits, and all runs up to there, are as they were at that time.
        share: Does so many pieces of work, in any order or at once, and gives what each gave as plain JSON values.

    Returns:
        By target, in the order of its regions; targets of which nothing can be said are left out.
    """
    days = [commit.committed_at.timestamp() / _DAY_S for commit in commits]
    # Nearly always: then the window is one slice, and needs no look at each commit.
    in_order = all(map(le, days, islice(days, 1, None)))

    @cache
    def present(last: int) -> _Present:
        begin = days[last] - PRESENT_DAYS
        # People's clocks go wrong: the order of time decides, but for the last, which is what the flash holds now.
        if in_order:
            positions = tuple(range(bisect_left(days, begin, hi=last), last + 1))
        else:
            before = [at for at in range(last) if begin <= days[at] <= days[last]]
            before.sort(key=days.__getitem__)
            positions = (*before, last)
        shown = tuple(days[at] for at in positions)
        first = min(positions)
        where = hashlib.sha256(repr((shown, [at - first for at in positions])).encode()).hexdigest()
        return _Present(first, positions, shown, where)

    earlier, fresh = known or Known(), Known()
    asked: list[tuple[Sequence[Run], Run, _Present]] = []
    at_key: dict[str, int] = {}
    for target, line in runs.items():
        image = next((run for run in reversed(line) if run.regions), None)
        if image is None:
            continue
        last = _find_present(target, image, days)
        commit_id, key = earlier.asked.get(target, ("", ""))
        # What it looked back on then is as it was: to read days and sizes for the digest takes longer than all else.
        if last < known_count and commit_id == commits[last].commit_id and key in earlier.answers:
            fresh.asked[target], fresh.answers[key] = [commit_id, key], earlier.answers[key]
            continue
        now = present(last)
        begin = bisect_left(line, now.first, key=lambda run: run.last)
        recent = line[begin : bisect_right(line, last, key=lambda run: run.first)]
        key = _make_key(image, recent, now)
        fresh.asked[target] = [commits[last].commit_id, key]
        if key in earlier.answers:
            fresh.answers[key] = earlier.answers[key]
        elif key not in at_key:
            at_key[key] = len(asked)
            asked.append((recent, image, now))
    answers = share(len(asked), lambda at: _encode(_list_regions(*asked[at])))
    fresh.answers |= {key: answers[at] for key, at in at_key.items()}
    each = {target: _decode(fresh.answers[key]) for target, (_, key) in fresh.asked.items()}
    found = {target: outlooks for target, outlooks in each.items() if outlooks}
    if known is not None:
        known.answers, known.asked = fresh.answers, fresh.asked
    return found


def see_on(outlook: Outlook, today: date) -> Outlook:
    """
    Let an outlook be told on a day: the last one up to today on which what is said of it changed.

    So a page that tells it is rendered anew only when it must say something else. Before the day that it is foretold
    from, which is some machine's clock's fault, it is told as on that day.
    """
    turns = (
        outlook.reached_on - timedelta(days=OUTLOOK_DAYS),
        *map(_day_after, (outlook.early_on, outlook.reached_on)),
    )
    return replace(outlook, seen_on=max((day for day in turns if outlook.from_on < day <= today), default=None))


def _day_after(day: date) -> date:
    return day + timedelta(days=1)


def _find_present(target: str, image: Run, days: Sequence[float]) -> int:
    """Give the position from which a target looks back: its last build's, or the first after its day of the week."""
    share = crc32(target.encode("utf-8", "backslashreplace")) / 2**32 * _RENEWED_DAYS
    renewed = (days[image.last] - share) // _RENEWED_DAYS * _RENEWED_DAYS + share
    at = image.last
    while at > image.first and days[at - 1] >= renewed:
        at -= 1
    return at


def _make_key(image: Run, recent: Sequence[Run], present: _Present) -> str:
    """Digest all that the answer depends on."""
    rows = [
        (
            max(run.first - present.first, 0),
            min(run.last, present.positions[-1]) - present.first,
            [(use.name, use.used_bytes) for use in run.regions],
        )
        for run in recent
    ]
    facts = (
        present.digest,
        rows,
        [(use.name, use.capacity_bytes, use.reserve_bytes, use.flash) for use in image.regions],
    )
    return hashlib.sha256(repr(facts).encode("utf-8", "backslashreplace")).hexdigest()


def _encode(outlooks: Sequence[Outlook]) -> list[list[Any]]:
    return [
        [
            one.region,
            one.from_on.isoformat(),
            one.reached_on.isoformat(),
            one.early_on.isoformat(),
            one.late_on.isoformat() if one.late_on is not None else None,
            list(one.bytes_per_day),
            one.from_bytes,
            one.commits_per_day,
            one.point_count,
        ]
        for one in outlooks
    ]


def _decode(rows: list[list[Any]]) -> tuple[Outlook, ...]:
    return tuple(
        Outlook(
            region=region,
            from_on=date.fromisoformat(from_on),
            reached_on=date.fromisoformat(reached_on),
            early_on=date.fromisoformat(early_on),
            late_on=date.fromisoformat(late_on) if late_on is not None else None,
            bytes_per_day=(slopes[0], slopes[1], slopes[2]),
            from_bytes=from_bytes,
            commits_per_day=commits_per_day,
            point_count=point_count,
        )
        for (region, from_on, reached_on, early_on, late_on, slopes, from_bytes, commits_per_day, point_count) in rows
    )


def _list_regions(recent: Sequence[Run], image: Run, present: _Present) -> tuple[Outlook, ...]:
    newest = present.positions[-1]
    found: list[Outlook] = []
    for use in image.regions:
        if not use.flash:
            continue
        sizes = [_UNKNOWN] * (newest + 1 - present.first)
        for run in recent:
            used = next((known.used_bytes for known in run.regions if known.name == use.name), _UNKNOWN)
            start, end = max(run.first, present.first) - present.first, min(run.last, newest) + 1 - present.first
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
