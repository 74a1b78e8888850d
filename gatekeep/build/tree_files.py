"""
The file system's side of a worker's tree: one walk, and writing and removing that no build can lead astray.

A build is a stranger. What it leaves in the tree may be a symlink where a folder was, a folder that nobody may enter, a
pipe, ten thousand files, folders nested deeper than any path may be long. So nothing here follows a link or trusts a
path below the root: files are written through descriptors that were opened one folder at a time, and strangers are
removed without recursion. No process of the job is alive by then; only what is lying there has to be feared.

Source: open(2), O_NOFOLLOW; inode(7), "Timestamp fields"; path_resolution(7).
"""

# Pathlib has neither paths of bytes nor dir_fd, and both are the point here.
# ruff: noqa: PTH101, PTH102, PTH104, PTH106, PTH108

from __future__ import annotations

import hashlib
import os
import stat
import time
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from mmap import mmap
from operator import lt
from types import TracebackType
from typing import NamedTuple, Self

FILE_MODE = 0o644
EXECUTABLE_MODE = 0o755
FOLDER_MODE = 0o755

_OPEN_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
#: Listing moves no access time then. The kernel grants it to the owner, and a worker's tree is the worker's own.
_OPEN_UNSEEN = _OPEN_FOLDER | os.O_NOATIME
_OPEN_PLACE = os.O_PATH | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
_OPEN_NEW = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
_READ_BYTES = 1 << 20
#: Linux' CLOCK_REALTIME_COARSE, which `time` does not name: the clock that inodes are stamped with.
_INODE_CLOCK = 5
#: A coarse tick is 10 ms at most (CONFIG_HZ of 100); beyond twice that the clock was set back, and waiting is no help.
_LONGEST_WAIT_S = 0.02
#: Access times start older than modification times, so that the file system moves them at the first read (relatime).
_UNREAD_NS = 1_000_000_000
#: A time that only file systems which keep every nanosecond keep as it is.
_FINE_NS = 1_000_000_000_000_000_001


class Stamp(NamedTuple):
    """What tells that nobody touched a file or folder. A named tuple: thousands are made and compared in each walk."""

    inode: int
    size_bytes: int
    modified_ns: int
    changed_ns: int
    mode: int


def stamp_of(status: os.stat_result) -> Stamp:
    """Take from a status what tells that nobody touched it."""
    return Stamp(status.st_ino, status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_mode)


def unread_times(modified_ns: int) -> tuple[int, int]:
    """Give access and modification time of what nobody has read, in ns since 1970-01-01 UTC."""
    return modified_ns - _UNREAD_NS, modified_ns


@dataclass(frozen=True, slots=True, kw_only=True)
class Accesses:
    """
    What a job did to its tree, as one look after it shows.

    `files` are files and symlinks of the tree whose access time has moved; `empty_files` those whose access time does
    not tell; `folders` its folders, b"" for itself, whose access time has moved or does not tell. All relative to the
    tree, in no order. `wrote_tracked`: something that belongs to the tree was written, replaced, removed or re-dated.
    `wrote_folders`: something was made in it, or a folder was changed.
    """

    files: tuple[bytes, ...]
    empty_files: tuple[bytes, ...]
    folders: tuple[bytes, ...]
    wrote_tracked: bool
    wrote_folders: bool


def look_at_known(root: bytes, stamps: Mapping[bytes, Stamp], unread_ns: int) -> Accesses | None:
    """
    Look at every path that is known, and list no folder: one whose change time stands still has the names that it had,
    where `folders_tell` is true. That takes half of what a walk takes, which most of all we do after a build is.

    Args:
        root: The tree's folder; without a slash at its end.
        stamps: What everything in it should be, by relative path, b"" for itself.
        unread_ns: The access time of what nobody has read.

    Returns:
        None where anything is not as its stamp says, or is gone: `walk_tree` finds out what.
    """
    files: list[bytes] = []
    empty_files: list[bytes] = []
    folders: list[bytes] = []
    try:
        descriptor = os.open(root, _OPEN_PLACE)
    except OSError:
        return None
    try:
        for path, stamp in stamps.items():
            # A link that a build has put into a folder's place leads elsewhere, and is itself not as that one's stamp.
            status = os.stat(path or b".", dir_fd=descriptor, follow_symlinks=False)
            if stamp != (status.st_ino, status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_mode):
                return None
            if status.st_atime_ns != unread_ns:
                (folders if stat.S_ISDIR(status.st_mode) else files).append(path)
            elif not status.st_size and stat.S_ISREG(status.st_mode):
                empty_files.append(path)
    except OSError:
        return None
    finally:
        os.close(descriptor)
    return Accesses(
        files=tuple(files),
        empty_files=tuple(empty_files),
        folders=tuple(folders),
        wrote_tracked=False,
        wrote_folders=False,
    )


