"""Cores, space and memory kills, read from trees that hold what kernels write there."""

from __future__ import annotations

import os
import subprocess
from fractions import Fraction
from pathlib import Path

import pytest

from gatekeep.build.limit_watch import count_group_kills, was_short
from gatekeep.build.machine import (
    count_memory,
    count_usable_cores,
    free_bytes,
    parse_cfs_quota,
    parse_cpu_max,
    parse_group_mounts,
    parse_groups,
    parse_oom_kills,
    read_oom_kills,
)

_MOUNT_2 = "35 31 0:30 {root} /sys/fs/cgroup rw,nosuid shared:9 - cgroup2 cgroup2 rw,nsdelegate\n"
_MOUNT_1 = "36 31 0:31 {root} /sys/fs/cgroup/{name} rw,nosuid - cgroup cgroup rw,{name}\n"


def _lay(root: Path, files: dict[str, str]) -> Path:
    for name, text in files.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    return root


@pytest.mark.parametrize(
    ("text", "quota"),
    [
        ("max 100000\n", None),
        ("150000 100000\n", Fraction(3, 2)),
        ("100000 100000", Fraction(1)),
        ("", None),
        ("100000", None),
        ("0 100000", None),
        ("100000 0", None),
        ("-1 100000", None),
        ("² 100000", None),
    ],
)
def test_parse_cpu_max(text, quota):
    """Source: the kernel's cgroup-v2.rst, cpu.max: `$MAX $PERIOD`, MAX may be "max"."""
    assert parse_cpu_max(text) == quota


@pytest.mark.parametrize(
    ("quota", "period", "cores"),
    [("-1\n", "100000\n", None), ("50000\n", "100000\n", Fraction(1, 2)), ("", "", None), ("x", "100000", None)],
)
def test_parse_cfs_quota(quota, period, cores):
    """Source: the kernel's sched-bwc.rst: a quota of -1 is no limit."""
    assert parse_cfs_quota(quota, period) == cores


def test_parse_groups_reads_both_versions():
    """Source: cgroups(7), /proc/pid/cgroup, with its own example lines."""
    text = "5:cpuacct,cpu,cpuset:/daemons\n1:name=systemd:/user.slice/a:b\n0::/user.slice/s\n\nbroken\n"
    assert parse_groups(text) == {
        "cpuacct": "/daemons",
        "cpu": "/daemons",
        "cpuset": "/daemons",
        "name=systemd": "/user.slice/a:b",
        "": "/user.slice/s",
    }


def test_parse_group_mounts_takes_octal_escapes_and_optional_fields():
    """Source: proc_pid_mountinfo(5): any number of optional fields before the dash, blanks as \\040."""
    text = (
        "27 1 254:0 / / rw,relatime - ext4 /dev/vda rw\n"
        "32 31 0:29 / /sys/fs/a\\040b rw shared:1 master:2 - cgroup cgroup rw,cpu,cpuacct\n"
        "41 31 0:38 /docker/f /sys/fs/cgroup rw - cgroup2 cgroup2 rw\n"
        "cut 31 0:38 /\n"
    )
    assert parse_group_mounts(text) == [
        ("/sys/fs/a b", "/", frozenset(("rw", "cpu", "cpuacct"))),
        ("/sys/fs/cgroup", "/docker/f", None),
    ]


