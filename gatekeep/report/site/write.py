"""
The site becomes files: only what changed, each whole or not at all.

A reader may come at any moment, and the program may be killed at any moment. So a file is written beside its place and
renamed; it is never seen half. `.gatekeep-site.json` says which files are ours and what each was made from; it is
written last, and alone waits for the disk. What it says of a file counts only while size and time are those that were
written: whatever a run that was killed had replaced is made again, and so is what a loss of power took from a page,
all of which can be rendered anew at any time. To wait for the disk at each of 6,000 pages took as long as to make them.

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
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from gatekeep.errors import StoreError, UsageError
from gatekeep.model.health import Health
from gatekeep.report.site.files import SiteFile, Stage, iter_stages
from gatekeep.report.site.notes import PageNotes
from gatekeep.report.site.page import load_templates
from gatekeep.report.site.sharing import LEAST_SHARED, share_work

MANIFEST = ".gatekeep-site.json"
_LOCK = ".gatekeep-site.lock"
_PART = ".part-"
_MANIFEST_FORMAT = 1
_MACHINE_FAULTS = (errno.ENOSPC, errno.EDQUOT, errno.EIO)

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


def renew_site(
    health: Health,
    out: Path,
    address: str,
    notes: PageNotes,
    *,
    workers: int = 1,
    aside: Callable[[], object] = lambda: None,
    await_check: Callable[[], object] = lambda: None,
) -> Written | None:
    """
    Write what is new of a site, as `write_site` does.

    Args:
        health: What it shows.
        out: As for `write_site`.
        address: As for `write_site`.
        notes: What an earlier run has found of pages, of `health.earlier_pages` at least; afterwards of all.
        workers: Processes that may be at work at once.
        aside: Called once, where pages are written: what only this process can do, while another renders.
        await_check: Called once or twice before anything is written, and before this process is copied: raises where
            what is shown cannot be believed.

    Returns:
        None where one of `health.earlier_pages` is not there as it was written: to write it again, what it shows must
        be known. Some other files may be new by then, and each is whole.

    Raises:
        UsageError: As for `write_site`.
        StoreError: As for `write_site`.
    """
    try:
        if not (out / MANIFEST).exists():
            await_check()
        out.mkdir(parents=True, exist_ok=True)
        with _locked(out):
            return _write(health, out, address, notes, workers, aside, await_check)
    except _EarlierPageGoneError:
        return None
    except OSError as error:
        # A folder that cannot be written is a wrong --out; a full disk is the machine's fault.
        kind = StoreError if error.errno in _MACHINE_FAULTS else UsageError
        raise kind(
            f"{error.filename or out}: the health site cannot be written: {error.strerror or error}; "
            "free the disk or name another folder with --out, what was there is still whole"
        ) from error


class _EarlierPageGoneError(Exception):
    """A page of which nothing but the digest is known is not there as it was written."""


@dataclass(frozen=True, slots=True)
class _Due:
    """Of a stage, the files that are to be written, and what is known of those that stand as they should."""

    stage: Stage
    fresh: Sequence[SiteFile]
    kept: Mapping[str, _Entry]


def _write(
    health: Health,
    out: Path,
    address: str,
    notes: PageNotes,
    workers: int,
    aside: Callable[[], object],
    await_check: Callable[[], object],
) -> Written:
    known = _load_manifest(out)
    due = _iter_due(iter_stages(health, address, notes), out, known)
    # Where most is as it was, to find that out is half of all: time enough for whoever looks at the store.
    waiting, left = deque(islice(due, None if health.earlier_pages else 1)), deque([aside])
    await_check()
    folders = {out, *(out / name for name in {path.rpartition("/")[0] for path in known})}
    _drop_parts(folders)
    entries: dict[str, _Entry] = {}
    written_count = 0
    while waiting:
        now = waiting.popleft()
        made = {out / file.path.rpartition("/")[0] for file in now.fresh} - folders
        for folder in made:
            folder.mkdir(parents=True, exist_ok=True)
        _drop_parts(made)
        folders |= made
        meanwhile: list[Callable[[], object]] = [lambda: waiting.extend(islice(due, 1))]
        # The copy that renders commits' pages comes to hold most of what this process does: that is no time for more.
        if left and now.stage.parts:
            meanwhile.append(left.pop())
        entries |= now.kept
        entries |= _put_all(out, now.stage, now.fresh, workers, meanwhile)
        written_count += len(now.fresh)
        for file in now.stage.files:
            file.note(entries[file.path][0])
    for do in left:
        do()
    gone = [path for path in known if path not in entries]
    # Before the list is written: a file that no list names is never removed.
    for name in gone:
        (out / name).unlink(missing_ok=True)
    if written_count or gone:
        text = json.dumps({"format": _MANIFEST_FORMAT, "files": entries}, sort_keys=True)
        _put(out / MANIFEST, text.encode("ascii"), synced=True)
        _sync_folder(out)
    return Written(written=written_count, kept=len(entries) - written_count, removed=len(gone))


def _iter_due(stages: Iterator[Stage], out: Path, known: Mapping[str, _Entry]) -> Iterator[_Due]:
    for stage in stages:
        fresh: list[SiteFile] = []
        kept: dict[str, _Entry] = {}
        for file in stage.files:
            before = known.get(file.path)
            # A text: of thousands of files that stay as they are, taking paths apart would be most of the work. The
            # digest of a new one is found where it is rendered, by either process.
            if before is not None and before[0] == file.digest and _is_untouched(f"{out}/{file.path}", before):
                kept[file.path] = before
            elif file.is_earlier:
                raise _EarlierPageGoneError
            else:
                fresh.append(file)
        yield _Due(stage, fresh, kept)


def _put_all(
    out: Path, stage: Stage, fresh: Sequence[SiteFile], workers: int, meanwhile: Sequence[Callable[[], object]]
) -> dict[str, _Entry]:
    """Render what is new of a stage, and its parts; put files into their places, and give what was written."""

    def do(number: int) -> _Entry | str:
        if number >= len(fresh):
            return stage.parts[number - len(fresh)]()
        file = fresh[number]
        return (file.digest, *_put(out / file.path, file.render().encode("utf-8", "backslashreplace")))

    count = len(fresh) + len(stage.parts)
    if workers > 1 and count >= LEAST_SHARED:
        load_templates()
    try:
        done = share_work(count, do, workers=workers, meanwhile=lambda: [one() for one in meanwhile])
    except BaseException:
        # Of a helper that was ended.
        _drop_parts({(out / file.path).parent for file in fresh})
        raise
    stage.keep(done[len(fresh) :])
    return {file.path: (digest, size, time) for file, (digest, size, time) in zip(fresh, done, strict=False)}


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


def _put(path: Path, content: bytes, *, synced: bool = False) -> tuple[int, int]:
    """Put a file into its place, whole or not at all; give its size in bytes and its time in nanoseconds."""
    part, size_bytes, time_ns = _write_part(path, content, synced=synced)
    # A text, and not a path: 6,000 of these are taken apart for nothing.
    os.replace(part, path)  # noqa: PTH105
    return size_bytes, time_ns


def _write_part(path: Path, content: bytes, *, synced: bool) -> tuple[str, int, int]:
    """Write a file beside its place."""
    part = f"{path.parent}/{_PART}{secrets.token_hex(8)}"
    try:
        with open(part, "xb", buffering=0) as stream:  # noqa: PTH123 - see above
            left = memoryview(content)
            while left:
                left = left[stream.write(left) :]
            if synced:
                os.fsync(stream.fileno())
            status = os.fstat(stream.fileno())
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(part)  # noqa: PTH108 - see above
        raise
    return part, status.st_size, status.st_mtime_ns


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
