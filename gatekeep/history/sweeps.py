"""
Sweeps: which there were, what each has built so far, and what turned since the one before.

A build is stored and counted to its sweep in one transaction, so that a sweep which was stopped, by whatever, goes on
behind the last build that anybody was told of.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Row, select, update

from gatekeep.errors import StoreError
from gatekeep.history.codec import decode_evidence
from gatekeep.history.schema import evidence_table, sweep_build_table, sweep_table, turn_table
from gatekeep.history.sink import is_kept
from gatekeep.history.sqlite import insert
from gatekeep.history.store import SqliteStore, keep_evidence, known_records, make_reader
from gatekeep.model.audit import Bar
from gatekeep.model.change import Commit
from gatekeep.model.evidence import Evidence, name_outcome
from gatekeep.model.history import LastKnown, Sweep, SweepState, Turn, TurnRecord

_ENDED = [state.value for state in SweepState if state.has_ended]


def begin_sweep(store: SqliteStore, commit: Commit, started_at: datetime) -> Sweep:
    """Keep that a sweep has begun."""
    values = {
        "commit_id": commit.commit_id,
        "tree_id": commit.tree_id,
        "started_at": started_at.isoformat(),
        "state": SweepState.RUNNING.value,
    }
    with store.writing() as connection:
        sweep_id = connection.execute(insert(sweep_table).values(values).returning(sweep_table.c.id)).scalar_one()
    return Sweep(
        sweep_id=int(sweep_id),
        commit_id=commit.commit_id,
        tree_id=commit.tree_id,
        started_at=started_at,
        finished_at=None,
        state=SweepState.RUNNING,
    )


def finish_sweep(
    store: SqliteStore, sweep_id: int, state: SweepState, turns: Sequence[TurnRecord], finished_at: datetime
) -> None:
    """Keep that a sweep has ended, and what it found; a second end of the same sweep takes the place of the first."""
    rows = [
        {
            "sweep": sweep_id,
            "target": entry.target,
            "turn": entry.turn.value,
            "message": entry.message.encode("utf-8", "backslashreplace").decode("utf-8"),
            "good_commit_id": entry.good_commit_id,
            "culprit_commit_id": entry.culprit_commit_id,
        }
        for entry in turns
    ]
    with store.writing() as connection:
        connection.execute(turn_table.delete().where(turn_table.c.sweep == sweep_id))
        if rows:
            connection.execute(insert(turn_table).on_conflict_do_nothing(), rows)
        connection.execute(
            update(sweep_table)
            .where(sweep_table.c.id == sweep_id)
            .values(state=state.value, finished_at=finished_at.isoformat())
        )


def list_sweeps(store: SqliteStore) -> tuple[Sweep, ...]:
    """
    Give every sweep, oldest first.

    Raises:
        StoreError: The store cannot be read.
    """
    with store.reading() as connection:
        turns: dict[int, list[TurnRecord]] = {}
        for row in connection.execute(select(turn_table).order_by(turn_table.c.sweep, turn_table.c.target)):
            turns.setdefault(row.sweep, []).append(_read_turn(row))
        rows = connection.execute(select(sweep_table).order_by(sweep_table.c.id))
        return tuple(_read_sweep(row, turns.get(row.id, ())) for row in rows)


def get_last_ended(store: SqliteStore, before: int) -> Sweep | None:
    """Give the newest sweep that ended before this one, without its turns; None where there is none."""
    query = select(sweep_table).where(sweep_table.c.id < before, sweep_table.c.state.in_(_ENDED))
    with store.reading() as connection:
        row = connection.execute(query.order_by(sweep_table.c.id.desc()).limit(1)).first()
        return _read_sweep(row, ()) if row is not None else None


def load_last_begun_at(store: SqliteStore, before: int | None = None) -> datetime | None:
    """
    Give when the newest sweep began, or the last one before a sweep; None where there is none.

    Raises:
        StoreError: The store cannot be read.
    """
    with store.reading() as connection:
        query = select(sweep_table.c.started_at).order_by(sweep_table.c.id.desc()).limit(1)
        if before is not None:
            query = query.where(sweep_table.c.id < before)
        found = connection.execute(query).scalar()
        return datetime.fromisoformat(found) if found is not None else None


def _read_turn(row: Row[Any]) -> TurnRecord:
    return TurnRecord(
        target=row.target,
        turn=Turn(row.turn),
        message=row.message,
        good_commit_id=row.good_commit_id,
        culprit_commit_id=row.culprit_commit_id,
    )


def _read_sweep(row: Row[Any], turns: Iterable[TurnRecord]) -> Sweep:
    return Sweep(
        sweep_id=row.id,
        commit_id=row.commit_id,
        tree_id=row.tree_id,
        started_at=datetime.fromisoformat(row.started_at),
        finished_at=datetime.fromisoformat(row.finished_at) if row.finished_at else None,
        state=SweepState(row.state),
        turns=tuple(turns),
    )


def list_swept(store: SqliteStore, sweep_id: int) -> tuple[Evidence, ...]:
    """
    Give what a sweep has built so far and need not build again, without sections and symbols, sorted by target.

    Raises:
        StoreError: The store cannot be read, or a record is damaged.
    """
    query = known_records(whole=False).join(sweep_build_table, sweep_build_table.c.evidence == evidence_table.c.id)
    query = query.where(sweep_build_table.c.sweep == sweep_id).order_by(sweep_build_table.c.target)
    with store.reading() as connection:
        return tuple(map(make_reader(), connection.execute(query)))


def load_last_known(
    store: SqliteStore, before: int, targets: Iterable[str], contains: Callable[[str], bool]
) -> dict[str, LastKnown]:
    """
    Give by target what the sweeps that ended before this one found, of each target the newest that decided it.

    Of the newest of these sweeps all that it built is given, so that what has gone from the matrix since is seen; of
    those before it what it left out of `targets`.

    The evidence comes without read sets, sections and symbols: nobody compares those between sweeps.

    Args:
        store: The store.
        before: The sweep's number.
        targets: Those that are wanted in any case.
        contains: Whether the commit that is swept contains the one of this id; asked of the newest sweeps first. What
            was found on another branch says nothing of what is new on this one.

    Raises:
        StoreError: The store cannot be read, or a record is damaged.
    """
    build, sweep = sweep_build_table.c, sweep_table.c
    columns = (build.target, build.sweep, build.outcome, build.evidence, sweep.commit_id, sweep.tree_id)
    found = select(*columns).join(sweep_table, sweep.id == build.sweep)
    rows: list[Any] = []
    with store.reading() as connection:
        ended = select(sweep.id, sweep.commit_id).where(sweep.id < before, sweep.state.in_(_ENDED))
        left: set[str] | None = None
        for number, commit_id in connection.execute(ended.order_by(sweep.id.desc())).all():
            if not contains(commit_id):
                continue
            here = connection.execute(found.where(build.sweep == number)).all()
            rows += [row for row in here if left is None or row.target in left]
            is_newest, left = (
                left is None,
                (set(targets) if left is None else left).difference(row.target for row in here),
            )
            if is_newest and left:
                # Looking for what no sweep ever built would lead through all of them.
                left.intersection_update(connection.execute(select(build.target).distinct()).scalars())
            if not left:
                break
        wanted = [row.evidence for row in rows if row.evidence is not None]
        payloads: dict[int, Evidence] = {}
        for start in range(0, len(wanted), 500):
            part = select(evidence_table.c.id, evidence_table.c.payload)
            part = part.where(evidence_table.c.id.in_(wanted[start : start + 500]))
            payloads |= {row.id: decode_evidence(row.payload) for row in connection.execute(part)}
    known: dict[str, LastKnown] = {}
    for row in rows:
        evidence = payloads.get(row.evidence)
        if evidence is not None and name_outcome(evidence.outcome) != row.outcome:
            evidence = None
        known[row.target] = LastKnown(
            sweep_id=row.sweep, commit_id=row.commit_id, tree_id=row.tree_id, outcome=row.outcome, evidence=evidence
        )
    return known


def mark_sweep(store: SqliteStore, sweep_id: int, state: SweepState) -> None:
    """Keep that a sweep which has not ended is interrupted, or is gone on with."""
    with store.writing() as connection:
        connection.execute(update(sweep_table).where(sweep_table.c.id == sweep_id).values(state=state.value))


def load_last_sign(store: SqliteStore, sweep: Sweep) -> datetime:
    """
    Give when a sweep last showed that it was alive: its newest stored build ended, or it began.

    Raises:
        StoreError: The store cannot be read, or a record is damaged.
    """
    ends = (
        entry.started_at + timedelta(seconds=entry.elapsed_s)
        for entry in list_swept(store, sweep.sweep_id)
        if entry.started_at is not None
    )
    return max((sweep.started_at, *ends))


class SweepSink:
    """
    Takes the builds of one sweep, and is what an audit needs of the store.

    Args:
        store: Where they go.
        sweep_id: Which sweep.
    """

    def __init__(self, store: SqliteStore, sweep_id: int) -> None:
        self._store, self._sweep_id = store, sweep_id

    def add(self, evidence: Evidence) -> None:
        """Keep one clean build and count it to the sweep; on return it is on the disk."""
        with self._store.writing() as connection:
            found = keep_evidence(connection, evidence) if is_kept(evidence) else None
            values = {
                "sweep": self._sweep_id,
                "target": evidence.target,
                "evidence": found,
                "outcome": name_outcome(evidence.outcome),
            }
            statement = insert(sweep_build_table).values(values)
            connection.execute(statement.on_conflict_do_update(index_elements=["sweep", "target"], set_=values))

    def add_carried(self, evidence: Sequence[Evidence]) -> None:
        """Refuse: a sweep carries nothing."""
        raise StoreError(f"a sweep carries nothing, got {len(evidence)} carried results")

    def load_carried(self, tree_id: str, target: str, key: str) -> Evidence | None:
        """Give a whole result as it was carried to a tree."""
        return self._store.load_carried(tree_id, target, key)

    def bar(self, bar: Bar) -> None:
        """Keep that a target is not to be carried; on return it is on the disk."""
        self._store.bar(bar)
