"""
Histories drawn from a seed, and a builder that knows what is wrong in them: for searches for culprits.

A commit makes changes, each of which touches some targets; a tree is the set of changes that it holds. A target is
faulty where all changes of its fault are together: one change (somebody broke it), or two that are harmless alone (a
merge that nobody built). So the truth is known for every commit without any search.
"""

from __future__ import annotations

import hashlib
import random
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from gatekeep.model.change import Commit
from gatekeep.model.culprit import Sight
from gatekeep.runner.culprit import CulpritSearch, Probe, Seen
from gatekeep.runner.culprit_range import CommitRange

Changes = frozenset[str]


def name_of(*parts: object) -> str:
    return hashlib.sha1(repr(parts).encode()).hexdigest()


class History:
    """A graph of commits; `commits[0]` is the first, parents stand before children."""

    def __init__(self) -> None:
        self.commits: list[Commit] = []
        self.by_id: dict[str, Commit] = {}
        self.changes: dict[str, Changes] = {}
        self.touched: dict[str, frozenset[str]] = {}

    def commit(self, parents: Sequence[Commit], change: str | None = None, touches: Iterable[str] = ()) -> Commit:
        """Commit what the parents hold together, and a change."""
        held = frozenset().union(*(self.changes[parent.tree_id] for parent in parents))
        if change is not None:
            held |= {change}
            self.touched[change] = frozenset(touches)
        tree_id = name_of("tree", sorted(held))
        self.changes[tree_id] = held
        number = len(self.commits)
        commit = Commit(
            commit_id=name_of("commit", number, tree_id),
            tree_id=tree_id,
            parent_ids=tuple(parent.commit_id for parent in parents),
            author_name="Isa Thorne",
            author_email="isa@skerry.example",
            subject=f"commit {number}",
            committed_at=datetime(2001, 1, 1, tzinfo=UTC) + timedelta(minutes=number),
        )
        self.commits.append(commit)
        self.by_id[commit.commit_id] = commit
        return commit

    def reaches(self, target: str, old_tree_id: str, new_tree_id: str) -> bool:
        """Whether a difference touches a target."""
        differing = self.changes[old_tree_id] ^ self.changes[new_tree_id]
        return any(target in self.touched[change] for change in differing)

    def range_of(self, good: Commit, bad: Commit) -> CommitRange:
        """Everything that `bad` has and `good` has not."""
        brought = self._ancestors(bad) - self._ancestors(good)
        commits = [commit for commit in self.commits if commit.commit_id in brought]
        wanted = {parent for commit in commits for parent in commit.parent_ids}
        outside = [self.by_id[name] for name in sorted(wanted - {commit.commit_id for commit in commits})]
        return CommitRange(good, bad, commits, outside)

    def _ancestors(self, commit: Commit) -> set[str]:
        found: set[str] = set()
        waiting = [commit.commit_id]
        while waiting:
            name = waiting.pop()
            if name not in found:
                found.add(name)
                waiting += self.by_id[name].parent_ids
        return found


@dataclass(slots=True)
class Machine:
    """
    Builds without building, and counts.

    `faults` by target: the changes that are wrong together. `broken_trees` cannot be built at all, by the machine's
    fault; of `lying_trees` every other build, beginning with the first, comes out wrong.
    """

    history: History
    faults: dict[str, Changes]
    broken_trees: frozenset[str] = frozenset()
    lying_trees: frozenset[tuple[str, str]] = frozenset()
    build_count: int = 0
    fresh_count: int = 0
    round_count: int = 0
    built: dict[tuple[str, str], int] = field(default_factory=dict)

    def is_faulty(self, target: str, tree_id: str) -> bool:
        """The truth."""
        return self.faults[target] <= self.history.changes[tree_id]

    def look(self, wanted: Sequence[tuple[str, Probe]]) -> list[tuple[str, Seen]]:
        """Build."""
        self.round_count += 1
        return [(target, self._build(target, probe)) for target, probe in wanted]

    def _build(self, target: str, probe: Probe) -> Seen:
        tree_id = probe.commit.tree_id
        self.build_count += not probe.fresh
        self.fresh_count += probe.fresh
        number = self.built[target, tree_id] = self.built.get((target, tree_id), 0) + 1
        if tree_id in self.broken_trees:
            return Seen(tree_id=tree_id, sight=Sight.UNKNOWN, why="out of memory", fresh=probe.fresh)
        lies = (target, tree_id) in self.lying_trees and number % 2 == 1
        sight = Sight.FAULTY if self.is_faulty(target, tree_id) != lies else Sight.WELL
        return Seen(tree_id=tree_id, sight=sight, fresh=probe.fresh)

    def search(
        self, target: str, commits: CommitRange, *, by_reach: bool = True, confirm: bool = True
    ) -> CulpritSearch:
        """Begin a search for one of the targets."""
        return CulpritSearch(
            commits,
            reaches=(lambda old, new: self.history.reaches(target, old, new)) if by_reach else None,
            confirm=confirm,
        )

    def list_breaks(self, target: str, commits: CommitRange) -> list[Commit]:
        """Find by trying everything: the commits at which the target is faulty and at none of their parents."""
        return [
            commit
            for commit in commits.commits
            if self.is_faulty(target, commit.tree_id)
            and not any(self.is_faulty(target, self.history.by_id[parent].tree_id) for parent in commit.parent_ids)
        ]


def draw_line(history: History, lot: random.Random, length: int, targets: Sequence[str]) -> list[Commit]:
    """Draw a line of commits after a first one; each touches some targets, a few nothing at all."""
    tip = history.commit((), "import", targets)
    line = [tip]
    for number in range(length):
        change = None if lot.random() < 0.1 else f"change {number}"
        tip = history.commit((tip,), change, [name for name in targets if lot.random() < 0.5])
        line.append(tip)
    return line


def draw_graph(history: History, lot: random.Random, size: int, targets: Sequence[str]) -> list[Commit]:
    """Draw commits on a main line and sides that fork, merge, merge back, and merge each other; give the main line."""
    main = [history.commit((), "import", targets)]
    main.append(history.commit((main[-1],), "first change", targets))
    sides: list[Commit] = []
    for number in range(size):
        touches = [name for name in targets if lot.random() < 0.6]
        kind = lot.random()
        if kind < 0.2 and len(sides) < 4:
            sides.append(history.commit((lot.choice(main[-6:]),), f"change {number}", touches))
        elif kind < 0.55 and sides:
            place = lot.randrange(len(sides))
            sides[place] = history.commit((sides[place],), f"change {number}", touches)
        elif kind < 0.62 and sides:
            place = lot.randrange(len(sides))
            sides[place] = history.commit((sides[place], main[-1]))
        elif kind < 0.67 and len(sides) > 1:
            one, other = lot.sample(range(len(sides)), 2)
            sides[one] = history.commit((sides[one], sides[other]))
        elif kind < 0.8 and sides:
            count = lot.randint(1, min(2, len(sides)))
            merged = [sides.pop(lot.randrange(len(sides))) for _ in range(count)]
            main.append(history.commit((main[-1], *merged)))
        else:
            main.append(history.commit((main[-1],), f"change {number}", touches))
    if sides:
        main.append(history.commit((main[-1], *sides[:1])))
    return main
