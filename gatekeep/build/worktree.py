"""
The tree that one worker builds in: the files of a commit, without `.git`, moved from commit to commit.

Only paths that differ are touched. Everything has the modes that git knows, whatever the umask, and one modification
time, whatever the clock: two workers at the same commit see the same tree.

After a job `restore` looks at every path once and puts back what the job wrote, removed or re-dated. It compares inode,
size, modification and change time and mode with what it remembers; the change time is the kernel's own, which no build
can set. That of a folder tells whether names came or went, so folders are listed only where something was changed, or
where a trial shows that it does not tell. Where another shows that files can be written through maps without a trace
(tmpfs), the bytes of whatever was read are compared too. A file that was touched is made anew under a new inode, so
that a hard link which the job has kept elsewhere leads to nothing of ours.

Between jobs everything has an access time that says unread; the same look tells what a job has read (see `readset`).

A process can be killed anywhere in here. The state file beside the tree says which tree it holds and is there only
while that is so; and even then the next process believes it only for the question what to compare with: it reads every
file.

Source: git-checkout-index(1) for what a checkout holds; flock(2): a lock belongs to the open file, so it also keeps two
workers of one process apart, and ends with its process.
"""

from __future__ import annotations

import fcntl
import json
import os
import stat
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from itertools import count
from pathlib import Path
from types import TracebackType
from typing import IO, Self

from gatekeep.build.tree_content import ContentReader, TreeContent
from gatekeep.build.tree_files import (
    EXECUTABLE_MODE,
    FILE_MODE,
    FOLDER_MODE,
    Accesses,
    Stamp,
    TreeWriter,
    drop_extras,
    folders_tell,
    hash_blob,
    hash_bytes,
    list_folders,
    look_at_known,
    maps_tell,
    parent_of,
    remove_everything,
    stamp_of,
    unread_times,
    wait_for_next_tick,
    walk_tree,
)
from gatekeep.build.tree_names import TreeNames, name_tree
from gatekeep.errors import GitEndedError, RepositoryError, RunnerError
from gatekeep.tree.listing import EXECUTABLE, FILE, SYMLINK, decode_path, encode_path
from gatekeep.tree.repository import GitRepository

_STATE_FORMAT = 1
_FOLDER = stat.S_IFDIR | FOLDER_MODE
_MODES = {FILE: stat.S_IFREG | FILE_MODE, EXECUTABLE: stat.S_IFREG | EXECUTABLE_MODE, SYMLINK: stat.S_IFLNK | 0o777}

_Judge = Callable[[bytes, os.stat_result, Stamp], bool]


class TreeTakenError(RunnerError):
    """Another worker has this tree."""


