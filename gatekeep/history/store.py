"""
The store: evidence that outlives a run.

One SQLite file in WAL mode, spoken to through SQLAlchemy Core so that a server database can take its place. Every
record is committed with synchronous=FULL before anybody is told of it: what was reported survives kill -9 and power
loss. A store that is damaged, foreign or newer than this program is an error, never a fresh start.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol

from sqlalchemy import (
    Column,
    Connection,
    Float,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
    create_engine,
    event,
    func,
    select,
    text,
)
from sqlalchemy.dialects.sqlite import insert
from sqlalchemy.exc import SQLAlchemyError

from gatekeep.errors import StoreError
from gatekeep.history.codec import decode_evidence, encode_evidence
from gatekeep.model.evidence import Broken, Built, Evidence, Outgrown, name_outcome

#: "gate" in ASCII: SQLite's application_id, so that a foreign database is never written into.
_APPLICATION_ID = 0x67617465
#: Raised together with a migration.
_SCHEMA_VERSION = 1
#: How long a writer waits for another gatekeep process.
_BUSY_TIMEOUT_MS = 30_000

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
    UniqueConstraint("tree_id", "target", "key", name="evidence_of"),
)
#: Makes "the newest duration of every target" one seek a target.
_DURATION_INDEX = "CREATE INDEX IF NOT EXISTS evidence_duration ON evidence (target, id, elapsed_s)"


class ResultStore(Protocol):
    """What a run needs of a store."""

    def list_evidence(self, tree_ids: Iterable[str]) -> tuple[Evidence, ...]:
        """Give all that is stored for these trees, in no promised order."""

    def add(self, evidence: Evidence) -> None:
        """Keep one result; on return it is on the disk."""

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

    def list_evidence(self, tree_ids: Iterable[str]) -> tuple[Evidence, ...]:
        """
        Give all that is stored for these trees.

        Raises:
            StoreError: The store cannot be read, or a record is damaged.
        """
        wanted = sorted(set(tree_ids))
        found: list[Evidence] = []
        with self._mapped_errors("read"), self._engine.connect() as connection:
            # SQLite allows 32,766 variables in a statement (its default since 3.32); a change has far fewer trees.
            for start in range(0, len(wanted), 500):
                part = wanted[start : start + 500]
                rows = connection.execute(select(_evidence.c.payload).where(_evidence.c.tree_id.in_(part)))
                found.extend(decode_evidence(payload) for (payload,) in rows)
        return tuple(found)

    def add(self, evidence: Evidence) -> None:
        """
        Keep one result; a newer one for the same tree, target and key takes the old one's place.

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
        }
        statement = insert(_evidence).values(values)
        statement = statement.on_conflict_do_update(
            index_elements=["tree_id", "target", "key"],
            set_={name: values[name] for name in ("commit_id", "outcome", "elapsed_s", "payload")},
        )
        with self._mapped_errors("written"), self._writing.begin() as connection:
            connection.execute(statement)

    def load_durations(self) -> dict[str, float]:
        """Give the newest build time of every target, in seconds."""
        newest = select(func.max(_evidence.c.id)).group_by(_evidence.c.target).scalar_subquery()
        query = select(_evidence.c.target, _evidence.c.elapsed_s).where(_evidence.c.id.in_(newest))
        with self._mapped_errors("read"), self._engine.connect() as connection:
            return {row.target: row.elapsed_s for row in connection.execute(query)}

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
                connection.execute(text(_DURATION_INDEX))
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


def _prepare_connection(connection: sqlite3.Connection, _record: object) -> None:
    # The driver's own idea of when a transaction begins is switched off: _begin says it.
    connection.isolation_level = None
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")


def _begin(connection: Connection) -> None:
    writes = connection.get_execution_options().get("gatekeep_writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
