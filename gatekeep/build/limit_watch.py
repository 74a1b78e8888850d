"""
Holding a confined command to its limits; the keeper's part.

Three means, since no machine has all. Control groups, where they can be made, count memory and processes exactly and
refuse what is too much. Resource limits bound each file, and in a user namespace of its own the processes of one
sandbox (Linux 5.14; not those of root). And the keeper looks, four times a second: at processes and their memory where
no group counts them, and at the disk, which nothing else counts over many files. The disk is asked how much is free;
when that has fallen by a good part of the limit the files themselves are counted, deleted ones that are still open
included, for others write to the disk too. Others free it as well, which may hide what a build writes: so the files of
a build that runs for seconds are counted now and then whatever the disk says.

Counting must leave no trace: the tree is among what is counted, and a folder that we list with its access time moved
would count as listed by the build (see `readset`). O_NOATIME does that, which the keeper denies to all that it starts
and, by the same filter, to itself: a thread that is older than the filter does the listing (`unfiltered`).

Without groups two things go unseen between looks: a burst of some hundred MiB, and memory that no process maps.

Part of the keeper: runs on the standard library and `unfiltered` alone.

Source: getrlimit(2); user_namespaces(7); proc_pid_statm(5); statvfs(3); the kernel's
Documentation/admin-guide/cgroup-v2.rst (memory.max, memory.events, pids.events) and cgroup-v1/memory.rst
(max_usage_in_bytes, memory.oom_control; its oom_kill is in Linux since 4.13, and counts a group's own processes alone).
"""

from __future__ import annotations

import contextlib
import os
import resource
import stat
import time
from collections.abc import Iterator

from gatekeep.build.unfiltered import UnfilteredThread

#: How often the keeper looks.
LOOK_S = 0.25
#: Counting files takes a tenth of the time at most.
_REST_FACTOR = 10
#: Where the disk shows nothing, files are counted this seldom, and for a hundredth of the time at most.
_SELDOM_S = 2.0
_SELDOM_FACTOR = 100
_BLOCK_BYTES = 512
#: What an empty file costs, in the inode table and its folder, is counted as one block of a file system.
_ENTRY_BYTES = 4096
#: The share of the limit by which the free space falls before files are counted.
_SUSPICIOUS = 4
_PAGE_BYTES = resource.getpagesize()
_made = 0


