"""
Takes results over from earlier builds whose read set, recipe and toolchain are the same.

Whether a difference reaches a target is the rule's business (reach.py). Here is only: from which earlier results, and
what a carried result looks like.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace

from gatekeep.history.sink import is_reusable
from gatekeep.model.evidence import Evidence
from gatekeep.model.plan import Job
from gatekeep.model.readset import Carried
from gatekeep.runner.reach import Reached, TreeChange, find_reach
from gatekeep.runner.reach_trees import TreeComparer
from gatekeep.runner.reach_words import words_of_target

#: How many earlier results are tried, newest first: a change rarely goes back further than its base.
_TRIED = 4


def list_trusted(stored: Iterable[Evidence], barred: Collection[str]) -> tuple[Evidence, ...]:
    """
    Leave out what was carried of barred targets.

    Args:
        stored: Results of earlier runs.
        barred: Targets that an audit found to be carried wrongly.
    """
    return tuple(entry for entry in stored if entry.carried is None or entry.target not in barred)


class ReadSetCarrier:
    """
    Carries whatever no difference reaches.

    Args:
        comparer: Compares trees.
        barred: Targets that an audit found to be carried wrongly; they are built.
        environment: The one that we were started with; recipes may keep some of it.
    """

    def __init__(self, comparer: TreeComparer, barred: Collection[str] = (), *, environment: Mapping[str, str]) -> None:
        self._environment = environment
        self._comparer = comparer
        self._barred = frozenset(barred)
        self._changes: dict[tuple[str, str], TreeChange] = {}

    def carry(self, job: Job, earlier: Sequence[Evidence]) -> Evidence | str:
        """
        Give the result of `job`, taken over from an earlier one of its target, or the reason to build it.

        Raises:
            RepositoryError: A tree cannot be compared.
        """
        if job.target.name in self._barred:
            return "an audit found its carried results wrong"
        found = [entry for entry in reversed(earlier) if is_reusable(entry) and entry.key == job.key]
        readable = [entry for entry in found if entry.read_set is not None]
        if not readable:
            if found:
                return "it wrote into its tree, so what it read is not known"
            return (
                "its recipe, toolchain, matrix entry or PATH is new, or gatekeep is"
                if earlier
                else "it was never built before"
            )
        reason = ""
        for evidence in readable[:_TRIED]:
            reached = self._find_reach(job, evidence, evidence.tree_id)
            if reached is None:
                source = evidence.carried or Carried(tree_id=evidence.tree_id, commit_id=evidence.commit_id)
                return replace(
                    evidence, tree_id=job.commit.tree_id, commit_id=job.commit.commit_id, carried=source, reason=""
                )
            reason = reason or reached.render()
        return reason

    def must_build(self, job: Job, after: Job, earlier: Sequence[Evidence]) -> bool:
        """
        Tell whether the difference from `after` reaches the target by what its earlier builds read.

        The read set of `after` is not there yet; the last known one stands in for it. A wrong guess costs a build, or a
        wait.
        """
        if job.target.name in self._barred:
            return True
        known = next((entry for entry in reversed(earlier) if entry.read_set is not None), None)
        if known is None:
            # Builds that leave no read set are not worth waiting for.
            return any(is_reusable(entry) for entry in earlier)
        return self._find_reach(job, known, after.commit.tree_id) is not None

    def _find_reach(self, job: Job, evidence: Evidence, old_tree_id: str) -> Reached | None:
        if evidence.read_set is None:
            raise ValueError("only a result with a read set can be carried from")
        return find_reach(
            evidence.read_set,
            self._compare(old_tree_id, job.commit.tree_id),
            book=self._comparer.book,
            own_words=words_of_target(job.target, self._environment),
        )

    def _compare(self, old_tree_id: str, new_tree_id: str) -> TreeChange:
        change = self._changes.get((old_tree_id, new_tree_id))
        if change is None:
            change = self._changes[old_tree_id, new_tree_id] = self._comparer.compare(old_tree_id, new_tree_id)
        return change
