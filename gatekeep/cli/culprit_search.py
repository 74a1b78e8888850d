"""
Searches for culprits with real builds: what `gatekeep culprit` and a sweep share.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from gatekeep.build.machine import count_usable_cores
from gatekeep.cli.edges import Edges, open_executor, ready_toolchains
from gatekeep.history.store import is_reusable
from gatekeep.judge.fault import FaultSought, Look, find_fault, list_shown, look_at_outcome, look_for_fault, word_fault
from gatekeep.model.change import Change, LineMap
from gatekeep.model.culprit import Conclusion, CulpritAnswer, CulpritStanding, Sight
from gatekeep.model.evidence import Diagnostic, Evidence
from gatekeep.model.matrix import Matrix
from gatekeep.model.plan import Job
from gatekeep.report.plain import plain
from gatekeep.report.progress import NoProgress, Progress, say_result
from gatekeep.runner.carry import ReadSetCarrier, list_trusted
from gatekeep.runner.culprit import CulpritSearch, Probe, Seen, run_searches
from gatekeep.runner.culprit_range import CommitRange
from gatekeep.runner.matrices import load_matrices
from gatekeep.runner.plan import PlanInputs, plan_change
from gatekeep.runner.reach import find_reach
from gatekeep.runner.reach_trees import TreeComparer
from gatekeep.runner.reach_words import words_of_target
from gatekeep.runner.schedule import Executor, run_jobs
from gatekeep.tree.change import keep_first_of_each_tree

#: Of the builds of a target whose read sets say what reaches it, the newest; each costs a question for every commit.
_WITNESSES = 4


def load_range(edges: Edges, good: str, bad: str) -> CommitRange:
    """
    Load everything from a good commit to a bad one.

    Raises:
        UsageError: `good` is no ancestor of `bad`.
        RepositoryError: An unknown name, or commits that are not here.
    """
    repository = edges.repository
    first, last = repository.resolve(good), repository.resolve(bad)
    commits = repository.list_commits(first.commit_id, last.commit_id)
    inside = {commit.commit_id for commit in (first, *commits)}
    beneath = sorted({parent for commit in commits for parent in commit.parent_ids} - inside)
    return CommitRange(first, last, commits, [repository.resolve(parent) for parent in beneath])


def load_search_matrices(edges: Edges, commits: CommitRange, named: Path | None) -> dict[str, Matrix]:
    """
    Load the matrix of every tree of a range; the good end's, whose entries stand in where a tree's is wrong, is always
    there.

    Raises:
        MatrixError: The good end's is wrong.
        UsageError: There is none.
    """
    return load_matrices(
        _change_of(commits),
        named=named,
        work_tree=edges.repository.work_tree,
        files=edges.repository,
        parse=edges.matrices.read,
    ).by_tree


def find_culprits(
    edges: Edges,
    commits: CommitRange,
    targets: Sequence[str],
    *,
    matrices: Mapping[str, Matrix],
    workers: int | None = None,
    known: Iterable[Evidence] = (),
) -> tuple[CulpritAnswer, ...]:
    """
    Find the culprit of each target, side by side.

    Args:
        edges: What the run holds open; results are stored as always.
        commits: The range.
        targets: Names; each must be in the good end's matrix.
        matrices: As `load_search_matrices` gives them.
        workers: How many builds run at once; None means the cores that this process may use.
        known: Results besides those of the store.

    Returns:
        One answer a target, in their order.

    Raises:
        StoreError: The store cannot be read or written.
        Interrupted: Ctrl-C; what had ended is stored.
    """
    change = _change_of(commits)
    narrow = _narrow(matrices, targets)
    plan = plan_change(
        PlanInputs(
            change=change,
            matrices=narrow,
            toolchains=ready_toolchains(edges, narrow.values()),
            durations_s=edges.store.load_durations(),
            host_environment=edges.environment,
        )
    )
    barred = {bar.target for bar in edges.store.list_barred()}
    trees = [change.base.tree_id, *(commit.tree_id for commit in change.commits)]
    stored = list_trusted((*edges.store.list_evidence(trees), *known), barred)
    worker_count = workers or count_usable_cores()
    progress = _SearchProgress()
    with open_executor(
        edges,
        workers=worker_count,
        cores=min(worker_count, count_usable_cores()),
        source_date=matrices[change.base.tree_id].source_date,
        progress=progress,
    ) as executor:
        looker = _Looker(
            edges, commits, plan.jobs, (*stored, *plan.known), executor=executor, progress=progress, barred=barred
        )
        searches = {
            name: CulpritSearch(commits, reaches=lambda old, new, name=name: looker.reaches(name, old, new))  # type: ignore[misc]  # mypy cannot infer a lambda with a default
            for name in targets
        }
        for name, search in searches.items():
            for seen in looker.iter_known(name):
                search.take(seen)
        conclusions = run_searches(searches, looker, worker_count=worker_count)
    return tuple(looker.answer(name, conclusions[name]) for name in targets)


def _change_of(commits: CommitRange) -> Change:
    """Every tree of a range once, those beneath its sides included."""
    every = keep_first_of_each_tree((*commits.outside, *commits.commits), commits.good.tree_id)
    return Change(base=commits.good, head=commits.bad, commits=every, commit_count=len(commits.commits))


def _narrow(matrices: Mapping[str, Matrix], targets: Sequence[str]) -> dict[str, Matrix]:
    """Leave only the targets that are searched; what was one matrix stays one."""
    wanted = frozenset(targets)
    narrow: dict[int, Matrix] = {}
    for matrix in matrices.values():
        if id(matrix) not in narrow:
            kept = tuple(target for target in matrix.targets if target.name in wanted)
            narrow[id(matrix)] = replace(matrix, targets=kept)
    return {tree_id: narrow[id(matrix)] for tree_id, matrix in matrices.items()}


class _Looker:
    """Answers looks from what is known, by carrying, and by builds; remembers all of it."""

    def __init__(
        self,
        edges: Edges,
        commits: CommitRange,
        jobs: Iterable[Job],
        known: Iterable[Evidence],
        *,
        executor: Executor,
        progress: Progress,
        barred: Iterable[str],
    ) -> None:
        self._edges, self._range, self._executor, self._progress = edges, commits, executor, progress
        self._jobs = {(job.target.name, job.commit.tree_id): job for job in jobs}
        self._comparer = TreeComparer(edges.repository)
        self._carrier = _SearchCarrier(ReadSetCarrier(self._comparer, tuple(barred)))
        #: By target, then tree: the newest.
        self._evidence: dict[str, dict[str, Evidence]] = {}
        self._line_maps: dict[tuple[str, str], LineMap] = {}
        self._reached: dict[tuple[str, str], dict[str, bool]] = {}
        self._faults: dict[str, FaultSought | None] = {}
        self._builds: Counter[str] = Counter()
        self._reused: dict[str, set[str]] = {}
        for entry in known:
            job = self._jobs.get((entry.target, entry.tree_id))
            # A toolchain that is not there leaves no job: the entry that says so is all there is.
            if job is None or (entry.key == job.key and is_reusable(entry)):
                self._evidence.setdefault(entry.target, {})[entry.tree_id] = entry

    def iter_known(self, name: str) -> Iterator[Seen]:
        """Say what earlier runs have seen; where an end is not known yet, some of it is told when it is asked for."""
        for tree_id, entry in self._evidence.get(name, {}).items():
            look = self._judge(name, tree_id, entry)
            if look.sight is not Sight.UNKNOWN:
                yield Seen(tree_id=tree_id, sight=look.sight)

    def look(self, wanted: Sequence[tuple[str, Probe]]) -> Iterator[tuple[str, Seen]]:
        """Build what has to be built, all at once; then say what is seen, the ends first."""
        jobs: dict[tuple[str, str], Job] = {}
        self._carrier.fresh = {(name, probe.commit.tree_id) for name, probe in wanted if probe.fresh}
        for name, probe in wanted:
            job = self._jobs.get((name, probe.commit.tree_id))
            if job is not None and (probe.fresh or self._get(name, probe.commit.tree_id) is None):
                jobs[name, probe.commit.tree_id] = replace(job, commit=probe.commit)
        found = self._build(list(jobs.values()))
        ends = (self._range.good.tree_id, self._range.bad.tree_id)
        for name, probe in sorted(wanted, key=lambda entry: _place_of(entry[1].commit.tree_id, ends)):
            tree_id = probe.commit.tree_id
            built = found.get((name, tree_id))
            if built is None or built.carried is not None:
                self._reused.setdefault(name, set()).add(tree_id)
            look = self._judge(name, tree_id, built or self._get(name, tree_id))
            yield name, Seen(tree_id=tree_id, sight=look.sight, why=look.why, fresh=probe.fresh)

    def _build(self, jobs: list[Job]) -> dict[tuple[str, str], Evidence]:
        if not jobs:
            return {}
        names = {job.target.name for job in jobs}
        found = run_jobs(
            jobs,
            executor=self._executor,
            store=self._edges.store,
            progress=self._progress,
            carrier=self._carrier,
            earlier=[entry for name in names for entry in self._evidence.get(name, {}).values()],
        )
        for entry in found:
            self._builds[entry.target] += entry.carried is None
            known = self._evidence.setdefault(entry.target, {})
            if is_reusable(entry) or entry.tree_id not in known:
                # The newest last: it is the first to be carried from.
                known.pop(entry.tree_id, None)
                known[entry.tree_id] = entry
        return {(entry.target, entry.tree_id): entry for entry in found}

    def _get(self, name: str, tree_id: str) -> Evidence | None:
        """Give what is known; a machine's fault is tried again where it can be, and so is not."""
        entry = self._evidence.get(name, {}).get(tree_id)
        return None if entry is None or (not is_reusable(entry) and (name, tree_id) in self._jobs) else entry

    def _judge(self, name: str, tree_id: str, evidence: Evidence | None) -> Look:
        if evidence is None:
            # The matrix of that commit does not list it: nothing of it is broken there.
            return Look(sight=Sight.WELL)
        found = look_at_outcome(evidence)
        if tree_id == self._range.good.tree_id or found.sight is Sight.UNKNOWN:
            return found
        if name not in self._faults:
            good = self._evidence.get(name, {}).get(self._range.good.tree_id)
            bad = self._evidence.get(name, {}).get(self._range.bad.tree_id)
            if any(end is None or look_at_outcome(end).sight is Sight.UNKNOWN for end in (good, bad)):
                # Where it does not even come out, one needs no other end to know.
                return found if found.sight is Sight.FAULTY else Look(sight=Sight.UNKNOWN, why="an end is not known")
            if good is not None and bad is not None:
                self._faults[name] = find_fault(good, bad, self._map_lines)
        fault = self._faults.get(name)
        return Look(sight=Sight.WELL) if fault is None else look_for_fault(fault, evidence, self._map_lines)

    def _map_lines(self, old_tree_id: str, new_tree_id: str) -> LineMap:
        key = old_tree_id, new_tree_id
        if key not in self._line_maps:
            self._line_maps[key] = self._edges.repository.load_line_map(*key)
        return self._line_maps[key]

    def reaches(self, name: str, old_tree_id: str, new_tree_id: str) -> bool:
        """
        Tell whether a difference may reach a target, by what its builds have read so far.

        Answers for all targets at once: comparing two trees takes longer than asking.
        """
        known = self._reached.setdefault((old_tree_id, new_tree_id), {})
        if name not in known:
            change = self._comparer.compare(old_tree_id, new_tree_id)
            for target, entries in self._evidence.items():
                old, new = self._jobs.get((target, old_tree_id)), self._jobs.get((target, new_tree_id))
                read_sets = [entry.read_set for entry in entries.values() if entry.read_set is not None]
                known[target] = (
                    old is None
                    or new is None
                    or old.key != new.key
                    or not read_sets
                    or any(
                        find_reach(read_set, change, book=self._comparer.book, own_words=words_of_target(new.target))
                        is not None
                        for read_set in read_sets[-_WITNESSES:]
                    )
                )
        return known.get(name, True)

    def answer(self, name: str, conclusion: Conclusion) -> CulpritAnswer:
        """Put together what people want to know."""
        shown_at = conclusion.culprit or self._range.bad
        evidence = self._evidence.get(name, {}).get(shown_at.tree_id)
        warnings: tuple[Diagnostic, ...] = ()
        fault = self._faults.get(name)
        if evidence is not None and fault is not None and fault.warnings:
            warnings = list_shown(fault, evidence, self._map_lines)
        nothing = conclusion.standing is CulpritStanding.WELL_AT_BAD or evidence is None
        words, place = ("", "") if nothing or evidence is None else word_fault(evidence, warnings)
        return CulpritAnswer(
            target=name,
            good=self._range.good,
            bad=self._range.bad,
            conclusion=conclusion,
            fault=words,
            place=place,
            warnings=warnings,
            log_path=evidence.log_path if words and evidence is not None else None,
            build_count=self._builds[name],
            reused_count=len(self._reused.get(name, ())),
        )


