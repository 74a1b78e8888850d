"""
What sweeps have really built: of each target the newest clean build, and which targets one sweep decided.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, func, select

from gatekeep.history.codec import decode_evidence
from gatekeep.history.schema import evidence_table, sweep_build_table
from gatekeep.history.store import SqliteStore
from gatekeep.model.change import Commit
from gatekeep.model.health import CleanBuild
from gatekeep.model.history import Sweep

#: Builds of the same inputs that contradict each other are in a sweep, too, and say nothing.
_NOT_DECIDED = "not decided"
#: In the newest sweeps nearly all targets are found; what is left is asked for by name.
_LOOKED_THROUGH = 4
#: SQLite allows 32,766 variables in a statement (its default since 3.32).
_ASKED_AT_ONCE = 500


def load_clean_builds(
    store: SqliteStore, sweeps: Sequence[Sweep], commits: Sequence[Commit], targets: Collection[str]
) -> dict[str, CleanBuild]:
    """
    Give by target the newest clean build that came to an answer, whatever it was.

    Args:
        store: Where they are.
        sweeps: Oldest first; of other commits than these they count for nothing.
        commits: The branch's.
        targets: Names; one that no sweep has decided has no entry in the answer.

    Raises:
        StoreError: The store cannot be read, or a record is damaged.
    """
    by_name = {commit.commit_id: commit for commit in commits}
    here = {sweep.sweep_id: sweep for sweep in sweeps if sweep.commit_id in by_name}
    newest_first = sorted(here, reverse=True)
    build = sweep_build_table.c
    decided = select(build.target, build.sweep, build.outcome, build.evidence).where(build.outcome != _NOT_DECIDED)
    found: dict[str, Any] = {}
    left = set(targets)
    with store.reading() as connection:
        for number in newest_first[:_LOOKED_THROUGH]:
            rows = connection.execute(decided.where(build.sweep == number)).all() if left else []
            found |= {row.target: row for row in rows if row.target in left}
            left.difference_update(found)
        for number, name in _list_older(connection, newest_first[_LOOKED_THROUGH:], sorted(left)):
            query = decided.where(build.sweep == number, build.target == name)
            found[name] = connection.execute(query).one()
        began_at = _load_times(connection, [row.evidence for row in found.values() if row.evidence is not None])
    return {
        name: CleanBuild(
            commit=by_name[here[row.sweep].commit_id],
            sweep_id=row.sweep,
            built_at=_tell_time(here[row.sweep], began_at.get(row.evidence)),
            outcome=row.outcome,
        )
        for name, row in found.items()
    }


def _list_older(connection: Connection, sweeps: Sequence[int], targets: Sequence[str]) -> list[tuple[int, str]]:
    """Give the newest of these sweeps that decided a target, and the target."""
    build = sweep_build_table.c
    newest: dict[str, int] = {}
    for first in range(0, len(sweeps) if targets else 0, _ASKED_AT_ONCE):
        for start in range(0, len(targets), _ASKED_AT_ONCE):
            query = select(build.target, func.max(build.sweep)).where(
                build.sweep.in_(sweeps[first : first + _ASKED_AT_ONCE]),
                build.target.in_(targets[start : start + _ASKED_AT_ONCE]),
                build.outcome != _NOT_DECIDED,
            )
            for name, number in connection.execute(query.group_by(build.target)):
                newest[name] = max(number, newest.get(name, number))
    return [(number, name) for name, number in newest.items()]


def _load_times(connection: Connection, numbers: Sequence[int]) -> Mapping[int, datetime | None]:
    """Give when builds began."""
    found: dict[int, datetime | None] = {}
    for start in range(0, len(numbers), _ASKED_AT_ONCE):
        query = select(evidence_table.c.id, evidence_table.c.payload)
        query = query.where(evidence_table.c.id.in_(numbers[start : start + _ASKED_AT_ONCE]))
        found |= {row.id: decode_evidence(row.payload).started_at for row in connection.execute(query)}
    return found


def _tell_time(sweep: Sweep, began_at: datetime | None) -> datetime:
    """Give the build's own time; the sweep's where it is not known, or of a build that was made again since."""
    last = sweep.finished_at
    if began_at is None:
        return last or sweep.started_at
    return min(began_at, last) if last is not None else began_at


def list_decided(store: SqliteStore, sweep_id: int) -> frozenset[str]:
    """
    Give the targets that one sweep has built and of which it knows what came out.

    Raises:
        StoreError: The store cannot be read.
    """
    build = sweep_build_table.c
    query = select(build.target).where(build.sweep == sweep_id, build.outcome != _NOT_DECIDED)
    with store.reading() as connection:
        return frozenset(connection.execute(query).scalars())
