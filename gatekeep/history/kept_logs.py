"""
Logs of builds over the years: plain while they are young, then compressed with each content once, at last removed.

A build that failed or warned leaves `logs/<tree>/<target>-<key>.log` in the store's folder, and reports name that path.
For `plain_days` it can be opened as it is. Then `<the same>.log.gz` takes its place: a gzip file, so that `zcat` reads
it where gatekeep is not; `gatekeep log` finds either. Equal contents are one file, `logs/content/<sha256>.gz`, of which
the others are hard links: a sweep finds most warnings as they were.

What is removed, the oldest first: logs older than `keep_days`; red ones of main, the branch that was swept last, four
times as late; and, where all together are larger than `most_bytes`, others before red ones. Never removed is the log of
a target's newest build, nor that of its newest result on main, which the health site shows; nor any of the last day.

How old a log is, is what sweeps have seen of it: between two of them a week counts at most. The clock of a machine may
jump ahead by years, and must not take all logs with it; where nobody sweeps for longer, logs stay longer. A log that is
dated later than now, because the clock was set back since, is dated now.

Tidying is done by one process while no other gatekeep uses the store; where one does, the next sweep tidies.

A result holds the SHA-256 of its log, which is looked at whenever one is read.

Source: RFC 1952, section 2.3.1: the CRC-32 and the length at a gzip file's end, both verified when it is read.
"""

from __future__ import annotations

import fcntl
import gzip
import hashlib
import itertools
import os
import secrets
import zlib
from bisect import bisect_left
from collections import Counter
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import IntEnum
from pathlib import Path

from sqlalchemy import func, select

from gatekeep.errors import StoreError
from gatekeep.history.log_lock import locked_logs
from gatekeep.history.schema import evidence_table
from gatekeep.history.standing import load_evidence, load_runs
from gatekeep.history.store import SqliteStore
from gatekeep.history.sweeps import list_sweeps
from gatekeep.history.timeline import list_targets, load_mainline
from gatekeep.model.evidence import log_file_name

_FOLDER = "logs"
_CONTENT = "content"
_PACKED = ".gz"
#: A run that has just ended may not have told the store yet.
_YOUNG = timedelta(days=1)
_RED_FACTOR = 4
#: So much at most passes between two sweeps, as far as logs are concerned.
_LONGEST_GAP = timedelta(days=7)
_BLOCK_BYTES = 1024**2


@dataclass(frozen=True, slots=True, kw_only=True)
class LogRule:
    """How long logs are kept, and how much of them."""

    plain_days: int = 14
    keep_days: int = 90
    most_bytes: int = 2 * 1024**3


@dataclass(frozen=True, slots=True, kw_only=True)
class Tidied:
    """What tidying did: logs compressed and removed, and the bytes on the disk that are left."""

    packed: int
    removed: int
    left_bytes: int


class _Worth(IntEnum):
    """What goes first is least."""

    OTHER = 0
    RED_ON_MAIN = 1
    NEEDED = 2


@dataclass(frozen=True, slots=True)
class _Log:
    """One log on the disk, written at `at_s` by its time; `inode` tells which of them share a content."""

    path: Path
    worth: _Worth
    age: timedelta
    at_s: float
    size_bytes: int
    inode: int


def read_log(folder: Path, log_path: str, *, sha256: str | None = None, most_bytes: int | None = None) -> bytes | None:
    """
    Give the beginning of a log, plain or compressed.

    Args:
        folder: The store's.
        log_path: Relative to it, as `Evidence.log_path` has it.
        sha256: What its result says of it (`Evidence.log_sha256`); None where nothing is known.
        most_bytes: How much of it; None means all.

    Returns:
        None when it is not there (any more).

    Raises:
        StoreError: It is damaged or was changed, or cannot be read.
    """
    path = folder / log_path
    try:
        for place in (path, _packed(path)):
            with suppress(FileNotFoundError):
                return _read(place, most_bytes, sha256)
    except (gzip.BadGzipFile, EOFError, zlib.error) as error:
        raise StoreError(f"{_packed(path)}: the stored log is damaged: {error}; restore it from a copy") from error
    except OSError as error:
        raise StoreError(f"{path}: the log cannot be read: {error.strerror or error}") from error
    return None


def _read(path: Path, most_bytes: int | None, sha256: str | None = None) -> bytes:
    kept, digest = bytearray(), hashlib.sha256()
    with gzip.open(path) if path.suffix == _PACKED else path.open("rb") as stream:
        # To its end whatever is kept of it: the checksum stands there.
        while block := stream.read(_BLOCK_BYTES):
            kept += block if most_bytes is None else block[: max(0, most_bytes - len(kept))]
            digest.update(block)
    if sha256 is not None and digest.hexdigest() != sha256:
        raise StoreError(
            f"{path}: this is not the log that its result was stored with: it was changed or damaged, or is of a build "
            "that was not kept; build the target anew (gatekeep gate --rebuild), or restore it from a copy"
        )
    return bytes(kept)


