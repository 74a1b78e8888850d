"""
The tables of the store, and the way from every earlier format to this one.

A migration runs once, inside the transaction that found the older format: it is done whole or not at all, and a process
that waits for the write lock meanwhile finds the new format. What a migration cannot read is an error that leaves the
file as it was.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

from sqlalchemy import (
    BigInteger,
    Column,
    Connection,
    Float,
    ForeignKey,
    Integer,
    LargeBinary,
    MetaData,
    Select,
    Table,
    Text,
    UniqueConstraint,
    bindparam,
    select,
    text,
    update,
)

from gatekeep.errors import StoreError
from gatekeep.history.codec import decode_evidence, seal_carried
from gatekeep.history.file_format import APPLICATION_ID, SCHEMA_VERSION
from gatekeep.history.integrity import check_structure
from gatekeep.history.sqlite import (
    STAMP_TRIGGERS,
    count_tables,
    insert,
    read_format,
    write_application,
    write_format,
)
from gatekeep.model.evidence import Evidence, RegionUse

#: Behind the key of a build that ran past its time limit: no question by key finds it, so every run tries it again.
PAST_LIMIT = " past its limit"

metadata = MetaData()
#: More than 31 bits: any integer of SQLite's is as long as it needs, one of a server's is not.
_LONG = BigInteger().with_variant(Integer(), "sqlite")
evidence_table = Table(
    "evidence",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("target", Text, nullable=False),
    Column("tree_id", Text, nullable=False),
    Column("key", Text, nullable=False),
    Column("commit_id", Text, nullable=False),
    Column("outcome", Text, nullable=False),
    Column("elapsed_s", Float, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    Column("detail", Integer, ForeignKey("detail.id")),
    Column("read_set", Integer, ForeignKey("read_set.id")),
    UniqueConstraint("tree_id", "target", "key", name="evidence_of"),
)
#: Most builds of a target read the same files as the one before.
read_set_table = Table(
    "read_set",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("sha256", LargeBinary, nullable=False, unique=True),
    Column("payload", LargeBinary, nullable=False),
)
#: Sections and symbols, by far the longest part of a result; every sweep finds most images as they were.
detail_table = Table(
    "detail",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("sha256", LargeBinary, nullable=False, unique=True),
    Column("payload", LargeBinary, nullable=False),
)
tree_table = Table(
    "tree", metadata, Column("id", Integer, primary_key=True), Column("tree_id", Text, nullable=False, unique=True)
)
#: By far the most rows of a store: three small numbers each. The seal says which tree and which build belong together
#: (`codec.seal_carried`): two changed bytes must not turn one tree's result into another's.
carried_table = Table(
    "carried",
    metadata,
    Column("tree", Integer, ForeignKey("tree.id"), primary_key=True),
    Column("evidence", Integer, ForeignKey("evidence.id"), primary_key=True),
    Column("seal", _LONG, nullable=False, server_default=text("0")),
    sqlite_with_rowid=False,
)
#: Targets that are not carried, one row for each result that an audit found wrong.
barred_table = Table(
    "barred",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("target", Text, nullable=False),
    Column("key", Text, nullable=False),
    Column("tree_id", Text, nullable=False),
    Column("commit_id", Text, nullable=False),
    Column("barred_at", Text, nullable=False),
    Column("what", Text, nullable=False),
    UniqueConstraint("target", "key", "tree_id", name="barred_for"),
)
#: What a plot needs of a build, so that five thousand points need no payload. A table of its own: behind the payloads,
#: whose pages SQLite would have to walk, the same columns took ten times as long.
figures_table = Table(
    "figures",
    metadata,
    Column("evidence", Integer, ForeignKey("evidence.id"), primary_key=True),
    Column("warning_count", Integer, nullable=False),
    Column("regions", Text, nullable=False),
)
#: The branch that was swept last, by first parents; position 0 is its first commit.
mainline_table = Table(
    "mainline",
    metadata,
    Column("position", Integer, primary_key=True),
    Column("commit_id", Text, nullable=False, unique=True),
    Column("tree", Integer, ForeignKey("tree.id"), nullable=False),
    Column("parent_ids", Text, nullable=False),
    Column("author_name", Text, nullable=False),
    Column("author_email", Text, nullable=False),
    Column("committed_s", _LONG, nullable=False),
    Column("subject", Text, nullable=False),
)
sweep_table = Table(
    "sweep",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("commit_id", Text, nullable=False),
    Column("tree_id", Text, nullable=False),
    Column("started_at", Text, nullable=False),
    Column("finished_at", Text),
    Column("state", Text, nullable=False),
    # A number that was used once is never used again: it names a lock file.
    sqlite_autoincrement=True,
)
#: Which builds a sweep has made. The outcome stands here too: a later sweep of the same tree replaces the build, and
#: one that ran past its time limit is gone when the same tree comes out.
sweep_build_table = Table(
    "sweep_build",
    metadata,
    Column("sweep", Integer, ForeignKey("sweep.id"), primary_key=True),
    Column("target", Text, primary_key=True),
    Column("evidence", Integer, ForeignKey("evidence.id")),
    Column("outcome", Text, nullable=False),
    sqlite_with_rowid=False,
)
turn_table = Table(
    "turn",
    metadata,
    Column("sweep", Integer, ForeignKey("sweep.id"), primary_key=True),
    Column("target", Text, primary_key=True),
    Column("turn", Text, primary_key=True),
    Column("message", Text, nullable=False),
    Column("good_commit_id", Text),
    Column("culprit_commit_id", Text),
    sqlite_with_rowid=False,
)
#: A random number for each tree, another one whenever a result of the tree, built or carried, is added, replaced or
#: removed: what was computed from a tree's results holds for as long as the number is the same. It is random, so that a
#: store which was restored from a copy and went another way never shows a number of the way that it left.
stamp_table = Table(
    "stamp",
    metadata,
    Column("tree_id", Text, primary_key=True),
    Column("stamp", _LONG, nullable=False),
    sqlite_with_rowid=False,
)
#: Makes "the newest of every target" one seek a target.
_NEWEST_INDEX = "CREATE INDEX evidence_newest ON evidence (target, id, elapsed_s)"
#: From a target's builds to the trees that they were carried to.
_CARRIED_INDEX = "CREATE INDEX carried_from ON carried (evidence, tree)"
_MAINLINE_INDEX = "CREATE INDEX mainline_tree ON mainline (tree)"
#: Answers alone which build is the newest of every target under every key that others may be carried from; behind the
#: payloads, whose pages SQLite would have to walk, that took ten times as long.
_SOURCES_INDEX = "CREATE INDEX evidence_sources ON evidence (key, target, id) WHERE read_set IS NOT NULL"
_ADDED_IN_2 = [detail_table, figures_table, mainline_table, sweep_table, sweep_build_table, turn_table]


def check_or_create(connection: Connection, path: Path) -> None:
    """
    Make the tables in an empty file, or bring an older store to this format; leave anything else alone.

    Args:
        connection: In a transaction that holds the write lock: two processes that find no store must not both make
            one.
        path: Its file.

    Raises:
        StoreError: Somebody else's database, one of a newer gatekeep, or an older one that is damaged or holds
            something unreadable.
    """
    application_id, version = read_format(connection)
    if application_id == 0 and version == 0 and count_tables(connection) == 0:
        metadata.create_all(connection)
        for statement in (_NEWEST_INDEX, _CARRIED_INDEX, _MAINLINE_INDEX, _SOURCES_INDEX, *STAMP_TRIGGERS):
            connection.execute(text(statement))
        write_application(connection, APPLICATION_ID)
        write_format(connection, SCHEMA_VERSION)
        return
    if application_id != APPLICATION_ID:
        raise StoreError(f"{path}: is a database, but not gatekeep's; name another store with --store")
    if version > SCHEMA_VERSION:
        raise StoreError(
            f"{path}: was written by a newer gatekeep (format {version}, this one reads up to "
            f"{SCHEMA_VERSION}); use that version, or name another store with --store"
        )
    if version < SCHEMA_VERSION:
        # Once in a store's life: a copy that could still mend it is not to be of another format than what is damaged.
        check_structure(path)
    for older in range(version, SCHEMA_VERSION):
        migrate = _MIGRATIONS.get(older)
        if migrate is None:
            raise StoreError(
                f"{path}: is of format {older}, which no gatekeep has written; restore the file from a copy"
            )
        migrate(connection)
        write_format(connection, older + 1)


def make_figures(evidence_id: int, evidence: Evidence) -> dict[str, Any]:
    """Give the row of `figures` of one build."""
    regions = evidence.footprint.regions if evidence.footprint is not None else ()
    rows = [[use.name, use.used_bytes, use.capacity_bytes, use.reserve_bytes, use.flash] for use in regions]
    return {
        "evidence": evidence_id,
        "warning_count": len(evidence.warnings),
        "regions": json.dumps(rows, separators=(",", ":")),
    }


def parse_regions(texts: Sequence[str]) -> list[tuple[RegionUse, ...]]:
    """
    Read what `make_figures` has written of regions, of many builds at once: the reader of JSON is called once.

    Raises:
        StoreError: One of them is something else.
    """
    try:
        # As many as there are texts, or one of them is no value by itself.
        rows = zip(json.loads(f"[{','.join(texts)}]"), texts, strict=True)
        return [tuple(_make_use(*use) for use in uses) for uses, _ in rows]
    except (ValueError, TypeError) as error:
        raise StoreError(f"stored figures cannot be read: {error}; restore the store from a copy") from error


def _make_use(name: str, used_bytes: int, capacity_bytes: int, reserve_bytes: int, flash: bool) -> RegionUse:
    # A name and two numbers for each of some hundred thousand uses, all alike, were a tenth of a site's memory.
    name, capacity_bytes, reserve_bytes, flash = _know_kind(name, capacity_bytes, reserve_bytes, flash)
    return RegionUse(name, used_bytes, capacity_bytes, reserve_bytes, flash)


@lru_cache(maxsize=4096)
def _know_kind(name: str, capacity_bytes: int, reserve_bytes: int, flash: bool) -> tuple[str, int, int, bool]:
    return name, capacity_bytes, reserve_bytes, flash


def keep_content(connection: Connection, table: Table, payload: bytes) -> int:
    """Keep a payload in a table of contents, once, and give its number."""
    digest = hashlib.sha256(payload).digest()
    query = _find_content(table)
    found = connection.execute(query, {"digest": digest}).scalar()
    if found is None:
        connection.execute(insert(table), {"sha256": digest, "payload": payload})
        found = connection.execute(query, {"digest": digest}).scalar_one()
    return int(found)


@cache
def _find_content(table: Table) -> Select[Any]:
    return select(table.c.id).where(table.c.sha256 == bindparam("digest"))


def _from_1(connection: Connection) -> None:
    """Format 1 knew evidence with each its own detail, read sets, carried results and bars."""
    metadata.create_all(connection, tables=_ADDED_IN_2)
    for statement in (
        _CARRIED_INDEX,
        _MAINLINE_INDEX,
        "ALTER TABLE evidence RENAME COLUMN detail TO own_detail",
        "ALTER TABLE evidence ADD COLUMN detail INTEGER REFERENCES detail (id)",
    ):
        connection.execute(text(statement))
    # The numbers first: a table must not be written to while it is read.
    for evidence_id in connection.execute(select(evidence_table.c.id)).scalars().all():
        row = connection.execute(
            text("SELECT payload, own_detail FROM evidence WHERE id = :id"), {"id": evidence_id}
        ).one()
        connection.execute(insert(figures_table).values(make_figures(evidence_id, decode_evidence(row.payload))))
        if row.own_detail:
            detail = keep_content(connection, detail_table, row.own_detail)
            connection.execute(update(evidence_table).where(evidence_table.c.id == evidence_id).values(detail=detail))
    connection.execute(text("ALTER TABLE evidence DROP COLUMN own_detail"))


def _from_2(connection: Connection) -> None:
    """Format 2 knew no stamps; a tree without one has not changed since."""
    metadata.create_all(connection, tables=[stamp_table])
    for statement in STAMP_TRIGGERS:
        connection.execute(text(statement))


def _from_3(connection: Connection) -> None:
    """Format 3 had no seals on what was carried, nor in a result the marks of its read set and detail."""
    connection.execute(text("ALTER TABLE carried ADD COLUMN seal INTEGER NOT NULL DEFAULT 0"))
    query = text(
        "SELECT carried.tree, carried.evidence, tree.tree_id AS carried_to, evidence.tree_id, evidence.target, "
        "evidence.key FROM carried JOIN tree ON tree.id = carried.tree "
        "JOIN evidence ON evidence.id = carried.evidence"
    )
    rows = [
        {
            "tree": row.tree,
            "evidence": row.evidence,
            "seal": seal_carried(row.carried_to, tree_id=row.tree_id, target=row.target, key=row.key),
        }
        for row in connection.execute(query)
    ]
    if rows:
        connection.execute(text("UPDATE carried SET seal = :seal WHERE tree = :tree AND evidence = :evidence"), rows)


def _from_4(connection: Connection) -> None:
    """Format 4 had no index of what is carried from."""
    connection.execute(text(_SOURCES_INDEX))


#: By the format that they start from.
_MIGRATIONS: dict[int, Callable[[Connection], None]] = {1: _from_1, 2: _from_2, 3: _from_3, 4: _from_4}
