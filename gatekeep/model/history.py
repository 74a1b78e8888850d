"""
What the store remembers: sweeps, and each target over the commits of a branch.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import Enum

from gatekeep.model.change import Commit
from gatekeep.model.evidence import Evidence, RegionUse


class SweepState(Enum):
    """How far a sweep came."""

    RUNNING = "running"
    #: Its process is gone: the same command goes on with it.
    INTERRUPTED = "interrupted"
    FINISHED = "finished"
    #: Ended, but because of the machine not every target is decided: the same command tries those again.
    UNDECIDED = "undecided"

    @property
    def has_ended(self) -> bool:
        """Whether it came to its end, and what it found is known."""
        return self in (SweepState.FINISHED, SweepState.UNDECIDED)


class Turn(Enum):
    """How a target differs from the sweep before."""

    BROKE = "broke"
    OUTGREW = "outgrew"
    TIMED_OUT = "timed-out"
    WARNED = "warned"
    MENDED = "mended"


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnRecord:
    """
    One target that turned, as a sweep has found it.

    `good_commit_id` is the commit of the last sweep at which it was as before, None when no earlier sweep knows the
    target. `culprit_commit_id` is the commit that did it, None where it was not searched or not found. `message` says
    what is wrong, with its place; hostile, and empty for what was mended.
    """

    target: str
    turn: Turn
    message: str = ""
    good_commit_id: str | None = None
    culprit_commit_id: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """
    A clean build of every target at one commit.

    `started_at` and `finished_at` are aware, in UTC; `finished_at` is None until it has ended. `turns` are sorted by
    target and empty until then. `seen_at` is given for an interrupted one: when it last showed that it was alive.
    """

    sweep_id: int
    commit_id: str
    tree_id: str
    started_at: datetime
    finished_at: datetime | None
    state: SweepState
    turns: tuple[TurnRecord, ...] = ()
    seen_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LastKnown:
    """
    What the last sweep that decided a target found of it.

    `evidence` is None where nothing but the outcome is known any more: a later sweep has built the same tree and found
    something else.
    """

    sweep_id: int
    commit_id: str
    tree_id: str
    outcome: str
    evidence: Evidence | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TimelinePoint:
    """
    A target at one commit of a branch.

    `position` counts the branch's commits by first parents, the first is 0. `outcome` is the glossary's word
    ("built", "broken", "outgrown", "timed out", "not decided"). `regions` is empty where the build left no image.
    `elapsed_s` is that of the build; of a carried result, of the build that it was carried from. `evidence_id` tells
    whether two points rest on one build.
    """

    position: int
    commit: Commit
    outcome: str
    regions: tuple[RegionUse, ...]
    warning_count: int
    elapsed_s: float
    is_carried: bool
    evidence_id: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Episode:
    """
    A time in which a target had no good image.

    `first` is the first commit that is known to be bad, `before` the last good one known before it (None where none
    is), `mended` the first good one known after it (None while it lasts). `culprit` is the commit that did it, None
    where it is not known: then it came after `before`, up to `first`. `culprit_id` is its name also where it came by a
    merge and is no commit of the branch itself. `message` says what was wrong, as a sweep has found it; hostile,
    may be empty.
    """

    outcome: str
    first: TimelinePoint
    before: TimelinePoint | None
    mended: TimelinePoint | None
    culprit: Commit | None = None
    culprit_id: str | None = None
    message: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetHistory:
    """A target over the commits of a branch; `points` and `episodes` oldest first, of `commit_count` commits."""

    target: str
    points: tuple[TimelinePoint, ...]
    episodes: tuple[Episode, ...]
    commit_count: int
