"""
What running a command costs us, beside `subprocess.run`, and what our care for it adds.

    python tests/benchmarks/bench_command.py

CPU is that of this process and of everything below it, keepers included, less nothing: the command itself (`true`) is
in both columns. The bound is ours: less than 3 ms of CPU a command.
"""

from __future__ import annotations

import os
import resource
import statistics
import subprocess
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from gatekeep.build.command import CancelToken, CommandSpec
from gatekeep.build.subprocess_runner import SubprocessRunner

_COUNT = 300
_BOUND_MS = 3.0


def _cpu_s() -> float:
    usages = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(usage.ru_utime + usage.ru_stime for usage in usages)


def _measure(run: Callable[[], object], close: Callable[[], object], count: int = _COUNT) -> tuple[float, float]:
    """Give CPU and median wall time of one run, in ms; what `close` waits for counts as CPU."""
    walls = []
    cpu_before = _cpu_s()
    for _ in range(count):
        started_at = time.perf_counter()
        run()
        walls.append(time.perf_counter() - started_at)
    close()
    return (_cpu_s() - cpu_before) / count * 1000, statistics.median(walls) * 1000


def main() -> None:
    """Print the table."""
    environment = {"PATH": os.environ.get("PATH", "/usr/bin:/bin")}
    with tempfile.TemporaryDirectory() as name, CancelToken() as cancel:
        folder = Path(name)

        def make(*argv: str, log: str = "log") -> CommandSpec:
            return CommandSpec(
                argv=argv,
                directory=folder,
                environment=environment,
                time_limit_s=60,
                log_path=folder / log,
                log_limit_bytes=4 * 1024**2,
            )

        def bare(*argv: str) -> None:
            with (folder / "bare").open("ab") as log:
                subprocess.run(
                    argv, cwd=folder, env=environment, stdin=subprocess.DEVNULL, stdout=log, stderr=log, check=True
                )

        print(f"{'':44} {'CPU ms':>8} {'wall ms':>8}   a command, {_COUNT} of each")
        for label, argv in (("true", ("true",)), ("sh that prints 2,000 lines", ("seq", "1", "2000"))):
            peer = _measure(lambda argv=argv: bare(*argv), lambda: None)  # type: ignore[misc]
            runner = SubprocessRunner()
            spec = make(*argv)
            runner.run(spec, cancel)  # the first starts the keeper: shown apart below
            ours = _measure(lambda spec=spec, runner=runner: runner.run(spec, cancel), runner.close)  # type: ignore[misc]
            print(f"{label + ', subprocess.run':44} {peer[0]:8.2f} {peer[1]:8.2f}")
            print(f"{label + ', SubprocessRunner':44} {ours[0]:8.2f} {ours[1]:8.2f}")
            print(f"{'  ours beyond it (bound: 3 ms of CPU)':44} {ours[0] - peer[0]:8.2f} {ours[1] - peer[1]:8.2f}")

        def start_and_close() -> None:
            with SubprocessRunner() as fresh:
                fresh.run(make("true"), cancel)

        cpu_ms, wall_ms = _measure(start_and_close, lambda: None, count=10)
        print(f"{'keeper started, one command, keeper ended':44} {cpu_ms:8.2f} {wall_ms:8.2f}   once a worker")

        with SubprocessRunner() as runner, ThreadPoolExecutor(8) as pool:
            started_at = time.perf_counter()
            list(pool.map(lambda n: runner.run(make("true", log=f"log-{n % 8}"), cancel), range(_COUNT)))
            each_ms = (time.perf_counter() - started_at) / _COUNT * 1000
            print(f"{'8 threads, wall time a command':44} {'':8} {each_ms:8.2f}")

        with SubprocessRunner() as runner:
            before_s = _cpu_s()
            slow = make("sleep", "2")
            runner.run(slow, cancel)
        print(f"{'keeper and a command that waits for 2 s':44} {(_cpu_s() - before_s) * 1000:8.2f} {'':8}   no polling")

        with SubprocessRunner() as runner:
            endless = CommandSpec(
                argv=("yes",),
                directory=folder,
                environment=environment,
                time_limit_s=1,
                log_path=folder / "endless",
                log_limit_bytes=4 * 1024**2,
            )
            printed = runner.run(endless, cancel).log_bytes
        size = (folder / "endless").stat().st_size
        print(
            f"{'endless printer, 1 s':44} {printed / 1024**2:8.0f} MiB printed, {size / 1024**2:.2f} MiB kept of 4.00"
        )


if __name__ == "__main__":
    main()
