"""
What the sandbox costs: a command in it beside the same command outside, and the trial at the start of a run.

    python tests/benchmarks/bench_sandbox.py

CPU is that of this process and of everything below it, keepers and bubblewrap included. What the kernel does for
namespaces afterwards, in threads of its own, belongs to nobody; the last column has it: the time for which the whole
machine was busy, so it is worth something on an idle machine only. The bound is that for our own CPU in a build: 30 ms.
"""

from __future__ import annotations

import os
import resource
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from gatekeep.build.command import CancelToken, CommandRunner, CommandSpec, Exited
from gatekeep.build.environment import make_base_environment
from gatekeep.build.sandbox import Sandbox, find_sandbox
from gatekeep.build.sandbox_view import survey
from gatekeep.build.subprocess_runner import SubprocessRunner

_COUNT = 200
_BOUND_MS = 30.0


def _cpu_s() -> float:
    usages = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(usage.ru_utime + usage.ru_stime for usage in usages)


def _busy_s() -> float:
    """Sum what all cores have done (proc_stat(5)): user, nice, system, irq, softirq."""
    ticks = Path("/proc/stat").read_text().split("\n", 1)[0].split()[1:]
    return sum(int(ticks[index]) for index in (0, 1, 2, 5, 6)) / os.sysconf("SC_CLK_TCK")


def _measure(run: Callable[[], object], close: Callable[[], object], count: int) -> tuple[float, float, float]:
    walls = []
    cpu_s, busy_s = _cpu_s(), _busy_s()
    for _ in range(count):
        started_at = time.perf_counter()
        run()
        walls.append(time.perf_counter() - started_at)
    close()
    return (
        (_cpu_s() - cpu_s) / count * 1000,
        statistics.median(walls) * 1000,
        (_busy_s() - busy_s) / count * 1000,
    )


def main() -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as name, CancelToken() as cancel:
        folder = Path(name)
        places = {place: folder / place for place in ("tree", "tmp", "probe")}
        for place in places.values():
            place.mkdir()
        environment = make_base_environment(os.environ, home=places["tmp"], tmp=places["tmp"])
        spec = CommandSpec(
            argv=("true",),
            directory=places["tree"],
            environment=environment,
            time_limit_s=60,
            log_path=folder / "log",
            log_limit_bytes=65536,
        )

        def find(machine: SubprocessRunner) -> Sandbox:
            found = find_sandbox(
                runner=machine,
                environment=environment,
                scratch=places["probe"],
                cancel=cancel,
                hide=[],
                view=survey(environment["PATH"]),
            )
            if not isinstance(found, Sandbox):
                raise SystemExit(found.message)
            return found

        def measure_command(make: Callable[[SubprocessRunner], CommandRunner]) -> tuple[float, float, float]:
            machine = SubprocessRunner()
            runner = make(machine)
            if runner.run(spec, cancel).end != Exited(code=0):
                raise SystemExit("true failed")
            return _measure(lambda: runner.run(spec, cancel), machine.close, _COUNT)

        with SubprocessRunner() as machine:
            sandbox = find(machine)
            trial = _measure(lambda: find(machine), lambda: None, 20)
        outside = measure_command(lambda machine: machine)
        inside = measure_command(
            lambda machine: sandbox.confine(machine, writable=[places["tree"], places["tmp"]], tmp=places["tmp"])
        )
        print(f"load {os.getloadavg()[0]:.2f} of {os.cpu_count()} cores; control groups: {sorted(sandbox.groups)}")
        print(f"{'':44} {'CPU ms':>8} {'wall ms':>8} {'machine':>8}   each, {_COUNT} of them")
        added = tuple(a - b for a, b in zip(inside, outside, strict=True))
        rows = (
            ("true, outside", outside),
            ("true, in the sandbox", inside),
            (f"  what the sandbox adds (bound: {_BOUND_MS:.0f} ms)", added),
            ("trial, once a run", trial),
        )
        for label, (cpu_ms, wall_ms, busy_ms) in rows:
            print(f"{label:44} {cpu_ms:8.2f} {wall_ms:8.2f} {busy_ms:8.2f}")


if __name__ == "__main__":
    main()
