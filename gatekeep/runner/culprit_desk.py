"""
Hands out the looks of searches that run side by side. Pure.

There are no rounds: as soon as a look has ended, its target's searches are asked what they want next, and no core waits
for the slowest build of the others. Every search gets one look at a time, and what workers are left over is shared; so
one search alone splits its range in more than two. A look at a target serves all of its searches.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

from gatekeep.runner.culprit import CulpritSearch
from gatekeep.runner.culprit_sights import Probe


class Subject(Protocol):
    """A target that is searched."""

    def list_searches(self) -> Sequence[CulpritSearch]:
        """Give its searches as they are now: a look may show that there is more than one fault to look for."""


class Desk:
    """
    What is wanted, and what is under way.

    Args:
        subjects: By target.
        worker_count: How many builds run at once, at least 1.
    """

    def __init__(self, subjects: Mapping[str, Subject], worker_count: int) -> None:
        self._subjects = subjects
        self._worker_count = worker_count
        #: By target, the trees that are looked at.
        self._under_way: dict[str, set[str]] = {name: set() for name in subjects}

    def hand_out(self) -> tuple[tuple[str, Probe], ...]:
        """Give the looks to be begun now, (target, probe) sorted by target; from here on they count as under way."""
        found: list[tuple[str, Probe]] = []
        left = self._worker_count - sum(map(len, self._under_way.values()))

        def ask(name: str, search: CulpritSearch, count: int, most: int) -> int:
            probes = search.next_probes(count, self._under_way[name])[:most]
            self._under_way[name].update(probe.commit.tree_id for probe in probes)
            found.extend((name, probe) for probe in probes)
            return len(probes)

        waiting = [(name, search) for name, subject in self._subjects.items() for search in subject.list_searches()]
        hungry = [
            (len(probes), name, at, search)
            for at, (name, search) in enumerate(waiting)
            if search.next_probes(1, self._under_way[name])
            and (probes := search.next_probes(self._worker_count, self._under_way[name]))
        ]
        # The least hungry first: what they leave is shared among the others.
        for served, (_, name, _, search) in enumerate(sorted(hungry, key=lambda entry: entry[:3])):
            left -= ask(name, search, max(1, left // (len(hungry) - served)), max(1, left))
        for name, search in sorted(waiting, key=lambda entry: (len(self._under_way[entry[0]]), entry[0])):
            if left > 0:
                left -= ask(name, search, self._worker_count, left)
        return tuple(sorted(found, key=lambda entry: entry[0]))

    def end(self, name: str, tree_id: str) -> None:
        """A look has ended."""
        self._under_way[name].discard(tree_id)
