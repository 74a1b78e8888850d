"""An audit compares, builds twice before it blames, writes the bar first, and keeps what it has learnt."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from gatekeep.errors import StoreError
from gatekeep.history.sink import ResultSink
from gatekeep.model.audit import Bar, Standing
from gatekeep.model.evidence import Broken, Built, Evidence, NotDecided, Outcome, TimedOut
from gatekeep.model.plan import Job
from gatekeep.model.readset import Carried, ReadSet
from gatekeep.runner.audit import AuditEdges, audit_jobs, choose_jobs, list_undecided
from gatekeep.runner.carry import list_trusted
from gatekeep.runner.plan import plan_change
from tests.cases import BASE, built, make_evidence
from tests.unit.test_plan import make_inputs

JOBS = tuple(sorted(plan_change(make_inputs(3)).jobs, key=lambda job: (job.position, job.target.name)))
AT = datetime(2026, 11, 24, tzinfo=UTC)


def evidence_of(job: Job, outcome: Outcome | None = None) -> Evidence:
    return replace(make_evidence(job.commit, job.target.name, outcome), key=job.key)


def carried_to(job: Job) -> Evidence:
    source = Carried(tree_id=BASE.tree_id, commit_id=BASE.commit_id)
    return replace(evidence_of(job), carried=source, read_set=ReadSet(files=("Makefile",), folders=(".",)))


class FakeStore:
    """Remembers what was written, in order; everything is stored as carried and built with 500 bytes."""

    def __init__(self, room: int = 10**9) -> None:
        self.written: list[tuple[str, str]] = []
        self._room = room
        self.by_key = {(job.commit.tree_id, job.target.name, job.key): carried_to(job) for job in JOBS}

    def load_carried(self, tree_id: str, target: str, key: str) -> Evidence | None:
        return self.by_key.get((tree_id, target, key))

    def add(self, evidence: Evidence) -> None:
        self._write("add", evidence.target)

    def add_carried(self, evidence: Sequence[Evidence]) -> None:
        raise AssertionError("an audit carries nothing")

    def bar(self, bar: Bar) -> None:
        self._write("bar", f"{bar.target}: {bar.what}")

    def _write(self, what: str, text: str) -> None:
        if len(self.written) == self._room:
            raise StoreError("the disk is full")
        self.written.append((what, text))


class FakeWitness:
    def __init__(self) -> None:
        self.forgotten: list[str] = []

    def list_changed_paths(self, old_tree_id: str, new_tree_id: str) -> tuple[str, ...]:
        return (f"from {old_tree_id[0]} to {new_tree_id[0]}",)

    def explain_files(self, job: Job, names: Sequence[tuple[int, str]]) -> tuple[str, ...]:
        return tuple(f"{index}: {name}" for index, name in names)

    def forget(self, job: Job) -> None:
        self.forgotten.append(job.target.name)


Build = Callable[[Job], Outcome | None]


class World:
    """Builds as two functions say, and remembers how often."""

    def __init__(self, first: Build, again: Build = lambda _: None, *, room: int = 10**9) -> None:
        self.store, self.witness = FakeStore(room), FakeWitness()
        self.built: list[str] = []
        self.built_again: list[str] = []
        self.edges = AuditEdges(
            store=self.store,
            build=lambda jobs, sink: self._build(jobs, sink, first, self.built),
            build_again=lambda jobs, sink: self._build(jobs, sink, again, self.built_again),
            witness=self.witness,
            now=lambda: AT,
        )

    @staticmethod
    def _build(jobs: Sequence[Job], sink: ResultSink, build: Build, log: list[str]) -> list[Evidence]:
        found = [evidence_of(job, build(job)) for job in jobs]
        for evidence in found:
            log.append(evidence.target)
            if isinstance(evidence.outcome, Built | Broken):
                sink.add(evidence)
        return found

    def audit(self, jobs: Sequence[Job] = JOBS[:3]) -> list[Standing]:
        self.results = audit_jobs(jobs, self.edges)
        return [result.standing for result in self.results]


def only(target: str, outcome: Outcome) -> Build:
    return lambda job: outcome if job.target.name == target else None


FIRST = JOBS[0].target.name
UNSTEADY = [replace(built(), artifacts=(replace(built().artifacts[0], sha256=digit),)) for digit in "12"]


def test_what_is_equal_is_built_once_and_kept() -> None:
    world = World(lambda _: None)
    assert world.audit() == [Standing.EQUAL] * 3
    assert world.built_again == []
    assert world.store.written == [("add", job.target.name) for job in JOBS[:3]]
    assert world.witness.forgotten == [job.target.name for job in JOBS[:3]]


def test_a_mismatch_is_built_twice_barred_first_and_then_kept() -> None:
    world = World(only(FIRST, built(501)), only(FIRST, built(501)))
    assert world.audit() == [Standing.MISMATCH, Standing.EQUAL, Standing.EQUAL]
    assert world.built_again == [FIRST]
    assert world.store.written[-2:] == [("bar", f"{FIRST}: main, carried from 1111111111"), ("add", FIRST)]
    assert world.results[0].changed_paths == (f"from 1 to {JOBS[0].commit.tree_id[0]}",)
    assert world.results[0].read_count == 2


def test_a_bar_that_cannot_be_written_keeps_nothing_of_the_mismatch() -> None:
    """Otherwise the clean result would hide for good that something wrong was carried."""
    world = World(only(FIRST, built(501)), only(FIRST, built(501)), room=2)
    with pytest.raises(StoreError, match="the disk is full"):
        world.audit()
    assert ("add", FIRST) not in world.store.written


def test_an_unsteady_build_is_explained_kept_and_not_barred() -> None:
    world = World(only(FIRST, UNSTEADY[0]), only(FIRST, UNSTEADY[1]))
    assert world.audit()[0] is Standing.NOT_REPRODUCIBLE
    assert world.results[0].notes == ("0: x.elf",)
    assert ("add", FIRST) in world.store.written
    assert [what for what, _ in world.store.written if what == "bar"] == []


@pytest.mark.parametrize(
    ("outcome", "note"),
    [
        (NotDecided(message="the disk is full", hint="free it"), "the disk is full; free it"),
        (NotDecided(message="no clang; install it: apt", hint="apt"), "no clang; install it: apt"),
        (TimedOut(limit_s=60, stopped_by="SIGTERM"), "it ran past 60 s"),
    ],
)
def test_what_the_machine_did_not_decide_is_neither_kept_nor_barred(outcome: Outcome, note: str) -> None:
    for world in (World(only(FIRST, outcome)), World(only(FIRST, built(501)), only(FIRST, outcome))):
        assert world.audit()[0] is Standing.NOT_DECIDED
        assert world.results[0].notes == (f"the clean build was not decided: {note}",)
        assert FIRST not in [text.partition(":")[0] for _, text in world.store.written]


def test_a_result_that_was_dropped_meanwhile_blames_nobody() -> None:
    world = World(only(FIRST, built(501)))
    world.store.by_key.clear()
    assert world.audit() == [Standing.EQUAL] * 3


def test_only_carried_results_are_chosen() -> None:
    stored = [carried_to(JOBS[0]), evidence_of(JOBS[1]), carried_to(JOBS[2])]
    assert choose_jobs(stored, JOBS) == (JOBS[0], JOBS[2])


def test_a_sample_is_the_same_every_time_and_follows_no_order() -> None:
    stored = [carried_to(job) for job in JOBS]
    sample = choose_jobs(stored, JOBS, 5)
    assert len(sample) == 5
    assert sample == choose_jobs(reversed(stored), JOBS, 5)
    assert sample != JOBS[:5]
    assert set(choose_jobs(stored, JOBS, 4)) < set(sample)
    assert choose_jobs(stored, JOBS, 10**6) == JOBS


def test_a_missing_toolchain_leaves_its_targets_undecided() -> None:
    missing = evidence_of(JOBS[0], NotDecided(message="no compiler", hint="install it"))
    found = list_undecided([missing, carried_to(JOBS[1])], {JOBS[0].commit.tree_id: JOBS[0].commit})
    assert [(one.target, one.standing, one.notes) for one in found] == [
        (FIRST, Standing.NOT_DECIDED, ("no compiler; install it",))
    ]


def test_nothing_that_was_carried_of_a_barred_target_is_trusted() -> None:
    stored = (carried_to(JOBS[0]), evidence_of(JOBS[0]), carried_to(JOBS[1]))
    assert list_trusted(stored, {FIRST}) == stored[1:]
