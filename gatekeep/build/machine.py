"""
What this machine lets us use: cores, free space, and whether the kernel has been short of memory.

In a container the machine's core count is not ours: the affinity mask and the CPU quota of our control group, and of
every group above it, say how much we get. Both versions of control groups are read, also when they are mixed.

Source: cgroups(7); the kernel's Documentation/admin-guide/cgroup-v2.rst (cpu.max, memory.events) and
Documentation/scheduler/sched-bwc.rst (cpu.cfs_quota_us); proc_pid_mountinfo(5); proc_vmstat (oom_kill, Linux 4.13).
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from fractions import Fraction
from functools import cache
from pathlib import Path, PurePosixPath

_ROOT = Path("/")
_OCTAL = re.compile(r"\\([0-7]{3})")


def count_usable_cores(*, root: Path = _ROOT, affinity_count: int | None = None) -> int:
    """
    Count the cores that our work may keep busy: affinity and CPU quotas, at least 1.

    A quota of one and a half cores counts as 2: two throttled builds end sooner than one that leaves half a core idle.

    Args:
        root: Where /proc and /sys are looked for.
        affinity_count: Cores in the affinity mask; None asks the kernel.
    """
    cores = affinity_count if affinity_count is not None else len(os.sched_getaffinity(0))
    for folder, version in iter_groups(root, "cpu"):
        if version == 2:
            quota = parse_cpu_max(_read(folder / "cpu.max"))
        else:
            quota = parse_cfs_quota(_read(folder / "cpu.cfs_quota_us"), _read(folder / "cpu.cfs_period_us"))
        if quota is not None:
            cores = min(cores, -int(-quota // 1))
    return max(1, cores)


def free_bytes(path: Path) -> int:
    """
    Give the bytes that we may still write in a folder, or in the nearest folder above it that exists.

    Source: statvfs(3): f_bavail leaves out what is kept for root.
    """
    while not path.exists() and path != path.parent:
        path = path.parent
    status = os.statvfs(path)
    return status.f_bavail * status.f_frsize


def count_memory(*, root: Path = _ROOT) -> int:
    """
    Give the bytes of memory that our work may use at most: the machine's, or less where a control group limits us.

    Args:
        root: Where /proc and /sys are looked for.
    """
    most = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    for folder, version in iter_groups(root, "memory"):
        text = _read(folder / ("memory.max" if version == 2 else "memory.limit_in_bytes")).strip()
        if text.isdecimal():
            most = min(most, int(text))
    return most


def read_oom_kills(*, root: Path = _ROOT) -> int | None:
    """
    Count the processes that the kernel has ended for lack of memory since some fixed moment.

    In our own control group where it counts them, else on the whole machine; None where neither can be read. Only the
    difference of two readings says something.
    """
    for path in _list_oom_counters(root):
        kills = parse_oom_kills(_read(path))
        if kills is not None:
            return kills
    return None


@cache  # the groups are those at the start; 20 µs a reading in place of 300
def _list_oom_counters(root: Path) -> tuple[Path, ...]:
    names = {2: "memory.events", 1: "memory.oom_control"}
    groups = list(iter_groups(root, "memory"))[:1]
    return (*(folder / names[version] for folder, version in groups), root / "proc/vmstat")


def iter_groups(root: Path, controller: str) -> Iterator[tuple[Path, int]]:
    """Give our group's folder for a controller, then every folder above it up to the mount, each with its version."""
    groups = parse_groups(_read(root / "proc/self/cgroup"))
    for mount_point, mount_root, controllers in parse_group_mounts(_read(root / "proc/self/mountinfo")):
        if controllers is not None and controller not in controllers:
            continue
        path = groups.get("" if controllers is None else controller)
        if path is None:
            continue
        # In a container the mount shows a part of the hierarchy, and the path may count from above it.
        own = PurePosixPath(path)
        inside = own.relative_to(mount_root) if own.is_relative_to(mount_root) else PurePosixPath()
        top = root / mount_point.lstrip("/")
        folder = top / inside if ".." not in inside.parts else top
        version = 2 if controllers is None else 1
        if version == 2 and controller not in _read(folder / "cgroup.controllers").split():
            continue  # the hybrid layout: the controller hangs in the other hierarchy
        yield folder, version
        while folder != top:
            folder = folder.parent
            yield folder, version


def parse_groups(text: str) -> dict[str, str]:
    """
    Read /proc/self/cgroup.

    Returns:
        The path of our group by controller; version 2's under "".
    """
    groups: dict[str, str] = {}
    for line in text.splitlines():
        number, _, rest = line.partition(":")
        controllers, separator, path = rest.partition(":")
        if not separator:
            continue
        if number == "0" and not controllers:
            groups[""] = path
        else:
            groups |= dict.fromkeys(controllers.split(","), path)
    return groups


def parse_group_mounts(text: str) -> list[tuple[str, str, frozenset[str] | None]]:
    """
    Read the mounts of control groups from /proc/self/mountinfo.

    Returns:
        (mount point, path of the group that is shown there, controllers), in file order; the controllers of version 2
        are None, since the groups themselves say which they have.
    """
    mounts: list[tuple[str, str, frozenset[str] | None]] = []
    for line in text.splitlines():
        before, separator, after = line.partition(" - ")
        fields, kind = before.split(" "), after.split(" ")
        if not separator or len(fields) < 6 or len(kind) < 3 or kind[0] not in ("cgroup", "cgroup2"):
            continue
        controllers = None if kind[0] == "cgroup2" else frozenset(kind[2].split(","))
        mounts.append((_unescape(fields[4]), _unescape(fields[3]), controllers))
    return mounts


def _unescape(text: str) -> str:
    return _OCTAL.sub(lambda match: chr(int(match[1], 8)), text)


def parse_cpu_max(text: str) -> Fraction | None:
    """Read cpu.max (`150000 100000`, `max 100000`); None when there is no limit, or it is not readable."""
    words = text.split()
    if len(words) != 2:
        return None
    return parse_cfs_quota(*words)


def parse_cfs_quota(quota: str, period: str) -> Fraction | None:
    """Divide cpu.cfs_quota_us by cpu.cfs_period_us; None when there is no limit (-1), or it is not readable."""
    quota, period = quota.strip(), period.strip()
    if not (quota.isdecimal() and period.isdecimal()) or int(quota) <= 0 or int(period) <= 0:
        return None
    return Fraction(int(quota), int(period))


def parse_oom_kills(text: str) -> int | None:
    """Find `oom_kill N` in memory.events, memory.oom_control or /proc/vmstat; None when it is not there."""
    for line in text.splitlines():
        name, _, number = line.partition(" ")
        if name == "oom_kill" and number.strip().isdecimal():
            return int(number)
    return None


def _read(path: Path) -> str:
    """Read a small file of the kernel; "" when it is not there."""
    try:
        return path.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""
