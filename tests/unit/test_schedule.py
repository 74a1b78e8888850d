"""Jobs start in order, never too many at once, and what is told is stored."""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence
from concurrent.futures import Future
from dataclasses import replace
from threading import Lock, Thread

import pytest

from gatekeep.errors import StoreError
from gatekeep.model.evidence import Evidence, NotDecided
from gatekeep.model.plan import Job
from gatekeep.model.readset import Carried
from gatekeep.runner.plan import plan_change
from gatekeep.runner.schedule import BuildEverything, Interrupted, _Run, run_jobs
from tests.cases import make_evidence
from tests.unit.test_plan import make_inputs

JOBS = plan_change(make_inputs(0)).jobs
ALWAYS = BuildEverything("no reason")


class SteppedExecutor:
    """Ends the oldest running job when all workers are taken; `on_submit` may raise."""

    def __init__(self, worker_count: int, jobs_before_interrupt: int = 10**9) -> None:
        self.worker_count = worker_count
        self.spare_count = 0
        self.started: list[str] = []
        self.most_at_once = 0
        self.cancelled = False
        self._left = jobs_before_interrupt
        self._running: list[tuple[Job, Future[Evidence]]] = []
        self._lock = Lock()

    def submit(self, job: Job) -> Future[Evidence]:
        if self._left == 0:
            raise KeyboardInterrupt
        self._left -= 1
        self.started.append(job.target.name)
        future: Future[Evidence] = Future()
        with self._lock:
            self._running.append((job, future))
            self.most_at_once = max(self.most_at_once, len(self._running))
        if len(self._running) == self.worker_count:
            self._end_all()
        else:
            # Perhaps no further job comes before this one ends: end it from elsewhere, as a worker would.
            Thread(target=self._end_all).start()
        return future

    def _end_all(self) -> None:
        with self._lock:
            ending, self._running = self._running, []
        for job, future in ending:
            outcome = NotDecided(message="lost") if job.target.name == "mips/holm" else None
            future.set_result(make_evidence(job.commit, job.target.name, outcome))

    def cancel(self) -> None:
        self.cancelled = True
        self._end_all()

    def close(self) -> None:
        pass


class ListStore:
    def __init__(self, room: int = 10**9) -> None:
        self.kept: list[str] = []
        self.carried: list[tuple[str, str]] = []
        self._room = room

    def list_evidence(self, tree_ids: Iterable[str]) -> tuple[Evidence, ...]:
        return ()

    def add(self, evidence: Evidence) -> None:
        if len(self.kept) == self._room:
            raise StoreError("the disk is full")
        self.kept.append(evidence.target)

    def add_carried(self, evidence: Sequence[Evidence]) -> None:
        self.carried += [(entry.tree_id, entry.target) for entry in evidence]

    def list_newest(self) -> tuple[Evidence, ...]:
        return ()

    def load_durations(self) -> dict[str, float]:
        return {}


class Told:
    def __init__(self, store: ListStore) -> None:
        self.ended: list[str] = []
        self.carried_count = 0
        self._store = store

    def job_started(self, job: Job) -> None:
        pass

    def job_finished(self, job: Job, evidence: Evidence) -> None:
        assert evidence.target in self._store.kept or isinstance(evidence.outcome, NotDecided)
        self.ended.append(job.target.name)

    def jobs_carried(self, carried: Sequence[Evidence]) -> None:
        self.carried_count += len(carried)


@pytest.mark.parametrize("worker_count", [1, 2, 5])
def test_all_jobs_run_in_order_and_never_more_at_once_than_workers(worker_count: int) -> None:
    executor, store = SteppedExecutor(worker_count), ListStore()
    told = Told(store)
    found = run_jobs(JOBS, executor=executor, store=store, progress=told, carrier=ALWAYS)
    assert executor.started == [job.target.name for job in JOBS]
    assert executor.most_at_once <= worker_count
    assert sorted(entry.target for entry in found) == sorted(told.ended) == sorted(executor.started)


def test_what_is_not_decided_is_not_stored() -> None:
    store = ListStore()
    run_jobs(JOBS, executor=SteppedExecutor(2), store=store, progress=Told(store), carrier=ALWAYS)
    assert "mips/holm" not in store.kept
    assert len(store.kept) == len(JOBS) - 1


def test_interrupt_cancels_and_keeps_what_had_ended() -> None:
    executor, store = SteppedExecutor(3, jobs_before_interrupt=4), ListStore()
    with pytest.raises(Interrupted):
        run_jobs(JOBS, executor=executor, store=store, progress=Told(store), carrier=ALWAYS)
    assert executor.cancelled
    assert len(store.kept) == 4