def find_log(store: SqliteStore, target: str, tree_id: str | None = None) -> tuple[str, str | None] | None:
    """
    Give where the log of a target's newest build is, and its SHA-256 where that was taken.

    Args:
        store: What knows it.
        target: Its name.
        tree_id: Of the builds at this tree alone.

    Returns:
        A path relative to the store's folder; None when there was no such build, or it left no log.

    Raises:
        StoreError: The store cannot be read.
    """
    query = select(func.max(evidence_table.c.id)).where(evidence_table.c.target == target)
    if tree_id is not None:
        query = query.where(evidence_table.c.tree_id == tree_id)
    with store.reading() as connection:
        newest = connection.execute(query).scalar()
    found = None if newest is None else load_evidence(store, [newest], whole=False)[newest]
    return None if found is None or found.log_path is None else (found.log_path, found.log_sha256)


def find_digest(store: SqliteStore, log_path: str) -> str | None:
    """
    Give the SHA-256 of a log that was taken when its result was stored; None where none was, or no result has it.

    Args:
        store: What knows it.
        log_path: Relative to the store's folder.

    Raises:
        StoreError: The store cannot be read.
    """
    tree = Path(log_path).parent.name
    query = select(evidence_table.c.id).where(evidence_table.c.tree_id.startswith(tree, autoescape=True))
    with store.reading() as connection:
        ids = connection.execute(query).scalars().all()
    found = load_evidence(store, ids, whole=False).values()
    return next((entry.log_sha256 for entry in found if entry.log_path == log_path), None)


def tidy_logs(folder: Path, rule: LogRule, now: datetime) -> Tidied | None:
    """
    Compress and remove what the rule says.

    Args:
        folder: The store's.
        rule: What is kept.
        now: Aware.

    Returns:
        None, and nothing done, when another process uses the store.

    Raises:
        StoreError: The store cannot be read, or a log cannot be written (the disk is full); no log is lost by it.
    """
    try:
        with locked_logs(folder, fcntl.LOCK_EX | fcntl.LOCK_NB), SqliteStore(folder / "evidence.db") as store:
            return _tidy(folder, _list_logs(folder, store, now), rule)
    except BlockingIOError:
        return None
    except OSError as error:
        raise StoreError(
            f"{error.filename or folder}: logs cannot be tidied: {error.strerror or error}; free the disk, none is lost"
        ) from error


def _tidy(folder: Path, logs: list[_Log], rule: LogRule) -> Tidied:
    limits = {
        _Worth.OTHER: timedelta(days=rule.keep_days),
        _Worth.RED_ON_MAIN: timedelta(days=rule.keep_days * _RED_FACTOR),
    }
    # A build that was built again has a plain log beside its old one.
    replaced = {_packed(log.path) for log in logs if log.path.suffix != _PACKED}
    gone: list[_Log] = []
    left: list[_Log] = []
    for log in logs:
        is_over = log.age > max(_YOUNG, limits.get(log.worth, log.age))
        (gone if is_over or log.path in replaced else left).append(log)
    for log in gone:
        log.path.unlink()
    packed = 0
    for index, log in enumerate(left):
        if log.path.suffix != _PACKED and log.age > timedelta(days=rule.plain_days):
            left[index] = _pack(folder, log)
            packed += 1
    # A content is on the disk once, and goes with the last of its names.
    names = Counter(log.inode for log in left)
    left_bytes = sum({log.inode: log.size_bytes for log in left}.values())
    removed = len(gone)
    for log in sorted(left, key=lambda log: (log.worth, log.at_s, log.path)):
        if left_bytes <= rule.most_bytes or log.worth is _Worth.NEEDED:
            break
        if log.age > _YOUNG:
            log.path.unlink()
            removed += 1
            names[log.inode] -= 1
            left_bytes -= 0 if names[log.inode] else log.size_bytes
    _drop_unused(folder / _FOLDER)
    return Tidied(packed=packed, removed=removed, left_bytes=left_bytes)


def _list_logs(folder: Path, store: SqliteStore, now: datetime) -> list[_Log]:
    paths = [
        path
        for place in sorted((folder / _FOLDER).glob("*"))
        if place.is_dir() and place.name != _CONTENT
        for path in sorted(place.iterdir())
        if path.name.endswith((".log", f".log{_PACKED}"))
    ]
    worth = _list_worth(store, {path.parent.name for path in paths})
    ages = _Ages((sweep.started_at for sweep in list_sweeps(store)), now)
    found = []
    for path in paths:
        status = path.lstat()
        if status.st_mtime > now.timestamp():
            os.utime(path, (now.timestamp(), now.timestamp()))
            status = path.lstat()
        name = path.relative_to(folder).as_posix().removesuffix(_PACKED)
        found.append(
            _Log(
                path,
                worth.get(name, _Worth.OTHER),
                ages.find_age(status.st_mtime),
                status.st_mtime,
                status.st_size,
                status.st_ino,
            )
        )
    return found


