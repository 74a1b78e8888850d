"""
Which files and folders of its tree a build has read, from access times alone.

Before a job everything in the tree has an access time older than its modification time; the kernel then moves it at the
first read (relatime's rule), whatever program reads: by read, mmap, execution, sendfile, or for a folder by listing it,
for a symlink by following or reading it. `worktree` looks at every path after the job anyway, sees in the same look
which times have moved, and sets back only those. The build itself is not slowed down; a trace of its system calls takes
many times its own time (tests/benchmarks/bench_readset.py).

What the read set means, and where it is wider or narrower than what was read:

- **stat is not reading.** Of times: every file of every worker's tree has one and the same modification time, so a
  Makefile that compares them decides the same in each. Of presence, type and mode: `runner.reach` has a rule for paths
  that come, go or change these, which needs no trace of them (and GNU make leaves one: it lists the folder of every
  prerequisite that it looks for). Of size: a build that asks for the size of a file without reading it (`stat -c %s`,
  `wc -c`, `cmp` of unequal lengths) is not seen to do so; the audit is there to find it.
- **Empty files always count as read.** A compiler asks for the size first and then reads nothing; no time moves. Empty
  files are few and seldom change, so all targets depend on all of them.
- **Opened with O_NOATIME, or copied by sharing blocks**: nothing moves. `refused_calls` takes both from what a build
  may ask for; without it such a copy makes the probe fail on the file systems that have it.
- **Whoever else reads the tree** (a backup, an indexer) makes the read set wider, never narrower.

Writing into the tree. A file's access time can be set back, but not its change time. So a file of the tree that was
written, replaced, renamed, linked or re-dated voids the read set, by whatever recipe. A recipe that builds in the tree
makes files between those of the tree, and with that changes times of *folders*, no more: as long as every file and
symlink has its change time and inode, each access time among them is the kernel's own, and the made files are products
of what was read. Only a folder's access time is in doubt then (its change time moves with every entry), so each folder
that was changed counts as listed. That is no loss: where a build makes files, a file that comes or goes matters. For
other recipes a write is a fault that is reported, and its read set is void.

Source: mount(8), relatime; open(2), O_NOATIME; the kernel's fs/inode.c (relatime_need_update) and mm/filemap.c (a read
of no bytes moves nothing). All of it also by experiment: tests/integration/test_readset.py.
"""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Mapping
from pathlib import Path

from gatekeep.build.command import CancelToken, CommandRunner, CommandSpec, Exited, NotStarted
from gatekeep.build.tree_files import Accesses, keeps_nanoseconds
from gatekeep.model.readset import ReadSet

#: Any moment that is long past: what is read gets the present.
_UNREAD_NS, _MODIFIED_NS = 999_999_999_000_000_000, 1_000_000_000_000_000_000
_TIME_LIMIT_S = 30.0
_LOG_LIMIT_BYTES = 65536
#: More than one block, and all of it: file systems share whole blocks only.
_CONTENT = b"tide\n" * 4000
_PROGRAM = "#!/bin/sh\nexit 0\n"

#: Read in every way that a build may, in a process that is started as builds are. It prints the ways that the kernel
#: allows at all: what is refused reads nothing.
_READER = """
import fcntl, mmap, os

def try_way(name, read):
    try:
        source = os.open(name, os.O_RDONLY)
        copy = os.open(name + ".copy", os.O_RDWR | os.O_CREAT)
        read(source, copy)
    except OSError:
        return
    print(name, flush=True)

try_way("read", lambda source, copy: os.read(source, 1))
try_way("mapped", lambda source, copy: mmap.mmap(source, 0, access=mmap.ACCESS_READ)[:1])
try_way("sent", lambda source, copy: os.sendfile(copy, source, 0, 4096))
try_way("copied", lambda source, copy: os.copy_file_range(source, copy, 4096))
try_way("cloned", lambda source, copy: fcntl.ioctl(copy, 0x40049409, source))
try_way("run", lambda source, copy: os.waitpid(os.posix_spawn("./run", ["run"], {}), 0))
os.listdir("listed")
os.readlink("link")
os.stat("followed")
print("listed", "link", "followed", sep=chr(10))
"""
_WAYS = {
    "read": "reading a file",
    "mapped": "mapping a file",
    "sent": "sending a file (sendfile)",
    "copied": "copying a file within the file system (copy_file_range)",
    "cloned": "copying a file by sharing its blocks (FICLONE)",
    "run": "running a program",
    "listed": "listing a folder",
    "link": "reading a symlink",
    "followed": "following a symlink",
}
#: Without these nothing is to be had; the others a machine may lack (a mount with noexec runs nothing).
_NEEDED = frozenset(("read", "mapped", "listed", "link", "followed"))


def make_read_set(accesses: Accesses, *, builds_in_tree: bool) -> ReadSet | None:
    """Give what a job has read; None where what it wrote leaves that unknown."""
    if accesses.wrote_tracked or (accesses.wrote_folders and not builds_in_tree):
        return None
    return ReadSet(
        files=tuple(sorted(map(os.fsdecode, (*accesses.files, *accesses.empty_files)))),
        folders=tuple(sorted({os.fsdecode(folder) or "." for folder in accesses.folders})),
    )


