"""
What is wrong with one target, and the searches for who did it: one for the target that does not come out, and one for
each set of new warnings that came together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from gatekeep.judge.fault import (
    FaultSought,
    Look,
    MapLines,
    find_faults,
    find_place,
    look_at_outcome,
    look_for_fault,
    word_fault,
)
from gatekeep.model.culprit import CulpritAnswer, CulpritStanding, Sight
from gatekeep.model.evidence import Evidence
from gatekeep.runner.culprit import CulpritSearch, Reaches
from gatekeep.runner.culprit_range import CommitRange
from gatekeep.runner.culprit_sights import Seen

#: (path, line) at the bad end to the commit that wrote it; None for one that is older than the range.
FindAuthor = Callable[[str, int], str | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Look:
    """One build, or one answer that there is nothing to build (`evidence` None); `fresh` as for `Seen`."""

    tree_id: str
    evidence: Evidence | None
    fresh: bool


class Hunt:
    """
    The searches for one target.

    Until both ends are known, nobody knows what to look for: one search finds the ends, and what is built meanwhile is
    told when the searches for the faults begin. A fault whose warnings a build parts goes on as two.

    Args:
        name: Of the target.
        commits: The range.
        reaches: As for `CulpritSearch`.
        map_lines: Leads from the lines of one tree to those of another.
        find_author: Asked once for each fault with a place.
    """

    def __init__(
        self, name: str, commits: CommitRange, *, reaches: Reaches, map_lines: MapLines, find_author: FindAuthor
    ) -> None:
        self._name, self._range = name, commits
        self._reaches, self._map_lines, self._find_author = reaches, map_lines, find_author
        self._looks: list[_Look] = []
        self._newest: dict[str, Evidence] = {}
        self._ends: dict[str, Evidence | None] = {}
        #: What is looked for, each with its search; None stands for "does it come out?".
        self._cases: list[tuple[FaultSought | None, CulpritSearch]] = [(None, self._begin())]

    def list_searches(self) -> Sequence[CulpritSearch]:
        """Give the searches as they are now."""
        return [search for _, search in self._cases]

    def take(self, tree_id: str, evidence: Evidence | None, *, fresh: bool = False, wanted_fresh: bool = False) -> None:
        """
        Learn what a build has shown.

        Args:
            tree_id: What was looked at.
            evidence: What came of it; None where the matrix of that tree does not list the target.
            fresh: It was built for this, nothing carried and nothing known before.
            wanted_fresh: It was asked for as such.
        """
        if evidence is not None:
            self._newest[tree_id] = evidence
        look = _Look(tree_id=tree_id, evidence=evidence, fresh=fresh)
        sight = self._look_at(None, look)[0][1].sight
        # What fails is built twice before it is said (see `runner.second_look`).
        for _ in range(2 if fresh and sight is Sight.FAULTY else 1):
            self._take(look, sight, wanted_fresh=wanted_fresh)

    def _take(self, look: _Look, sight: Sight, *, wanted_fresh: bool) -> None:
        if sight is not Sight.UNKNOWN:
            self._looks.append(look)
            is_end = look.tree_id in (self._range.good.tree_id, self._range.bad.tree_id)
            if is_end and look.tree_id not in self._ends:
                self._ends[look.tree_id] = look.evidence
                if len(self._ends) == 2:
                    self._begin_all()
                    return
        if len(self._ends) < 2:
            self._tell_early(look, wanted_fresh=wanted_fresh)
        else:
            self._tell(look, len(self._looks), wanted_fresh=wanted_fresh)

    def _begin(self) -> CulpritSearch:
        return CulpritSearch(self._range, reaches=self._reaches)

    def _begin_all(self) -> None:
        """Both ends are known: begin what there is to look for, with all that was seen meanwhile."""
        good, bad = self._ends[self._range.good.tree_id], self._ends[self._range.bad.tree_id]
        faults = find_faults(good, bad, self._map_lines) if good is not None and bad is not None else ()
        self._cases = [(fault, self._begin()) for fault in faults] or [(None, self._begin())]
        for fault, search in self._cases:
            self._name_suspect(fault, search)
        for number, look in enumerate(self._looks, start=1):
            self._tell(look, number, wanted_fresh=False)

    def _name_suspect(self, fault: FaultSought | None, search: CulpritSearch) -> None:
        place = find_place(fault) if fault is not None else None
        author = self._find_author(*place) if place is not None else None
        if author is not None:
            search.suspect(author)

    def _tell_early(self, look: _Look, *, wanted_fresh: bool) -> None:
        """Tell the only search what needs no other end to be known: whether it comes out at all."""
        (_, search) = self._cases[0]
        found = self._look_at(None, look)[0][1]
        if found.sight is Sight.WELL and look.tree_id != self._range.good.tree_id:
            search.hold(look.tree_id)
        else:
            search.take(_see(look, found, wanted_fresh=wanted_fresh))

    def _tell(self, look: _Look, number: int, *, wanted_fresh: bool) -> None:
        """Tell every search the look of this number, and part those whose fault is parted."""
        told: list[tuple[FaultSought | None, CulpritSearch]] = []
        for fault, search in self._cases:
            found = self._look_at(fault, look)
            if len(found) == 1:
                search.take(_see(look, found[0][1], wanted_fresh=wanted_fresh))
                told.append((fault, search))
            else:
                told += (self._part(part, number) for part, _ in found)
        self._cases = told

    def _part(self, fault: FaultSought | None, count: int) -> tuple[FaultSought | None, CulpritSearch]:
        """Begin the search for a part of a fault, with the first so many looks."""
        search = self._begin()
        self._name_suspect(fault, search)
        # Earlier looks have shown all of the fault or nothing, so this part too.
        for look in self._looks[:count]:
            search.take(_see(look, self._look_at(fault, look)[0][1], wanted_fresh=False))
        return fault, search

    def _look_at(self, fault: FaultSought | None, look: _Look) -> Sequence[tuple[FaultSought | None, Look]]:
        if look.evidence is None:
            # The matrix of that commit does not list it: nothing of it is broken there.
            return ((fault, Look(sight=Sight.WELL)),)
        if fault is None:
            return ((fault, look_at_outcome(look.evidence)),)
        return look_for_fault(fault, look.evidence, self._map_lines)

    def iter_answers(self, build_count: int, reused_count: int) -> Iterator[CulpritAnswer]:
        """
        Put together what people want to know: one answer a fault, those that ended in the same way together.

        The counts are the target's; its first answer has them.
        """
        groups: dict[object, list[tuple[FaultSought | None, CulpritSearch]]] = {}
        for at, (fault, search) in enumerate(self._cases):
            key = (search.conclusion, True) if fault is not None and fault.warnings else at
            groups.setdefault(key, []).append((fault, search))
        for number, cases in enumerate(groups.values()):
            conclusion = cases[0][1].conclusion
            if conclusion is None:
                raise ValueError(f"the search for {self._name} has not ended")
            warnings = tuple(entry for fault, _ in cases if fault is not None for entry in fault.warnings)
            fault = cases[0][0]
            ordered = tuple(entry for entry in fault.bad.warnings if entry in warnings) if fault is not None else ()
            shown_at = conclusion.culprit or self._range.bad
            evidence = self._newest.get(shown_at.tree_id)
            is_nothing = evidence is None or conclusion.standing is CulpritStanding.WELL_AT_BAD
            words, place = ("", "") if is_nothing or evidence is None else word_fault(evidence, ordered)
            yield CulpritAnswer(
                target=self._name,
                good=self._range.good,
                bad=self._range.bad,
                conclusion=conclusion,
                fault=words,
                place=place,
                warnings=ordered,
                log_path=evidence.log_path if words and evidence is not None else None,
                build_count=0 if number else build_count,
                reused_count=0 if number else reused_count,
            )


def _see(look: _Look, found: Look, *, wanted_fresh: bool) -> Seen:
    # A build that was made for this is a fresh look also where none was asked for; what shows nothing is counted as it
    # was asked for.
    is_fresh = wanted_fresh if found.sight is Sight.UNKNOWN else look.fresh
    return Seen(tree_id=look.tree_id, sight=found.sight, why=found.why, fault=found.fault, fresh=is_fresh)