class _Ages:
    """How long something has been there, as far as sweeps have seen it."""

    def __init__(self, swept_at: Iterable[datetime], now: datetime) -> None:
        seen = {moment.timestamp() for moment in swept_at if moment < now}
        self._seen_at_s = [*sorted(seen), now.timestamp()]
        # By the same index: how much counts from there to now.
        self._to_now_s = [0.0]
        for earlier, later in reversed(list(itertools.pairwise(self._seen_at_s))):
            self._to_now_s.insert(0, self._to_now_s[0] + self._count(later - earlier))

    def find_age(self, at_s: float) -> timedelta:
        """Give the age of what has been there since an instant, in seconds since 1970-01-01 UTC."""
        index = min(bisect_left(self._seen_at_s, at_s), len(self._seen_at_s) - 1)
        return timedelta(seconds=self._count(self._seen_at_s[index] - at_s) + self._to_now_s[index])

    @staticmethod
    def _count(passed_s: float) -> float:
        return min(passed_s, _LONGEST_GAP.total_seconds())


def _list_worth(store: SqliteStore, folders: set[str]) -> dict[str, _Worth]:
    """Give what the store knows of logs, by their paths; what it does not know of is other."""
    commits = load_mainline(store)
    trees = {commit.tree_id for commit in commits}
    columns = evidence_table.c
    found: dict[str, _Worth] = {}
    with store.reading() as connection:
        query = select(columns.target, columns.tree_id, columns.key).where(columns.outcome != "built")
        for target, tree_id, key in connection.execute(query):
            if tree_id in trees and tree_id[:12] in folders:
                found[f"{_FOLDER}/{log_file_name(tree_id, target, key)}"] = _Worth.RED_ON_MAIN
        newest = connection.execute(select(func.max(columns.id)).group_by(columns.target)).scalars().all()
    runs = load_runs(store, commits, list_targets(store)) if commits else {}
    needed = {*newest, *(line[-1].evidence_id for line in runs.values() if line)}
    for evidence in load_evidence(store, needed, whole=False).values():
        if evidence.log_path is not None:
            found[evidence.log_path] = _Worth.NEEDED
    return found


def _pack(folder: Path, log: _Log) -> _Log:
    """Put a compressed log in the place of a plain one; the plain one goes last."""
    data = log.path.read_bytes()
    time_ns = log.path.lstat().st_mtime_ns
    digest = hashlib.sha256(data).hexdigest()
    content = folder / _FOLDER / _CONTENT / digest[:2] / f"{digest}{_PACKED}"
    packed = _packed(log.path)
    if not _holds(content, data):
        content.parent.mkdir(parents=True, exist_ok=True)
        _write(content, gzip.compress(data, 9, mtime=0))
    # Of logs that share a content the youngest says how old it is.
    time_ns = max(time_ns, content.lstat().st_mtime_ns if content.lstat().st_nlink > 1 else 0)
    packed.unlink(missing_ok=True)
    try:
        packed.hardlink_to(content)
    except OSError:
        # Some file systems have no hard links, and each has a most.
        _write(packed, content.read_bytes())
    os.utime(packed, ns=(time_ns, time_ns))
    _sync_folder(packed.parent)
    log.path.unlink()
    status = packed.lstat()
    return _Log(packed, log.worth, log.age, log.at_s, status.st_size, status.st_ino)


def _holds(content: Path, data: bytes) -> bool:
    """Whether a content is there and whole: a damaged one must not take in further logs."""
    try:
        return _read(content, None) == data
    except (OSError, EOFError, zlib.error):
        return False


def _write(path: Path, data: bytes) -> None:
    part = path.with_name(f".part-{secrets.token_hex(8)}")
    try:
        with part.open("xb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        part.replace(path)
    except BaseException:
        with suppress(OSError):
            part.unlink()
        raise


def _drop_unused(logs: Path) -> None:
    """Remove contents that no log has any more, what a killed run has left, and empty folders."""
    for content in logs.glob(f"{_CONTENT}/*/*"):
        if content.lstat().st_nlink == 1:
            content.unlink()
    for left in logs.glob("*/.part-*"):
        left.unlink()
    for place in (*logs.glob(f"{_CONTENT}/*"), *logs.glob("*")):
        with suppress(OSError):
            place.rmdir()


def _packed(path: Path) -> Path:
    return path if path.suffix == _PACKED else path.with_name(f"{path.name}{_PACKED}")


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
