"""
The executor of this machine: as many workplaces as workers, or some more, each used by one thread at a time.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from threading import Lock
from typing import TYPE_CHECKING

from gatekeep.build.command import CancelToken
from gatekeep.model.evidence import Evidence
from gatekeep.model.plan import Job
from gatekeep.runner.second_look import SecondLook
from gatekeep.runner.spare import Spare

if TYPE_CHECKING:  # a run that builds nothing does not wait for what builds
    from gatekeep.build.job import Workplace


class LocalExecutor:
    """
    Runs jobs in threads; the builds themselves are child processes.

    Of the free workplaces a job gets the one that holds its tree already, so that trees are seldom moved. Workplaces
    are opened when a job finds none free: most changes build less than there is room for, and looking through a tree
    that an earlier run has left reads every file of it.

    Args:
        worker_count: How many jobs may run at once.
        spare_count: How many more may be made ready or looked through meanwhile, once that pays (see `spare`).
        open_workplace: Gives a further workplace; called in the workers' threads, perhaps in several at once.
        prepare: Called once before the first job, in the caller's thread.
        second_look: Says how often a job is built.
        now: The clock, in seconds.
    """

    def __init__(
        self,
        worker_count: int,
        *,
        spare_count: int = 0,
        open_workplace: Callable[[], Workplace],
        prepare: Callable[[], None],
        second_look: SecondLook,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self.worker_count = worker_count
        self._most_spare_count = spare_count
        self._spare = Spare()
        self._now = now
        self._open_workplace = open_workplace
        self._prepare = prepare
        self._second_look = second_look
        self._is_prepared = False
        self._all: list[Workplace] = []
        self._free: list[Workplace] = []
        self._lock = Lock()
        self._cancel = CancelToken()
        self._threads = ThreadPoolExecutor(max_workers=worker_count + spare_count, thread_name_prefix="worker")

    @property
    def spare_count(self) -> int:
        """How many jobs more than workers are to be under way at the moment."""
        return self._most_spare_count if self._spare.pays else 0

    def submit(self, job: Job) -> Future[Evidence]:
        """Start a job; called only while fewer than `worker_count` and `spare_count` together are running."""
        if not self._is_prepared:
            self._prepare()
            self._is_prepared = True
        return self._threads.submit(self._build, job)

    def cancel(self) -> None:
        """End what is running; its evidence says not decided."""
        self._cancel.cancel()

    def close(self) -> None:
        """Wait for threads, then let go of the workplaces."""
        self._threads.shutdown(wait=True)
        for workplace in self._all:
            workplace.close()
        self._cancel.close()

    def _build(self, job: Job) -> Evidence:
        began_at = self._now()
        workplace, is_new = self._take(job.commit.tree_id)
        builder = _Builder(workplace, self._cancel)
        try:
            return self._second_look.build(job, builder)
        finally:
            own_s = self._now() - began_at - builder.elapsed_s
            with self._lock:
                # Once there are spare ones, what a job waits for is its turn.
                if not self._spare.pays:
                    self._spare.note(own_s, is_first=is_new)
                self._free.append(workplace)

    def _take(self, tree_id: str) -> tuple[Workplace, bool]:
        """Give a workplace, and whether it was opened for that."""
        with self._lock:
            if self._free:
                last = len(self._free) - 1
                index = next((at for at, place in enumerate(self._free) if place.tree_id == tree_id), last)
                return self._free.pop(index), False
        workplace = self._open_workplace()
        with self._lock:
            self._all.append(workplace)
        return workplace, True


class _Builder:
    """One workplace for the time of one job."""

    def __init__(self, workplace: Workplace, cancel: CancelToken) -> None:
        self._workplace, self._cancel = workplace, cancel
        #: How long its builds took together.
        self.elapsed_s = 0.0

    def build(self, job: Job, attempt: int) -> Evidence:
        found = self._workplace.build(job, self._cancel, attempt)
        self.elapsed_s += found.elapsed_s
        return found

    def drop_log(self, evidence: Evidence) -> None:
        self._workplace.drop_log(evidence)
