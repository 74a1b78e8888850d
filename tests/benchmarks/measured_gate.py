"""
Runs one gatekeep command in a process of its own and tells what it took, part by part.

    python tests/benchmarks/measured_gate.py FACTS.json [--profile FILE] gate BASE HEAD …

For the benchmarks beside it: they call `measure_gate`. The clocks are put round the product's functions from here, so
that the product has none. CPU of a part is that of its thread (two workers at once do not count each other's), parts
nest, and each counts itself without the parts inside it.

A build's CPU is what its keeper counted of the processes that it waited for. Ours is all the rest: this process, and
of what it waited for the keepers and git.
"""

from __future__ import annotations

import time

_STARTED_AT = time.perf_counter()

import functools  # noqa: E402 - the clock above starts first
import importlib  # noqa: E402
import json  # noqa: E402
import os  # noqa: E402
import resource  # noqa: E402
import statistics  # noqa: E402
import subprocess  # noqa: E402
import sys  # noqa: E402
import tempfile  # noqa: E402
import threading  # noqa: E402
from collections.abc import Callable, Mapping  # noqa: E402
from dataclasses import dataclass  # noqa: E402
from pathlib import Path  # noqa: E402
from typing import Any  # noqa: E402

ROOT = Path(__file__).resolve().parents[2]
JOB = "job"
RUN = "run overhead"
STORE = "store"
LEAVINGS = "leavings of the last job, beside the build"
#: (part, where its function is looked up). The first word of a part that is a job's own step is "job".
PARTS = (
    ("plan: change", "gatekeep.cli.gate:load_landing"),
    ("plan: matrices", "gatekeep.cli.judging:load_matrices"),
    ("plan: toolchains (CPU: of their threads)", "gatekeep.cli.start:_ready_toolchain"),
    ("plan: stored evidence", "gatekeep.history.store:SqliteStore.list_evidence"),
    ("plan: jobs", "gatekeep.cli.judging:plan_change"),
    ("carry or build", "gatekeep.runner.schedule:_Run._advance"),
    ("open workers", "gatekeep.build.worktree:MaterialisedTree"),
    (JOB, "gatekeep.build.job:Workplace.build"),
    ("job: move the tree", "gatekeep.build.worktree:MaterialisedTree.move_to"),
    ("job: folders", "gatekeep.build.job:Workplace._make_folders"),
    (LEAVINGS, "gatekeep.build.leavings:Leavings.remove"),
    ("job: environment", "gatekeep.build.job:build_environment"),
    (RUN, "gatekeep.build.subprocess_runner:SubprocessRunner.run"),
    ("job: log", "gatekeep.build.job:parse_log"),
    ("job: measuring", "gatekeep.build.job:measure_artifacts"),
    ("job: restore the tree", "gatekeep.build.worktree:MaterialisedTree.restore"),
    ("job: keep the log", "gatekeep.build.job:Workplace._keep_log"),
    ("job: log line", "gatekeep.build.job:_log_build"),
    (STORE, "gatekeep.history.store:SqliteStore.add"),
    ("store what is carried", "gatekeep.history.store:SqliteStore.add_carried"),
    ("end workers", "gatekeep.runner.local:LocalExecutor.close"),
    ("judge: case", "gatekeep.cli.judging:_make_case"),
    ("judge", "gatekeep.cli.judging:judge"),
    ("report", "gatekeep.cli.gate:write_judgement"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class GateFacts:
    """
    What one command took.

    `wall_s` is from before the process started until it had ended; `own_cpu_s` all CPU but the builds'.
    `jobs` are (target, tree, outcome, elapsed, CPU of its commands, CPU of our thread), seconds, in the order of their
    ends. `parts` gives for each part its count, the sum of its CPU and of its wall time, and its median CPU, without
    the parts inside it. `start_s` is when the first build started and `end_s` when the last one ended, after the start
    of the process.
    """

    exit_code: int
    wall_s: float
    own_cpu_s: float
    builds_cpu_s: float
    probes_cpu_s: float
    keepers_cpu_s: float
    peak_rss_bytes: int
    import_s: float
    jobs: tuple[tuple[str, str, str, float, float, float], ...]
    parts: Mapping[str, tuple[int, float, float, float]]
    start_s: float
    end_s: float
    output: str

    @property
    def work_s(self) -> float:
        """Sum of the builds' own times."""
        return sum(job[3] for job in self.jobs)

    @property
    def job_cpu_s(self) -> float:
        """Median CPU of ours for one job: its thread, and its share of the keepers, the store and what is removed."""
        if not self.jobs:
            return 0.0
        shared_s = self.keepers_cpu_s + self.parts[STORE][1] + self.parts[LEAVINGS][1]
        return statistics.median(job[5] for job in self.jobs) + shared_s / len(self.jobs)

    def bound_s(self, cores: int) -> float:
        """The least wall time that these builds can take: max(longest job, work / cores)."""
        return max(max((job[3] for job in self.jobs), default=0.0), self.work_s / cores)


def benchmark_environment() -> dict[str, str]:
    """
    Ours, with this interpreter's folder first on PATH: `python3` of a recipe then has what ours has.

    Compiled modules are kept, as they are for a user; some machines of developers switch that off.
    """
    kept = {name: text for name, text in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return {**kept, "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}"}


def measure_gate(*arguments: str, folder: Path, profile: Path | None = None) -> GateFacts:
    """
    Run `gatekeep ARGUMENTS` in a process of its own, in a folder.

    Raises:
        SystemExit: It could not be measured; what it printed is shown.
    """
    with tempfile.TemporaryDirectory() as scratch:
        facts_file = Path(scratch, "facts.json")
        options = ["--profile", str(profile)] if profile else []
        command = [sys.executable, str(Path(__file__).resolve()), str(facts_file), *options, *arguments]
        started_at = time.perf_counter()
        done = subprocess.run(
            command, cwd=folder, env=benchmark_environment(), capture_output=True, text=True, check=False
        )
        wall_s = time.perf_counter() - started_at
        if not facts_file.exists():
            raise SystemExit(f"gatekeep {' '.join(arguments)} could not be measured:\n{done.stdout}{done.stderr}")
        facts: dict[str, Any] = json.loads(facts_file.read_text())
    # The interpreter's own start, before our clock, belongs to the command.
    before_s = wall_s - facts.pop("inner_wall_s")
    for moment in ("start_s", "end_s"):
        facts[moment] += before_s
    jobs = tuple(map(tuple, facts.pop("jobs")))
    parts = {name: tuple(figures) for name, figures in facts.pop("parts").items()}
    return GateFacts(wall_s=wall_s, output=done.stdout + done.stderr, jobs=jobs, parts=parts, **facts)


class Clocks:
    """Puts clocks round functions, and keeps what they show."""

    def __init__(self) -> None:
        self.cpu_s: dict[str, list[float]] = {name: [] for name, _ in PARTS}
        self.wall_s: dict[str, float] = dict.fromkeys(self.cpu_s, 0.0)
        self._inside = threading.local()

    def wrap(self, part: str, place: str, then: Callable[[float, Any, tuple[Any, ...]], None] | None) -> None:
        """
        Put a clock round a function or class at `module:name[.name]`.

        Raises:
            SystemExit: It is not there: the product has changed, and this table must follow.
        """
        module, _, path = place.partition(":")
        *owners, name = path.split(".")
        owner: Any = importlib.import_module(module)
        for step in owners:
            owner = getattr(owner, step)
        inner = getattr(owner, name, None)
        if inner is None:
            raise SystemExit(f"{place} is not there any more; correct PARTS in {__file__}")
        if isinstance(inner, type):
            # A class: its instances are made inside, its class methods stay reachable.
            owner, name = inner, "__init__"
            inner = getattr(owner, name)

        @functools.wraps(inner)
        def timed(*given: Any, **named: Any) -> Any:
            stack: list[float] = getattr(self._inside, "stack", [])
            self._inside.stack = stack
            stack.append(0.0)
            wall_at, cpu_at = time.perf_counter(), time.thread_time()
            result = None
            try:
                result = inner(*given, **named)
                return result
            finally:
                cpu_s = time.thread_time() - cpu_at
                own_s = cpu_s - stack.pop()
                if stack:
                    stack[-1] += cpu_s
                self.cpu_s[part].append(own_s)
                self.wall_s[part] += time.perf_counter() - wall_at
                if then is not None and result is not None:
                    then(cpu_s, result, given)

        setattr(owner, name, timed)


def _cpu_s(who: int) -> float:
    usage = resource.getrusage(who)
    return usage.ru_utime + usage.ru_stime


def main() -> None:
    """Run the command with clocks in it; write the facts."""
    facts_file, *arguments = sys.argv[1:]
    profile = None
    if arguments[0] == "--profile":
        profile, arguments = arguments[1], arguments[2:]
    sys.path.insert(0, str(ROOT))
    import_at = time.perf_counter()
    cli = importlib.import_module("gatekeep.cli.main")
    cli.settle_process()
    importlib.import_module("gatekeep.cli.gate")
    import_s = time.perf_counter() - import_at
    clocks = Clocks()
    jobs: list[tuple[str, str, str, float, float, float]] = []
    commands: list[tuple[int, float, float, float]] = []
    name_outcome = importlib.import_module("gatekeep.model.evidence").name_outcome

    def after_run(_cpu: float, result: Any, given: tuple[Any, ...]) -> None:
        now = time.perf_counter() - _STARTED_AT
        commands.append((threading.get_ident(), now - result.elapsed_s, now, result.cpu_s))

    def after_job(cpu_s: float, evidence: Any, given: tuple[Any, ...]) -> None:
        own = [entry for entry in commands if entry[0] == threading.get_ident()]
        commands[:] = [entry for entry in commands if entry[0] != threading.get_ident()]
        spans.extend((entry[1], entry[2]) for entry in own)
        build_cpu_s = sum(entry[3] for entry in own)
        outcome = name_outcome(evidence.outcome)
        jobs.append((evidence.target, evidence.tree_id, outcome, evidence.elapsed_s, build_cpu_s, cpu_s))

    spans: list[tuple[float, float]] = []
    for part, place in PARTS:
        clocks.wrap(part, place, {JOB: after_job, RUN: after_run}.get(part))
    keepers_s = _watch_keepers()
    if profile is None:
        exit_code = cli.run(arguments)
    else:
        profiler = importlib.import_module("cProfile").Profile()
        exit_code = profiler.runcall(cli.run, arguments)
        profiler.dump_stats(profile)
    builds_cpu_s = sum(job[4] for job in jobs)
    probes_cpu_s = sum(entry[3] for entry in commands)
    facts = {
        "exit_code": exit_code,
        "inner_wall_s": time.perf_counter() - _STARTED_AT,
        "own_cpu_s": _cpu_s(resource.RUSAGE_SELF) + _cpu_s(resource.RUSAGE_CHILDREN) - builds_cpu_s - probes_cpu_s,
        "builds_cpu_s": builds_cpu_s,
        "probes_cpu_s": probes_cpu_s,
        "keepers_cpu_s": sum(keepers_s) - builds_cpu_s - probes_cpu_s,
        "peak_rss_bytes": _peak_rss_bytes(),
        "import_s": import_s,
        "jobs": jobs,
        "parts": {
            part: (len(each), sum(each), clocks.wall_s[part], statistics.median(each) if each else 0.0)
            for part, each in clocks.cpu_s.items()
        },
        "start_s": min((span[0] for span in spans), default=0.0),
        "end_s": max((span[1] for span in spans), default=0.0),
    }
    Path(facts_file).write_text(json.dumps(facts))
    sys.stdout.flush()
    os._exit(0)


def _peak_rss_bytes() -> int:
    """Ask for this process alone: ru_maxrss begins at what its parent had. Source: proc_pid_status(5), VmHWM."""
    status = Path("/proc/self/status").read_text(encoding="ascii", errors="replace")
    return next(int(line.split()[1]) * 1024 for line in status.splitlines() if line.startswith("VmHWM:"))


def _watch_keepers() -> list[float]:
    """Take in what each keeper and all below it have used, when it is waited for."""
    runners = importlib.import_module("gatekeep.build.subprocess_runner")
    inner = runners.SubprocessRunner.close
    found: list[float] = []

    def close(self: Any) -> None:
        before_s = _cpu_s(resource.RUSAGE_CHILDREN)
        inner(self)
        found.append(_cpu_s(resource.RUSAGE_CHILDREN) - before_s)

    runners.SubprocessRunner.close = close
    return found


def print_load() -> None:
    """Print what else this machine was doing: a figure taken beside other work says so."""
    print(f"load of the machine (1, 5, 15 min): {' '.join(f'{load:.1f}' for load in os.getloadavg())}")


def print_parts(facts: GateFacts) -> None:
    """Print where our own CPU went, dearest first."""
    count = max(1, len(facts.jobs))
    print(f"  {'part (CPU of its thread, without parts inside)':48} {'count':>6} {'sum ms':>8} ", end="")
    print(f"{'a job':>7} {'median':>7} {'wall, with parts inside':>24}")
    rows = sorted(facts.parts.items(), key=lambda row: -row[1][1])
    for name, (times, cpu_s, wall_s, median_s) in rows:
        if times:
            each = cpu_s / count * 1000
            print(f"  {name:48} {times:6} {cpu_s * 1000:8.1f} {each:7.2f} {median_s * 1000:7.2f} {wall_s * 1000:24.1f}")
    keepers_ms = facts.keepers_cpu_s * 1000
    print(f"  {'keepers (all their processes)':48} {'':6} {keepers_ms:8.1f} {keepers_ms / count:7.2f}")
    rest_ms = (facts.own_cpu_s - facts.keepers_cpu_s - sum(row[1] for row in facts.parts.values())) * 1000
    print(f"  {'the rest: imports, git, scheduling':48} {'':6} {rest_ms:8.1f} {rest_ms / count:7.2f}")


if __name__ == "__main__":
    main()