class LimitWatch:
    """
    The limits of one command.

    `exceeded` is "", or what it used too much of: memory, processes or disk. `memory_kills` is how many of its
    processes the kernel has ended for lack of memory, the group's or the machine's; None before `conclude`, and where
    no group counts them. `least_free_bytes` is what was free at the least, at any look, on a disk that it may write to.
    """

    def __init__(
        self,
        wanted: dict,  # type: ignore[type-arg]  # the wire's shape: see `keeper`
        first: int,
        unfiltered: UnfilteredThread | None = None,
    ) -> None:
        """
        Put process 1 of a sandbox under its limits, before it starts anything.

        Args:
            wanted: The limits.
            first: The process.
            unfiltered: Lists folders; None where no filter is in force.

        Raises:
            OSError: The kernel does not let us.
        """
        global _made
        _made += 1
        self._name = f"gatekeep-{os.getpid()}-{_made}"
        self._wanted = wanted
        self._unfiltered = unfiltered
        self._groups: dict[str, str] = {}
        self._folders: list[bytes] = wanted["places"]
        self._free = self._list_free()
        self.least_free_bytes = min((free for free, _inodes in self._free), default=0)
        self._counted_at = time.monotonic()
        self._count_s = 0.0
        self._is_count_due = False
        self._killed_before = _count_kills()
        self.exceeded = ""
        self.memory_kills: int | None = None
        for kind, most in ((resource.RLIMIT_FSIZE, wanted["file_bytes"]), (resource.RLIMIT_NPROC, wanted["processes"])):
            resource.prlimit(first, kind, (most, most))
        for controller, folder in wanted["groups"].items():
            with contextlib.suppress(OSError):  # the looks count instead
                self._groups[controller] = self._make_group(controller, folder, first)

    def _make_group(self, controller: str, folder: str, first: int) -> str:
        # In version 1 each controller has groups of its own; in version 2 a process is in one group, for all of them.
        group = f"{folder}/{self._name}"
        if group not in self._groups.values():
            os.mkdir(group)  # noqa: PTH102 - a process that imports no pathlib
        try:
            if controller == "pids":
                _write(f"{group}/pids.max", self._wanted["processes"])
            elif os.path.exists(f"{group}/memory.max"):  # noqa: PTH110
                _write(f"{group}/memory.max", self._wanted["memory_bytes"])
                with contextlib.suppress(OSError):
                    _write(f"{group}/memory.swap.max", 0)
            else:
                _write(f"{group}/memory.limit_in_bytes", self._wanted["memory_bytes"])
                with contextlib.suppress(OSError):
                    _write(f"{group}/memory.memsw.limit_in_bytes", self._wanted["memory_bytes"])
            _write(f"{group}/cgroup.procs", first)
        except OSError:
            with contextlib.suppress(OSError):
                os.rmdir(group)  # noqa: PTH106
            raise
        return group

    def look(self, processes: list[int] | None) -> bool:
        """
        Look once; True when it uses too much.

        Args:
            processes: All that are below the keeper; None when `needs_processes` is false.
        """
        if processes is not None:
            if len(processes) > self._wanted["processes"]:
                self.exceeded = "processes"
            elif "memory" not in self._groups and _sum_memory(processes) > self._wanted["memory_bytes"]:
                self.exceeded = "memory"
        if not self.exceeded and self._is_count_due and self._count_written(processes or []) > self._most_written:
            self.exceeded = "disk"
        return bool(self.exceeded)

    def needs_processes(self) -> bool:
        """Tell whether the look that follows is to be given the processes; it asks the disk."""
        self._is_count_due = self._has_fallen() or self._was_not_counted_long()
        return len(self._groups) < 2 or self._is_count_due

    @property
    def _most_written(self) -> int:
        return int(self._wanted["disk_bytes"])

    def conclude(self, *, failed: bool) -> None:
        """Ask the groups, when all has ended, whether they refused something, and let them go."""
        memory, pids = self._groups.get("memory"), self._groups.get("pids")
        self._look_free()
        if memory is not None:
            self.memory_kills = count_group_kills(memory)
        if failed and not self.exceeded:
            if memory is not None and was_short(memory, self._wanted["memory_bytes"], self._killed_before):
                self.exceeded = "memory"
            elif pids is not None and _read_number(f"{pids}/pids.events", b"max"):
                self.exceeded = "processes"
        for group in self._groups.values():
            with contextlib.suppress(OSError):
                os.rmdir(group)  # noqa: PTH106
        self._groups = {}

    def _look_free(self) -> list[tuple[int, int]]:
        found = self._list_free()
        self.least_free_bytes = min(self.least_free_bytes, *(free for free, _inodes in found))
        return found

    def _list_free(self) -> list[tuple[int, int]]:
        """Give free bytes and free inodes for each folder; most often they are of one file system."""
        free = []
        for folder in self._folders:
            try:
                status = os.statvfs(folder)
            except OSError:
                free.append((0, 0))
                continue
            free.append((status.f_bavail * status.f_frsize, status.f_favail))
        return free

    def _has_fallen(self) -> bool:
        """Tell whether much less is free than at the most so far, and files may be counted again."""
        most = self._most_written // _SUSPICIOUS
        now = self._look_free()
        fallen = any(
            bytes_before - bytes_now > most or (inodes_before - inodes_now) * _ENTRY_BYTES > most
            for (bytes_before, inodes_before), (bytes_now, inodes_now) in zip(self._free, now, strict=True)
        )
        self._free = [
            (max(bytes_before, bytes_now), max(inodes_before, inodes_now))
            for (bytes_before, inodes_before), (bytes_now, inodes_now) in zip(self._free, now, strict=True)
        ]
        return fallen and time.monotonic() >= self._counted_at + self._count_s * _REST_FACTOR

    def _was_not_counted_long(self) -> bool:
        return time.monotonic() >= self._counted_at + max(_SELDOM_S, self._count_s * _SELDOM_FACTOR)

    def _count_written(self, processes: list[int]) -> int:
        """Sum what lies in the folders, and what was deleted there and is still open."""
        started_at = time.monotonic()
        seen: set[tuple[int, int]] = set()
        total = 0

        def count_folders() -> None:
            nonlocal total
            waiting = list(self._folders)
            while waiting and total <= self._most_written:
                folder = waiting.pop()
                with (
                    contextlib.suppress(OSError),
                    _open_unseen(folder) as descriptor,
                    os.scandir(descriptor) as listing,
                ):
                    for item in listing:
                        with contextlib.suppress(OSError):
                            status = item.stat(follow_symlinks=False)
                            if (status.st_dev, status.st_ino) not in seen:
                                seen.add((status.st_dev, status.st_ino))
                                total += status.st_blocks * _BLOCK_BYTES + _ENTRY_BYTES
                            if stat.S_ISDIR(status.st_mode):
                                waiting.append(folder + b"/" + os.fsencode(item.name))

        if self._unfiltered is None:
            count_folders()
        else:
            self._unfiltered.run(count_folders)
        for process in processes:
            with contextlib.suppress(OSError):
                for name in os.listdir(f"/proc/{process}/fd"):  # noqa: PTH208
                    with contextlib.suppress(OSError):
                        status = os.stat(f"/proc/{process}/fd/{name}")  # noqa: PTH116
                        if stat.S_ISREG(status.st_mode) and (status.st_dev, status.st_ino) not in seen:
                            seen.add((status.st_dev, status.st_ino))
                            total += 0 if status.st_nlink else status.st_blocks * _BLOCK_BYTES
        self._counted_at = time.monotonic()
        self._count_s = self._counted_at - started_at
        return total


