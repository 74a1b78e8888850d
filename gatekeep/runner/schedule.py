"""
Runs a plan's jobs: never more at once than there are workers, in the order of rank, each result stored before it is
told.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from typing import Protocol

from gatekeep.history.store import ResultStore, is_reusable
from gatekeep.model.evidence import Evidence
from gatekeep.model.plan import Job


class Executor(Protocol):
    """
    Where jobs run: this machine's workers, or a cluster.

    A future gives the evidence; a build that could not be watched is evidence of outcome not decided, not an exception.
    """

    worker_count: int

    def submit(self, job: Job) -> Future[Evidence]:
        """Start a job on a free worker; called only while fewer than `worker_count` are running."""

    def cancel(self) -> None:
        """Stop what is running; its futures end soon, as not decided."""

    def close(self) -> None:
        """Let go of workers; nothing is running any more."""


class Progress(Protocol):
    """Who is told how far a run is."""

    def job_started(self, job: Job) -> None:
        """A worker has taken up a job."""

    def job_finished(self, job: Job, evidence: Evidence) -> None:
        """A job has ended and its evidence is stored."""


class Interrupted(KeyboardInterrupt):
    """The user stopped the run; every child has ended and every finished result is stored."""


def run_jobs(
    jobs: Sequence[Job], *, executor: Executor, store: ResultStore, progress: Progress
) -> tuple[Evidence, ...]:
    """
    Build.

    Args:
        jobs: In the order in which they shall start.
        executor: Runs them; cancelled when this call is interrupted.
        store: Gets each result that may be reused, before `progress` hears of it.
        progress: Told of starts and ends, from this thread.

    Returns:
        One evidence a job, in no promised order.

    Raises:
        StoreError: A result could not be stored; what runs is cancelled first.
        Interrupted: Ctrl-C.
    """
    waiting = deque(jobs)
    running: dict[Future[Evidence], Job] = {}
    found: list[Evidence] = []
    try:
        while waiting or running:
            while waiting and len(running) < executor.worker_count:
                job = waiting.popleft()
                running[executor.submit(job)] = job
                progress.job_started(job)
            done, _ = wait(running, return_when=FIRST_COMPLETED)
            for future in sorted(done, key=lambda future: running[future].rank):
                job, evidence = running.pop(future), future.result()
                if is_reusable(evidence):
                    store.add(evidence)
                found.append(evidence)
                progress.job_finished(job, evidence)
    except BaseException as error:
        executor.cancel()
        _store_what_ended(running, store, error)
        if isinstance(error, KeyboardInterrupt):
            raise Interrupted from error
        raise
    return tuple(found)


def _store_what_ended(running: dict[Future[Evidence], Job], store: ResultStore, error: BaseException) -> None:
    """Keep builds that ended on their own while the run was being stopped; a second failure must not hide the first."""
    for future in wait(running).done:
        if future.cancelled() or future.exception() is not None or isinstance(error, OSError):
            continue
        if is_reusable(future.result()):
            try:
                store.add(future.result())
            except Exception:  # noqa: S112 - the first error is on its way up and says more
                continue
