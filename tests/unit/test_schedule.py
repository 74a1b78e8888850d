"""Jobs start in order, never too many at once, and what is told is stored."""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import Future

import pytest

from gatekeep.errors import StoreError
from gatekeep.model.evidence import Evidence, NotDecided
from gatekeep.model.plan import Job
from gatekeep.runner.plan import plan_change
from gatekeep.runner.schedule import Interrupted, run_jobs
from tests.cases import make_evidence
from tests.unit.test_plan import make_inputs

JOBS = plan_change(make_inputs(0)).jobs


class SteppedExecutor:
    """Ends the oldest running job when all workers are taken; `on_submit` may raise."""

    def __init__(self, worker_count: int, jobs_before_interrupt: int = 10**9) -> None:
        self.worker_count = worker_count
        self.started: list[str] = []
        self.most_at_once = 0
        self.cancelled = False
        self._left = jobs_before_interrupt
        self._running: list[tuple[Job, Future[Evidence]]] = []

    def submit(self, job: Job) -> Future[Evidence]:
        if self._left == 0:
            raise KeyboardInterrupt
        self._left -= 1
        self.started.append(job.target.name)
        future: Future[Evidence] = Future()
        self._running.append((job, future))
        self.most_at_once = max(self.most_at_once, len(self._running))
        if len(self._running) == self.worker_count or self.started[-1] == JOBS[-1].target.name:
            self._end_all()
        return future

    def _end_all(self) -> None:
        for job, future in self._running:
            outcome = NotDecided(message="lost") if job.target.name == "mips/holm" else None
            future.set_result(make_evidence(job.commit, job.target.name, outcome))
        self._running.clear()

    def cancel(self) -> None:
        self.cancelled = True
        self._end_all()

    def close(self) -> None:
        pass


class ListStore:
    def __init__(self, room: int = 10**9) -> None:
        self.kept: list[str] = []
        self._room = room

    def list_evidence(self, tree_ids: Iterable[str]) -> tuple[Evidence, ...]:
        return ()

    def add(self, evidence: Evidence) -> None:
        if len(self.kept) == self._room:
            raise StoreError("the disk is full")
        self.kept.append(evidence.target)

    def load_durations(self) -> dict[str, float]:
        return {}


class Told:
    def __init__(self, store: ListStore) -> None:
        self.ended: list[str] = []
        self._store = store

    def job_started(self, job: Job) -> None:
        pass

    def job_finished(self, job: Job, evidence: Evidence) -> None:
        assert evidence.target in self._store.kept or isinstance(evidence.outcome, NotDecided)
        self.ended.append(job.target.name)


@pytest.mark.parametrize("worker_count", [1, 2, 5])
def test_all_jobs_run_in_order_and_never_more_at_once_than_workers(worker_count: int) -> None:
    executor, store = SteppedExecutor(worker_count), ListStore()
    told = Told(store)
    found = run_jobs(JOBS, executor=executor, store=store, progress=told)
    assert executor.started == [job.target.name for job in JOBS]
    assert executor.most_at_once <= worker_count
    assert sorted(entry.target for entry in found) == sorted(told.ended) == sorted(executor.started)


def test_what_is_not_decided_is_not_stored() -> None:
    store = ListStore()
    run_jobs(JOBS, executor=SteppedExecutor(2), store=store, progress=Told(store))
    assert "mips/holm" not in store.kept
    assert len(store.kept) == len(JOBS) - 1


def test_interrupt_cancels_and_keeps_what_had_ended() -> None:
    executor, store = SteppedExecutor(3, jobs_before_interrupt=4), ListStore()
    with pytest.raises(Interrupted):
        run_jobs(JOBS, executor=executor, store=store, progress=Told(store))
    assert executor.cancelled
    assert len(store.kept) == 4


def test_a_store_that_cannot_be_written_stops_the_run() -> None:
    executor, store = SteppedExecutor(1), ListStore(room=2)
    with pytest.raises(StoreError, match="the disk is full"):
        run_jobs(JOBS, executor=executor, store=store, progress=Told(store))
    assert executor.cancelled
