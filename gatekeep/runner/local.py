"""
The executor of this machine: as many workplaces as workers, each used by one thread at a time.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from threading import Lock

from gatekeep.build.command import CancelToken
from gatekeep.build.job import Workplace
from gatekeep.model.evidence import Evidence
from gatekeep.model.plan import Job


class LocalExecutor:
    """
    Runs jobs in threads; the builds themselves are child processes.

    Of the free workplaces a job gets the one that holds its tree already, so that trees are seldom moved.
    """

    def __init__(self, workplaces: Sequence[Workplace]) -> None:
        self.worker_count = len(workplaces)
        self._all = tuple(workplaces)
        self._free = list(workplaces)
        self._lock = Lock()
        self._cancel = CancelToken()
        self._threads = ThreadPoolExecutor(max_workers=len(workplaces), thread_name_prefix="worker")

    def submit(self, job: Job) -> Future[Evidence]:
        """Start a job; called only while a workplace is free."""
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
        workplace = self._take(job.commit.tree_id)
        try:
            return workplace.build(job, self._cancel)
        finally:
            with self._lock:
                self._free.append(workplace)

    def _take(self, tree_id: str) -> Workplace:
        with self._lock:
            index = next((at for at, place in enumerate(self._free) if place.tree_id == tree_id), len(self._free) - 1)
            return self._free.pop(index)
