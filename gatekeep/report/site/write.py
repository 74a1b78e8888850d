"""
The site becomes files: only what changed, each whole or not at all.

A reader may come at any moment, and the program may be killed at any moment. So a file is written beside its place,
brought to the disk and renamed; it is never seen half. `.gatekeep-site.json` says which files are ours and what each
was made from; it is written last. What it says of a file counts only while size and time are those that were written:
after a run that was killed, whatever it had replaced is made again.

A folder that holds anything and no such list is somebody else's, and is left alone.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import json
import os
import secrets
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from gatekeep.errors import StoreError, UsageError
from gatekeep.model.health import Health
from gatekeep.report.site.files import iter_files
from gatekeep.report.site.notes import PageNotes

MANIFEST = ".gatekeep-site.json"
_LOCK = ".gatekeep-site.lock"
_PART = ".part-"
_MANIFEST_FORMAT = 1
_MACHINE_FAULTS = (errno.ENOSPC, errno.EDQUOT, errno.EIO)
#: Files that wait for the disk at once. On a busy machine a site of 6,000 files took a third of the time of one by one.
_AT_ONCE = 16

#: Of a file as it was written: digest of what it was made from, bytes, modification time in nanoseconds.
_Entry = tuple[str, int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """What a run did: files written, left as they were, and removed."""

    written: int
    kept: int
    removed: int


def write_site(health: Health, out: Path, address: str = "") -> Written:
    """
    Write the site of a health that is known whole.

    Args:
        health: What it shows.
        out: Its folder; made when absent, else empty or a site already.
        address: Under which it is served, ended by a slash; for feeds, which otherwise have relative links.

    Raises:
        UsageError: The folder is somebody else's, or cannot be written.
        StoreError: The disk is full or fails. Whatever was there is still whole, in every case.
    """
    done = renew_site(health, out, address, PageNotes())
    if done is None:
        raise ValueError("a health that knows earlier pages by their digests alone is written by renew_site")
    return done


def renew_site(health: Health, out: Path, address: str, notes: PageNotes) -> Written | None:
    """
    Write what is new of a site, as `write_site` does.

    Args:
        health: What it shows.
        out: As for `write_site`.
        address: As for `write_site`.
        notes: What an earlier run has found of pages, of `health.earlier_pages` at least; afterwards of all.

    Returns:
        None where one of `health.earlier_pages` is not there as it was written: to write it again, what it shows must
        be known. Some other files may be new by then, and each is whole.

    Raises:
        UsageError: As for `write_site`.
        StoreError: As for `write_site`.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
        with _locked(out):
            return _write(health, out, address, notes)
    except OSError as error:
        # A folder that cannot be written is a wrong --out; a full disk is the machine's fault.
        kind = StoreError if error.errno in _MACHINE_FAULTS else UsageError
        raise kind(
            f"{error.filename or out}: the health site cannot be written: {error.strerror or error}; "
            "free the disk or name another folder with --out, what was there is still whole"
        ) from error


def _write(health: Health, out: Path, address: str, notes: PageNotes) -> Written | None:
    known = _load_manifest(out)
    folders = {out, *(out / name for name in {path.rpartition("/")[0] for path in known})}
    _drop_parts(folders)
    kept: dict[str, _Entry] = {}
    synced: set[Path] = set()
    with _Putter(out) as putter:
        for file in iter_files(health, address, notes):
            before = known.get(file.path)
            # A text: of thousands of files that stay as they are, taking paths apart would be most of the work.
            if before is not None and before[0] == file.digest and _is_untouched(f"{out}/{file.path}", before):
                kept[file.path] = before
                continue
            if file.is_earlier:
                return None
            path = out / file.path
            if path.parent not in synced:
                path.parent.mkdir(parents=True, exist_ok=True)
                _drop_parts({path.parent})
                synced.add(path.parent)
            putter.put(file.path, file.digest, file.render().encode("utf-8", "backslashreplace"))
        written = putter.finish()
    entries = kept | written
    gone = [path for path in known if path not in entries]
    # Before the list is written: a file that no list names is never removed.
    for name in gone:
        (out / name).unlink(missing_ok=True)
    if written or gone:
        for folder in (*sorted(synced), out):
            _sync_folder(folder)
        text = json.dumps({"format": _MANIFEST_FORMAT, "files": entries}, sort_keys=True)
        with _Putter(out) as putter:
            putter.put(MANIFEST, "", text.encode("ascii"))
            putter.finish()
        _sync_folder(out)
    return Written(written=len(written), kept=len(kept), removed=len(gone))


