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
from gatekeep.cli.culprit_hunt import Hunt
from gatekeep.cli.edges import WORKPLACES, Edges, open_executor
from gatekeep.cli.start import begin_toolchains
from gatekeep.history.sink import is_reusable
from gatekeep.model.change import Change, LineMap
from gatekeep.model.culprit import CulpritAnswer
from gatekeep.model.evidence import Evidence, TimedOut
from gatekeep.model.matrix import Matrix
from gatekeep.model.plan import Job
from gatekeep.report.plain import plain
from gatekeep.report.progress import NoProgress, Progress, say_result
from gatekeep.runner.carry import ReadSetCarrier, list_trusted
from gatekeep.runner.culprit_desk import Desk
from gatekeep.runner.culprit_range import CommitRange
from gatekeep.runner.culprit_sights import Probe
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
        In the order of the targets, at least one answer each: one for every fault that has a culprit of its own.

    Raises:
        StoreError: The store cannot be read or written.
        Interrupted: Ctrl-C; what had ended is stored.
    """
    change = _change_of(commits)
    narrow = _narrow(matrices, targets)
    get_toolchains = begin_toolchains(edges, narrow.values())
    # Whoever is blamed is built once more, so there is always something to build.
    edges.start.look_at_machine(edges, edges.folder / WORKPLACES)
    durations_s = edges.store.load_durations()
    plan = plan_change(
        PlanInputs(
            change=change,
            matrices=narrow,
            toolchains=get_toolchains(),
            durations_s=durations_s,
            host_environment=edges.environment,
        )
    )
    barred = {bar.target for bar in edges.store.list_barred()}
    trees = [change.base.tree_id, *(commit.tree_id for commit in change.commits)]
    stored = list_trusted((*edges.store.list_evidence(trees), *known), barred)
    worker_count = workers or count_usable_cores()
    progress = _SearchProgress()
    looker = _Looker(edges, commits, targets, plan.jobs, (*stored, *plan.known), workers=worker_count, barred=barred)
    with open_executor(
        edges,
        workers=worker_count,
        cores=min(worker_count, count_usable_cores()),
        source_date=matrices[change.base.tree_id].source_date,
        progress=progress,
        stored=stored,
    ) as executor:
        looker.search(executor, progress)
    return tuple(answer for name in targets for answer in looker.iter_answers(name))


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
        targets: Iterable[str],
        jobs: Iterable[Job],
        known: Iterable[Evidence],
        *,
        workers: int,
        barred: Iterable[str],
    ) -> None:
        self._edges, self._range = edges, commits
        self._jobs = {(job.target.name, job.commit.tree_id): job for job in jobs}
        self._comparer = TreeComparer(edges.repository)
        self._carrier = _SearchCarrier(ReadSetCarrier(self._comparer, tuple(barred), environment=edges.environment))
        #: By target, then tree: the newest.
        self._evidence: dict[str, dict[str, Evidence]] = {}
        self._line_maps: dict[tuple[str, str], LineMap] = {}
        self._reached: dict[tuple[str, str], dict[str, bool]] = {}
        self._builds: Counter[str] = Counter()
        self._reused: dict[str, set[str]] = {}
        self._hunts = {
            name: Hunt(
                name,
                commits,
                reaches=lambda old, new, name=name: self._reaches(name, old, new),  # type: ignore[misc]  # mypy cannot infer a lambda with a default
                map_lines=self._map_lines,
                find_author=self._find_author,
            )
            for name in targets
        }
        self._desk = Desk(self._hunts, workers)
        self._take_known(known)

    def _take_known(self, known: Iterable[Evidence]) -> None:
        """Take in what earlier runs have seen."""
        for entry in known:
            job = self._jobs.get((entry.target, entry.tree_id))
            # A toolchain that is not there leaves no job: the entry that says so is all there is.
            if job is None or (entry.key == job.key and _is_sight(entry)):
                self._evidence.setdefault(entry.target, {})[entry.tree_id] = entry
        for name, hunt in self._hunts.items():
            for tree_id, entry in self._evidence.get(name, {}).items():
                if _is_sight(entry):
                    hunt.take(tree_id, entry)

    def search(self, executor: Executor, progress: Progress) -> None:
        """
        Search to the end.

        Raises:
            StoreError: The store cannot be written.
            Interrupted: Ctrl-C.
        """
        jobs = self._begin_looks()
        if jobs:
            run_jobs(
                jobs,
                executor=executor,
                store=self._edges.store,
                progress=progress,
                carrier=self._carrier,
                earlier=[entry for name in self._hunts for entry in self._evidence.get(name, {}).values()],
                follow=self._follow,
            )

    def _begin_looks(self) -> list[Job]:
        """Answer what can be answered at once, until only builds are wanted; give these."""
        jobs: list[Job] = []
        while wanted := self._desk.hand_out():
            for name, probe in wanted:
                tree_id = probe.commit.tree_id
                job = self._jobs.get((name, tree_id))
                known = self._evidence.get(name, {}).get(tree_id)
                # A machine's fault is tried again where it can be.
                is_known = known is not None and (_is_sight(known) or job is None)
                if job is None or (is_known and not probe.fresh):
                    self._reused.setdefault(name, set()).add(tree_id)
                    self._hunts[name].take(tree_id, known, wanted_fresh=probe.fresh)
                    self._desk.end(name, tree_id)
                else:
                    jobs.append(self._make_job(job, probe))
        return jobs

    def _make_job(self, job: Job, probe: Probe) -> Job:
        key = job.target.name, job.commit.tree_id
        (self._carrier.fresh.add if probe.fresh else self._carrier.fresh.discard)(key)
        return replace(job, commit=probe.commit)

    def _follow(self, evidence: Evidence) -> list[Job]:
        """Take in a result, and give what is to be built now that it is known."""
        name, tree_id = evidence.target, evidence.tree_id
        if evidence.carried is None:
            self._builds[name] += 1
        else:
            self._reused.setdefault(name, set()).add(tree_id)
        known = self._evidence.setdefault(name, {})
        if _is_sight(evidence) or tree_id not in known:
            # The newest last: it is the first to be carried from.
            known.pop(tree_id, None)
            known[tree_id] = evidence
        wanted_fresh = (name, tree_id) in self._carrier.fresh
        self._hunts[name].take(tree_id, evidence, fresh=evidence.carried is None, wanted_fresh=wanted_fresh)
        self._desk.end(name, tree_id)
        return self._begin_looks()

    def _find_author(self, path: str, line: int) -> str | None:
        return self._edges.repository.find_line_author(
            self._range.good.commit_id, self._range.bad.commit_id, path, line
        )

    def _map_lines(self, old_tree_id: str, new_tree_id: str) -> LineMap:
        key = old_tree_id, new_tree_id
        if key not in self._line_maps:
            self._line_maps[key] = self._edges.repository.load_line_map(*key)
        return self._line_maps[key]

    def _reaches(self, name: str, old_tree_id: str, new_tree_id: str) -> bool:
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
                        find_reach(
                            read_set,
                            change,
                            book=self._comparer.book,
                            own_words=words_of_target(new.target, self._edges.environment),
                        )
                        is not None
                        for read_set in read_sets[-_WITNESSES:]
                    )
                )
        return known.get(name, True)

    def iter_answers(self, name: str) -> Iterator[CulpritAnswer]:
        """Give what people want to know of a target, when its search has ended."""
        return self._hunts[name].iter_answers(self._builds[name], len(self._reused.get(name, ())))


def _is_sight(evidence: Evidence) -> bool:
    """Tell whether it says something of the target; what ran past its time limit is not carried, but does."""
    return is_reusable(evidence) or isinstance(evidence.outcome, TimedOut)


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