@contextlib.contextmanager
def _open_unseen(folder: bytes) -> Iterator[int]:
    """
    Open a folder so that listing it moves no access time.

    The kernel grants that to the owner, which we are of all but what nobody expects there.
    """
    flags = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
    try:
        descriptor = os.open(folder, flags | os.O_NOATIME)
    except PermissionError:
        descriptor = os.open(folder, flags)
    try:
        yield descriptor
    finally:
        os.close(descriptor)


def was_short(group: str, memory_bytes: int, killed_before: int) -> bool:
    """
    Tell whether a memory group has had something killed because of its own limit.

    Args:
        group: Its folder.
        memory_bytes: The limit.
        killed_before: What `_count_kills` gave before; kernels before 4.13 do not count by group in version 1. There a
            build beside it may have been meant, and is taken for this one.
    """
    if os.path.exists(f"{group}/memory.events"):  # noqa: PTH110
        # "oom" is the limit being hit and nothing left to free; a machine that runs out kills without it.
        events = f"{group}/memory.events"
        return _read_number(events, b"oom") > 0 and _read_number(events, b"oom_kill") > 0
    # Cached files fill a group as well, so being full is not enough: something must have been killed.
    most = max(_read_number(f"{group}/{kind}.max_usage_in_bytes") for kind in ("memory", "memory.memsw"))
    own = count_group_kills(group)
    was_killed = _count_kills() > killed_before if own is None else own > 0
    return most >= memory_bytes - 64 * _PAGE_BYTES and was_killed


def count_group_kills(group: str) -> int | None:
    """Count what the kernel has ended in a memory group for lack of memory, whose limit it ever was; None: unknown."""
    for name in ("memory.events", "memory.oom_control"):
        kills = _find_number(f"{group}/{name}", b"oom_kill")
        if kills is not None:
            return kills
    return None


def _sum_memory(processes: list[int]) -> int:
    """Sum what processes keep in memory for themselves, shared libraries left out."""
    total = 0
    for process in processes:
        with contextlib.suppress(OSError, ValueError), open(f"/proc/{process}/statm", "rb") as stream:  # noqa: PTH123
            _size, resident, shared = stream.read().split()[:3]
            total += (int(resident) - int(shared)) * _PAGE_BYTES
    return total


def _count_kills() -> int:
    """Count what the kernel has ended for lack of memory, on the whole machine."""
    return _read_number("/proc/vmstat", b"oom_kill")


def _read_number(path: str, name: bytes | None = None) -> int:
    """Give the number in a file of the kernel, or the one behind a name; 0 when it is not there."""
    return _find_number(path, name) or 0


def _find_number(path: str, name: bytes | None = None) -> int | None:
    with contextlib.suppress(OSError, ValueError), open(path, "rb") as stream:  # noqa: PTH123
        for line in stream:
            words = line.split()
            if name is None or words[:1] == [name]:
                return int(words[-1])
    return None


def _write(path: str, number: int) -> None:
    with open(path, "w", encoding="ascii") as stream:  # noqa: PTH123
        stream.write(str(number))
