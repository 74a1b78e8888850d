"""
What a search for a culprit has seen so far, tree by tree. Pure.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from gatekeep.model.change import Commit
from gatekeep.model.culprit import Sight

#: How often a look is tried that shows nothing: once more, since what ails a machine mostly passes.
TRIES = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Probe:
    """A look that is wanted; a `fresh` one is a clean build made for it, nothing carried and nothing known before."""

    commit: Commit
    fresh: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """
    What a look has shown.

    `why` says why nothing, where it is unknown; `fault` is what is wrong, where it is faulty: two texts that differ are
    two faults, and "" says nothing. `fresh` tells of a clean build made for this search; of a look that shows nothing,
    that a fresh one was wanted.
    """

    tree_id: str
    sight: Sight
    why: str = ""
    fault: str = ""
    fresh: bool = False


@dataclass(slots=True)
class _Facts:
    """All that was seen of one tree."""

    sights: set[Sight] = field(default_factory=set)
    faults: set[str] = field(default_factory=set)
    look_count: int = 0
    fresh_count: int = 0
    failures: int = 0
    fresh_failures: int = 0
    why: str = ""


_NOTHING = _Facts()


class Sights:
    """All that was seen."""

    def __init__(self) -> None:
        self._facts: dict[str, _Facts] = {}

    def take(self, seen: Seen) -> None:
        """Learn what a look has shown."""
        facts = self._facts.setdefault(seen.tree_id, _Facts())
        if seen.sight is Sight.UNKNOWN:
            facts.why = seen.why
            if seen.fresh:
                facts.fresh_failures += 1
            else:
                facts.failures += 1
            return
        facts.sights.add(seen.sight)
        if seen.fault:
            facts.faults.add(seen.fault)
        facts.look_count += 1
        facts.fresh_count += seen.fresh

    def sight(self, commit: Commit | None) -> Sight | None:
        """Say what is known of a commit; a line that begins with nothing begins well."""
        if commit is None:
            return Sight.WELL
        sights = self._of(commit).sights
        return next(iter(sights)) if len(sights) == 1 else None

    def fault(self, commit: Commit) -> str:
        """Say what is wrong at a commit, "" where that is not known."""
        return min(self._of(commit).faults, default="")

    def is_contradictory(self, commit: Commit) -> bool:
        """Tell whether two builds of one tree came out differently."""
        return len(self._of(commit).sights) > 1

    def list_contradictory(self) -> frozenset[str]:
        """Give the trees that came out in two ways."""
        return frozenset(tree_id for tree_id, facts in self._facts.items() if len(facts.sights) > 1)

    def is_seen(self, commit: Commit) -> bool:
        """Tell whether the very tree was looked at, with any result."""
        facts = self._of(commit)
        return facts.look_count + facts.failures > 0

    def is_seen_twice(self, commit: Commit) -> bool:
        """Tell whether a sight rests on a clean build made for it, and on one more look at the very tree."""
        facts = self._of(commit)
        return facts.fresh_count > 0 and facts.look_count > 1

    def count_failures(self, commit: Commit, *, fresh: bool = False) -> int:
        """Count the looks that have shown nothing."""
        facts = self._of(commit)
        return facts.fresh_failures if fresh else facts.failures

    def say_failure(self, commit: Commit) -> str:
        """Word why a commit could not be judged."""
        why = self._of(commit).why
        return f"commit {commit.short_id} could not be judged{f': {why}' if why else ''}"

    def _of(self, commit: Commit) -> _Facts:
        return self._facts.get(commit.tree_id, _NOTHING)
