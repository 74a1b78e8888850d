"""
Workers whose builds take a given time on a clock that nobody waits for: makespans of real schedules in milliseconds.

The plan's ranks and `run_jobs` are the product's own; only the builds are not there. Good for plans whose jobs may all
start at once, as those of one tree: a job then ends when the next one is submitted, or when there is no next one.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import replace
from itertools import count, permutations

from gatekeep.model.evidence import Evidence
from gatekeep.model.matrix import Matrix, Port
from gatekeep.model.plan import Job
from gatekeep.runner.plan import PlanInputs, ReadyToolchain, plan_change
from gatekeep.runner.schedule import BuildEverything, run_jobs
from tests.cases import TOOLCHAIN, make_change, make_evidence, make_matrix, make_port, make_target


class SimulatedExecutor:
    """As many workers as it says; `now_s` is the time on their clock. Jobs end in the order of their times."""

    def __init__(self, worker_count: int, durations_s: Mapping[str, float], job_count: int) -> None:
        self.worker_count = worker_count
        self.spare_count = 0
        self.now_s = 0.0
        self._durations_s = durations_s
        self._left = job_count
        self._running: list[tuple[float, int, Job, Future[Evidence]]] = []
        self._tie = count()

    def submit(self, job: Job) -> Future[Evidence]:
        """Start a job now; when that was the last free worker, time goes on to the next end."""
        future: Future[Evidence] = Future()
        ends_at_s = self.now_s + self._durations_s[job.target.name]
        heapq.heappush(self._running, (ends_at_s, next(self._tie), job, future))
        self._left -= 1
        if len(self._running) == self.worker_count:
            self._end_next()
        while not self._left and self._running:
            self._end_next()
        return future

    def _end_next(self) -> None:
        ends_at_s, _, job, future = heapq.heappop(self._running)
        self.now_s = ends_at_s
        future.set_result(make_evidence(job.commit, job.target.name))

    def cancel(self) -> None:
        """Nothing runs on its own."""

    def close(self) -> None:
        """Nothing is held."""


class _Forgetful:
    """A store and a progress that keep nothing."""

    def list_evidence(self, tree_ids: Iterable[str]) -> tuple[Evidence, ...]:
        return ()

    def list_newest(self) -> tuple[Evidence, ...]:
        return ()

    def add(self, evidence: Evidence) -> None:
        pass

    def add_carried(self, evidence: Sequence[Evidence]) -> None:
        pass

    def load_durations(self) -> dict[str, float]:
        return {}

    def job_started(self, job: Job) -> None:
        pass

    def job_finished(self, job: Job, evidence: Evidence) -> None:
        pass

    def jobs_carried(self, carried: Sequence[Evidence]) -> None:
        pass


def make_wide_matrix(names: Iterable[str]) -> Matrix:
    """Make a matrix of targets on whatever ports their names say, none younger than another."""
    targets = tuple(make_target(name) for name in names)
    ports: dict[str, Port] = {target.port: make_port(target.port) for target in targets}
    return replace(make_matrix(()), ports=tuple(ports.values()), targets=targets)


def simulate(
    durations_s: Mapping[str, float], worker_count: int, *, expected_s: Mapping[str, float] | None = None
) -> float:
    """
    Give the makespan of one tree's builds, in the order in which gatekeep starts them, in seconds.

    Args:
        durations_s: Of each target, by name.
        worker_count: How many run at once.
        expected_s: What the plan knows of them; None means the durations themselves, {} nothing.
    """
    matrix = make_wide_matrix(durations_s)
    change = make_change(0)
    plan = plan_change(
        PlanInputs(
            change=change,
            matrices={change.base.tree_id: matrix},
            toolchains={TOOLCHAIN: ReadyToolchain(version="0.17.1", digest="d")},
            durations_s=durations_s if expected_s is None else expected_s,
        )
    )
    executor = SimulatedExecutor(worker_count, durations_s, len(plan.jobs))
    nobody = _Forgetful()
    found = run_jobs(plan.jobs, executor=executor, store=nobody, progress=nobody, carrier=BuildEverything("simulated"))
    if len(found) != len(durations_s):
        raise AssertionError(f"{len(found)} of {len(durations_s)} jobs have run")
    return executor.now_s


def lower_bound_s(durations_s: Iterable[float], worker_count: int) -> float:
    """Give what no schedule can beat: the longest job, or all work shared evenly."""
    durations = list(durations_s)
    return max(max(durations), sum(durations) / worker_count)


def list_schedule_s(durations_s: Iterable[float], worker_count: int) -> float:
    """Give the makespan of list scheduling in this order: each job on the worker that is free first."""
    free_at_s = [0.0] * worker_count
    for duration_s in durations_s:
        heapq.heapreplace(free_at_s, free_at_s[0] + duration_s)
    return max(free_at_s)


def find_optimum_s(durations_s: Sequence[float], worker_count: int) -> float:
    """Try every order: some list is optimal (Graham 1969). For eight jobs or so."""
    return min(list_schedule_s(order, worker_count) for order in set(permutations(durations_s)))


def graham_bound(worker_count: int) -> float:
    """
    How many times the optimum the longest-first order can take at most.

    Source: R. L. Graham, "Bounds on Multiprocessing Timing Anomalies", SIAM J. Appl. Math. 17 (1969), 416-429,
    theorem 2 (its number from memory): 4/3 - 1/(3m).
    """
    return 4 / 3 - 1 / (3 * worker_count)


def graham_worst_case(worker_count: int) -> list[float]:
    """
    Make the jobs for which that bound is met: optimum 3m, longest first 4m - 1.

    Source: as above, the example after theorem 2: 2m-1, 2m-1, 2m-2, 2m-2, …, m+1, m+1, m, m, m.
    """
    lengths = [float(length) for length in range(2 * worker_count - 1, worker_count, -1) for _ in range(2)]
    return [*lengths, *[float(worker_count)] * 3]
