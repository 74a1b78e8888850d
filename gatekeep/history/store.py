"""
The store: evidence that outlives a run.

One SQLite file in WAL mode, spoken to through SQLAlchemy Core so that a server database can take its place. Every
record is committed with synchronous=FULL before anybody is told of it: what was reported survives kill -9 and power
loss. A store that is damaged, foreign or newer than this program is an error, never a fresh start.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any, Protocol

from sqlalchemy import (
    Column,
    Connection,
    Float,
    ForeignKey,
    Integer,
    LargeBinary,
    MetaData,
    Row,
    Select,
    Table,
    Text,
    UniqueConstraint,
    create_engine,
    delete,
    event,
    func,
    select,
    text,
)
from sqlalchemy.dialects.sqlite import insert
from sqlalchemy.exc import SQLAlchemyError

from gatekeep.errors import StoreError
from gatekeep.history.codec import decode_detail, decode_evidence, encode_detail, encode_evidence
from gatekeep.history.readset_codec import decode_read_set, encode_read_set
from gatekeep.model.audit import Bar
from gatekeep.model.evidence import Broken, Built, Evidence, Outgrown, name_outcome
from gatekeep.model.readset import Carried

#: "gate" in ASCII: SQLite's application_id, so that a foreign database is never written into.
_APPLICATION_ID = 0x67617465
#: Raised together with a migration.
_SCHEMA_VERSION = 1
#: How long a writer waits for another gatekeep process.
_BUSY_TIMEOUT_MS = 30_000

#: SQLite allows 32,766 variables in a statement (its default since 3.32).
_NAMES_A_QUERY = 500

_metadata = MetaData()
_evidence = Table(
    "evidence",
    _metadata,
    Column("id", Integer, primary_key=True),
    Column("target", Text, nullable=False),
    Column("tree_id", Text, nullable=False),
    Column("key", Text, nullable=False),
    Column("commit_id", Text, nullable=False),
    Column("outcome", Text, nullable=False),
    Column("elapsed_s", Float, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    Column("detail", LargeBinary, nullable=False),
    Column("read_set", Integer, ForeignKey("read_set.id")),
    UniqueConstraint("tree_id", "target", "key", name="evidence_of"),
)
#: Most builds of a target read the same files as the one before.
_read_set = Table(
    "read_set",
    _metadata,
    Column("id", Integer, primary_key=True),
    Column("sha256", LargeBinary, nullable=False, unique=True),
    Column("payload", LargeBinary, nullable=False),
)
_tree = Table(
    "tree", _metadata, Column("id", Integer, primary_key=True), Column("tree_id", Text, nullable=False, unique=True)
)
#: By far the most rows of a store: two small numbers each.
_carried = Table(
    "carried",
    _metadata,
    Column("tree", Integer, ForeignKey("tree.id"), primary_key=True),
    Column("evidence", Integer, ForeignKey("evidence.id"), primary_key=True),
    sqlite_with_rowid=False,
)
#: Targets that are not carried, one row for each result that an audit found wrong.
_barred = Table(
    "barred",
    _metadata,
    Column("id", Integer, primary_key=True),
    Column("target", Text, nullable=False),
    Column("key", Text, nullable=False),
    Column("tree_id", Text, nullable=False),
    Column("commit_id", Text, nullable=False),
    Column("barred_at", Text, nullable=False),
    Column("what", Text, nullable=False),
    UniqueConstraint("target", "key", "tree_id", name="barred_for"),
)
#: Makes "the newest of every target" one seek a target.
_NEWEST_INDEX = "CREATE INDEX evidence_newest ON evidence (target, id, elapsed_s)"


class ResultSink(Protocol):
    """Where results go as they come."""

    def add(self, evidence: Evidence) -> None:
        """Keep one result; on return it is on the disk."""

    def add_carried(self, evidence: Sequence[Evidence]) -> None:
        """Keep that results were taken over; on return it is on the disk."""


class ResultStore(ResultSink, Protocol):
    """What a run needs of a store."""

    def list_evidence(self, tree_ids: Iterable[str]) -> tuple[Evidence, ...]:
        """Give all that is stored for these trees, built or carried, in no promised order."""

    def list_newest(self) -> tuple[Evidence, ...]:
        """Give the newest build of every target that can be carried from."""

    def load_durations(self) -> dict[str, float]:
        """Give the newest build time of every target, in seconds."""


def is_reusable(evidence: Evidence) -> bool:
    """
    Tell whether a later run may take this result over.

    A time limit that ran out and a machine's fault say too little: those are tried again.
    """
    return isinstance(evidence.outcome, Built | Broken | Outgrown)


class SqliteStore:
    """
    The store in one file. Use it from one thread.

    Raises:
        StoreError: Not a database, damaged, foreign, newer than this program, or not to be written.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._engine = create_engine(f"sqlite:///{path}", connect_args={"timeout": _BUSY_TIMEOUT_MS / 1000})
        event.listen(self._engine, "connect", _prepare_connection)
        event.listen(self._engine, "begin", _begin)
        self._writing = self._engine.execution_options(gatekeep_writes=True)
        with self._mapped_errors("opened"):
            path.parent.mkdir(parents=True, exist_ok=True)
            self._check_or_create()

    def list_evidence(self, tree_ids: Iterable[str], *, whole: bool = False) -> tuple[Evidence, ...]:
        """
        Give all that is stored for these trees, built there or carried to them; what was built at the very tree goes
        before what was carried to it.

        Args:
            tree_ids: Full object names.
            whole: With the footprints' sections and symbols, which a verdict does not need.

        Raises:
            StoreError: The store cannot be read, or a record is damaged.
        """
        wanted = sorted(set(tree_ids))
        found: list[Evidence] = []
        built, carried = _records(whole=whole), _carried_records(whole=whole)
        with self._mapped_errors("read"), self._engine.connect() as connection:
            # SQLite allows 32,766 variables in a statement (its default since 3.32); a change has far fewer trees.
            for start in range(0, len(wanted), 500):
                part = wanted[start : start + 500]
                here = [*map(_read_record, connection.execute(built.where(_evidence.c.tree_id.in_(part))))]
                known = {(entry.tree_id, entry.target, entry.key) for entry in here}
                there = map(_read_carried, connection.execute(carried.where(_tree.c.tree_id.in_(part))))
                found += here
                found += (entry for entry in there if (entry.tree_id, entry.target, entry.key) not in known)
        return tuple(found)

    def load_carried(self, tree_id: str, target: str, key: str) -> Evidence | None:
        """
        Give a whole result as it was carried to a tree, whatever was built there since; None when none was.

        Raises:
            StoreError: The store cannot be read, or the record is damaged.
        """
        query = _carried_records(whole=True).where(
            _tree.c.tree_id == tree_id, _evidence.c.target == target, _evidence.c.key == key
        )
        with self._mapped_errors("read"), self._engine.connect() as connection:
            row = connection.execute(query).first()
            return None if row is None else _read_carried(row)

    def list_newest(self) -> tuple[Evidence, ...]:
        """
        Give the newest build of every target under every key, of those that have a read set.

        Raises:
            StoreError: The store cannot be read, or a record is damaged.
        """
        newest = select(func.max(_evidence.c.id)).where(_evidence.c.read_set.is_not(None))
        newest = newest.group_by(_evidence.c.target, _evidence.c.key)
        query = _records(whole=False).where(_evidence.c.id.in_(newest.scalar_subquery()))
        with self._mapped_errors("read"), self._engine.connect() as connection:
            return tuple(map(_read_record, connection.execute(query)))

    def add(self, evidence: Evidence) -> None:
        """
        Keep one result that was built; a newer one for the same tree, target and key takes the old one's place.

        Raises:
            StoreError: It could not be written (disk full, locked for too long).
        """
        values = {
            "target": evidence.target,
            "tree_id": evidence.tree_id,
            "key": evidence.key,
            "commit_id": evidence.commit_id,
            "outcome": name_outcome(evidence.outcome),
            "elapsed_s": evidence.elapsed_s,
            "payload": encode_evidence(evidence),
            "detail": encode_detail(evidence.footprint),
        }
        read_set = encode_read_set(evidence.read_set) if evidence.read_set is not None else None
        with self._mapped_errors("written"), self._writing.begin() as connection:
            values["read_set"] = _keep_read_set(connection, read_set) if read_set is not None else None
            statement = insert(_evidence).values(values)
            connection.execute(
                statement.on_conflict_do_update(
                    index_elements=["tree_id", "target", "key"],
                    set_={name: value for name, value in values.items() if name not in ("tree_id", "target", "key")},
                )
            )

    def add_carried(self, evidence: Sequence[Evidence]) -> None:
        """
        Keep that results were taken over from builds which the store has.

        Args:
            evidence: Each with `carried`; the build is found by `carried.tree_id`, target and key.

        Raises:
            StoreError: It could not be written, or a build that was carried from is not there.
        """
        with self._mapped_errors("written"), self._writing.begin() as connection:
            trees = {tree_id: _keep_tree(connection, tree_id) for tree_id in {entry.tree_id for entry in evidence}}
            origins = _find_builds(connection, evidence)
            rows = []
            for entry in evidence:
                if entry.carried is None:
                    raise StoreError(f"{entry.target}: was not carried; keep it with add")
                found = origins.get((entry.carried.tree_id, entry.target, entry.key))
                if found is None:
                    raise StoreError(f"{self._path}: the build of {entry.target} that was carried from is not there")
                rows.append({"tree": trees[entry.tree_id], "evidence": found})
            if rows:
                connection.execute(insert(_carried).on_conflict_do_nothing(), rows)

    def load_durations(self) -> dict[str, float]:
        """Give the newest build time of every target, in seconds."""
        newest = select(func.max(_evidence.c.id)).group_by(_evidence.c.target).scalar_subquery()
        query = select(_evidence.c.target, _evidence.c.elapsed_s).where(_evidence.c.id.in_(newest))
        with self._mapped_errors("read"), self._engine.connect() as connection:
            return {row.target: row.elapsed_s for row in connection.execute(query)}

    def list_barred(self) -> tuple[Bar, ...]:
        """
        Give the targets that are not carried, each with what an audit found; sorted by target, then oldest first.

        Raises:
            StoreError: The store cannot be read.
        """
        query = select(_barred).order_by(_barred.c.target, _barred.c.id)
        with self._mapped_errors("read"), self._engine.connect() as connection:
            return tuple(map(_read_bar, connection.execute(query)))

    def bar(self, bar: Bar) -> None:
        """
        Keep that a target is not to be carried, until `clear_bar`; on return it is on the disk.

        Raises:
            StoreError: It could not be written.
        """
        values = {
            "target": bar.target,
            "key": bar.key,
            "tree_id": bar.tree_id,
            "commit_id": bar.commit_id,
            "barred_at": bar.barred_at.isoformat(),
            # Text from outside may hold lone surrogates, which SQLite does not take.
            "what": bar.what.encode("utf-8", "backslashreplace").decode("utf-8"),
        }
        with self._mapped_errors("written"), self._writing.begin() as connection:
            connection.execute(insert(_barred).values(values).on_conflict_do_nothing())

    def clear_bar(self, target: str) -> tuple[Bar, ...]:
        """
        Let a target be carried again.

        What was carried of it so far is dropped: some of it is wrong, and nobody knows which. What was built stays.

        Returns:
            What was barred; empty when nothing was.

        Raises:
            StoreError: It could not be written.
        """
        with self._mapped_errors("written"), self._writing.begin() as connection:
            query = select(_barred).where(_barred.c.target == target).order_by(_barred.c.id)
            found = tuple(map(_read_bar, connection.execute(query)))
            if found:
                builds = select(_evidence.c.id).where(_evidence.c.target == target)
                connection.execute(delete(_carried).where(_carried.c.evidence.in_(builds)))
                connection.execute(delete(_barred).where(_barred.c.target == target))
            return found

    def close(self) -> None:
        """Let go of the file."""
        self._engine.dispose()

    def __enter__(self) -> SqliteStore:
        return self

    def __exit__(self, *_exc: object) -> None:
        self.close()

    def _check_or_create(self) -> None:
        # The write lock first: two processes that find no store must not both make one.
        with self._writing.begin() as connection:
            application_id = connection.execute(text("PRAGMA application_id")).scalar_one()
            version = connection.execute(text("PRAGMA user_version")).scalar_one()
            table_count = connection.execute(text("SELECT count(*) FROM sqlite_master")).scalar_one()
            if application_id == 0 and version == 0 and table_count == 0:
                _metadata.create_all(connection)
                connection.execute(text(_NEWEST_INDEX))
                connection.execute(text(f"PRAGMA application_id = {_APPLICATION_ID}"))
                connection.execute(text(f"PRAGMA user_version = {_SCHEMA_VERSION}"))
            elif application_id != _APPLICATION_ID:
                raise StoreError(f"{self._path}: is a database, but not gatekeep's; name another store with --store")
            elif version > _SCHEMA_VERSION:
                raise StoreError(
                    f"{self._path}: was written by a newer gatekeep (format {version}, this one reads up to "
                    f"{_SCHEMA_VERSION}); use that version, or name another store with --store"
                )

    @contextmanager
    def _mapped_errors(self, verb: str) -> Iterator[None]:
        try:
            yield
        except (SQLAlchemyError, OSError) as error:
            cause = getattr(error, "orig", None) or error
            raise StoreError(
                f"{self._path}: the store cannot be {verb}: {cause}; free the disk or restore the file from a copy, "
                "it is never replaced by an empty one"
            ) from error


