"""
What the shared jobserver saves at the tail of a run, and what a token costs.

    python tests/benchmarks/bench_jobserver.py

The run: one long build of 24 sub-jobs and six short ones of two, on two workers, the long one first. The bound is that
of any schedule, max(longest job, work / cores), where the longest job is the long build alone on every core, measured
before; DESIGN.md wants 1.05 of it. Beside it: every build with its fixed share (what `{jobs}` is without the
jobserver), and twice the share, which fills the tail but runs twice as many sub-jobs as there are cores before it. That
shows in memory, and here where sub-jobs sleep: below the bound is more than the cores.

Sub-jobs that sleep show the sharing alone, whoever else uses the machine; those that compute need an idle one.

The cost: a make of 400 sub-jobs that do nothing, with `-j2` of its own and with the jobserver.
"""

from __future__ import annotations

import os
import statistics
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from gatekeep.build.command import CancelToken, CommandSpec, Exited
from gatekeep.build.gnu_make import find_makes
from gatekeep.build.jobserver import Jobserver
from gatekeep.build.subprocess_runner import SubprocessRunner

_CORES = 2
_LONG_COUNT = 24
_SHORT_COUNT = 2
_SHORT_BUILDS = 6
_SLEEP_S = 0.1
_RUNS = 3
_EMPTY_COUNT = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """Where and with what builds run."""

    folder: Path
    runner: SubprocessRunner
    cancel: CancelToken
    environment: dict[str, str]

    def write(self, name: str, count: int, work: str) -> None:
        """Write a makefile of so many sub-jobs."""
        jobs = " ".join(f"j{number}" for number in range(count))
        (self.folder / name).write_text(f"all: {jobs}\n{jobs}: ; @{work}\n")

    def make(self, jobserver: Jobserver, makefile: str, jobs: str) -> None:
        """Run a make; `jobs` is its `-j` word, `-j{jobs}` for the jobserver."""
        command = ("make", *((jobs,) if jobs else ()), "-f", makefile)
        with jobserver.take_seat() as seat, seat.lend(command, self.environment) as lending:
            spec = CommandSpec(
                argv=lending.command,
                directory=self.folder,
                environment=lending.environment,
                time_limit_s=120,
                log_path=self.folder / f"{makefile}.log",
                log_limit_bytes=1024**2,
                pass_fds=lending.pass_fds,
            )
            result = self.runner.run(spec, self.cancel)
            if result.end != Exited(code=0) or result.log_bytes:
                raise RuntimeError(f"{makefile}: {result.end}, {spec.log_path.read_text()}")

    def run_all(self, jobserver: Jobserver, jobs: str) -> float:
        """Run the long build and the short ones on as many workers as cores; give the wall time in seconds."""
        started_at = time.perf_counter()
        with ThreadPoolExecutor(_CORES) as workers:
            for done in [
                workers.submit(self.make, jobserver, makefile, jobs)
                for makefile in ("long.mk", *("short.mk",) * _SHORT_BUILDS)
            ]:
                done.result()
        return time.perf_counter() - started_at


def _show_tail(bench: Bench, jobserver: Jobserver, label: str, work: str) -> None:
    bench.write("long.mk", _LONG_COUNT, work)
    bench.write("short.mk", _SHORT_COUNT, work)
    started_at = time.perf_counter()
    bench.make(jobserver, "long.mk", f"-j{_CORES}")
    seconds = (time.perf_counter() - started_at) * _CORES / _LONG_COUNT
    count = _LONG_COUNT + _SHORT_BUILDS * _SHORT_COUNT
    bound_s = max(-(-_LONG_COUNT // _CORES), count / _CORES) * seconds
    print(f"{label}: {count} sub-jobs of {seconds:.3f} s, {_CORES} cores, bound {bound_s:.2f} s")
    for name, jobs in (
        ("  fixed share (-j1)", "-j1"),
        (f"  twice the share (-j{_CORES})", f"-j{_CORES}"),
        ("  the jobserver", "-j{jobs}"),
    ):
        wall_s = statistics.median(bench.run_all(jobserver, jobs) for _ in range(_RUNS))
        print(f"{name:34} {wall_s:6.2f} s, {wall_s / bound_s:5.2f} of the bound")


def _show_cost(bench: Bench, jobserver: Jobserver) -> None:
    bench.write("empty.mk", _EMPTY_COUNT, "true $@;")
    print(f"a make of {_EMPTY_COUNT} sub-jobs that do nothing, ms a sub-job")
    for name, jobs in (("  its own -j2", f"-j{_CORES}"), ("  the jobserver", "-j{jobs}")):
        walls, cpus = [], []
        for _ in range(_RUNS):
            started_at, cpu_before = time.perf_counter(), time.process_time()
            bench.make(jobserver, "empty.mk", jobs)
            walls.append(time.perf_counter() - started_at)
            cpus.append(time.process_time() - cpu_before)
        wall_ms, cpu_ms = (statistics.median(times) / _EMPTY_COUNT * 1000 for times in (walls, cpus))
        print(f"{name:34} {wall_ms:6.3f} wall, {cpu_ms:6.3f} CPU of ours")


def main() -> None:
    """Print the tables."""
    environment = {"PATH": os.environ.get("PATH", "/usr/bin:/bin")}
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        cancel = stack.enter_context(CancelToken())
        runner = stack.enter_context(SubprocessRunner())
        makes = find_makes(runner=runner, environment=environment, scratch=folder, cancel=cancel)
        jobserver = stack.enter_context(Jobserver(cores=_CORES, makes=makes))
        bench = Bench(folder=folder, runner=runner, cancel=cancel, environment=environment)
        _show_tail(bench, jobserver, "sleeping", f"sleep {_SLEEP_S}")
        _show_tail(bench, jobserver, "computing", "head -c 20000000 /dev/zero | sha256sum >/dev/null")
        _show_cost(bench, jobserver)


if __name__ == "__main__":
    main()
