"""
Whether the file of a store is whole, also where nobody reads it: what is looked at when, and why then.

Damage that SQLite or a digest meets on the way is an error wherever it is met. What lies in pages that nobody asks for
would wait, until the copies that could have mended it are gone. So it is looked for:

- at every opening that finds the store left open: its write-ahead log is there and no living process has the store.
  The machine was cut off, or a process was killed, and that is when files break. The tree of every table and index is
  walked (`check_structure`) before anything is asked or written.
- before a store of an older format is brought to this one: the same.
- by `gatekeep health`, each time: the same, while git and the store are asked, and before a page is written.
- by `gatekeep sweep`, each night, before its first write: besides, that each row stands in every index, and the digest
  of every result, read set and detail (`check_contents`).

A gate, which has a second where nothing is affected, looks only when the store was left open. It need not: each result
that its verdict rests on has a digest that is looked at when it is read, and one that damage hides is built again.

Not noticed by any of it: another byte in what has no digest and is shown only. That is a subject or a name of the
recorded branch, the text of a turn, the day or state of a sweep, and what plots and states on pages are drawn from, so
that no payload need be read for them: of a build its outcome (one that is no word of ours is an error) and figures.
Seals of what was carried are looked at when that is read for a verdict.

Measured (SQLite 3.40, one core, 1.5 million results in 457 MB, of the page cache): the trees 0.5 s, rows and indexes
1.4 s, digests 0.7 s. A store of the demonstration: 10 ms in all.

Source: PRAGMA quick_check and integrity_check, sqlite.org/pragma.html; the write-ahead log goes when the last
connection is closed, sqlite.org/wal.html.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from urllib.parse import quote

from gatekeep.errors import StoreError
from gatekeep.history.file_format import APPLICATION_ID, SCHEMA_VERSION

#: How long a check waits for a process that brings the write-ahead log home.
_BUSY_TIMEOUT_S = 30.0
#: One fault leads to many: the first says where to look.
_FAULTS = 100
#: By table: number, SHA-256, and the bytes that it is of. Formats before the present one have fewer tables.
_DIGESTS = {
    "evidence": "SELECT id, substr(payload, 1, 32), substr(payload, 33) FROM evidence",
    "read_set": "SELECT id, sha256, payload FROM read_set",
    "detail": "SELECT id, sha256, payload FROM detail",
}


@contextmanager
def holding_open(path: Path) -> Iterator[None]:
    """
    Say to other processes that this one has the store; look at it first where the last one did not close it.

    Args:
        path: Of the database. The lock is a file beside it: SQLite's own locks end when a process closes any handle of
            the database (sqlite.org/howtocorrupt.html, 2.2).

    Raises:
        StoreError: It was left open and is damaged.
        OSError: The lock cannot be made.
    """
    descriptor = os.open(path.with_name(f"{path.name}.lock"), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o666)
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            pass  # Somebody has it, and has looked at it or is about to: the next line waits for that.
        else:
            if _was_left_open(path):
                check_structure(path)
        fcntl.flock(descriptor, fcntl.LOCK_SH)
        yield
    finally:
        os.close(descriptor)


def _was_left_open(path: Path) -> bool:
    try:
        return path.with_name(f"{path.name}-wal").stat().st_size > 0
    except FileNotFoundError:
        return False


def check_structure(path: Path) -> None:
    """
    Walk the tree of every table and index, on a connection of its own, which may be in another thread than the store's.

    Nothing is written, and other processes may write meanwhile. Where there is no file, nothing is damaged.

    Raises:
        StoreError: The file is damaged, or cannot be read.
    """
    with _reading(path) as connection:
        _ask(connection, path, "quick_check")


def check_contents(path: Path) -> None:
    """
    Do what `check_structure` does; hold every row against every index, and every digest against its bytes.

    Raises:
        StoreError: The file is damaged, or cannot be read.
    """
    with _reading(path) as connection:
        _ask(connection, path, "integrity_check")
        tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        for table in _DIGESTS.keys() & tables:
            for number, digest, body in connection.execute(_DIGESTS[table]):
                if not isinstance(body, bytes) or hashlib.sha256(body).digest() != digest:
                    raise _damaged(path, f"the digest of {table.replace('_', ' ')} {number} does not fit")


@contextmanager
def _reading(path: Path) -> Iterator[sqlite3.Connection]:
    """Give a connection; an empty database where the file is not there, or is not of a format that we know."""
    try:
        with ExitStack() as stack:
            connection = stack.enter_context(closing(sqlite3.connect(":memory:")))
            if path.exists():
                # Read-only: a connection that could write would bring the write-ahead log home when it is closed.
                uri = f"file:{quote(os.fsencode(path.absolute()))}?mode=ro"
                ours = stack.enter_context(closing(sqlite3.connect(uri, uri=True, timeout=_BUSY_TIMEOUT_S)))
                (application_id,) = ours.execute("PRAGMA application_id").fetchone()
                (version,) = ours.execute("PRAGMA user_version").fetchone()
                # Opening says better what is wrong with others.
                if application_id == APPLICATION_ID and version <= SCHEMA_VERSION:
                    connection = ours
            connection.text_factory = _read_text
            yield connection
    except sqlite3.OperationalError as error:
        raise StoreError(
            f"{path}: the store cannot be checked: {error}; see that the disk is well, or restore the file from a copy"
        ) from error
    except sqlite3.DatabaseError as error:
        raise _damaged(path, str(error)) from error


def _read_text(raw: bytes) -> str:
    # In a damaged file it may be none, and what is found there stands in messages.
    return raw.decode("utf-8", "replace")


def _ask(connection: sqlite3.Connection, path: Path, question: str) -> None:
    said = [str(row[0]) for row in connection.execute(f"PRAGMA {question}({_FAULTS})")]
    if said != ["ok"]:
        lines = [line for text in said for line in text.splitlines() if not line.startswith("***")]
        more = f" and {len(lines) - 1} more" if len(lines) > 1 else ""
        raise _damaged(path, f"{lines[0] if lines else 'it says nothing'}{more}")


def _damaged(path: Path, what: str) -> StoreError:
    return StoreError(
        f"{path}: the store is damaged: {what}; nothing was changed. Move the file and {path.name}-wal aside and put a "
        f"copy in their place (sqlite3 {path.name} '.backup FILE' makes one while gates run); without one, what can "
        f"still be read is saved by: sqlite3 {path.name} .recover | sqlite3 NEW"
    )