def _records(*, whole: bool) -> Select[Any]:
    columns = [_evidence.c.payload, _read_set.c.payload.label("read_set_payload")]
    if whole:
        columns.append(_evidence.c.detail)
    return select(*columns).select_from(_evidence).join(_read_set, _read_set.c.id == _evidence.c.read_set, isouter=True)


def _carried_records(*, whole: bool) -> Select[Any]:
    query = _records(whole=whole).add_columns(_tree.c.tree_id.label("carried_to"))
    return query.join(_carried, _carried.c.evidence == _evidence.c.id).join(_tree, _tree.c.id == _carried.c.tree)


def _read_carried(row: Row[Any]) -> Evidence:
    origin = _read_record(row)
    source = Carried(tree_id=origin.tree_id, commit_id=origin.commit_id)
    return replace(origin, tree_id=row.carried_to, carried=source)


def _read_bar(row: Row[Any]) -> Bar:
    return Bar(
        target=row.target,
        key=row.key,
        tree_id=row.tree_id,
        commit_id=row.commit_id,
        barred_at=datetime.fromisoformat(row.barred_at),
        what=row.what,
    )


def _read_record(row: Row[Any]) -> Evidence:
    evidence = decode_evidence(row.payload)
    if row.read_set_payload is not None:
        evidence = replace(evidence, read_set=decode_read_set(row.read_set_payload))
    detail = getattr(row, "detail", b"")
    if detail and isinstance(evidence.outcome, Built | Outgrown) and evidence.outcome.footprint is not None:
        footprint = decode_detail(evidence.outcome.footprint, detail)
        evidence = replace(evidence, outcome=replace(evidence.outcome, footprint=footprint))
    return evidence


