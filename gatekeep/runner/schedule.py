"""
Runs a plan: carries what can be carried, builds the rest, never more at once than there are workers.

Every target has its own chain of trees, base first. Whether a tree's result can be carried is known only when the
result it would be carried from is there, so a chain waits at a build whose read set decides about the next step. It
does not wait where the next tree differs in a file that earlier builds of the target read: that step will be built
whatever comes out, and starts as soon as a worker is free. A guess that was wrong costs one build and changes no
result. What a step is decided by is the same whichever build ends first: a result that no step waits for counts as not
there yet, even when it is. So the reasons for building, and from where a result is carried, do not depend on chance.

Of all steps that may start, the lowest rank starts first. Where the executor says so, some more than there are workers
are handed over: what is done before a build and after it takes place while others run. Each result is stored before
anybody is told of it; the worker that made it goes on meanwhile, for the disk takes its time. What is carried is stored
in heaps: it can be carried again, and a heap costs hardly more than one.
"""

from __future__ import annotations

import heapq
from bisect import bisect_right
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from dataclasses import replace
from itertools import count
from typing import Protocol

from gatekeep.history.sink import ResultSink, is_kept
from gatekeep.model.evidence import Evidence
from gatekeep.model.plan import Job

#: So many carried results are stored in one transaction: 300 take 6 ms, and one takes 4.
_CARRIED_HEAP = 300


class Executor(Protocol):
    """
    Where jobs run: this machine's workers, or a cluster.

    A future gives the evidence; a build that could not be watched is evidence of outcome not decided, not an exception.
    """

    worker_count: int

    @property
    def spare_count(self) -> int:
        """How many jobs more it can take at the moment, which it makes ready, or looks through, while others run."""

    def submit(self, job: Job) -> Future[Evidence]:
        """Start a job; called only while fewer than `worker_count` and `spare_count` together are running."""

    def cancel(self) -> None:
        """Stop what is running; its futures end soon, as not decided."""

    def close(self) -> None:
        """Let go of workers; nothing is running any more."""


class Carrier(Protocol):
    """Decides what need not be built."""

    def carry(self, job: Job, earlier: Sequence[Evidence]) -> Evidence | str:
        """Give the result of `job`, taken over from an earlier one of its target, or the reason to build it."""

    def must_build(self, job: Job, after: Job, earlier: Sequence[Evidence]) -> bool:
        """Tell whether `job` will be built, whatever the build of `after`, which is not there yet, may show."""


class BuildEverything:
    """The carrier where nothing may be carried."""

    def __init__(self, reason: str) -> None:
        self._reason = reason

    def carry(self, job: Job, earlier: Sequence[Evidence]) -> Evidence | str:
        """Give the reason."""
        return self._reason

    def must_build(self, job: Job, after: Job, earlier: Sequence[Evidence]) -> bool:
        """Never wait."""
        return True


class Progress(Protocol):
    """Who is told how far a run is."""

    def job_started(self, job: Job) -> None:
        """A worker has taken up a job."""

    def job_finished(self, job: Job, evidence: Evidence) -> None:
        """A job has ended and its evidence is stored."""

    def jobs_carried(self, carried: Sequence[Evidence]) -> None:
        """These need no build after all; they are stored."""


#: What is to be done now that this is known.
Follow = Callable[[Evidence], Iterable[Job]]


class Interrupted(KeyboardInterrupt):
    """The user stopped the run; every child has ended and every finished result is stored."""


def run_jobs(
    jobs: Sequence[Job],
    *,
    executor: Executor,
    store: ResultSink,
    progress: Progress,
    carrier: Carrier,
    earlier: Iterable[Evidence] = (),
    follow: Follow | None = None,
) -> tuple[Evidence, ...]:
    """
    Carry or build.

    Args:
        jobs: In any order; those of one target follow the order of their `position`. At most one a (target, tree), and
            those that follow are no others than these before these have ended.
        executor: Runs builds; cancelled when this call is interrupted.
        store: Gets each result that may be reused, before `progress` hears of it.
        progress: Told of starts and ends, from this thread.
        carrier: Says what need not be built.
        earlier: Results of the same targets at other trees, to carry from.
        follow: Gives further jobs when a result is stored, None when there are none.

    Returns:
        One evidence a job, in no promised order.

    Raises:
        StoreError: A result could not be stored; what runs is cancelled first.
        Interrupted: Ctrl-C.
    """
    run = _Run(executor, store, progress, carrier, earlier, follow)
    try:
        run.advance_all(jobs)
        while run.running or run.ready:
            run.start_ready()
            run.wait_for_ends()
            run.start_ready()
            run.take_in()
        run.keep_carried()
    except BaseException as error:
        executor.cancel()
        run.store_what_ended()
        if isinstance(error, KeyboardInterrupt):
            raise Interrupted from error
        raise
    return tuple(run.found)


