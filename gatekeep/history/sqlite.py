"""
What of the store is SQLite's alone, gathered: all else of this room is SQLAlchemy Core, which speaks to servers, too.

Whoever puts the store on a server database writes this module, and `integrity.py`, a second time: how a file is opened
and what a commit promises, how the file tells whose it is and of which format, the triggers, an INSERT that meets a row
which is there (SQLite's and PostgreSQL's are spelt alike in SQLAlchemy, and are two classes), and an answer that is one
text. The tables' options named `sqlite_…` in `schema.py` are passed over by other dialects. Questions are cut to
SQLite's most variables; others allow more. The migrations move files of older formats, which no server has.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, Select, Table, Text, cast, create_engine, event, func, select, text
from sqlalchemy.dialects.sqlite import Insert, insert

__all__ = [
    "STAMP_TRIGGERS",
    "count_tables",
    "insert",
    "insert_or_replace",
    "list_groups",
    "make_engine",
    "read_format",
    "write_application",
    "write_format",
]

#: As one text, what years of nights and gates have carried took a tenth of the memory that a site may take.
_GROUPS_AT_ONCE = 20_000
#: How long a writer waits for another gatekeep process.
_BUSY_TIMEOUT_MS = 30_000

_STAMP = "INSERT INTO stamp (tree_id, stamp) {trees} ON CONFLICT (tree_id) DO UPDATE SET stamp = excluded.stamp; "
_BUILT_AT = _STAMP.format(trees="VALUES ({row}.tree_id, random())")
_CARRIED_TO = _STAMP.format(trees="SELECT tree_id, random() FROM tree WHERE id = {row}.tree")
#: A result that is replaced keeps its number, and so shows at every tree that it was carried to.
_SHOWN_AT = _STAMP.format(
    trees="SELECT tree_id, random() FROM tree WHERE id IN (SELECT tree FROM carried WHERE evidence = {row}.id)"
)
#: Give a tree another stamp whenever a result of it changes. Triggers, so that no way to write a result can forget it.
STAMP_TRIGGERS = [
    f"CREATE TRIGGER stamp_{table}_{event} AFTER {event.upper()} ON {table} BEGIN {statements.format(row=row)}END"
    for table, event, row, statements in (
        ("evidence", "insert", "NEW", _BUILT_AT),
        ("evidence", "update", "NEW", _BUILT_AT + _SHOWN_AT),
        ("evidence", "delete", "OLD", _BUILT_AT + _SHOWN_AT),
        ("carried", "insert", "NEW", _CARRIED_TO),
        ("carried", "delete", "OLD", _CARRIED_TO),
    )
]


def make_engine(path: Path) -> tuple[Engine, Engine]:
    """
    Give what opens the file to read, and to write.

    The journal is a write-ahead log, so readers never wait for the writer; a commit is on the disk when it returns. A
    transaction to write takes the write lock when it begins: none that has read gives way to another one midway.

    Source: sqlite.org/wal.html; sqlite.org/pragma.html, synchronous; sqlite.org/lang_transaction.html.
    """
    engine = create_engine(f"sqlite:///{path}", connect_args={"timeout": _BUSY_TIMEOUT_MS / 1000})
    event.listen(engine, "connect", _prepare_connection)
    event.listen(engine, "begin", _begin)
    return engine, engine.execution_options(gatekeep_writes=True)


def _prepare_connection(connection: sqlite3.Connection, _record: object) -> None:
    # The driver's own idea of when a transaction begins is switched off: _begin says it.
    connection.isolation_level = None
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")


def _begin(connection: Connection) -> None:
    writes = connection.get_execution_options().get("gatekeep_writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def read_format(connection: Connection) -> tuple[int, int]:
    """Give whose file it is (its application_id) and of which format; zeros where nobody said."""
    return tuple(  # type: ignore[return-value]  # two numbers
        int(connection.execute(text(f"PRAGMA {name}")).scalar_one()) for name in ("application_id", "user_version")
    )


def count_tables(connection: Connection) -> int:
    """Give how many tables, indexes and triggers there are."""
    return int(connection.execute(text("SELECT count(*) FROM sqlite_master")).scalar_one())


def write_application(connection: Connection, number: int) -> None:
    """Say whose file it is."""
    connection.execute(text(f"PRAGMA application_id = {number}"))


def write_format(connection: Connection, number: int) -> None:
    """Say of which format it is."""
    connection.execute(text(f"PRAGMA user_version = {number}"))


def insert_or_replace(table: Table, *identity: str) -> Insert:
    """
    Insert a row, or put it in the place of the one that it meets, which keeps its number.

    Args:
        table: May have a column `id`, which the database gives.
        identity: Columns in which no two rows are equal.
    """
    statement = insert(table)
    others = [column.name for column in table.columns if column.name not in {"id", *identity}]
    return statement.on_conflict_do_update(
        index_elements=identity, set_={name: statement.excluded[name] for name in others}
    )


def list_groups(query: Select[Any]) -> Select[Any]:
    """
    Ask for pairs of numbers as texts of JSON, which have for each first number a list of it and of a text in which its
    second numbers stand with commas between. Each text has many, those of the first the lowest first numbers; in a
    text they have no order that anybody promises.

    For a million rows Python takes five times what SQLite does, and twice for a row a group. And while SQLite works on
    a row of an answer, other threads go on.
    """
    pairs = query.subquery()
    by, number = pairs.columns
    groups = select(by.label("by"), func.group_concat(number).label("numbers")).group_by(by).subquery()
    entry = "[" + cast(groups.c.by, Text) + ',"' + groups.c.numbers + '"]'
    part = groups.c.by // _GROUPS_AT_ONCE
    return select("[" + func.group_concat(entry) + "]").group_by(part).order_by(part)
