"""
What it costs to know what a build read: by access times, beside not knowing it, and beside a trace of its system calls.

Run: python -m tests.benchmarks.bench_readset

The tree has 2,000 files, of which a board reads 67 (GCC and GNU ld for ARM). Builds alternate, so that a slow moment of
the machine is shared. "Not knowing" is the same build in the same tree just after another one: every access time has
moved then, and the kernel writes none. What our own process spends is not in there; it is the second table.
"""

from __future__ import annotations

import os
import resource
import shutil
import statistics
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from gatekeep.build.readset import probe_access_times
from gatekeep.build.subprocess_runner import SubprocessRunner
from gatekeep.build.tree_files import walk_tree
from tests.firmware_tree import write_firmware_tree
from tests.job_bench import ENVIRONMENT, Bench, open_bench

FILES = 2000
BUILDS = 15
JOBS = 40
#: Ours: as good as nothing.
RATIO_BOUND = 1.01
#: Ours, for the look at every path, collecting and setting back together.
OWN_BOUND_MS = 8.0
STRACE = ("strace", "-f", "-qq", "-y", "-e", "trace=openat,execve,read,pread64,mmap,getdents64,readlink", "-o")


def main() -> None:
    """Print each figure beside its bound or peer."""
    with tempfile.TemporaryDirectory() as scratch, SubprocessRunner() as runner:
        folder = Path(scratch)
        write_firmware_tree(folder / "source", file_count=FILES)
        started_at = time.perf_counter()
        fault = probe_access_times(folder, runner=runner, environment=ENVIRONMENT)
        print(f"probe: {(time.perf_counter() - started_at) * 1000:.0f} ms, once a workplace; {fault or 'serves'}\n")
        with open_bench(folder, runner) as bench:
            compare_builds(bench)
            measure_own(bench)


def compare_builds(bench: Bench) -> None:
    """Print how long one build takes with, without, and under a trace."""
    known: list[tuple[float, float]] = []
    unknown: list[tuple[float, float]] = []
    traced: list[tuple[float, float]] = []
    build(bench)
    for number in range(BUILDS):
        unknown.append(build(bench))
        bench.tree.restore()
        known.append(build(bench))
        if number % 5 == 0:
            traced.append(build(bench, *STRACE, str(bench.folder / "trace")))
    print(f"{'one build, medians':44} {'wall s':>8} {'CPU s':>8} {'ratio':>8} {'CPU ratio':>10}")
    wall_s, cpu_s = medians(unknown)
    for label, times in (
        ("read set not known", unknown),
        (f"by access times (bound {RATIO_BOUND})", known),
        ("by strace", traced),
    ):
        wall, cpu = medians(times)
        print(f"{label:44} {wall:8.3f} {cpu:8.3f} {wall / wall_s:8.3f} {cpu / cpu_s:10.3f}")
    print()


def measure_own(bench: Bench) -> None:
    """Print the CPU that we spend after a job."""
    root = os.fsencode(bench.tree.root)
    names = [path for path in bench.tree.root.rglob("*") if path.is_file()]
    bench.tree.restore()
    print(f"{f'after a job, {FILES} files, CPU ms, medians':44} {'ms':>8}")
    print(f"{'walking alone':44} {cpu_ms(lambda: None, lambda: walk_tree(root, lambda *_: True)):8.2f}")
    bench.tree.restore()
    for label, count in (("nothing was read", 0), ("67 files were read", 67), ("300", 300), ("all", len(names))):

        def read(count: int = count) -> None:
            for name in names[:count]:
                name.read_bytes()

        own_ms = cpu_ms(read, lambda: look_through(bench))
        print(f"{f'canary, restore and read set: {label}':44} {own_ms:8.2f}   bound: {OWN_BOUND_MS:.0f}")


def look_through(bench: Bench) -> None:
    """Do what a job does for its read set."""
    bench.watch.before()
    bench.tree.restore()
    bench.watch.result(bench.tree.accesses, builds_in_tree=False)


def build(bench: Bench, *before: str) -> tuple[float, float]:
    """Give wall time and CPU of one build."""
    shutil.rmtree(bench.out, ignore_errors=True)
    bench.out.mkdir()
    cpu_before_s, started_at = children_s(), time.perf_counter()
    subprocess.run([*before, "make", "-s", "-j2", f"O={bench.out}"], cwd=bench.tree.root, env=ENVIRONMENT, check=True)
    return time.perf_counter() - started_at, children_s() - cpu_before_s


def children_s() -> float:
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    return usage.ru_utime + usage.ru_stime


def medians(times: list[tuple[float, float]]) -> tuple[float, float]:
    return statistics.median(wall for wall, _ in times), statistics.median(cpu for _, cpu in times)


def cpu_ms(prepare: Callable[[], object], act: Callable[[], object]) -> float:
    """Give the median CPU of this process for one act."""
    spent = []
    for _ in range(JOBS):
        prepare()
        started_at = time.process_time()
        act()
        spent.append(time.process_time() - started_at)
    return statistics.median(spent) * 1000


if __name__ == "__main__":
    main()
