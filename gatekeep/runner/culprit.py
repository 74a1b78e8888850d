"""
Finds the first commit at which a target broke. Pure: it names what to look at, is told what was seen, and concludes.

A search knows nothing but what it was told, and thinks it through anew each time: the same sights give the same
conclusion, in whatever order they came.

- **Where it looks.** Along one line of commits, between the last that is known to be well and the first faulty one
  after it; only at commits whose difference from their parent may reach the target. Commits between two of these are
  one class and stand for each other. Where the classes contradict what was seen, they are dropped for that stretch.
- **How it splits.** Asked for k looks it names k that split the suspects in k + 1 equal parts. With k = 1 it takes no
  more than ceil(log2 n) looks for n suspects, which no search can beat; with more the number of rounds falls to
  ceil(log n / log(k + 1)).
- **Merges.** A merge that is faulty while its parent on the line is well brought the fault or made it. If one of its
  other parents is faulty, the search goes on along that side; if all are well, the merge itself is the culprit.
- **Doubt.** A look that shows nothing (the machine's fault) is tried once more, after the neighbours were. Before
  anybody is blamed, the culprit and its parents are built once more from nothing: a machine that makes mistakes would
  otherwise blame innocents. A tree that is seen well and faulty makes the whole search undecided. So an innocent is
  blamed only if the same tree comes out wrong twice.

A history may break, be mended and break again. Then it is the last break that is found: the one since which the target
is faulty.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from gatekeep.model.change import Commit
from gatekeep.model.culprit import Conclusion, CulpritStanding, Sight
from gatekeep.runner.culprit_range import CommitRange, Line

#: How often a look is tried that shows nothing: once more, since what ails a machine mostly passes.
TRIES = 2
#: (old tree, new tree): may the difference change what the target's build shows?
Reaches = Callable[[str, str], bool]


@dataclass(frozen=True, slots=True, kw_only=True)
class Probe:
    """A look that is wanted; a `fresh` one is a clean build made for it, nothing carried and nothing known before."""

    commit: Commit
    fresh: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What a look has shown; `why` says why nothing, where it is unknown."""

    tree_id: str
    sight: Sight
    why: str = ""
    fresh: bool = False


@dataclass(slots=True)
class _Facts:
    """All that was seen of one tree."""

    sights: set[Sight] = field(default_factory=set)
    look_count: int = 0
    fresh_count: int = 0
    failures: int = 0
    fresh_failures: int = 0
    why: str = ""


_NOTHING = _Facts()