def folders_tell(place: bytes) -> bool:
    """
    Find out, by trying, whether the change time of a folder tells that a name in it came, went or became another.

    POSIX asks for it; file systems over a network and in user space do as they like. Where times are kept by the second
    (ext4 with small inodes), what happens within one leaves no trace: that a trial fell on its end must not decide.

    Args:
        place: On the file system in question; made and removed here, emptied if it is there already.

    Raises:
        OSError: It cannot be tried.

    Source:
        POSIX.1-2017, open, rename and unlink: they mark the parent's last file status change for update.
    """
    remove_everything([place], place + b".trash")
    os.mkdir(place, stat.S_IRWXU)
    try:
        comes, goes, changes = (place + name for name in (b"/comes", b"/goes", b"/changes"))
        for folder in (comes, goes, changes):
            os.mkdir(folder, stat.S_IRWXU)
        if not keeps_nanoseconds(place):
            return False
        for path in (goes + b"/name", changes + b"/name"):
            os.close(os.open(path, _OPEN_NEW, FILE_MODE))
        before = [os.lstat(folder).st_ctime_ns for folder in (comes, goes, changes)]
        wait_for_next_tick(max(before))
        os.close(os.open(comes + b"/name", _OPEN_NEW, FILE_MODE))
        os.unlink(goes + b"/name")
        os.rename(changes + b"/name", changes + b"/other")
        after = [os.lstat(folder).st_ctime_ns for folder in (comes, goes, changes)]
        return all(map(lt, before, after))
    finally:
        remove_everything([place], place + b".trash")


def keeps_nanoseconds(path: bytes) -> bool:
    """
    Find out, by trying, whether times are kept as finely as the kernel tells them; dates the path anew.

    Linux cuts change times as it cuts the times that are set (`s_time_gran` of the file system).

    Raises:
        OSError: It cannot be dated.
    """
    os.utime(path, ns=(_FINE_NS, _FINE_NS), follow_symlinks=False)
    return os.lstat(path).st_mtime_ns == _FINE_NS


def maps_tell(place: bytes) -> bool:
    """
    Find out, by trying, whether the change time of a file tells that it was written through a map.

    On tmpfs it does not: a page that was read there may be written without the kernel being asked, and no time moves.

    Args:
        place: On the file system in question; made and removed here, replaced if it is there already.

    Raises:
        OSError: It cannot be tried.

    Source:
        The kernel's mm/vma.c, vma_wants_writenotify: not asked where nothing is ever written back to a disk.
    """
    remove_everything([place], place + b".trash")
    descriptor = os.open(place, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, FILE_MODE)
    try:
        os.write(descriptor, b"tide\n")
        with mmap(descriptor, 0) as mapped:
            mapped.find(b"\n")
            before_ns = os.fstat(descriptor).st_ctime_ns
            wait_for_next_tick(before_ns)
            mapped[0] = ord("T")
            return os.fstat(descriptor).st_ctime_ns > before_ns
    finally:
        os.close(descriptor)
        os.unlink(place)


def hash_blob(path: bytes, status: os.stat_result, object_id: str) -> str:
    """Give the object name that git would give a file or symlink: the digest of its kind, size and bytes."""
    digest = _begin_blob(status.st_size, object_id)
    if stat.S_ISLNK(status.st_mode):
        digest.update(os.readlink(path))  # noqa: PTH115 - pathlib has no paths of bytes
    else:
        with os.fdopen(os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC), "rb") as content:
            while chunk := content.read(_READ_BYTES):
                digest.update(chunk)
    return digest.hexdigest()


def hash_bytes(content: bytes, object_id: str) -> str:
    """Give the object name that git would give a file of these bytes, in the format of another object's name."""
    digest = _begin_blob(len(content), object_id)
    digest.update(content)
    return digest.hexdigest()