def _keep_read_set(connection: Connection, payload: bytes) -> int:
    digest = hashlib.sha256(payload).digest()
    query = select(_read_set.c.id).where(_read_set.c.sha256 == digest)
    found = connection.execute(query).scalar()
    if found is None:
        connection.execute(insert(_read_set).values(sha256=digest, payload=payload))
        found = connection.execute(query).scalar_one()
    return int(found)


def _find_builds(connection: Connection, evidence: Sequence[Evidence]) -> dict[tuple[str, str, str], int]:
    """
    Find what was carried from; gives the number of each build by tree, target and key.

    One query for many targets: asking for each of 300 by itself took 60 ms, all of them Python's.
    """
    targets: dict[str, list[str]] = {}
    for entry in evidence:
        if entry.carried is not None:
            targets.setdefault(entry.carried.tree_id, []).append(entry.target)
    found: dict[tuple[str, str, str], int] = {}
    for tree_id, names in targets.items():
        for start in range(0, len(names), _NAMES_A_QUERY):
            query = select(_evidence.c.target, _evidence.c.key, _evidence.c.id).where(
                _evidence.c.tree_id == tree_id, _evidence.c.target.in_(names[start : start + _NAMES_A_QUERY])
            )
            found |= {(tree_id, row.target, row.key): row.id for row in connection.execute(query)}
    return found


def _keep_tree(connection: Connection, tree_id: str) -> int:
    connection.execute(insert(_tree).values(tree_id=tree_id).on_conflict_do_nothing())
    return int(connection.execute(select(_tree.c.id).where(_tree.c.tree_id == tree_id)).scalar_one())


def _prepare_connection(connection: sqlite3.Connection, _record: object) -> None:
    # The driver's own idea of when a transaction begins is switched off: _begin says it.
    connection.isolation_level = None
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")


def _begin(connection: Connection) -> None:
    writes = connection.get_execution_options().get("gatekeep_writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
