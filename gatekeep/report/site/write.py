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
import fcntl
import json
import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from gatekeep.errors import UsageError
from gatekeep.model.health import Health
from gatekeep.report.site.files import iter_files

MANIFEST = ".gatekeep-site.json"
_LOCK = ".gatekeep-site.lock"
_PART = ".part-"
_MANIFEST_FORMAT = 1

#: Of a file as it was written: digest of what it was made from, bytes, modification time in nanoseconds.
_Entry = tuple[str, int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """What a run did: files written, left as they were, and removed."""

    written: int
    kept: int
    removed: int


def write_site(health: Health, out: Path) -> Written:
    """
    Write the site.

    Args:
        health: What it shows.
        out: Its folder; made when absent, else empty or a site already.

    Raises:
        UsageError: The folder is somebody else's, or cannot be written; whatever was there is still whole.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
        with _locked(out):
            return _write(health, out)
    except OSError as error:
        raise UsageError(
            f"{error.filename or out}: the health site cannot be written: {error.strerror or error}; "
            "free the disk or name another folder with --out, what was there is still whole"
        ) from error


def _write(health: Health, out: Path) -> Written:
    known = _load_manifest(out)
    folders = {out, *(out / Path(path).parent for path in known)}
    _drop_parts(folders)
    entries: dict[str, _Entry] = {}
    written = 0
    synced: set[Path] = set()
    for file in iter_files(health):
        path = out / file.path
        before = known.get(file.path)
        if before is not None and before[0] == file.digest and _is_untouched(path, before):
            entries[file.path] = before
            continue
        if path.parent not in synced:
            path.parent.mkdir(parents=True, exist_ok=True)
            _drop_parts({path.parent})
            synced.add(path.parent)
        entries[file.path] = (file.digest, *_put(path, file.render().encode("utf-8", "backslashreplace")))
        written += 1
    gone = [path for path in known if path not in entries]
    # Before the list is written: a file that no list names is never removed.
    for name in gone:
        (out / name).unlink(missing_ok=True)
    if written or gone:
        for folder in (*sorted(synced), out):
            _sync_folder(folder)
        text = json.dumps({"format": _MANIFEST_FORMAT, "files": entries}, indent=0, sort_keys=True)
        _put(out / MANIFEST, text.encode("ascii"))
        _sync_folder(out)
    return Written(written=written, kept=len(entries) - written, removed=len(gone))


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


def _is_untouched(path: Path, entry: _Entry) -> bool:
    try:
        status = path.lstat()
    except OSError:
        return False
    return (status.st_size, status.st_mtime_ns) == entry[1:]


def _put(path: Path, content: bytes) -> tuple[int, int]:
    """Write a file whole or not at all; give its size and time."""
    temporary = path.parent / f"{_PART}{secrets.token_hex(8)}"
    try:
        with temporary.open("xb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
            status = os.fstat(stream.fileno())
        temporary.replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            temporary.unlink()
        raise
    return status.st_size, status.st_mtime_ns


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
