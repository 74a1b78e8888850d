"""
The commits from a good one to a bad one, as a search for a culprit walks them: line by line. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from gatekeep.errors import UsageError
from gatekeep.model.change import Commit


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """
    Commits that follow each other, each the child of the one before.

    `low` is the parent of the first, None where that one has none; `commits` is never empty.
    """

    low: Commit | None
    commits: tuple[Commit, ...]

    def at(self, position: int) -> Commit | None:
        """Give the commit of a position: 0 is `low`, 1 the first commit."""
        return self.low if position == 0 else self.commits[position - 1]

    @property
    def tip(self) -> Commit:
        """The last commit."""
        return self.commits[-1]


class CommitRange:
    """
    Everything that BAD has and GOOD has not.

    Args:
        good: An ancestor of `bad`.
        bad: The last commit.
        commits: All commits of GOOD..BAD, parents before children, merges and what they bring included; also those with
            a tree that an earlier one has.
        outside: Parents of these that are not among them, besides GOOD.

    Raises:
        UsageError: `good` is no ancestor of `bad`.
    """

    def __init__(self, good: Commit, bad: Commit, commits: Sequence[Commit], outside: Iterable[Commit] = ()) -> None:
        self.good, self.bad, self.commits, self.outside = good, bad, tuple(commits), tuple(outside)
        self._by_id = {commit.commit_id: commit for commit in (*self.outside, good, *commits)}
        self._inside = frozenset(commit.commit_id for commit in commits)
        self._descendants = {good.commit_id}
        for commit in commits:
            if not self._descendants.isdisjoint(commit.parent_ids):
                self._descendants.add(commit.commit_id)
        if bad.commit_id not in self._descendants or good.commit_id == bad.commit_id:
            raise UsageError(
                f"culprit: {good.short_id} is no ancestor of {bad.short_id}; name a commit of the same line, "
                "at which the target was still well"
            )
        self._ancestors: dict[str, frozenset[str]] = {}

    def list_main_line(self) -> Line:
        """Give the way from GOOD to BAD: by first parents, by another only where the first does not lead to GOOD."""
        found: list[Commit] = []
        commit = self.bad
        while commit.commit_id != self.good.commit_id:
            found.append(commit)
            commit = self._by_id[next(parent for parent in commit.parent_ids if parent in self._descendants)]
        return Line(low=self.good, commits=tuple(reversed(found)))

    def list_side(self, tip: Commit, without: Commit | None) -> Line:
        """Give what a merge brings: back from a parent of it by first parents, up to what `without` contains."""
        known = self._list_ancestors(without)
        found: list[Commit] = []
        commit: Commit | None = tip
        while commit is not None and commit.commit_id in self._inside and commit.commit_id not in known:
            found.append(commit)
            commit = self._by_id.get(commit.parent_ids[0]) if commit.parent_ids else None
        return Line(low=commit, commits=tuple(reversed(found)))

    def list_side_tips(self, merge: Commit, before: Commit | None) -> tuple[Commit, ...]:
        """Give the parents of a merge that bring something which neither GOOD nor its parent `before` has, in order."""
        known = self._list_ancestors(before)
        return tuple(
            self._by_id[parent]
            for parent in dict.fromkeys(merge.parent_ids)
            if (before is None or parent != before.commit_id) and parent in self._inside and parent not in known
        )

    def list_brought(self, tips: Iterable[Commit], without: Iterable[Commit | None]) -> tuple[Commit, ...]:
        """Give the commits that tips contain and none of `without` does, parents before children."""
        brought = frozenset[str]().union(*map(self._list_ancestors, tips))
        brought -= frozenset[str]().union(*map(self._list_ancestors, without))
        return tuple(commit for commit in self.commits if commit.commit_id in brought)

    def brings(self, line: Line, position: int, commit_id: str) -> bool:
        """Tell whether a commit of a line is the first there that contains another one."""
        before = line.at(position - 1)
        return commit_id in self._list_ancestors(line.commits[position - 1]) and (
            commit_id not in self._list_ancestors(before)
        )

    def _list_ancestors(self, commit: Commit | None) -> frozenset[str]:
        """A commit and its ancestors, as far as they are in the range."""
        if commit is None:
            return frozenset()
        known = self._ancestors.get(commit.commit_id)
        if known is None:
            found: set[str] = set()
            waiting = [commit.commit_id]
            while waiting:
                commit_id = waiting.pop()
                if commit_id in self._inside and commit_id not in found:
                    found.add(commit_id)
                    waiting += self._by_id[commit_id].parent_ids
            known = self._ancestors[commit.commit_id] = frozenset(found)
        return known
