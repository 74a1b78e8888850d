"""
Finds the first commit at which a target broke. Pure: it names what to look at, is told what was seen, and concludes.

A search knows nothing but what it was told, and thinks it through anew each time: the same sights give the same
conclusion, in whatever order they came.

- **Where it looks.** Along one line of commits, between the last that is known to be well and the first faulty one
  after it; only at commits whose difference from their parent may reach the target. Commits between two of these are
  one class and stand for each other. Where the classes contradict what was seen, they are dropped for that stretch.
- **How it splits.** Asked for k looks it names k that split the suspects in k + 1 equal parts. With k = 1 it takes no
  more than ceil(log2 n) looks for n suspects, which no search can beat that takes all for equally likely; with more the
  number of rounds falls to ceil(log n / log(k + 1)). While looks are under way, further ones split the widest gap.
- **Whom it suspects.** All are not equally likely: mostly it was the commit that wrote the line which the compiler
  complains about. Where that one is known (`suspect`), it and what came before it are looked at first. Right, two looks
  are enough; wrong, they split the suspects like any others, though not in equal parts. Where more looks are wanted at
  once, they are those that confirm it if it was that commit, and do not split what is then of no concern.
- **Merges.** A merge that is faulty while its parent on the line is well brought the fault or made it. If one of its
  other parents is faulty, the search goes on along that side; if all are well, the merge itself is the culprit.
- **Doubt.** A look that shows nothing (the machine's fault) is tried once more, after the neighbours were. Before
  anybody is blamed, the culprit and its parents are built once more from nothing: a machine that makes mistakes would
  otherwise blame innocents. A tree that is seen well and faulty makes the whole search undecided. So an innocent is
  blamed only if the same tree comes out wrong twice.

A history may break, be mended and break again. It is the present break that is looked for, the one since which the
target is faulty. Where what is wrong is not the same after the culprit and at the end, the search looks for the turn
between them, for the target may have been well there; where the very same fault came back and nothing was seen between,
it finds one of the breaks.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from gatekeep.model.change import Commit
from gatekeep.model.culprit import Conclusion, CulpritStanding, Sight
from gatekeep.runner.culprit_range import CommitRange, Line
from gatekeep.runner.culprit_sights import TRIES, Probe, Seen, Sights

#: (old tree, new tree): may the difference change what the target's build shows?
Reaches = Callable[[str, str], bool]


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
        self._seen = Sights()
        self._held: set[str] = set()
        self._suspect: str | None = None
        self._reached: dict[tuple[str, str], bool] = {}
        self._main = commits.list_main_line()
        for seen in known:
            self.take(seen)

    def take(self, seen: Seen) -> None:
        """Learn what a look has shown."""
        self._held.discard(seen.tree_id)
        self._seen.take(seen)

    def hold(self, tree_id: str) -> None:
        """Do not ask for a tree again: it was built, and what it shows is told when more is known."""
        self._held.add(tree_id)

    def suspect(self, commit_id: str) -> None:
        """Look at this commit first, and at what came before it; one that is not in the range is nobody."""
        self._suspect = commit_id

    def next_probes(self, count: int = 1, under_way: Collection[str] = ()) -> tuple[Probe, ...]:
        """
        Give looks that are wanted now.

        Args:
            count: How many this search should have under way, at most.
            under_way: The trees whose looks have been handed out and have not shown anything yet; those that this
                search does not want any more do not count.

        Returns:
            Looks besides those under way; none when there are enough of them, or the search is over. Some are more than
            none: where only one thing is worth knowing, one is given.
        """
        wanted = self._think(count, under_way)
        if isinstance(wanted, Conclusion):
            return ()
        wanted = tuple(probe for probe in wanted if probe.commit.tree_id not in self._held)
        left = [probe for probe in wanted if probe.commit.tree_id not in under_way]
        return tuple(left[: max(0, count - (len(wanted) - len(left)))])

    @property
    def conclusion(self) -> Conclusion | None:
        """How the search ended, None while it goes on."""
        answer = self._think(1)
        return answer if isinstance(answer, Conclusion) else None

    def _think(self, count: int, under_way: Collection[str] = ()) -> Conclusion | tuple[Probe, ...]:
        """Conclude, or give the looks that are wanted, those under way among them."""
        ends = self._look_at_ends(count, under_way)
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
                probes = self._split(line, suspects, count, under_way)
                return probes or self._give_up(line, suspects, trail)
            turn = self._look_for_turn(line, high)
            if len(turn) > 1:
                probes = self._split(line, turn, count, under_way)
                if probes:
                    return probes
            culprit, before = line.commits[suspects[0] - 1], line.at(suspects[0] - 1)
            tips = self._range.list_side_tips(culprit, before)
            wanted = self._look_at(tips)
            if wanted:
                return wanted
            faulty = next((tip for tip in tips if self._seen.sight(tip) is Sight.FAULTY), None)
            if faulty is None:
                open_tips = [tip for tip in tips if self._seen.sight(tip) is None]
                if open_tips:
                    brought = self._range.list_brought(
                        (*open_tips, culprit), (before, *set(tips).difference(open_tips))
                    )
                    return _undecided(brought, trail, self._seen.say_failure(open_tips[0]))
                return self._confirm(line, suspects[0], tips, trail, joins=tips)
            side = self._range.list_side(faulty, before)
            beneath = side.low
            if beneath is not None:
                wanted = self._look_at((beneath,))
                if wanted:
                    return wanted
                if self._seen.sight(beneath) is None:
                    brought = self._range.list_brought((culprit,), (before,))
                    return _undecided(brought, trail, self._seen.say_failure(beneath))
                if self._seen.sight(beneath) is Sight.FAULTY:
                    # The side was faulty before it left the line, and the line was mended since.
                    return self._confirm(line, suspects[0], (faulty, beneath), trail)
            trail = _Trail(merges=(*trail.merges, culprit), parents=(*trail.parents, *([before] if before else [])))
            line = side

    # The ends.

    def _look_at_ends(self, count: int, under_way: Collection[str]) -> Conclusion | tuple[Probe, ...] | None:
        """Make sure of both ends; None when there is something to find between them."""
        good, bad = self._range.good, self._range.bad
        for commit in (bad, good):
            if self._seen.is_contradictory(commit):
                return _undecided(self._range.commits, _Trail(), _say_flaky(commit))
        wanted = self._look_at((good, bad))
        if self._seen.sight(bad) is Sight.WELL:
            return self._confirm_end(bad, CulpritStanding.WELL_AT_BAD)
        if self._seen.sight(good) is Sight.FAULTY:
            return self._confirm_end(good, CulpritStanding.FAULTY_AT_GOOD)
        for commit in (bad, good):
            if self._seen.sight(commit) is None and self._seen.count_failures(commit) >= TRIES:
                return _undecided(self._range.commits, _Trail(), self._seen.say_failure(commit))
        if not wanted:
            return None
        spare = count - sum(1 for probe in wanted if probe.commit.tree_id not in self._held)
        if spare > 0:
            # Idle cores look ahead. What reaches the target is not known yet: the ends' builds will tell.
            low, high = self._bracket(self._main)
            wanted += self._split(self._main, range(low + 1, high + 1), spare, under_way)
        return wanted

    def _confirm_end(self, commit: Commit, standing: CulpritStanding) -> Conclusion | tuple[Probe, ...]:
        if not self._confirms or self._seen.is_seen_twice(commit):
            return Conclusion(standing=standing)
        if self._seen.count_failures(commit, fresh=True) >= TRIES:
            why = f"it could not be confirmed: {self._seen.say_failure(commit)}"
            return _undecided(self._range.commits, _Trail(), why)
        return (Probe(commit=commit, fresh=True),)

    # One line.

    def _bracket(self, line: Line) -> tuple[int, int]:
        """Give the last position that is well and the first faulty one after it."""
        high = len(line.commits)
        low = high - 1
        while low > 0 and self._seen.sight(line.at(low)) is not Sight.WELL:
            if self._seen.sight(line.at(low)) is Sight.FAULTY:
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

    def _split(self, line: Line, suspects: Sequence[int], count: int, under_way: Collection[str]) -> tuple[Probe, ...]:
        """
        Choose looks that part the suspects: in equal parts, or the one that is suspected most from the others.

        Those under way come first; none when all between the suspects have shown nothing.
        """
        suspected = self._find_suspected(line, suspects)
        telling = [] if suspected is None else self._list_most_telling(suspects, suspected)
        chosen: dict[int, int] = {}
        open_classes: list[tuple[int, int, int]] = []
        for index in range(len(suspects) - 1):
            positions = range(suspects[index], suspects[index + 1])
            running = [position for position in positions if line.commits[position - 1].tree_id in under_way]
            if running:
                chosen[index] = running[0]
                continue
            # Before the commit that is suspected, its parent: that is also who would have to be built in the end.
            is_before = suspected is not None and suspects[index + 1] == suspected
            least, position = self._choose_of_class(line, positions[::-1] if is_before else positions)
            if least < TRIES:
                open_classes.append((index, least, position))
        running_count = len(chosen)
        # What has shown nothing is tried again only when nothing else is left to try.
        pool = {index: position for index, least, position in open_classes if least == 0}
        pool = pool or {index: position for index, _, position in open_classes}
        for index in telling[: max(0, count - len(chosen))]:
            if index in pool:
                chosen[index] = pool.pop(index)
        ahead: tuple[Probe, ...] = ()
        if chosen and suspected is not None:
            ahead = self._look_ahead(line, suspected, [line.commits[position - 1] for position in chosen.values()])
            count -= len(ahead)
        if not chosen:
            parts = min(count, len(pool)) + 1
            ideals = [part * len(suspects) / parts - 1 for part in range(1, parts)]
        else:
            ideals = []
        while pool and (ideals or (chosen and len(chosen) < count)):
            ideal = ideals.pop(0) if ideals else _middle_of_widest_gap(chosen, len(suspects))
            index = min(pool, key=lambda index: (abs(index - ideal), index))
            chosen[index] = pool.pop(index)
        order = list(chosen)[:running_count] + sorted(list(chosen)[running_count:])
        return (*(Probe(commit=line.commits[chosen[index] - 1]) for index in order), *ahead)

    def _look_ahead(self, line: Line, suspected: int, looked_at: Collection[Commit]) -> tuple[Probe, ...]:
        """Give the looks by which the one that is suspected most would be confirmed, besides those at these commits."""
        before = line.at(suspected - 1)
        blamed = (*((before,) if before else ()), line.commits[suspected - 1])
        return tuple(
            Probe(commit=commit, fresh=self._seen.is_seen(commit))
            for commit in blamed
            if self._confirms
            and commit not in looked_at
            and not self._seen.is_seen_twice(commit)
            and not self._seen.count_failures(commit)
        )

    def _find_suspected(self, line: Line, suspects: Sequence[int]) -> int | None:
        """Give the position of the one that is suspected most; None where nobody is, or nothing is gained by it."""
        if self._suspect is None or len(suspects) < 3:
            return None
        return next((at for at in suspects if self._range.brings(line, at, self._suspect)), None)

    def _list_most_telling(self, suspects: Sequence[int], position: int) -> list[int]:
        """Give the looks (as classes) that show whether it was the one at this position."""
        index = suspects.index(position)
        found = [at for at in (index - 1, index) if 0 <= at < len(suspects) - 1]
        middle = len(suspects) / 2 - 1
        return sorted(found, key=lambda at: (abs(at - middle), at))

    def _choose_of_class(self, line: Line, positions: Sequence[int]) -> tuple[int, int]:
        """Give the fewest failures of a class, and the first position in this order that has none, if any."""
        best = (TRIES, positions[0])
        for position in positions:
            best = min(best, (self._seen.count_failures(line.commits[position - 1]), position))
            if best[0] == 0:
                break
        return best

    def _look_for_turn(self, line: Line, culprit: int) -> list[int]:
        """Give the positions at which what is wrong became what it is at the end; none where it was that all along."""
        final = self._seen.fault(line.tip)
        faults = [
            (position, self._seen.fault(commit))
            for position, commit in enumerate(line.commits[culprit - 1 :], start=culprit)
            if self._seen.sight(commit) is Sight.FAULTY and self._seen.fault(commit)
        ]
        others = [position for position, fault in faults if fault != final]
        if not final or not others:
            return []
        after = next(position for position, fault in faults if position > others[-1])
        return self._list_candidates(line, others[-1], after)

    # The conclusion.

    def _confirm(
        self,
        line: Line,
        position: int,
        tips: tuple[Commit, ...],
        trail: _Trail,
        joins: tuple[Commit, ...] = (),
    ) -> Conclusion | tuple[Probe, ...]:
        culprit, before = line.commits[position - 1], line.at(position - 1)
        found = Conclusion(
            standing=CulpritStanding.FOUND,
            culprit=culprit,
            before=before,
            joins=joins,
            merges=trail.merges,
            suspects=(culprit,),
        )
        if not self._confirms:
            return found
        # The culprit and its parent first: they settle most.
        blamed = (culprit, *((before,) if before else ()), *tips, *trail.parents)
        left = [commit for commit in blamed if not self._seen.is_seen_twice(commit)]
        for commit in left:
            if self._seen.count_failures(commit, fresh=True) >= TRIES:
                why = f"it could not be confirmed: {self._seen.say_failure(commit)}"
                return _undecided((culprit,), trail, why)
        # What only others of its class stood for is asked for first: carried, it is one look that costs nothing.
        probes = {commit.tree_id: Probe(commit=commit, fresh=self._seen.is_seen(commit)) for commit in left}
        return tuple(probes.values()) or found

    def _find_flaky(self, line: Line, trail: _Trail) -> Conclusion | None:
        """A tree that is well and faulty says that nothing of this can be believed."""
        flaky = self._seen.list_contradictory()
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
        failed = next(
            (commit for commit in span if self._seen.count_failures(commit) and self._seen.sight(commit) is None),
            span[0],
        )
        return _undecided([commit for commit in brought if commit not in spared], trail, self._seen.say_failure(failed))

    def _look_at(self, commits: Iterable[Commit]) -> tuple[Probe, ...]:
        """Ask for those that are not known and not given up."""
        found = {commit.tree_id: commit for commit in commits if self._seen.sight(commit) is None}
        return tuple(Probe(commit=commit) for commit in found.values() if self._seen.count_failures(commit) < TRIES)


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


def _middle_of_widest_gap(chosen: Iterable[int], suspect_count: int) -> float:
    """Give the class in the middle of the most suspects that no look parts yet; the earliest of several."""
    bounds = [-1, *sorted(chosen), suspect_count - 1]
    low, high = max(pairwise(bounds), key=lambda gap: (gap[1] - gap[0], -gap[0]))
    return (low + high) / 2