class CulpritSearch:
    """
    The search for one target.

    Args:
        commits: The range.
        known: What is known before the first look.
        reaches: Asked about each commit of a line and its parent when the line is first split; None means always.
        confirm: Whether the culprit and its parents are built once more before the search concludes.
    """

    def __init__(
        self, commits: CommitRange, *, known: Iterable[Seen] = (), reaches: Reaches | None = None, confirm: bool = True
    ) -> None:
        self._range = commits
        self._reaches = reaches
        self._confirms = confirm
        self._facts: dict[str, _Facts] = {}
        self._reached: dict[tuple[str, str], bool] = {}
        self._main = commits.list_main_line()
        for seen in known:
            self.take(seen)

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
        facts.look_count += 1
        facts.fresh_count += seen.fresh

    def next_probes(self, count: int = 1) -> tuple[Probe, ...]:
        """
        Give looks that are wanted now, `count` at most; empty when the search is over.

        Some are more than none: where only one thing is worth knowing, one is given.
        """
        answer = self._think(count)
        return () if isinstance(answer, Conclusion) else answer[:count]

    @property
    def conclusion(self) -> Conclusion | None:
        """How the search ended, None while it goes on."""
        answer = self._think(1)
        return answer if isinstance(answer, Conclusion) else None

    def _think(self, count: int) -> Conclusion | tuple[Probe, ...]:
        ends = self._look_at_ends(count)
        if ends is not None:
            return ends
        line, trail = self._main, _Trail()
        while True:
            flaky = self._find_flaky(line, trail)
            if flaky is not None:
                return flaky
            low, high = self._bracket(line)
            suspects = self._list_candidates(line, low, high)
            if len(suspects) > 1:
                probes = self._split(line, suspects, count)
                return probes or self._give_up(line, suspects, trail)
            culprit, before = line.commits[suspects[0] - 1], line.at(suspects[0] - 1)
            tips = self._range.list_side_tips(culprit, before)
            wanted = self._look_at(tips)
            if wanted:
                return wanted
            faulty = next((tip for tip in tips if self._sight(tip) is Sight.FAULTY), None)
            if faulty is None:
                open_tips = [tip for tip in tips if self._sight(tip) is None]
                if open_tips:
                    brought = self._range.list_brought(
                        (*open_tips, culprit), (before, *set(tips).difference(open_tips))
                    )
                    return _undecided(brought, trail, self._say_failure(open_tips[0]))
                return self._confirm(line, suspects[0], tips, trail)
            side = self._range.list_side(faulty, before)
            beneath = side.low
            if beneath is not None:
                wanted = self._look_at((beneath,))
                if wanted:
                    return wanted
                if self._sight(beneath) is None:
                    brought = self._range.list_brought((culprit,), (before,))
                    return _undecided(brought, trail, self._say_failure(beneath))
                if self._sight(beneath) is Sight.FAULTY:
                    # The side was faulty before it left the line, and the line was mended since.
                    return self._confirm(line, suspects[0], (faulty, beneath), trail)
            trail = _Trail(merges=(*trail.merges, culprit), parents=(*trail.parents, *([before] if before else [])))
            line = side

    # The ends.

    def _look_at_ends(self, count: int) -> Conclusion | tuple[Probe, ...] | None:
        """Make sure of both ends; None when there is something to find between them."""
        good, bad = self._range.good, self._range.bad
        for commit in (bad, good):
            if len(self._of(commit).sights) > 1:
                return _undecided(self._range.commits, _Trail(), _say_flaky(commit))
        wanted = self._look_at((good, bad))
        if self._sight(bad) is Sight.WELL:
            return self._confirm_end(bad, CulpritStanding.WELL_AT_BAD)
        if self._sight(good) is Sight.FAULTY:
            return self._confirm_end(good, CulpritStanding.FAULTY_AT_GOOD)
        if wanted:
            spare = count - len(wanted)
            if spare > 0 and len(self._main.commits) > 1:
                # Idle cores look ahead. What reaches the target is not known yet: the ends' builds will tell.
                every = list(range(1, len(self._main.commits) + 1))
                wanted += self._split(self._main, every, spare)
            return wanted
        for commit in (bad, good):
            if self._sight(commit) is None:
                return _undecided(self._range.commits, _Trail(), self._say_failure(commit))
        return None

    def _confirm_end(self, commit: Commit, standing: CulpritStanding) -> Conclusion | tuple[Probe, ...]:
        if not self._confirms or self._is_seen_twice(commit):
            return Conclusion(standing=standing)
        if self._of(commit).fresh_failures >= TRIES:
            why = f"it could not be confirmed: {self._say_failure(commit)}"
            return _undecided(self._range.commits, _Trail(), why)
        return (Probe(commit=commit, fresh=True),)

    # One line.

    def _bracket(self, line: Line) -> tuple[int, int]:
        """Give the last position that is well and the first faulty one after it."""
        high = len(line.commits)
        low = high - 1
        while low > 0 and self._sight(line.at(low)) is not Sight.WELL:
            if self._sight(line.at(low)) is Sight.FAULTY:
                high = low
            low -= 1
        return low, high

    def _list_candidates(self, line: Line, low: int, high: int) -> list[int]:
        """Give the positions at which the target may have broken, never none."""
        span = range(low + 1, high + 1)
        return [position for position in span if self._is_reached(line, position)] or list(span)

    def _is_reached(self, line: Line, position: int) -> bool:
        old, new = line.at(position - 1), line.commits[position - 1]
        if old is None:
            return True
        if old.tree_id == new.tree_id:
            return False
        key = old.tree_id, new.tree_id
        known = self._reached.get(key)
        if known is None:
            known = self._reached[key] = self._reaches is None or self._reaches(*key)
        return known

    def _split(self, line: Line, suspects: Sequence[int], count: int) -> tuple[Probe, ...]:
        """Choose looks that split the suspects in equal parts; none when all between them have shown nothing."""
        open_classes = [
            (index, least, position)
            for index in range(len(suspects) - 1)
            for least, position in [self._choose_of_class(line, suspects[index], suspects[index + 1])]
            if least < TRIES
        ]
        # What has shown nothing is tried again only when nothing else is left to try.
        pool = [entry for entry in open_classes if entry[1] == 0] or open_classes
        chosen: dict[int, int] = {}
        parts = min(count, len(pool)) + 1
        for part in range(1, parts):
            ideal = part * len(suspects) / parts - 1
            left = [entry for entry in pool if entry[0] not in chosen]
            index, _, position = min(left, key=lambda entry: (abs(entry[0] - ideal), entry[0]))
            chosen[index] = position
        return tuple(Probe(commit=line.commits[position - 1]) for _, position in sorted(chosen.items()))

    def _choose_of_class(self, line: Line, first: int, end: int) -> tuple[int, int]:
        """Give the fewest failures of a class, and the first position that has them."""
        best = (self._of(line.commits[first - 1]).failures, first)
        for position in range(first + 1, end):
            if best[0] == 0:
                break
            best = min(best, (self._of(line.commits[position - 1]).failures, position))
        return best

    # The conclusion.

    def _confirm(
        self, line: Line, position: int, tips: tuple[Commit, ...], trail: _Trail
    ) -> Conclusion | tuple[Probe, ...]:
        culprit, before = line.commits[position - 1], line.at(position - 1)
        found = Conclusion(
            standing=CulpritStanding.FOUND, culprit=culprit, before=before, merges=trail.merges, suspects=(culprit,)
        )
        if not self._confirms:
            return found
        # The culprit and its parent first: they settle most.
        blamed = (culprit, *((before,) if before else ()), *tips, *trail.parents)
        left = [commit for commit in blamed if not self._is_seen_twice(commit)]
        for commit in left:
            if self._of(commit).fresh_failures >= TRIES:
                return _undecided((culprit,), trail, f"it could not be confirmed: {self._say_failure(commit)}")
        return tuple(Probe(commit=commit, fresh=True) for commit in {c.tree_id: c for c in left}.values()) or found

    def _is_seen_twice(self, commit: Commit) -> bool:
        """Tell whether a sight rests on a clean build made for it, and on one more look at the very tree."""
        return self._of(commit).fresh_count > 0 and self._of(commit).look_count > 1

    def _find_flaky(self, line: Line, trail: _Trail) -> Conclusion | None:
        """A tree that is well and faulty says that nothing of this can be believed."""
        flaky = {tree_id for tree_id, facts in self._facts.items() if len(facts.sights) > 1}
        if not flaky:
            return None
        commits = [self._range.good, *self._range.commits]
        place = next((commit for commit in commits if commit.tree_id in flaky), line.low or line.tip)
        return _undecided(self._range.commits, trail, _say_flaky(place))

    def _give_up(self, line: Line, suspects: Sequence[int], trail: _Trail) -> Conclusion:
        """Name those that cannot be told apart, with what merges among them bring."""
        span = line.commits[suspects[0] - 1 : suspects[-1]]
        spared = set(span).difference(line.commits[position - 1] for position in suspects)
        brought = self._range.list_brought((span[-1],), (line.at(suspects[0] - 1),))
        failed = next((commit for commit in span if self._of(commit).failures and self._sight(commit) is None), span[0])
        return _undecided([commit for commit in brought if commit not in spared], trail, self._say_failure(failed))

    # What was seen.

    def _of(self, commit: Commit) -> _Facts:
        return self._facts.get(commit.tree_id, _NOTHING)

    def _sight(self, commit: Commit | None) -> Sight | None:
        """What is known of a commit; a line that begins with nothing begins well."""
        if commit is None:
            return Sight.WELL
        sights = self._of(commit).sights
        return next(iter(sights)) if len(sights) == 1 else None

    def _look_at(self, commits: Iterable[Commit]) -> tuple[Probe, ...]:
        """Ask for those that are not known and not given up."""
        found = {commit.tree_id: commit for commit in commits if self._sight(commit) is None}
        return tuple(Probe(commit=commit) for commit in found.values() if self._of(commit).failures < TRIES)

    def _say_failure(self, commit: Commit) -> str:
        why = self._of(commit).why
        return f"commit {commit.short_id} could not be judged{f': {why}' if why else ''}"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Trail:
    """The merges that a search was led into, outermost first, and their parents that are well."""

    merges: tuple[Commit, ...] = ()
    parents: tuple[Commit, ...] = ()