class ReadWatch:
    """
    Says what each job of a workplace has read, as long as the file system tells.

    `fault` is None, or the sentence that says why nothing can be told; read sets are None from then on. Mounts can
    change in the middle of a run, so a file of our own, the canary, is read after every job.

    Args:
        folder: The workplace's own folder, on the same mount as its tree; the canary lies in it.
        fault: What `probe_access_times` said.
    """

    def __init__(self, folder: Path, *, fault: str | None) -> None:
        self.fault = fault
        self._canary = folder / "canary"

    def before(self) -> None:
        """Call before each job; makes the canary anew."""
        if self.fault is None:
            try:
                self._canary.write_bytes(b"canary\n")
            except OSError as error:
                self.fault = _describe(self._canary.parent, f"a file cannot be written: {error.strerror}")

    def result(self, accesses: Accesses | None, *, builds_in_tree: bool) -> ReadSet | None:
        """
        Say what a job has read.

        Args:
            accesses: Of the worker's tree, after `restore`.
            builds_in_tree: What the recipe says.

        Returns:
            None when the file system does not tell, or the job wrote into its tree in a way that leaves it unknown.
            Also when nothing was read at all: no build is like that, so it ran where access times stand still.
        """
        if self.fault is not None or accesses is None or not accesses.files or not self._canary_tells():
            return None
        return make_read_set(accesses, builds_in_tree=builds_in_tree)

    def _canary_tells(self) -> bool:
        try:
            _make_unread(self._canary)
            self._canary.read_bytes()
            if _is_read(self._canary):
                return True
            self.fault = _describe(self._canary.parent, "reading a file moves its access time no more")
        except OSError as error:
            self.fault = _describe(self._canary.parent, f"a file of ours is gone: {error.strerror}")
        return False


def probe_access_times(folder: Path, *, runner: CommandRunner, environment: Mapping[str, str]) -> str | None:
    """
    Find out, by trying, whether access times tell what a build reads here.

    Names of file systems and mount options say little (an overlay takes after what is below it, a network mount after
    its server and its cache), so files are read, mapped, run, copied and so on, by a process that is started as builds
    are, twice: what is cached by then must be seen like the first time.

    Args:
        folder: The workplace's own folder, on the same mount as its tree. A folder is made in it, and removed.
        runner: Starts what reads; the one that builds use.
        environment: Of that process.

    Returns:
        None when they tell; else the sentence that says why not and what to do.
    """
    place = folder.absolute() / "access-times"
    try:
        shutil.rmtree(place, ignore_errors=True)
        _make_samples(place)
        if not keeps_nanoseconds(os.fsencode(place)):
            # Whether something was written is told by change times too.
            return _describe(folder, "times are kept so coarsely that a change may leave them as they were")
        with CancelToken() as cancel:
            spec = CommandSpec(
                argv=(sys.executable, "-I", "-S", "-c", _READER),
                directory=place,
                environment=environment,
                time_limit_s=_TIME_LIMIT_S,
                log_path=place / "log",
                log_limit_bytes=_LOG_LIMIT_BYTES,
            )
            fault = _try_twice(spec, runner, cancel)
        return None if fault is None else _describe(folder, fault)
    except OSError as error:
        return _describe(folder, f"this cannot be tried: {error.strerror or error}")
    finally:
        shutil.rmtree(place, ignore_errors=True)


def _make_samples(place: Path) -> None:
    place.mkdir(parents=True)
    for name in ("read", "mapped", "sent", "copied", "cloned", "untouched", "target"):
        (place / name).write_bytes(_CONTENT)
    (place / "run").write_text(_PROGRAM, encoding="ascii")
    (place / "run").chmod(0o755)
    (place / "listed").mkdir()
    (place / "listed" / "entry").touch()
    (place / "link").symlink_to("target")
    (place / "followed").symlink_to("target")


def _try_twice(spec: CommandSpec, runner: CommandRunner, cancel: CancelToken) -> str | None:
    """Give the first fault; None for none."""
    place = spec.directory
    samples = [place / name for name in (*_WAYS, "untouched")]
    for is_second in (False, True):
        for sample in samples:
            changed_ns = sample.lstat().st_ctime_ns
            _make_unread(sample)
            if _is_read(sample):
                return "an access time cannot be set to the second"
            # Not in the first round: the samples may have been made in the same tick of the inodes' clock.
            if is_second and sample.lstat().st_ctime_ns == changed_ns:
                return "re-dating a file leaves no trace in its change time"
        spec.log_path.unlink(missing_ok=True)
        result = runner.run(spec, cancel)
        if isinstance(result.end, NotStarted):
            return f"the trial was not started: {result.end.message}"
        if result.end != Exited(code=0):
            return f"the trial did not run to its end: {result.end}"
        tried = spec.log_path.read_text(encoding="ascii", errors="replace").split()
        for way in sorted(_NEEDED.difference(tried)):
            return f"{_WAYS[way]} is refused"
        for way, words in _WAYS.items():
            if way in tried and not _is_read(place / way):
                return f"{words} does not move its access time"
        if _is_read(place / "untouched"):
            return "the access time of a file moves though nobody reads it"
    return None


def _make_unread(path: Path) -> None:
    os.utime(path, ns=(_UNREAD_NS, _MODIFIED_NS), follow_symlinks=False)


def _is_read(path: Path) -> bool:
    return path.lstat().st_atime_ns != _UNREAD_NS


def _describe(folder: Path, fault: str) -> str:
    return (
        f"{folder}: what a build reads cannot be told here, so no result is carried: {fault}; "
        "put the store's folder on ext4 or tmpfs, mounted without noatime and nodiratime"
    )
