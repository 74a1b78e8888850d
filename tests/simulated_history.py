"""
Histories drawn from a seed, and a builder that knows what is wrong in them: for searches for culprits.

A commit makes changes, each of which touches some targets; a tree is the set of changes that it holds. A target is
faulty where all changes of its fault are together: one change (somebody broke it), or two that are harmless alone (a
merge that nobody built). So the truth is known for every commit without any search.
"""

from __future__ import annotations

import hashlib
import random
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

from gatekeep.model.change import Commit
from gatekeep.model.culprit import Conclusion, Sight
from gatekeep.runner.culprit import CulpritSearch
from gatekeep.runner.culprit_desk import Desk
from gatekeep.runner.culprit_range import CommitRange
from gatekeep.runner.culprit_sights import Probe, Seen

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
    Builds without building, and counts. What is not wanted fresh is carried from a build that no difference reaches.

    `faults` by target: the changes that are wrong together. `mends` by target: pairs of changes, of which the first
    breaks the target until the second comes; `told` whether each of them shows another fault. `broken_trees` cannot be
    built at all, by the machine's fault; of `lying_trees`, and of all trees that are the same to the target, every
    other build comes out wrong, beginning with the first.
    """

    history: History
    faults: dict[str, Changes]
    mends: dict[str, Sequence[tuple[str, str | None]]] = field(default_factory=dict)
    told: bool = True
    broken_trees: frozenset[str] = frozenset()
    lying_trees: frozenset[tuple[str, str]] = frozenset()
    build_count: int = 0
    fresh_count: int = 0
    round_count: int = 0
    built: dict[tuple[str, Changes], int] = field(default_factory=dict)
    shown: dict[tuple[str, str], Seen] = field(default_factory=dict)

    def is_faulty(self, target: str, tree_id: str) -> bool:
        """The truth."""
        held = self.history.changes[tree_id]
        return bool(self.list_wrong(target, tree_id)) or (target in self.faults and self.faults[target] <= held)

    def list_read(self, target: str, tree_id: str) -> Changes:
        """What of a tree the target reads."""
        return frozenset(change for change in self.history.changes[tree_id] if target in self.history.touched[change])

    def list_wrong(self, target: str, tree_id: str) -> list[str]:
        """The changes that break a target and are not mended."""
        held = self.history.changes[tree_id]
        return [wrong for wrong, mend in self.mends.get(target, ()) if wrong in held and mend not in held]

    def look(self, target: str, probe: Probe) -> Seen:
        """Carry, or build."""
        tree_id = probe.commit.tree_id
        for (name, built_id), seen in self.shown.items() if not probe.fresh else ():
            if name == target and not self.history.reaches(target, built_id, tree_id):
                return replace(seen, tree_id=tree_id, fresh=False)
        seen = self._build(target, probe)
        if seen.sight is not Sight.UNKNOWN:
            self.shown[target, tree_id] = seen
        return seen

    def _build(self, target: str, probe: Probe) -> Seen:
        tree_id = probe.commit.tree_id
        self.build_count += not probe.fresh
        self.fresh_count += probe.fresh
        read = self.list_read(target, tree_id)
        number = self.built[target, read] = self.built.get((target, read), 0) + 1
        if tree_id in self.broken_trees:
            return Seen(tree_id=tree_id, sight=Sight.UNKNOWN, why="out of memory", fresh=probe.fresh)
        lying = any(name == target and self.list_read(target, other) == read for name, other in self.lying_trees)
        lies = lying and number % 2 == 1
        sight = Sight.FAULTY if self.is_faulty(target, tree_id) != lies else Sight.WELL
        wrong = self.list_wrong(target, tree_id)[:1] if self.told and sight is Sight.FAULTY else []
        # Every build of this machine is made for the search that asks.
        return Seen(tree_id=tree_id, sight=sight, fault="".join(wrong), fresh=True)

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


@dataclass(slots=True)
class Alone:
    """A target with one search."""

    search: CulpritSearch

    def list_searches(self) -> Sequence[CulpritSearch]:
        """Give it."""
        return (self.search,)


def run_searches(
    searches: Mapping[str, CulpritSearch], machine: Machine, *, worker_count: int, lot: random.Random | None = None
) -> dict[str, Conclusion]:
    """Search to the end. All looks under way end together; with `lot`, one after the other as it draws them."""
    desk = Desk({name: Alone(search) for name, search in searches.items()}, worker_count)
    under_way: list[tuple[str, Probe]] = []
    while True:
        under_way += desk.hand_out()
        if not under_way:
            break
        if lot is None:
            ended, under_way = under_way, []
            machine.round_count += 1
        else:
            ended = [under_way.pop(lot.randrange(len(under_way)))]
        for name, probe in ended:
            searches[name].take(machine.look(name, probe))
            desk.end(name, probe.commit.tree_id)
    found = {name: search.conclusion for name, search in searches.items()}
    return {name: conclusion for name, conclusion in found.items() if conclusion is not None}


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