def test_a_store_that_cannot_be_written_stops_the_run() -> None:
    executor, store = SteppedExecutor(1), ListStore(room=2)
    with pytest.raises(StoreError, match="the disk is full"):
        run_jobs(JOBS, executor=executor, store=store, progress=Told(store), carrier=ALWAYS)
    assert executor.cancelled


class ByTable:
    """Carries what the table says: (target, position) -> position of the result to carry from."""

    def __init__(self, table: dict[tuple[str, int], int], *, sure: bool) -> None:
        self._table, self._sure = table, sure

    def carry(self, job: Job, earlier: Sequence[Evidence]) -> Evidence | str:
        wanted = self._table.get((job.target.name, job.position))
        for evidence in earlier:
            if wanted is not None and evidence.tree_id == TREES[wanted]:
                source = Carried(tree_id=evidence.tree_id, commit_id=evidence.commit_id)
                return replace(evidence, tree_id=job.commit.tree_id, carried=source)
        return "it changed"

    def must_build(self, job: Job, after: Job, earlier: Sequence[Evidence]) -> bool:
        return self._sure


CHAIN = tuple(
    sorted(
        (job for job in plan_change(make_inputs(3)).jobs if job.target.name in ("arm/mere", "mips/holm")),
        key=lambda job: job.rank,
    )
)
TREES = {job.position: job.commit.tree_id for job in CHAIN}


def run_chain(carrier: ByTable, worker_count: int = 1) -> tuple[ListStore, SteppedExecutor, tuple[Evidence, ...]]:
    executor, store = SteppedExecutor(worker_count), ListStore()
    found = run_jobs(CHAIN, executor=executor, store=store, progress=Told(store), carrier=carrier)
    return store, executor, found


def test_a_chain_waits_for_the_build_that_decides_and_carries_from_it() -> None:
    carrier = ByTable({("arm/mere", 2): 1, ("arm/mere", 3): 1}, sure=False)
    store, executor, found = run_chain(carrier)
    assert executor.started.count("arm/mere") == 2
    assert executor.started.count("mips/holm") == 4
    assert sorted(store.carried) == [(TREES[2], "arm/mere"), (TREES[3], "arm/mere")]
    assert sorted((entry.tree_id, entry.target) for entry in found) == sorted(
        (job.commit.tree_id, job.target.name) for job in CHAIN
    )
    assert {entry.tree_id: entry.carried is not None for entry in found if entry.target == "arm/mere"} == {
        TREES[0]: False,
        TREES[1]: False,
        TREES[2]: True,
        TREES[3]: True,
    }


def test_a_step_that_will_be_built_anyhow_does_not_wait() -> None:
    _, waiting, _ = run_chain(ByTable({}, sure=False), worker_count=2)
    _, at_once, _ = run_chain(ByTable({}, sure=True), worker_count=2)
    assert waiting.started[:2] != ["mips/holm", "mips/holm"]
    assert sorted(waiting.started) == sorted(at_once.started)


def test_results_of_earlier_runs_are_carried_from() -> None:
    stored = make_evidence(CHAIN[0].commit, "arm/mere")
    rest = [job for job in CHAIN if job.target.name == "arm/mere" and job.position > 0]
    executor, store = SteppedExecutor(1), ListStore()
    carrier = ByTable({("arm/mere", position): 0 for position in (1, 2, 3)}, sure=False)
    found = run_jobs(rest, executor=executor, store=store, progress=Told(store), carrier=carrier, earlier=[stored])
    assert executor.started == []
    assert [entry.tree_id for entry in found] == [TREES[1], TREES[2], TREES[3]]


def test_the_next_build_starts_before_the_last_one_is_stored() -> None:
    """The disk takes its time, and a worker is dear."""
    events: list[str] = []

    class Executor(SteppedExecutor):
        def submit(self, job: Job) -> Future[Evidence]:
            events.append(f"start {job.target.name}")
            return super().submit(job)

    class Store(ListStore):
        def add(self, evidence: Evidence) -> None:
            events.append(f"store {evidence.target}")
            super().add(evidence)

    jobs = [job for job in JOBS if job.target.name != "mips/holm"][:3]
    store = Store()
    run_jobs(jobs, executor=Executor(1), store=store, progress=Told(store), carrier=ALWAYS)
    first, second, third = (job.target.name for job in jobs)
    assert events == [
        f"start {first}",
        f"start {second}",
        f"store {first}",
        f"start {third}",
        f"store {second}",
        f"store {third}",
    ]