class _Run:
    """The state of one call of `run_jobs`."""

    def __init__(
        self,
        executor: Executor,
        store: ResultSink,
        progress: Progress,
        carrier: Carrier,
        earlier: Iterable[Evidence],
        follow: Follow | None,
    ) -> None:
        self._follow = follow
        self._executor, self._store, self._progress, self._carrier = executor, store, progress, carrier
        self.found: list[Evidence] = []
        self.running: dict[Future[Evidence], Job] = {}
        #: Ended, and not stored yet.
        self._ended: deque[tuple[Future[Evidence], Job]] = deque()
        #: Carried, and not stored yet.
        self._carried: list[Evidence] = []
        self.ready: list[tuple[tuple[int, ...], int, Job]] = []
        self._tie = count()
        self._chains: dict[str, deque[Job]] = {}
        self._open: dict[str, list[Job]] = {}
        #: Of builds that have ended and are still among the open ones, by target and tree.
        self._results: dict[tuple[str, str], Evidence] = {}
        #: What steps are decided by, in the order of the chains, and the positions of these.
        self._earlier: dict[str, list[Evidence]] = {}
        self._positions: dict[str, list[int]] = {}
        for evidence in earlier:
            self._learn(evidence, position=-1)

    def advance_all(self, jobs: Iterable[Job]) -> None:
        """Take in the jobs and move every chain as far as it goes."""
        self._extend(jobs)
        self.keep_carried()

    def _extend(self, jobs: Iterable[Job]) -> None:
        """Take in jobs."""
        ordered = sorted(jobs, key=lambda job: job.position)
        for job in ordered:
            self._chains.setdefault(job.target.name, deque()).append(job)
        for target in dict.fromkeys(job.target.name for job in ordered):
            self._advance(target)

    def start_ready(self) -> None:
        """Fill the free workers, and those that prepare."""
        room = self._executor.worker_count + self._executor.spare_count
        while self.ready and len(self.running) < room:
            _, _, job = heapq.heappop(self.ready)
            self.running[self._executor.submit(job)] = job
            self._progress.job_started(job)

    def wait_for_ends(self) -> None:
        """Wait until a build has ended, and free the workers of all that have."""
        done = wait(self.running, return_when=FIRST_COMPLETED).done
        for future in sorted(done, key=lambda future: self.running[future].rank):
            self._ended.append((future, self.running.pop(future)))

    def take_in(self) -> None:
        """Store and tell what has ended, and move the chains that waited for it."""
        while self._ended:
            future, job = self._ended[0]
            evidence = future.result()
            if is_kept(evidence):
                self._store.add(evidence)
            self._ended.popleft()
            self.found.append(evidence)
            self._progress.job_finished(job, evidence)
            self._results[job.target.name, job.commit.tree_id] = evidence
            self._advance(job.target.name)
            if self._follow is not None:
                self._extend(self._follow(evidence))
        if len(self._carried) >= _CARRIED_HEAP or self._follow is not None:
            self.keep_carried()

    def keep_carried(self) -> None:
        """Store and tell what was carried."""
        while self._carried:
            self._store.add_carried(self._carried)
            self.found += self._carried
            self._progress.jobs_carried(self._carried)
            kept, self._carried = self._carried, []
            if self._follow is not None:
                self._extend(job for evidence in kept for job in self._follow(evidence))

    def store_what_ended(self) -> None:
        """Keep builds that ended on their own while the run was stopped; a second failure must not hide the first."""
        for future in (*(future for future, _ in self._ended), *wait(self.running).done):
            if future.cancelled() or future.exception() is not None or not is_kept(future.result()):
                continue
            try:
                self._store.add(future.result())
            except Exception:  # noqa: S112 - the first error is on its way up and says more
                continue

    def _advance(self, target: str) -> None:
        """Carry or make ready the next steps of a chain, up to one that has to wait."""
        chain, earlier = self._chains[target], self._earlier.setdefault(target, [])
        in_the_works = self._open.setdefault(target, [])
        if self._follow is not None:
            # Which steps there are depends on the results, so all of them count.
            self._close([job for job in in_the_works if self._has_ended(job)])
        while chain:
            job = chain[0]
            answer = self._carrier.carry(job, earlier)
            if isinstance(answer, Evidence):
                self._carried.append(answer)
                self._learn(answer, position=job.position)
                chain.popleft()
                continue
            deciding = [after for after in in_the_works if not self._carrier.must_build(job, after, earlier)]
            if not all(map(self._has_ended, deciding)):
                break
            if deciding:
                self._close(deciding)
                continue
            chain.popleft()
            explained = replace(job, reason=answer)
            in_the_works.append(explained)
            heapq.heappush(self.ready, (job.rank, next(self._tie), explained))

    def _has_ended(self, job: Job) -> bool:
        return (job.target.name, job.commit.tree_id) in self._results

    def _close(self, jobs: Iterable[Job]) -> None:
        """Let further steps be decided by the results of these jobs, which have ended."""
        for job in jobs:
            self._open[job.target.name].remove(job)
            self._learn(self._results.pop((job.target.name, job.commit.tree_id)), position=job.position)

    def _learn(self, evidence: Evidence, *, position: int) -> None:
        positions = self._positions.setdefault(evidence.target, [])
        index = bisect_right(positions, position)
        positions.insert(index, position)
        self._earlier.setdefault(evidence.target, []).insert(index, evidence)
