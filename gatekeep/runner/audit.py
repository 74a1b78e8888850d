"""
Builds carried results clean, and says whether carrying was right.

First everything is built once, and compared as each build ends: what is equal is stored at once as real evidence, so
that an audit which was stopped goes on where it was. What differs is built once more in another folder, before anybody
is blamed. The bar is written before the clean result that it rests on: stopped between the two, the next audit finds
the same again.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Protocol

from gatekeep.history.sink import ResultSink, is_reusable
from gatekeep.model.audit import Audited, Bar, Difference, Standing
from gatekeep.model.change import Commit
from gatekeep.model.evidence import Evidence, NotDecided, Outcome, TimedOut
from gatekeep.model.plan import Job
from gatekeep.runner.compare import compare_results, settle

#: Identifies a result: tree id, target, key.
ResultKey = tuple[str, str, str]
#: Builds every job clean, and gives each reusable result to the sink as soon as it is there.
BuildJobs = Callable[[Sequence[Job], ResultSink], Sequence[Evidence]]
#: Of the differences of a result, as many as a bar's one line names.
_NAMED = 3


class AuditStore(ResultSink, Protocol):
    """What an audit needs of the store."""

    def load_carried(self, tree_id: str, target: str, key: str) -> Evidence | None:
        """Give a whole result as it was carried to a tree."""

    def bar(self, bar: Bar) -> None:
        """Keep that a target is not to be carried; on return it is on the disk."""


class Witness(Protocol):
    """What is asked about a difference, for people; no verdict rests on it."""

    def list_changed_paths(self, old_tree_id: str, new_tree_id: str) -> tuple[str, ...]:
        """Say what happened to each path between two trees."""

    def explain_files(self, job: Job, names: Sequence[tuple[int, str]]) -> tuple[str, ...]:
        """Say where artifacts (index in the evidence, name) of the two clean builds differ, and what may be done."""

    def forget(self, job: Job) -> None:
        """Nobody will ask about the files of this job's first build."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditEdges:
    """
    What an audit needs of the world.

    `build_again` builds in folders of other names than `build`.
    """

    store: AuditStore
    build: BuildJobs
    build_again: BuildJobs
    witness: Witness
    now: Callable[[], datetime]


def key_of(entry: Evidence) -> ResultKey:
    """Give what identifies a result."""
    return entry.tree_id, entry.target, entry.key


def choose_jobs(carried: Iterable[Evidence], jobs: Iterable[Job], sample: int | None = None) -> tuple[Job, ...]:
    """
    Choose what is audited.

    Args:
        carried: The results in question.
        jobs: Jobs for every result of the range; those of `carried` are taken, in their order.
        sample: How many at most, the same ones for the same results; None for all.
    """
    wanted = {key_of(entry) for entry in carried if entry.carried is not None}
    found = [job for job in jobs if _key_of_job(job) in wanted]
    if sample is None or sample >= len(found):
        return tuple(found)
    chosen = set(sorted(map(_key_of_job, found), key=_digest)[:sample])
    return tuple(job for job in found if _key_of_job(job) in chosen)


def _digest(key: ResultKey) -> str:
    return hashlib.sha256("\0".join(key).encode("utf-8", "surrogateescape")).hexdigest()


def _key_of_job(job: Job) -> ResultKey:
    return job.commit.tree_id, job.target.name, job.key


def audit_jobs(jobs: Sequence[Job], edges: AuditEdges) -> tuple[Audited, ...]:
    """
    Build carried results clean and compare.

    Args:
        jobs: Of results that the store has as carried.
        edges: The world.

    Returns:
        One entry a job, in their order. Targets with a mismatch are barred by then, and the clean results stored.

    Raises:
        StoreError: The store cannot be read or written.
    """
    look = _FirstLook(jobs, edges)
    first = {key_of(entry): entry for entry in edges.build(jobs, look)}
    differing = [job for job in jobs if look.differences.get(_key_of_job(job))]
    again: dict[ResultKey, Evidence] = {}
    if differing:
        again = {key_of(entry): entry for entry in edges.build_again(differing, _Nowhere())}
    return tuple(
        _conclude(job, look=look, first=first.get(_key_of_job(job)), again=again.get(_key_of_job(job)), edges=edges)
        for job in jobs
    )


class _FirstLook:
    """
    Compares as builds end; stores what is equal and holds back what is not.

    Attributes:
        carried: What was compared with, by key; only where there is a difference it is whole, to save memory.
        differences: By key, empty for what is equal.
    """

    def __init__(self, jobs: Sequence[Job], edges: AuditEdges) -> None:
        self._jobs = {_key_of_job(job): job for job in jobs}
        self._edges = edges
        self.carried: dict[ResultKey, Evidence] = {}
        self.differences: dict[ResultKey, tuple[Difference, ...]] = {}

    def add(self, evidence: Evidence) -> None:
        key = key_of(evidence)
        carried = self._edges.store.load_carried(*key)
        if carried is None:
            # A sweep builds also what was never carried; and a bar that was cleared meanwhile drops what was: nothing
            # rests on it any more.
            self.differences[key] = ()
            self._edges.store.add(evidence)
            self._edges.witness.forget(self._jobs[key])
            return
        differences = self.differences[key] = compare_results(carried, evidence)
        self.carried[key] = carried if differences else replace(carried, outcome=NotDecided(message=""), diagnostics=())
        if not differences:
            self._edges.store.add(evidence)
            self._edges.witness.forget(self._jobs[key])

    def add_carried(self, evidence: Sequence[Evidence]) -> None:
        raise TypeError(f"an audit carries nothing, got {len(evidence)} results")