def test_what_is_carried_after_builds_is_stored_at_once_at_the_end() -> None:
    heaps: list[int] = []

    class Store(ListStore):
        def add_carried(self, evidence: Sequence[Evidence]) -> None:
            heaps.append(len(evidence))
            super().add_carried(evidence)

    store = Store()
    told = Told(store)
    carrier = ByTable({("arm/mere", position): 0 for position in (1, 2, 3)}, sure=False)
    run_jobs(CHAIN, executor=SteppedExecutor(2), store=store, progress=told, carrier=carrier)
    assert heaps == [3]
    assert told.carried_count == 3


class HeldExecutor:
    """Ends a job when it is told to."""

    def __init__(self, worker_count: int) -> None:
        self.worker_count = worker_count
        self.spare_count = 0
        self.running: list[tuple[Job, Future[Evidence]]] = []

    def submit(self, job: Job) -> Future[Evidence]:
        future: Future[Evidence] = Future()
        self.running.append((job, future))
        return future

    def end(self, index: int) -> None:
        job, future = self.running.pop(index)
        future.set_result(replace(make_evidence(job.commit, job.target.name), reason=job.reason))

    def cancel(self) -> None:
        raise AssertionError("nothing is cancelled")

    def close(self) -> None:
        pass


class ByWhatIsThere:
    """Says by what it decides; some steps wait for some others, and some can be carried from some others."""

    def carry(self, job: Job, earlier: Sequence[Evidence]) -> Evidence | str:
        seen = [POSITIONS[entry.tree_id] for entry in earlier]
        for evidence, position in zip(reversed(earlier), reversed(seen), strict=True):
            if (job.position, position) in ((4, 1), (7, 5), (7, 6), (8, 2)):
                source = Carried(tree_id=evidence.tree_id, commit_id=evidence.commit_id)
                return replace(evidence, tree_id=job.commit.tree_id, carried=source, reason="")
        return f"by {seen}"

    def must_build(self, job: Job, after: Job, earlier: Sequence[Evidence]) -> bool:
        return (job.position * 7 + after.position * 3 + len(earlier)) % 4 != 0


LONG_CHAIN = tuple(job for job in plan_change(make_inputs(9)).jobs if job.target.name in ("arm/mere", "mips/holm"))
POSITIONS = {job.commit.tree_id: job.position for job in LONG_CHAIN}


def test_reasons_and_sources_do_not_depend_on_which_build_ends_first() -> None:
    outcomes, orders = set(), set()
    for seed in range(200):
        choose = random.Random(seed)
        store, executor = ListStore(), HeldExecutor(1 + seed % 6)
        # The loop of `run_jobs`, where the workers' threads decide who ends first.
        run = _Run(executor, store, Told(store), ByWhatIsThere(), (), None)
        run.advance_all(LONG_CHAIN)
        while run.running or run.ready:
            run.start_ready()
            executor.end(choose.randrange(len(executor.running)))
            run.wait_for_ends()
            run.start_ready()
            run.take_in()
        run.keep_carried()
        assert len(run.found) == len(LONG_CHAIN)
        orders.add(tuple((entry.target, entry.tree_id) for entry in run.found))
        outcomes.add(frozenset((entry.target, entry.tree_id, entry.reason, entry.carried) for entry in run.found))
    assert len(orders) > 50
    assert len(outcomes) == 1


def test_what_follows_a_result_is_run_too_carried_or_built() -> None:
    first, *rest = [job for job in JOBS if job.target.name != "mips/holm"][:4]
    told: list[str] = []
    store = ListStore()

    class CarrySecond(BuildEverything):
        def carry(self, job: Job, earlier: Sequence[Evidence]) -> Evidence | str:
            if job is not rest[0]:
                return "no reason"
            carried = Carried(tree_id="a" * 40, commit_id="b" * 40)
            return replace(make_evidence(job.commit, job.target.name), carried=carried)

    def follow(evidence: Evidence) -> Iterable[Job]:
        assert evidence.target in (*store.kept, *(name for _, name in store.carried))
        told.append(evidence.target)
        return rest[len(told) - 1 : len(told)]

    found = run_jobs(
        [first],
        executor=SteppedExecutor(1),
        store=store,
        progress=Told(store),
        carrier=CarrySecond(""),
        follow=follow,
    )
    names = [job.target.name for job in (first, *rest)]
    assert told == names
    assert [entry.target for entry in found] == names
    assert [name for _, name in store.carried] == names[1:2]