class _SearchProgress(NoProgress):
    """One line a build on standard error; how many there will be nobody knows."""

    def __init__(self) -> None:
        self._count = 0

    def job_finished(self, job: Job, evidence: Evidence) -> None:
        """Write the build's line."""
        self._count += 1
        self.message(f"build {self._count}  {say_result(job, evidence)}")

    def message(self, text: str) -> None:
        """Write a line."""
        # A reader that has gone away is not the search's concern.
        with suppress(OSError):
            print(plain(text), file=sys.stderr, flush=True)


def _place_of(tree_id: str, ends: tuple[str, str]) -> int:
    return ends.index(tree_id) if tree_id in ends else len(ends)


class _SearchCarrier:
    """
    Carries what no difference reaches, but not what is to be confirmed; and waits for nothing.

    A search asks for trees that differ in what the target reads, so that a wait would mostly be for nothing.
    """

    def __init__(self, carrier: ReadSetCarrier) -> None:
        self._carrier = carrier
        self.fresh: set[tuple[str, str]] = set()

    def carry(self, job: Job, earlier: Sequence[Evidence]) -> Evidence | str:
        """Carry, or give the reason to build."""
        if (job.target.name, job.commit.tree_id) in self.fresh:
            return "nobody is blamed before it is built once more"
        return self._carrier.carry(job, earlier)

    def must_build(self, job: Job, after: Job, earlier: Sequence[Evidence]) -> bool:
        """Never wait."""
        return True
