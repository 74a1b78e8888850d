"""
Which targets warn anew, as sweeps have found it: a warning is no state, and shows in no run of results. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import timedelta

from gatekeep.judge.wording import describe_targets
from gatekeep.model.change import Commit
from gatekeep.model.evidence import Diagnostic
from gatekeep.model.health import Event, EventKind, TargetHealth, WarnedAnew
from gatekeep.model.history import Sweep, Turn, TurnRecord
from gatekeep.model.matrix import Matrix
from gatekeep.model.rule import Rule

#: What sweeps say of a new warning begins with it.
_PREFIX = "new warning: "
#: So long before the last sweep a new warning is news.
_NEWS = timedelta(days=7)


def list_warned_events(
    sweeps: Iterable[Sweep], branch: Sequence[Commit], commits: Mapping[str, Commit], positions: Mapping[str, int]
) -> dict[str, list[Event]]:
    """
    Give by target when it warned anew, newest first.

    Args:
        sweeps: Oldest first.
        branch: Its commits, oldest first.
        commits: By name: those of the branch, and those of its merges' sides that are known.
        positions: On the branch, by name.
    """
    found: dict[str, list[Event]] = {}
    for sweep in sweeps:
        at = positions.get(sweep.commit_id)
        for turn in sweep.turns if at is not None else ():
            if turn.turn is Turn.WARNED and at is not None:
                found.setdefault(turn.target, []).insert(0, _make_event(turn, sweep, branch[at], commits, positions))
    return found


def _make_event(
    turn: TurnRecord, sweep: Sweep, swept: Commit, commits: Mapping[str, Commit], positions: Mapping[str, int]
) -> Event:
    culprit = commits.get(turn.culprit_commit_id or "")
    commit = culprit if culprit is not None and culprit.commit_id in positions else swept
    return Event(
        target=turn.target,
        kind=EventKind.WARNED,
        commit=commit,
        message=turn.message.removeprefix(_PREFIX),
        culprit=culprit if culprit != commit else None,
        is_proved=culprit is not None,
        told_of=sweep.commit_id,
        told_at=sweep.finished_at,
    )


def list_news(found: Sequence[TargetHealth], sweeps: Sequence[Sweep], matrix: Matrix) -> tuple[WarnedAnew, ...]:
    """
    Give the new warnings that are news, that the newest result still has and that no waiver excuses, newest first.

    Those are news that a sweep has told in the week before the last one ended: a page that is made again without a
    sweep says the same.
    """
    last = max((sweep.finished_at for sweep in sweeps if sweep.finished_at is not None), default=None)
    groups: dict[tuple[str, str], list[Event]] = {}
    for one in found:
        if any(waiver.rule is Rule.NEW_WARNING for waiver in one.waivers):
            continue
        warnings = one.evidence.warnings if one.evidence is not None else ()
        for event in one.events:
            if event.kind is not EventKind.WARNED or event.told_at is None or last is None:
                continue
            if event.told_at >= last - _NEWS and any(_is_told(warning, event.message) for warning in warnings):
                groups.setdefault((event.message, event.cause.commit_id), []).append(event)
    news = []
    for events in groups.values():
        names = tuple(dict.fromkeys(event.target for event in events))
        whom = describe_targets(names, matrix).removesuffix(",")
        news.append(WarnedAnew(whom=whom, targets=names, event=events[0]))
    return tuple(sorted(news, key=lambda one: (-_seconds(one.event), one.targets, one.event.message)))


def _is_told(warning: Diagnostic, message: str) -> bool:
    """Lines move; what is said of which file stays."""
    return message.startswith(warning.message) and (warning.path is None or f" at {warning.path}" in message)


def _seconds(event: Event) -> float:
    return event.told_at.timestamp() if event.told_at is not None else 0.0