def _begin_blob(size_bytes: int, object_id: str) -> hashlib._Hash:
    digest = hashlib.new("sha256" if len(object_id) == 64 else "sha1", usedforsecurity=False)
    digest.update(b"blob %d\0" % size_bytes)
    return digest


def walk_tree(root: bytes, visit: Callable[[bytes, os.stat_result], bool]) -> list[bytes]:
    """
    Look at everything in a tree, once, following no link.

    A folder is visited before it is listed, for listing may move its access time; and what `visit` does to it (make it
    readable again) is done by then.

    Args:
        root: The tree's folder; without a slash at its end.
        visit: Is given each path relative to the root (b"" for the root itself, which comes first) and its status, and
            says whether a folder is to be listed; what it says of anything else is ignored.

    Returns:
        The folders whose access time our own listing may have moved; none, where the kernel lets us list unseen.

    Raises:
        OSError: A folder cannot be listed.
    """
    status = os.lstat(root)
    waiting = [b""] if visit(b"", status) and stat.S_ISDIR(status.st_mode) else []
    seen_listing: list[bytes] = []
    while waiting:
        folder = waiting.pop()
        prefix = folder + b"/" if folder else b""
        try:
            descriptor = os.open(root + b"/" + folder, _OPEN_UNSEEN)
        except PermissionError:
            descriptor = os.open(root + b"/" + folder, _OPEN_FOLDER)
            seen_listing.append(folder)
        try:
            with os.scandir(descriptor) as listing:
                for item in listing:
                    status = item.stat(follow_symlinks=False)
                    path = prefix + os.fsencode(item.name)
                    if visit(path, status) and stat.S_ISDIR(status.st_mode):
                        waiting.append(path)
        finally:
            os.close(descriptor)
    return seen_listing


class TreeWriter:
    """
    Changes a tree below its root; every folder on the way is opened by itself, and none through a link.

    Folders stay open while the paths that are asked for lie in them: in sorted order each is opened once. All times
    become `modified_ns`, all access times are older. A context manager; raises OSError as the file system does.
    """

    def __init__(self, root: bytes, modified_ns: int) -> None:
        self._modified_ns = modified_ns
        self._names: list[bytes] = []
        self._descriptors = [os.open(root, _OPEN_FOLDER)]

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for descriptor in reversed(self._descriptors):
            os.close(descriptor)
        self._descriptors.clear()

    def write_file(self, path: bytes, content: bytes, *, executable: bool) -> Stamp:
        """Make a file that is not there yet, and its folders."""
        folder, name = self._enter_parent(path)
        descriptor = os.open(name, _OPEN_NEW, FILE_MODE, dir_fd=folder)
        try:
            rest = memoryview(content)
            while rest:
                rest = rest[os.write(descriptor, rest) :]
            os.fchmod(descriptor, EXECUTABLE_MODE if executable else FILE_MODE)
            os.utime(descriptor, ns=self._times)
            return stamp_of(os.fstat(descriptor))
        finally:
            os.close(descriptor)

    def write_symlink(self, path: bytes, target: bytes) -> Stamp:
        """Make a symlink that is not there yet, and its folders."""
        folder, name = self._enter_parent(path)
        os.symlink(target, name, dir_fd=folder)
        os.utime(name, ns=self._times, dir_fd=folder, follow_symlinks=False)
        return stamp_of(os.stat(name, dir_fd=folder, follow_symlinks=False))

    def remove_file(self, path: bytes) -> None:
        """Remove anything but a folder; nothing there is fine."""
        folder, name = self._enter_parent(path)
        with suppress(FileNotFoundError):
            os.unlink(name, dir_fd=folder)

    def remove_folder(self, path: bytes) -> None:
        """Remove an empty folder."""
        folder, name = self._enter_parent(path)
        os.rmdir(name, dir_fd=folder)

    def settle_folder(self, path: bytes) -> Stamp:
        """Give a folder its mode and times, whatever happened in it; call it last."""
        descriptor = self._enter(path)
        os.fchmod(descriptor, FOLDER_MODE)
        os.utime(descriptor, ns=self._times)
        return stamp_of(os.fstat(descriptor))

    def make_unread(self, path: bytes) -> Stamp:
        """Give a file, symlink or folder that is there the times of one that nobody has read."""
        folder, name = self._enter_parent(path)
        os.utime(name or b".", ns=self._times, dir_fd=folder, follow_symlinks=False)
        return stamp_of(os.stat(name or b".", dir_fd=folder, follow_symlinks=False))

    @property
    def _times(self) -> tuple[int, int]:
        return unread_times(self._modified_ns)

    def _enter_parent(self, path: bytes) -> tuple[int, bytes]:
        folder, _, name = path.rpartition(b"/")
        return self._enter(folder), name

    def _enter(self, folder: bytes) -> int:
        """Open a folder below the root, making what is missing; b"" is the root."""
        wanted = folder.split(b"/") if folder else []
        shared = 0
        while shared < min(len(wanted), len(self._names)) and wanted[shared] == self._names[shared]:
            shared += 1
        while len(self._names) > shared:
            self._names.pop()
            os.close(self._descriptors.pop())
        for name in wanted[shared:]:
            parent = self._descriptors[-1]
            try:
                descriptor = os.open(name, _OPEN_FOLDER, dir_fd=parent)
            except FileNotFoundError:
                os.mkdir(name, FOLDER_MODE, dir_fd=parent)
                descriptor = os.open(name, _OPEN_FOLDER, dir_fd=parent)
                os.fchmod(descriptor, FOLDER_MODE)
            self._names.append(name)
            self._descriptors.append(descriptor)
        return self._descriptors[-1]


