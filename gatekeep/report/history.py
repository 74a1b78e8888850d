"""
A target over the commits of a branch, for people and for machines.

`history.schema.json` beside this file is the contract of the JSON; `format` rises when a reader of the old one would be
misled.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any

import gatekeep
from gatekeep.model.change import Commit
from gatekeep.model.evidence import RegionUse
from gatekeep.model.history import Episode, TargetHistory, TimelinePoint
from gatekeep.model.quantity import render_bytes
from gatekeep.report.json_report import to_json
from gatekeep.report.layout import shorten, wrap_words
from gatekeep.report.plain import plain
from gatekeep.report.plot import NO_VALUE, draw_plot
from gatekeep.report.wording import count, say_share

#: Raise it when a reader of the old format would be misled by the new one.
HISTORY_FORMAT = 1
_INDENT = "    "
_LEAST_WIDTH, _MOST_WIDTH = 40, 120
_SUBJECT_CELLS = 60


def render_history(history: TargetHistory, *, plot: bool, width: int, last: int) -> str:
    """
    Render a target's history for people.

    Args:
        history: What the store remembers.
        plot: Draw each region of the flash and the number of warnings over the commits.
        width: Cells a line may take, held between 40 and 120.
        last: How many changes of size or warnings are listed, the newest ones.

    Returns:
        Lines ended by a line feed: the range, each region, the warnings where there were any, what changed, what broke
        when and by whom, and last how it stands now. Holds no control characters from outside.
    """
    cells = max(_LEAST_WIDTH, min(width, _MOST_WIDTH))
    lines: list[str] = []
    points = history.points
    first, newest = points[0].commit, points[-1].commit
    lines += _wrap(
        f"{history.target}: known at {count(len(points), 'commit')} of {history.commit_count}, "
        f"{_say_day(first)} {first.short_id} to {_say_day(newest)} {newest.short_id}",
        cells,
    )
    for name in _list_regions(points):
        lines += ["", *_iter_region(points, name, cells, plot=plot)]
    lines += _list_warnings(points, cells, plot=plot)
    if plot and history.episodes and _list_regions(points):
        lines.append(f"{_INDENT}{NO_VALUE} without an image: {_list_faults(history)}")
    changes = list(_iter_changes(points))
    if changes:
        lines += ["", "what changed, newest last:"]
        for text in changes[-last:]:
            lines += _wrap(text, cells, first=_INDENT, rest=_INDENT * 2)
        if len(changes) > last:
            lines.append(f"{_INDENT}and {len(changes) - last} before; --last or --json has all")
    for episode in history.episodes:
        lines += ["", *_wrap(say_episode(episode), cells)]
        if episode.message:
            lines += _wrap(episode.message, cells, first=_INDENT, rest=_INDENT * 2)
    lines += ["", *_wrap(f"now: {say_state(history)}", cells)]
    return "".join(f"{line.rstrip()}\n" for line in lines)


def render_histories(histories: Sequence[TargetHistory], *, width: int) -> str:
    """
    Render the histories of several targets for people, one short paragraph each, without plots.

    Args:
        histories: In the order in which they are shown.
        width: As for `render_history`.

    Returns:
        Lines ended by a line feed: of each target how it stands now, its regions, its warnings where there were any,
        and what last broke; last how many are well.
    """
    cells = max(_LEAST_WIDTH, min(width, _MOST_WIDTH))
    lines: list[str] = []
    for history in histories:
        known = f"known at {len(history.points)} of {count(history.commit_count, 'commit')}"
        lines += _wrap(f"{history.target}: {say_state(history)}; {known}", cells)
        for name in _list_regions(history.points):
            lines += _wrap(_say_region(history.points, name), cells, first=_INDENT, rest=_INDENT * 2)
        if said := _say_warnings(history.points):
            lines += _wrap(said, cells, first=_INDENT, rest=_INDENT * 2)
        if history.episodes:
            lines += _wrap(say_episode(history.episodes[-1]), cells, first=_INDENT, rest=_INDENT * 2)
        lines.append("")
    well = sum(history.points[-1].outcome == "built" for history in histories)
    lines += _wrap(f"now: {well} of {count(len(histories), 'target')} built", cells)
    return "".join(f"{line.rstrip()}\n" for line in lines)


def say_state(history: TargetHistory) -> str:
    """Word how it stands: `built, 2 warnings`, or `broken since 2026-01-02`."""
    point = history.points[-1]
    if point.outcome == "built":
        return f"built, {count(point.warning_count, 'warning')}"
    since = history.episodes[-1].first.commit if history.episodes else point.commit
    return f"{point.outcome} since {_say_day(since)}"


def say_episode(episode: Episode) -> str:
    """Word what broke when, by whom, and whether it is mended."""
    first, culprit = episode.first.commit, episode.culprit
    if culprit is not None:
        who = f"by commit {_say_commit(culprit)} of {culprit.author_name}"
    elif episode.culprit_id is not None:
        who = f"by commit {episode.culprit_id[:10]}, which a merge brought"
    elif episode.before is not None:
        who = f"by a commit after {episode.before.commit.short_id}, up to {first.short_id}"
    else:
        who = f"at {_say_commit(first)} or before; nothing older is known"
    if episode.mended is None:
        until = "and is so still"
    else:
        until = f"until {_say_day(episode.mended.commit)} (well at {_say_commit(episode.mended.commit)})"
    return f"{episode.outcome} from {_say_day(culprit or first)} {until}: {who}"


def _list_faults(history: TargetHistory) -> str:
    """Word what left no image: `broken`, `broken, outgrown or timed out`."""
    words = list(dict.fromkeys(point.outcome for point in history.points if point.outcome != "built"))
    return " or ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def _list_regions(points: Sequence[TimelinePoint]) -> list[str]:
    """Regions of the flash in the order of the matrix, the newest first; then those that are gone."""
    return list(dict.fromkeys(use.name for point in reversed(points) for use in point.regions if use.flash))


def _list_uses(points: Sequence[TimelinePoint], name: str) -> list[RegionUse | None]:
    return [next((use for use in point.regions if use.name == name), None) for point in points]


def _iter_region(points: Sequence[TimelinePoint], name: str, width: int, *, plot: bool) -> Iterator[str]:
    yield from _wrap(_say_region(points, name), width)
    if plot:
        uses = _list_uses(points, name)
        capacity = next(use.capacity_bytes for use in reversed(uses) if use is not None)
        values = [use.used_bytes if use is not None else None for use in uses]
        for line in draw_plot(values, limit=capacity, width=width - len(_INDENT)):
            yield _INDENT + line


def _say_region(points: Sequence[TimelinePoint], name: str) -> str:
    known = [use for use in _list_uses(points, name) if use is not None]
    oldest, newest = known[0], known[-1]
    grown = newest.used_bytes - oldest.used_bytes
    share = f"{say_share(newest.used_bytes, newest.capacity_bytes)} of {render_bytes(newest.capacity_bytes)}"
    return f"{name}: {oldest.used_bytes} -> {newest.used_bytes} bytes ({grown:+d}), {share}{_say_reserve(newest)}"


def _list_warnings(points: Sequence[TimelinePoint], width: int, *, plot: bool) -> list[str]:
    """Say and draw how many warnings each image had; nothing where none ever had any."""
    said = _say_warnings(points)
    if not said:
        return []
    lines = ["", *_wrap(said, width)]
    if plot:
        # A build without an image stopped somewhere, and says nothing of the warnings that would have come.
        values = [point.warning_count if point.outcome == "built" else None for point in points]
        lines += [_INDENT + line for line in draw_plot(values, limit=None, width=width - len(_INDENT))]
    return lines


def _say_warnings(points: Sequence[TimelinePoint]) -> str:
    counts = [point.warning_count for point in points if point.outcome == "built"]
    if not any(counts):
        return ""
    return f"warnings: {counts[0]} -> {counts[-1]} ({counts[-1] - counts[0]:+d}), {max(counts)} at most"


def _say_reserve(use: RegionUse) -> str:
    if not use.reserve_bytes:
        return ""
    if use.into_reserve_bytes:
        return f", {render_bytes(use.into_reserve_bytes)} into its reserve of {render_bytes(use.reserve_bytes)}"
    return f", {render_bytes(use.capacity_bytes - use.reserve_bytes - use.used_bytes)} before its reserve"


def _iter_changes(points: Sequence[TimelinePoint]) -> Iterator[str]:
    """Say each commit at which size or warnings are other than at the one known before, both with an image."""
    before: TimelinePoint | None = None
    for point in points:
        if point.outcome != "built":
            continue
        if before is not None and before.evidence_id != point.evidence_id:
            old = {use.name: use.used_bytes for use in before.regions}
            parts = [
                f"{use.name} {use.used_bytes - old[use.name]:+d} to {use.used_bytes}"
                for use in point.regions
                if use.name in old and use.used_bytes != old[use.name]
            ]
            if point.warning_count != before.warning_count:
                parts.append(f"warnings {point.warning_count - before.warning_count:+d} to {point.warning_count}")
            if parts:
                yield f"{_say_day(point.commit)} {_say_where(before, point)}: {', '.join(parts)}"
        before = point


def _say_where(before: TimelinePoint, point: TimelinePoint) -> str:
    if point.position == before.position + 1:
        return f"{_say_commit(point.commit)} of {point.commit.author_name}"
    return f"after {before.commit.short_id}, up to {_say_commit(point.commit)}"


def _say_commit(commit: Commit) -> str:
    subject = shorten(plain(commit.subject), _SUBJECT_CELLS)
    return f"{commit.short_id} ({subject})" if subject else commit.short_id


def _say_day(commit: Commit) -> str:
    return f"{commit.committed_at:%Y-%m-%d}"


def _wrap(text: str, width: int, *, first: str = "", rest: str = _INDENT) -> Iterator[str]:
    indent = first
    for words in wrap_words(plain(text).split(" "), width - max(len(first), len(rest))):
        yield indent + " ".join(words)
        indent = rest


def render_history_json(history: TargetHistory) -> str:
    """
    Render a target's history for machines.

    Returns:
        ASCII JSON that `history.schema.json` describes, ended by a line feed.
    """
    return to_json(
        {
            "format": HISTORY_FORMAT,
            "tool": {"name": "gatekeep", "version": gatekeep.__version__},
            "target": history.target,
            "commits": history.commit_count,
            "points": [_point(point) for point in history.points],
            "episodes": [_episode(episode) for episode in history.episodes],
        }
    )


def _point(point: TimelinePoint) -> dict[str, Any]:
    return {
        "position": point.position,
        "commit": point.commit.commit_id,
        "committed_at": _time(point.commit.committed_at),
        "author": {"name": point.commit.author_name, "email": point.commit.author_email},
        "subject": point.commit.subject,
        "outcome": point.outcome,
        "regions": [
            {
                "name": use.name,
                "used_bytes": use.used_bytes,
                "capacity_bytes": use.capacity_bytes,
                "reserve_bytes": use.reserve_bytes,
                "flash": use.flash,
            }
            for use in point.regions
        ],
        "warnings": point.warning_count,
        "elapsed_s": round(point.elapsed_s, 3),
        "carried": point.is_carried,
    }


def _episode(episode: Episode) -> dict[str, Any]:
    return {
        "outcome": episode.outcome,
        "before": episode.before.commit.commit_id if episode.before is not None else None,
        "first": episode.first.commit.commit_id,
        "mended": episode.mended.commit.commit_id if episode.mended is not None else None,
        "culprit": episode.culprit_id,
        "message": episode.message or None,
    }


def _time(moment: datetime) -> str:
    return moment.isoformat(timespec="seconds").replace("+00:00", "Z")
