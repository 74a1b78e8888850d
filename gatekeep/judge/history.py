"""
What broke when, and by whom, from a target's points and what the sweeps have found. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from gatekeep.model.change import Commit
from gatekeep.model.history import Episode, Sweep, TimelinePoint, Turn, TurnRecord

_BAD_TURNS = (Turn.BROKE, Turn.OUTGREW, Turn.TIMED_OUT)


def list_episodes(
    target: str, points: Sequence[TimelinePoint], sweeps: Iterable[Sweep], mainline: Sequence[Commit]
) -> tuple[Episode, ...]:
    """
    Give the times in which a target had no good image, oldest first.

    Args:
        target: Its name.
        points: As the store gives them, oldest first; commits between two of them are not known.
        sweeps: What they found says which commit did it, where a search has told.
        mainline: The branch, oldest first.
    """
    positions = {commit.commit_id: at for at, commit in enumerate(mainline)}
    turns = [
        (positions.get(sweep.commit_id, -1), turn)
        for sweep in sweeps
        for turn in sweep.turns
        if turn.target == target and turn.turn in _BAD_TURNS
    ]
    episodes: list[Episode] = []
    before: TimelinePoint | None = None
    first: TimelinePoint | None = None
    for point in points:
        is_bad = point.outcome != "built"
        if is_bad and first is None:
            first = point
        elif not is_bad:
            if first is not None:
                episodes.append(_make_episode(first, before, point, turns, mainline, positions))
                first = None
            before = point
    if first is not None:
        episodes.append(_make_episode(first, before, None, turns, mainline, positions))
    return tuple(episodes)


def _make_episode(
    first: TimelinePoint,
    before: TimelinePoint | None,
    mended: TimelinePoint | None,
    turns: Sequence[tuple[int, TurnRecord]],
    mainline: Sequence[Commit],
    positions: Mapping[str, int],
) -> Episode:
    end = mended.position if mended is not None else len(mainline)
    found = next((turn for at, turn in turns if first.position <= at < end), None)
    culprit_id = found.culprit_commit_id if found is not None else None
    if culprit_id is None and first.position == (before.position + 1 if before is not None else 0):
        # No commit of the branch lies between: it is this one, or what this one merges.
        culprit_id = first.commit.commit_id
    at = positions.get(culprit_id) if culprit_id is not None else None
    return Episode(
        outcome=first.outcome,
        first=first,
        before=before,
        mended=mended,
        culprit=mainline[at] if at is not None else None,
        culprit_id=culprit_id,
        message=found.message if found is not None else "",
    )
