"""
What a search for a culprit says.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from gatekeep.model.change import Commit
from gatekeep.model.evidence import Diagnostic


class Sight(Enum):
    """What one look at a target at one tree has shown of the fault in question."""

    WELL = "well"
    FAULTY = "faulty"
    UNKNOWN = "unknown"


class CulpritStanding(Enum):
    """How a search ended. Undecided is never a culprit."""

    FOUND = "found"
    UNDECIDED = "undecided"
    WELL_AT_BAD = "well-at-bad"
    FAULTY_AT_GOOD = "faulty-at-good"


@dataclass(frozen=True, slots=True, kw_only=True)
class Conclusion:
    """
    The end of a search.

    `culprit` is the first commit at which the target broke, and `before` its parent at which it was still well (None
    for a commit without parents); both None unless found. `joins` are the other parents of a culprit that is a merge,
    where all of them are well too: it is the joining that broke the target. `merges` are those through which the
    culprit came, the outermost first. `suspects` are the commits among which the culprit is, parents before children:
    one when found, none when there was nothing to find. `why` is one sentence where it needs one; hostile.
    """

    standing: CulpritStanding
    culprit: Commit | None = None
    before: Commit | None = None
    joins: tuple[Commit, ...] = ()
    merges: tuple[Commit, ...] = ()
    suspects: tuple[Commit, ...] = ()
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CulpritAnswer:
    """
    One search for a fault of a target, with what people want to know of it.

    A target that got warnings by several commits has several. `good` and `bad` are the ends. `fault` words what is
    wrong at the culprit, where one was found, else at the bad end; empty where nothing is; hostile. `place` is
    `file:line` where it has one. `warnings` are those that the search was for, as they are at the bad end; empty where
    the target does not come out. `build_count` counts builds, `reused_count` results that were carried or known before;
    both serve all searches of the target and stand at the first.
    """

    target: str
    good: Commit
    bad: Commit
    conclusion: Conclusion
    fault: str = ""
    place: str = ""
    warnings: tuple[Diagnostic, ...] = ()
    log_path: str | None = None
    build_count: int = 0
    reused_count: int = 0