class TestCores:
    """Affinity and quotas together."""

    @pytest.mark.parametrize(
        ("own", "above", "cores"),
        [
            ("max 100000", "max 100000", 8),
            ("200000 100000", "max 100000", 2),
            ("max 100000", "300000 100000", 3),
            ("400000 100000", "150000 100000", 2),
            ("10000 100000", "max 100000", 1),
        ],
    )
    def test_smallest_quota_of_version_2_up_the_hierarchy_counts(self, tmp_path, own, above, cores):
        root = _lay(
            tmp_path,
            {
                "proc/self/cgroup": "0::/ci/job\n",
                "proc/self/mountinfo": _MOUNT_2.format(root="/"),
                "sys/fs/cgroup/ci/job/cgroup.controllers": "cpu memory",
                "sys/fs/cgroup/ci/job/cpu.max": own,
                "sys/fs/cgroup/ci/cpu.max": above,
            },
        )
        assert count_usable_cores(root=root, affinity_count=8) == cores

    def test_quota_of_version_1_counts(self, tmp_path):
        root = _lay(
            tmp_path,
            {
                "proc/self/cgroup": "4:cpu,cpuacct:/docker/f00\n0::/\n",
                "proc/self/mountinfo": _MOUNT_1.format(root="/docker/f00", name="cpu,cpuacct"),
                "sys/fs/cgroup/cpu,cpuacct/cpu.cfs_quota_us": "250000\n",
                "sys/fs/cgroup/cpu,cpuacct/cpu.cfs_period_us": "100000\n",
            },
        )
        assert count_usable_cores(root=root, affinity_count=8) == 3

    def test_hybrid_layout_takes_the_quota_where_the_controller_hangs(self, tmp_path):
        root = _lay(
            tmp_path,
            {
                "proc/self/cgroup": "1:cpu:/a\n0::/a\n",
                "proc/self/mountinfo": _MOUNT_2.format(root="/") + _MOUNT_1.format(root="/", name="cpu"),
                "sys/fs/cgroup/a/cgroup.controllers": "hugetlb",
                "sys/fs/cgroup/a/cpu.max": "100000 100000",
                "sys/fs/cgroup/cpu/a/cpu.cfs_quota_us": "200000",
                "sys/fs/cgroup/cpu/a/cpu.cfs_period_us": "100000",
            },
        )
        assert count_usable_cores(root=root, affinity_count=8) == 2

    def test_group_outside_of_what_is_mounted_is_taken_at_the_mount(self, tmp_path):
        root = _lay(
            tmp_path,
            {
                "proc/self/cgroup": "0::/../other\n",
                "proc/self/mountinfo": _MOUNT_2.format(root="/"),
                "sys/fs/cgroup/cgroup.controllers": "cpu",
                "sys/fs/cgroup/cpu.max": "100000 100000",
            },
        )
        assert count_usable_cores(root=root, affinity_count=8) == 1

    def test_affinity_alone_counts_where_nothing_can_be_read(self, tmp_path):
        assert count_usable_cores(root=tmp_path, affinity_count=3) == 3
        assert count_usable_cores(root=tmp_path, affinity_count=0) == 1

    def test_this_machine_gives_what_it_has_at_most(self):
        assert 1 <= count_usable_cores() <= len(os.sched_getaffinity(0))


class TestOomKills:
    """The counter of processes that were ended for lack of memory."""

    @pytest.mark.parametrize(
        ("text", "kills"),
        [
            ("low 0\nhigh 3\nmax 9\noom 2\noom_kill 5\noom_group_kill 1\n", 5),  # memory.events
            ("oom_kill_disable 0\nunder_oom 0\noom_kill 0\n", 0),  # memory.oom_control
            ("nr_free_pages 1\noom_kill 17\n", 17),  # /proc/vmstat
            ("oom 2\n", None),
            ("oom_kill x\n", None),
            ("", None),
        ],
    )
    def test_parse(self, text, kills):
        assert parse_oom_kills(text) == kills

    def test_own_group_goes_before_the_whole_machine(self, tmp_path):
        root = _lay(
            tmp_path,
            {
                "proc/self/cgroup": "0::/job\n",
                "proc/self/mountinfo": _MOUNT_2.format(root="/"),
                "proc/vmstat": "oom_kill 9\n",
                "sys/fs/cgroup/job/cgroup.controllers": "cpu memory",
                "sys/fs/cgroup/job/memory.events": "oom 1\noom_kill 2\n",
            },
        )
        assert read_oom_kills(root=root) == 2

    def test_whole_machine_counts_where_the_group_has_no_counter(self, tmp_path):
        root = _lay(
            tmp_path,
            {
                "proc/self/cgroup": "0::/\n",
                "proc/self/mountinfo": _MOUNT_2.format(root="/"),
                "proc/vmstat": "oom_kill 9\n",
                "sys/fs/cgroup/cgroup.controllers": "cpu memory",
            },
        )
        assert read_oom_kills(root=root) == 9

    def test_nothing_readable_is_none_and_not_zero(self, tmp_path):
        assert read_oom_kills(root=tmp_path) is None