@contextmanager
def _locked(out: Path) -> Iterator[None]:
    """Two runs at once write one after the other."""
    if not (out / _LOCK).exists() and not (out / MANIFEST).exists() and next(out.iterdir(), None) is not None:
        raise UsageError(
            f"{out}: holds files that are not a health site's, and is left as it is; name a new folder, or an empty one"
        )
    descriptor = os.open(out / _LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o644)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)


def _load_manifest(out: Path) -> dict[str, _Entry]:
    """Give what an earlier run wrote; nothing when there was none, or its list says nothing any more."""
    try:
        stored = json.loads((out / MANIFEST).read_bytes())
        if stored["format"] != _MANIFEST_FORMAT:
            return {}
        entries = {path: (str(digest), int(size), int(time)) for path, (digest, size, time) in stored["files"].items()}
    except FileNotFoundError:
        return {}
    except (ValueError, KeyError, TypeError, AttributeError):
        return {}
    # The list lies where others may write: it must not lead us to remove a file outside.
    return {path: entry for path, entry in entries.items() if _is_inside(path)}


def _is_inside(path: str) -> bool:
    parts = path.split("/")
    return len(parts) <= 2 and all(part and not part.startswith(".") for part in parts) and "\0" not in path


def _is_untouched(path: str, entry: _Entry) -> bool:
    try:
        status = os.lstat(path)
    except OSError:
        return False
    return (status.st_size, status.st_mtime_ns) == entry[1:]


class _Putter:
    """
    Puts files into their places, each whole or not at all, in the order in which they are given.

    A disk takes as long for one file as for many at once, so several wait for it while the next page is rendered; but
    a file is renamed into place only when all that were given before it are.
    """

    def __init__(self, out: Path) -> None:
        self._out = out
        self._threads = ThreadPoolExecutor(_AT_ONCE, thread_name_prefix="put")
        self._pending: deque[tuple[str, str, Future[_Part]]] = deque()
        self._entries: dict[str, _Entry] = {}

    def put(self, name: str, digest: str, content: bytes) -> None:
        """Take a file; an error may be that of one that was given before."""
        self._pending.append((name, digest, self._threads.submit(_write_part, self._out / name, content)))
        while len(self._pending) > 2 * _AT_ONCE:
            self._place_first()

    def finish(self) -> dict[str, _Entry]:
        """Wait until every file is in its place, and give what was written."""
        while self._pending:
            self._place_first()
        return self._entries

    def _place_first(self) -> None:
        name, digest, writing = self._pending[0]
        part = writing.result()
        part.path.replace(self._out / name)
        self._pending.popleft()
        self._entries[name] = (digest, part.size_bytes, part.time_ns)

    def __enter__(self) -> _Putter:
        return self

    def __exit__(self, *_exc: object) -> None:
        self._threads.shutdown(wait=True, cancel_futures=True)
        for _, _, writing in self._pending:
            if not writing.cancelled() and writing.exception() is None:
                with contextlib.suppress(OSError):
                    writing.result().path.unlink()


@dataclass(frozen=True, slots=True)
class _Part:
    """A file beside its place, on the disk."""

    path: Path
    size_bytes: int
    time_ns: int


def _write_part(path: Path, content: bytes) -> _Part:
    temporary = path.parent / f"{_PART}{secrets.token_hex(8)}"
    try:
        with temporary.open("xb", buffering=0) as stream:
            left = memoryview(content)
            while left:
                left = left[stream.write(left) :]
            os.fsync(stream.fileno())
            status = os.fstat(stream.fileno())
    except BaseException:
        with contextlib.suppress(OSError):
            temporary.unlink()
        raise
    return _Part(temporary, status.st_size, status.st_mtime_ns)


def _drop_parts(folders: set[Path]) -> None:
    """Remove what a run that was killed has left; the lock says that no other run is at work."""
    for folder in folders:
        if folder.is_dir():
            for left in folder.glob(f"{_PART}*"):
                left.unlink(missing_ok=True)


def _sync_folder(folder: Path) -> None:
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