class MaterialisedTree:
    """
    One worker's tree; a context manager. Not for several threads at once.

    Beside the folder lie its lock, its state and, for moments, a trial and trash: `<root>.lock`, `.state`, `.trash`.

    Args:
        root: The folder; it will hold nothing but the tree.
        repository: Where trees come from; stays open.
        source_date: Seconds since 1970-01-01 UTC; the modification time of everything, until `date` says another.
        try_folders: Says whether change times of folders tell of names that came and went; is given a place to try it.
        try_maps: Says whether change times of files tell of what was written through a map; is given a place to try it.

    Raises:
        TreeTakenError: Another worker has this tree, of this process or another.
        RunnerError: The disk does not let us.
    """

    def __init__(
        self,
        root: Path,
        repository: GitRepository,
        *,
        source_date: int,
        try_folders: Callable[[bytes], bool] = folders_tell,
        try_maps: Callable[[bytes], bool] = maps_tell,
    ) -> None:
        self.root = root
        self._root = os.fsencode(root)
        self._trash = self._root + b".trash"
        self._state_path = root.with_name(f"{root.name}.state")
        self._reader = ContentReader(repository)
        self._set_date(source_date)
        # None: what the folder holds is not known, and goes before anything is written.
        self._held: TreeContent | None = None
        self._stamps: dict[bytes, Stamp] = {}
        self._accesses: Accesses | None = None
        self._was_touched = False
        # Of converted files: of their bytes, as git would name them.
        self._written_ids: dict[str, str] = {}
        self._names: tuple[str, TreeNames] | None = None
        self._made_unread_at_ns = 0
        with self._on_this_machine("opened"):
            root.parent.mkdir(parents=True, exist_ok=True)
            self._lock = _take_lock(root)
        try:
            with self._on_this_machine("opened"):
                self._folders_tell = try_folders(self._root + b".trial")
                self._maps_tell = try_maps(self._root + b".trial")
            self._adopt()
        except BaseException:
            self.close()
            raise

    @classmethod
    def open(cls, folder: Path, repository: GitRepository, *, source_date: int) -> Self:
        """
        Take the first tree of a folder that no worker has: `folder/001/tree`, `folder/002/tree` and so on.

        `folder/001` is the worker's own too: its lock and state lie there, and there is room for its output.

        Raises:
            RunnerError: The disk does not let us.
        """
        numbers = count(1)
        while True:
            with suppress(TreeTakenError):
                return cls(folder / f"{next(numbers):03d}" / "tree", repository, source_date=source_date)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Give the tree back; it stays on the disk for the next worker."""
        self._lock.close()

    @property
    def tree_id(self) -> str | None:
        """The tree that it holds; None before the first move, and after one that failed."""
        return None if self._held is None else self._held.expanded.tree_id

    @property
    def accesses(self) -> Accesses | None:
        """What the last job did to the tree, as `restore` found it; None before the first, and when that failed."""
        return self._accesses

    def date(self, source_date: int) -> None:
        """
        Say which modification time everything is to have; where it is another, the next move begins from nothing.

        Args:
            source_date: Seconds since 1970-01-01 UTC.
        """
        if source_date != self._source_date:
            self._set_date(source_date)
            self._held = None

    def _set_date(self, source_date: int) -> None:
        self._source_date = source_date
        self._modified_ns = source_date * 1_000_000_000
        self._unread_ns = unread_times(self._modified_ns)[0]

    def list_names(self) -> TreeNames | None:
        """List its names as they are between jobs; None where `tree_id` is."""
        if self._held is None:
            return None
        expanded = self._held.expanded
        folders = {path: stamp for path, stamp in self._stamps.items() if stat.S_ISDIR(stamp.mode)}
        changed_ns = max(stamp.changed_ns for stamp in folders.values())
        if self._names is None or self._names[0] != expanded.tree_id:
            self._names = (expanded.tree_id, name_tree(expanded.entries, folders, changed_ns=changed_ns))
        return replace(self._names[1], changed_ns=changed_ns)

    def move_to(self, tree_id: str) -> int:
        """
        Make the folder hold a tree, by its changed paths only. After a job call `restore` first.

        Call it before every job, also for the tree that it holds: it waits until the job's own changes can be told
        from those of `restore`, which nearly always is so already.

        Returns:
            How many files and symlinks were written.

        Raises:
            RepositoryError: The tree is missing, damaged or refused (a submodule that is not here, a symlink that leads
                out, a name that no work tree may hold); the folder still holds what it held.
            RunnerError: The disk does not let us; the next move begins from nothing.
        """
        held = self._held
        if held is not None and held.expanded.tree_id == tree_id:
            wait_for_next_tick(self._made_unread_at_ns)
            return 0
        content = self._reader.load_content(tree_id)
        with self._changing("moved to another commit"):
            if held is None:
                self._make_root()
                self._stamps = {}
            written_count = self._move(held, content)
            self._settle(content)
        return written_count

    def restore(self) -> tuple[str, ...]:
        """
        Put back whatever a job did to the tree. No process of the job may be alive.

        Returns:
            What the job wrote, made, removed, linked, re-dated or gave another mode, sorted; empty after most jobs. Of
            a folder that the job made only the folder itself; of one that was changed without a trace (a file made and
            removed again) the folder, `.` for the root.

        Raises:
            RepositoryError: Content cannot be read again from git.
            RunnerError: The disk does not let us. After either the next move begins from nothing.
        """
        held, self._accesses = self._held, None
        if held is None:
            return ()
        # One that was changed in the last job, by a recipe that builds in it, will be so in the next.
        tells = self._folders_tell and self._maps_tell and not self._was_touched
        accesses = look_at_known(self._root, self._stamps, self._unread_ns) if tells else None
        if accesses is None:
            touched = self._put_back(held, _is_untouched if self._maps_tell else self._make_bytes_judge(held))
            self._was_touched = bool(touched)
            return touched
        self._make_unread((*accesses.files, *accesses.folders))
        self._accesses = accesses
        return ()

    def _adopt(self) -> None:
        """Take over what an earlier process has left, after reading all of it; what is not right is written anew."""
        tree_id = self._read_state()
        with self._on_this_machine("opened"):
            # What a process that was killed there was about to remove.
            remove_everything([], self._trash)
        if tree_id is None:
            return
        try:
            content = self._reader.load_content(tree_id)
            entries = content.expanded.entries
            # What each path should be; that it is, is found by reading, so the rest of a stamp is not known yet.
            self._stamps = {encode_path(path): Stamp(0, 0, 0, 0, _MODES[entry.mode]) for path, entry in entries.items()}
            self._stamps |= {folder: Stamp(0, 0, 0, 0, _FOLDER) for folder in list_folders(self._stamps)}
            self._put_back(content, self._make_content_judge(content))
            # The last job read some, and we ourselves have just read all the rest.
            self._make_unread(self._stamps)
            self._accesses = None
        except (RepositoryError, GitEndedError):
            # The tree is gone from the repository, or was never whole: nothing to take over.
            self._held = None
            return
        wait_for_next_tick(max(stamp.changed_ns for stamp in self._stamps.values()))
        self._held = content

    def _make_content_judge(self, content: TreeContent) -> _Judge:
        entries = content.expanded.entries

        def is_right(path: bytes, status: os.stat_result, wanted: Stamp) -> bool:
            right = status.st_mode == wanted.mode and status.st_mtime_ns == self._modified_ns
            if right and wanted.mode != _FOLDER:
                # A second name may be in the hands of a build that was killed. Converted bytes have no object name.
                name = decode_path(path)
                right = (
                    status.st_nlink == 1
                    and name not in content.conversions
                    and hash_blob(self._root + b"/" + path, status, entries[name].object_id) == entries[name].object_id
                )
            if right:
                self._stamps[path] = stamp_of(status)
            return right

        return is_right

    def _make_bytes_judge(self, content: TreeContent) -> _Judge:
        entries = content.expanded.entries

        def is_right(path: bytes, status: os.stat_result, wanted: Stamp) -> bool:
            if not _is_untouched(path, status, wanted):
                return False
            if status.st_atime_ns == self._unread_ns or not stat.S_ISREG(status.st_mode):
                # To map a file is to read it.
                return True
            name = decode_path(path)
            wanted_id = self._written_ids[name] if name in content.conversions else entries[name].object_id
            return hash_blob(self._root + b"/" + path, status, wanted_id) == wanted_id

        return is_right

    def _move(self, held: TreeContent | None, content: TreeContent) -> int:
        """Remove what goes or changes, then write what comes or changes, then set the times of the folders between."""
        old = {} if held is None else held.expanded.entries
        new = content.expanded.entries
        changed = content.list_changes(held)
        gone = [encode_path(path) for path in old if path not in new]
        replaced = [encode_path(path) for path in changed if path in old]
        old_folders = {path for path, stamp in self._stamps.items() if stat.S_ISDIR(stamp.mode)}
        # Most commits only change what is in files.
        same_paths = not gone and len(changed) == len(replaced)
        folders = old_folders if same_paths and held is not None else list_folders(map(encode_path, new))
        gone_folders = old_folders - folders
        with TreeWriter(self._root, self._modified_ns) as writer:
            for path in sorted((*gone, *replaced)):
                writer.remove_file(path)
            # Inner folders sort after outer ones.
            for folder in sorted(gone_folders, reverse=True):
                writer.remove_folder(folder)
            for path in (*gone, *gone_folders):
                del self._stamps[path]
            new_folders = folders - self._stamps.keys()
            self._write(writer, content, changed)
            busy = (*gone, *gone_folders, *new_folders, *map(encode_path, changed))
            unsettled = {parent_of(path) for path in busy if path} | new_folders
            for folder in sorted(unsettled & folders):
                self._stamps[folder] = writer.settle_folder(folder)
        return len(changed)

    def _write(self, writer: TreeWriter, content: TreeContent, paths: Sequence[str]) -> None:
        for path, entry, data in self._reader.iter_contents(content, paths):
            name = encode_path(path)
            if entry.mode == SYMLINK:
                self._stamps[name] = writer.write_symlink(name, data)
            else:
                self._stamps[name] = writer.write_file(name, data, executable=entry.mode == EXECUTABLE)
            if path in content.conversions:
                self._written_ids[path] = hash_bytes(data, entry.object_id)

    def _put_back(self, content: TreeContent, is_right: _Judge) -> tuple[str, ...]:
        stamps = self._stamps
        self._accesses = None
        read_files: list[bytes] = []
        empty_files: list[bytes] = []
        listed_folders: list[bytes] = []
        strangers: list[bytes] = []
        touched: list[bytes] = []
        touched_folders: list[bytes] = []
        re_moded_folders: set[bytes] = set()
        seen: set[bytes] = set()

        def visit(path: bytes, status: os.stat_result) -> bool:
            wanted = stamps.get(path)
            if wanted is None:
                strangers.append(path)
                return False
            seen.add(path)
            if is_right(path, status, wanted):
                if status.st_atime_ns != self._unread_ns:
                    (listed_folders if stat.S_ISDIR(status.st_mode) else read_files).append(path)
                elif not status.st_size and stat.S_ISREG(status.st_mode):
                    empty_files.append(path)
                return True
            if not (stat.S_ISDIR(status.st_mode) and stat.S_ISDIR(wanted.mode)):
                touched.append(path)
                return False
            touched_folders.append(path)
            if status.st_mode != wanted.mode:
                re_moded_folders.add(path)
            if status.st_mode & stat.S_IRWXU != stat.S_IRWXU:
                (self.root / os.fsdecode(path)).chmod(FOLDER_MODE)
            return True

        with self._on_this_machine("looked through"):
            if not stat.S_ISDIR(_mode_of(self._root)):
                self._make_root()
            listed_by_us = walk_tree(self._root, visit)
        missing = stamps.keys() - seen
        unwanted = (*strangers, *touched)
        no_longer_unread = {*read_files, *listed_folders, *listed_by_us}
        accesses = Accesses(
            files=tuple(read_files),
            empty_files=tuple(empty_files),
            folders=(*listed_folders, *touched_folders),
            wrote_tracked=bool(touched or missing),
            wrote_folders=bool(strangers or touched_folders),
        )
        if not (unwanted or touched_folders or missing):
            self._make_unread(no_longer_unread)
            self._accesses = accesses
            return ()
        with self._changing("put back"):
            for folder in touched_folders:
                drop_extras(self._root + b"/" + folder)
            remove_everything((self._root + b"/" + path for path in unwanted), self._trash)
            entries = content.expanded.entries
            lost = sorted({*touched, *missing})
            lost_folders = {path for path in lost if stat.S_ISDIR(stamps[path].mode)}
            unsettled = (
                {parent_of(path) for path in (*unwanted, *missing) if path} | lost_folders | set(touched_folders)
            )
            with TreeWriter(self._root, self._modified_ns) as writer:
                self._write(writer, content, [name for path in lost if (name := decode_path(path)) in entries])
                for folder in sorted(unsettled):
                    stamps[folder] = writer.settle_folder(folder)
                for path in sorted(no_longer_unread):
                    stamps[path] = writer.make_unread(path)
            self._settle(content)
        self._accesses = accesses
        explained = {parent_of(path) for path in (*unwanted, *missing) if path}
        unexplained = set(touched_folders) - (explained - re_moded_folders)
        report = {*unwanted, *(missing - lost_folders), *unexplained}
        return tuple(sorted(decode_path(path) or "." for path in report))

    def _make_unread(self, paths: Iterable[bytes]) -> None:
        """Set access times back. Content stays as it is, so whoever comes after a kill in here is told no lie."""
        held, self._held = self._held, None
        with self._on_this_machine("made unread"), TreeWriter(self._root, self._modified_ns) as writer:
            for path in sorted(paths):
                stamp = self._stamps[path] = writer.make_unread(path)
                self._made_unread_at_ns = max(self._made_unread_at_ns, stamp.changed_ns)
        self._held = held

    def _make_root(self) -> None:
        """Make the folder anew, with nothing in it."""
        remove_everything([self._root], self._trash)
        self.root.mkdir()

    @contextmanager
    def _changing(self, doing: str) -> Iterator[None]:
        """Until `_settle`, what the folder holds is not known: not to us, and not to whoever comes after a kill."""
        self._held = None
        with self._on_this_machine(doing):
            self._state_path.unlink(missing_ok=True)
            yield

    def _settle(self, content: TreeContent) -> None:
        wait_for_next_tick(max(stamp.changed_ns for stamp in self._stamps.values()))
        fresh = self._state_path.with_suffix(".state.new")
        state = {
            "format": _STATE_FORMAT,
            "source_date": self._source_date,
            "tree_id": content.expanded.tree_id,
        }
        fresh.write_text(json.dumps(state), encoding="ascii")
        fresh.replace(self._state_path)
        self._held = content

    def _read_state(self) -> str | None:
        """Give the tree that an earlier process has left whole; None when that is not known."""
        try:
            state = json.loads(self._state_path.read_bytes())
            if (state["format"], state["source_date"]) == (_STATE_FORMAT, self._source_date):
                return str(state["tree_id"])
        except (OSError, ValueError, LookupError, TypeError):
            # Missing, cut or somebody else's: a tree can always be made again, and nothing is lost with it.
            return None
        return None

    @contextmanager
    def _on_this_machine(self, doing: str) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            place = f" ({os.fsdecode(error.filename)!r})" if isinstance(error.filename, str | bytes) else ""
            raise RunnerError(
                f"{self.root}: the worker's tree cannot be {doing}: {error.strerror or error}{place}; "
                "free some space, or see who else changes this folder"
            ) from error


def _is_untouched(_path: bytes, status: os.stat_result, stamp: Stamp) -> bool:
    return stamp == (status.st_ino, status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_mode)


def _take_lock(root: Path) -> IO[bytes]:
    lock = root.with_name(f"{root.name}.lock").open("ab")
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        lock.close()
        raise TreeTakenError(f"{root}: another worker has this tree; let it end, or use another folder") from error
    except BaseException:
        lock.close()
        raise
    return lock


def _mode_of(path: bytes) -> int:
    try:
        return os.lstat(path).st_mode
    except FileNotFoundError:
        return 0