class TestMemory:
    """How much memory is ours."""

    def test_is_the_machines_where_nothing_limits_it(self, tmp_path):
        """Source: proc_meminfo(5), MemTotal in KiB."""
        lines = Path("/proc/meminfo").read_text().splitlines()
        (total,) = (line.split()[1] for line in lines if line.startswith("MemTotal:"))
        assert count_memory(root=tmp_path) == pytest.approx(int(total) * 1024, rel=0.01)

    @pytest.mark.parametrize(("limit", "expected"), [("1073741824\n", 1 << 30), ("max\n", None)])
    def test_is_what_a_control_group_gives(self, tmp_path, limit, expected):
        root = _lay(
            tmp_path,
            {
                "proc/self/cgroup": "0::/job\n",
                "proc/self/mountinfo": _MOUNT_2.format(root="/"),
                "sys/fs/cgroup/job/cgroup.controllers": "cpu memory",
                "sys/fs/cgroup/job/memory.max": limit,
            },
        )
        assert count_memory(root=root) == (expected or count_memory(root=tmp_path / "no-groups"))

    @pytest.mark.parametrize(
        ("events", "was"),
        [
            ("low 0\nhigh 0\nmax 91\noom 2\noom_kill 1\n", True),
            ("low 0\nhigh 0\nmax 91\noom 0\noom_kill 0\n", False),  # caches were dropped, that is all
            ("low 0\nhigh 0\nmax 0\noom 0\noom_kill 1\n", False),  # the machine was short, not the group
        ],
    )
    def test_group_says_whether_its_own_limit_killed(self, tmp_path, events, was):
        """Source: the kernel's Documentation/admin-guide/cgroup-v2.rst, memory.events."""
        (tmp_path / "memory.events").write_text(events)
        assert was_short(str(tmp_path), 1 << 30, 0) is was

    @pytest.mark.parametrize(
        ("kills", "most", "was"),
        [
            (1, 1 << 30, True),
            (0, 1 << 30, False),  # caches filled the group, and another one was short
            (1, 1 << 29, False),  # the machine was short
        ],
    )
    def test_group_of_version_1_counts_its_own_kills(self, tmp_path, kills, most, was):
        """Source: the kernel's Documentation/admin-guide/cgroup-v1/memory.rst; mm/memcontrol-v1.c, oom_kill."""
        (tmp_path / "memory.max_usage_in_bytes").write_text(f"{most}\n")
        (tmp_path / "memory.oom_control").write_text(f"oom_kill_disable 0\nunder_oom 0\noom_kill {kills}\n")
        # Of the whole machine more was killed since, by far.
        assert was_short(str(tmp_path), 1 << 30, -1000) is was
        assert count_group_kills(str(tmp_path)) == kills

    @pytest.mark.parametrize(("killed_before", "was"), [(-1000, True), (1 << 60, False)])
    def test_old_kernel_of_version_1_is_asked_for_the_whole_machine(self, tmp_path, killed_before, was):
        (tmp_path / "memory.max_usage_in_bytes").write_text(f"{1 << 30}\n")
        (tmp_path / "memory.oom_control").write_text("oom_kill_disable 0\nunder_oom 0\n")
        assert was_short(str(tmp_path), 1 << 30, killed_before) is was
        assert count_group_kills(str(tmp_path)) is None


class TestFreeBytes:
    """Room on the filesystem."""

    def test_is_what_df_says(self, tmp_path):
        """Source: df(1) of GNU coreutils, between two readings of ours that agree: others fill and empty the disk."""
        for _ in range(100):
            before = free_bytes(tmp_path)
            ran = subprocess.run(["df", "-B1", "--output=avail", tmp_path], capture_output=True, text=True, check=True)
            if before == free_bytes(tmp_path):
                break
        assert int(ran.stdout.split()[-1]) == pytest.approx(before, abs=1024**2)

    def test_of_a_folder_yet_to_be_made_is_that_of_the_nearest_above(self, tmp_path):
        found = [(free_bytes(tmp_path / "a" / "b"), free_bytes(tmp_path)) for _ in range(100)]
        assert any(one == other for one, other in found)