def _undecided(suspects: Sequence[Commit], trail: _Trail, why: str) -> Conclusion:
    return Conclusion(
        standing=CulpritStanding.UNDECIDED, merges=trail.merges, suspects=tuple(dict.fromkeys(suspects)), why=why
    )


def _say_flaky(commit: Commit) -> str:
    return f"two builds of commit {commit.short_id} came out differently, so none of them can be trusted"


# Several searches.


class Looker(Protocol):
    """Builds what searches want to see."""

    def look(self, wanted: Sequence[tuple[str, Probe]]) -> Iterable[tuple[str, Seen]]:
        """Give at least one sight for every (target, probe), in any order."""


def share_probes(searches: Mapping[str, CulpritSearch], worker_count: int) -> tuple[tuple[str, Probe], ...]:
    """
    Give every search that goes on a look, and the workers that are left over to those that can use them.

    Args:
        searches: By target.
        worker_count: How many builds run at once, at least 1.

    Returns:
        (target, probe), sorted by target; empty when all searches are over.
    """
    appetite = {name: probes for name, search in searches.items() if (probes := search.next_probes(worker_count))}
    found: list[tuple[str, Probe]] = []
    left = worker_count
    # The least hungry first: what they leave is shared among the others.
    for served, name in enumerate(sorted(appetite, key=lambda name: (len(appetite[name]), name))):
        share = max(1, left // (len(appetite) - served))
        probes = searches[name].next_probes(share)
        left = max(0, left - len(probes))
        found += ((name, probe) for probe in probes)
    return tuple(sorted(found, key=lambda entry: entry[0]))


def run_searches(searches: Mapping[str, CulpritSearch], looker: Looker, *, worker_count: int) -> dict[str, Conclusion]:
    """
    Run searches side by side to their ends.

    Args:
        searches: By target.
        looker: Builds.
        worker_count: How many builds run at once, at least 1.
    """
    while wanted := share_probes(searches, worker_count):
        for name, seen in looker.look(wanted):
            searches[name].take(seen)
    found = {name: search.conclusion for name, search in searches.items()}
    return {name: conclusion for name, conclusion in found.items() if conclusion is not None}