def list_folders(paths: Iterable[bytes]) -> set[bytes]:
    """Give every folder that some paths lie in; b"", the root, is always there."""
    folders = {b""}
    for path in paths:
        folder = parent_of(path)
        while folder not in folders:
            folders.add(folder)
            folder = parent_of(folder)
    return folders


def parent_of(path: bytes) -> bytes:
    """Give the folder that a path lies in."""
    return path.rpartition(b"/")[0]


def drop_extras(path: bytes) -> None:
    """Take extended attributes and access lists off a folder that a build has touched."""
    for name in os.listxattr(path, follow_symlinks=False):
        # A security label that only the system may take off came from the system.
        with suppress(OSError):
            os.removexattr(path, name, follow_symlinks=False)


def remove_everything(paths: Iterable[bytes], trash: bytes) -> None:
    """
    Remove files of any kind, and folders with all that is in them, however deep and whatever their modes.

    Folders are moved up into the trash one by one and emptied there, so depth costs neither recursion, nor descriptors,
    nor a path that is too long.

    Args:
        paths: In folders that are real, ours and writable; nothing there is fine.
        trash: A folder beside the tree, on the same file system; made and removed here, emptied if it is there already.

    Raises:
        OSError: Something cannot be removed.
    """
    waiting: list[bytes] = []
    # Names in the trash that an earlier process, killed in here, cannot have given.
    unique, number = time.time_ns(), 0

    def discard(path: bytes, *, folder: bool) -> None:
        nonlocal number
        if not folder:
            os.unlink(path)
            return
        # Moving a folder writes its `..`, so it must be writable even to be moved.
        os.chmod(path, stat.S_IRWXU)
        number += 1
        moved = b"%s/%d-%d" % (trash, unique, number)
        os.rename(path, moved)
        waiting.append(moved)

    with suppress(FileNotFoundError), os.scandir(trash) as listing:
        # Left by a process that was killed in here.
        for item in listing:
            os.chmod(item.path, stat.S_IRWXU)
            waiting.append(item.path)
    for path in paths:
        try:
            folder = stat.S_ISDIR(os.lstat(path).st_mode)
        except FileNotFoundError:
            continue
        if folder:
            with suppress(FileExistsError):
                os.mkdir(trash, stat.S_IRWXU)
        discard(path, folder=folder)
    while waiting:
        current = waiting.pop()
        with os.scandir(current) as listing:
            for item in listing:
                discard(item.path, folder=item.is_dir(follow_symlinks=False))
        os.rmdir(current)
    with suppress(FileNotFoundError):
        os.rmdir(trash)


def wait_for_next_tick(last_changed_ns: int) -> None:
    """
    Wait until the clock of inodes has passed an instant, some milliseconds at most.

    Inodes are stamped with a clock that stands still for up to 10 ms. A build that starts within the tick of our own
    last change could write a file, put its length and modification time back, and leave every stamp as we remember it.
    """
    give_up_at = time.monotonic() + _LONGEST_WAIT_S
    while time.clock_gettime_ns(_INODE_CLOCK) <= last_changed_ns and time.monotonic() < give_up_at:
        time.sleep(0.0005)