class _Nowhere:
    """Stores nothing: a second clean build only says whether the first is to be believed."""

    def add(self, evidence: Evidence) -> None:
        pass

    def add_carried(self, evidence: Sequence[Evidence]) -> None:
        raise TypeError(f"an audit carries nothing, got {len(evidence)} results")


def _conclude(
    job: Job, *, look: _FirstLook, first: Evidence | None, again: Evidence | None, edges: AuditEdges
) -> Audited:
    key = _key_of_job(job)
    carried = look.carried.get(key)
    result = Audited(
        target=job.target.name,
        commit=job.commit,
        key=job.key,
        standing=Standing.EQUAL,
        carried=carried.carried if carried else None,
        differences=look.differences.get(key, ()),
        read_count=_count_reads(carried),
    )
    if first is None or not is_reusable(first):
        return replace(result, standing=Standing.NOT_DECIDED, notes=_say_undecided(first))
    if not result.differences or carried is None:
        return result
    if again is None or not is_reusable(again):
        # Neither stored nor barred: the next audit finds the difference again.
        return replace(result, standing=Standing.NOT_DECIDED, notes=_say_undecided(again))
    standing = settle(carried, first, again)
    if standing is Standing.MISMATCH:
        edges.store.bar(_make_bar(job, result, edges.now()))
        source = carried.carried.tree_id if carried.carried else carried.tree_id
        result = replace(result, changed_paths=edges.witness.list_changed_paths(source, job.commit.tree_id))
    else:
        result = replace(result, notes=_explain(job, first, again, edges.witness))
    edges.store.add(first)
    return replace(result, standing=standing)


def _count_reads(carried: Evidence | None) -> int:
    read_set = carried.read_set if carried is not None else None
    return len(read_set.files) + len(read_set.folders) if read_set is not None else 0


def _make_bar(job: Job, result: Audited, moment: datetime) -> Bar:
    names = list(dict.fromkeys(entry.name for entry in result.differences))
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    source = f", carried from {result.carried.commit_id[:10]}" if result.carried else ""
    return Bar(
        target=job.target.name,
        key=job.key,
        tree_id=job.commit.tree_id,
        commit_id=job.commit.commit_id,
        barred_at=moment,
        what=f"{', '.join(names[:_NAMED])}{more}{source}",
    )


def _explain(job: Job, first: Evidence, again: Evidence, witness: Witness) -> tuple[str, ...]:
    unsteady = {entry.name for entry in compare_results(first, again)}
    artifacts = getattr(first.outcome, "artifacts", ())
    found = [(index, entry.name) for index, entry in enumerate(artifacts) if entry.name in unsteady]
    facts = [entry for entry in compare_results(first, again) if entry.aspect.is_fact]
    notes = tuple(
        f"two clean builds differ in {entry.aspect.value} {entry.name}: {entry.ours}, then {entry.clean}"
        for entry in facts[:_NAMED]
    )
    return notes + witness.explain_files(job, found)


def _say_undecided(evidence: Evidence | None) -> tuple[str, ...]:
    if evidence is None:
        return ("the clean build did not end",)
    return (f"the clean build was not decided: {_say_outcome(evidence.outcome)}",)


def _say_outcome(outcome: Outcome) -> str:
    if isinstance(outcome, NotDecided):
        # What a missing toolchain says ends in its hint already.
        is_said = not outcome.hint or outcome.hint in outcome.message
        return outcome.message if is_said else f"{outcome.message}; {outcome.hint}"
    if isinstance(outcome, TimedOut):
        return f"it ran past {outcome.limit_s:g} s"
    return "it gave no result"


def recall_mismatches(
    built: Iterable[Evidence], bars: Iterable[Bar], store: AuditStore, witness: Witness, commit: Commit
) -> tuple[Audited, ...]:
    """
    Give again what an earlier run of an audit, which was stopped, has found carried wrongly.

    Args:
        built: Whole clean results of that run.
        bars: That it has written.
        store: Has still what was carried.
        witness: Is asked about paths.
        commit: The audited one.

    Raises:
        StoreError: The store cannot be read.
    """
    barred = {(bar.tree_id, bar.target, bar.key) for bar in bars}
    found: list[Audited] = []
    for entry in built:
        carried = store.load_carried(*key_of(entry)) if key_of(entry) in barred else None
        differences = compare_results(carried, entry) if carried is not None else ()
        if carried is None or carried.carried is None or not differences:
            continue
        found.append(
            Audited(
                target=entry.target,
                commit=commit,
                key=entry.key,
                standing=Standing.MISMATCH,
                carried=carried.carried,
                differences=differences,
                changed_paths=witness.list_changed_paths(carried.carried.tree_id, commit.tree_id),
                read_count=_count_reads(carried),
            )
        )
    return tuple(found)


def list_undecided(planned: Iterable[Evidence], commits: Mapping[str, Commit]) -> tuple[Audited, ...]:
    """
    Give what could not even be planned or carried, because of the machine: whether it is right is not known.

    Args:
        planned: All results of the run that carried.
        commits: By tree id.
    """
    return tuple(
        Audited(
            target=entry.target,
            commit=commits[entry.tree_id],
            key=entry.key,
            standing=Standing.NOT_DECIDED,
            carried=None,
            notes=(_say_outcome(entry.outcome),),
        )
        for entry in planned
        if isinstance(entry.outcome, NotDecided)
    )
