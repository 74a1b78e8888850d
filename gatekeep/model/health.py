"""
What the health site is made from: every target over the commits of one branch, and what follows from it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import Enum
from typing import NamedTuple

from gatekeep.model.audit import Bar
from gatekeep.model.change import Commit
from gatekeep.model.evidence import Evidence, Footprint, RegionUse
from gatekeep.model.history import Sweep, SweepState
from gatekeep.model.matrix import Port, Target
from gatekeep.model.rule import Rule
from gatekeep.model.waiver import Waiver


class State(Enum):
    """How a target stands; the values are the words that people read."""

    WELL = "well"
    IN_RESERVE = "in its reserve"
    BROKEN = "broken"
    OUTGROWN = "outgrown"
    TIMED_OUT = "timed out"
    NOT_DECIDED = "not decided"
    NEVER_BUILT = "never built"


#: Worst first: what stands between a target and its image, then what will, then what is not known.
STATES_BY_URGENCY = (
    State.BROKEN,
    State.OUTGROWN,
    State.TIMED_OUT,
    State.IN_RESERVE,
    State.NOT_DECIDED,
    State.NEVER_BUILT,
    State.WELL,
)

_BY_OUTCOME = {
    "built": State.WELL,
    "broken": State.BROKEN,
    "outgrown": State.OUTGROWN,
    "timed out": State.TIMED_OUT,
    "not decided": State.NOT_DECIDED,
}


_RULES = {
    State.BROKEN: Rule.BROKEN,
    State.OUTGROWN: Rule.OUTGROWN,
    State.TIMED_OUT: Rule.TIMED_OUT,
    State.IN_RESERVE: Rule.RESERVE,
}


def state_of(outcome: str, regions: tuple[RegionUse, ...]) -> State:
    """
    Give the state that a result shows.

    Args:
        outcome: The glossary's word, as `name_outcome` gives it.
        regions: Of the same result; one in its reserve makes a built target other than well.
    """
    state = _BY_OUTCOME[outcome]
    if state is State.WELL and any(use.into_reserve_bytes for use in regions):
        return State.IN_RESERVE
    return state


class Run(NamedTuple):
    """
    Commits in a row at which a target stood the same: in its state, its regions and the number of its warnings.

    `first` and `last` are positions on the branch (0 is its first commit), both included. One build may have held for
    all of them or each had its own, as nights make them: `first_evidence_id` is the number of the result at the first
    commit, `evidence_id` of that at the last.

    A tuple, unlike its neighbours here: over years there are some hundred thousand, and each as a dataclass took six
    times as long to make.
    """

    first: int
    last: int
    first_evidence_id: int
    evidence_id: int
    state: State
    regions: Sequence[RegionUse] = ()
    warning_count: int = 0

    def stood_as(self, other: Run) -> bool:
        """Whether both show the same, wherever they lie."""
        return (self.state, self.regions, self.warning_count) == (other.state, other.regions, other.warning_count)


@dataclass(frozen=True, slots=True, kw_only=True)
class Beginning:
    """
    Where the present state began.

    `commit` is the first commit of the branch known to have it, or the culprit that a sweep has found. `unknown_count`
    says how many commits before it have no result, so that one of them may be the cause; 0 makes it certain.
    `from_start` means that no other state is known before. `culprit` is a culprit that is no commit of the branch
    itself: it came with a merge, with `commit` where `unknown_count` is 0. `is_proved` says that a sweep has searched
    for the cause and found it, and so not only that it first shows there.
    """

    commit: Commit
    unknown_count: int = 0
    from_start: bool = False
    culprit: Commit | None = None
    is_proved: bool = False

    @property
    def cause(self) -> Commit:
        """The commit to look at: the culprit where one is known."""
        return self.culprit or self.commit


class EventKind(Enum):
    """What a maintainer is told of."""

    BROKE = "broke"
    OUTGREW = "outgrew"
    TIMED_OUT = "ran out of time"
    RESERVE_REACHED = "reserve reached"
    MENDED = "mended"
    WARNED = "warned"


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """
    A turn of one target at one commit; `message` is one sentence, hostile, and may be empty.

    `commit` is the first commit of the branch that is known to show it: another one, as soon as more is known.
    `culprit` is the commit that did it, where a sweep has found another. `told_of` and `told_at` are the commit that
    the sweep was of which first told it, and when that ended; None where only gates have seen it. `is_proved` and
    `unknown_count` are as for `Beginning`: whoever is named may have done nothing where commits before have no result.
    """

    target: str
    kind: EventKind
    commit: Commit
    message: str = ""
    culprit: Commit | None = None
    told_of: str | None = None
    told_at: datetime | None = None
    is_proved: bool = False
    unknown_count: int = 0

    @property
    def cause(self) -> Commit:
        """The commit to look at: the culprit where one is known."""
        return self.culprit or self.commit


@dataclass(frozen=True, slots=True, kw_only=True)
class LogExcerpt:
    """
    Part of a build's log.

    `lines` are hostile, one an entry; `first_number` is the 1-based number of the first. `error_index` points at the
    first error among them, None when it is not there. `line_count` counts the whole log.
    """

    lines: tuple[str, ...]
    first_number: int
    error_index: int | None
    line_count: int


#: The front page tells of regions that reach their reserve within this many days.
OUTLOOK_DAYS = 90


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """
    When a region reaches its reserve at the present growth, as far as the data say.

    `late_on` is None where it lies too far ahead to be told. `bytes_per_day` runs (low, middle, high). `from_bytes` is
    the present size, `commits_per_day` the branch's present pace, above 0, by which days become places on a drawing.
    `seen_on` is the day on which it is told; None for the one that it is foretold from.
    """

    region: str
    from_on: date
    reached_on: date
    early_on: date
    late_on: date | None
    bytes_per_day: tuple[float, float, float]
    from_bytes: int
    commits_per_day: float
    point_count: int
    seen_on: date | None = None

    @property
    def is_soon(self) -> bool:
        """Whether it is reached within `OUTLOOK_DAYS`, or was to be before now."""
        return (self.reached_on - (self.seen_on or self.from_on)).days <= OUTLOOK_DAYS

    @property
    def has_passed(self) -> bool:
        """Whether the day on which it was to be reached is over."""
        return self.reached_on < (self.seen_on or self.from_on)

    @property
    def is_due(self) -> bool:
        """Whether the first day on which it might be reached is over."""
        return self.early_on < (self.seen_on or self.from_on)


@dataclass(frozen=True, slots=True, kw_only=True)
class CleanBuild:
    """
    The newest build that a sweep has made of a target from nothing.

    `built_at` is aware, in UTC. `outcome` is the glossary's word; never "not decided", which is no build.
    """

    commit: Commit
    sweep_id: int
    built_at: datetime
    outcome: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetHealth:
    """
    One target.

    `runs` are in the order of the branch and may leave commits out. `state` is that of the last run. `message` and
    `place` say what is wrong, hostile, and empty where nothing is. `evidence` is the newest result; `footprint` the
    newest image's, whole, and `measured` the commit that it was measured at. `built_commit` is the commit that the
    newest result was built for. `events` run newest first. `waivers` are those in force that name it. `clean` is None
    where no sweep has decided it. `bars` are results of it that an audit found carried wrongly, oldest first: until
    somebody clears them it is built at every commit. `durations_s` are those of its newest builds in seconds, at gates
    and in sweeps, the newest last.
    """

    target: Target
    state: State
    beginning: Beginning | None = None
    message: str = ""
    place: str = ""
    runs: tuple[Run, ...] = ()
    evidence: Evidence | None = None
    footprint: Footprint | None = None
    measured: Commit | None = None
    built_commit: Commit | None = None
    events: tuple[Event, ...] = ()
    outlooks: tuple[Outlook, ...] = ()
    log: LogExcerpt | None = None
    waivers: tuple[Waiver, ...] = ()
    clean: CleanBuild | None = None
    bars: tuple[Bar, ...] = ()
    durations_s: tuple[float, ...] = ()

    @property
    def waived_until(self) -> date | None:
        """The last day on which its present state is excused; None where no waiver does so."""
        rule = _RULES.get(self.state)
        return max((waiver.until for waiver in self.waivers if waiver.rule is rule), default=None)

    @property
    def name(self) -> str:
        """The target's name."""
        return self.target.name

    @property
    def fullest(self) -> RegionUse | None:
        """The flash region with the highest share in use; None where nothing was measured."""
        regions = self.footprint.regions if self.footprint is not None else ()
        flash = [use for use in regions if use.flash]
        return max(flash, key=lambda use: use.used_bytes / use.capacity_bytes, default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class PortHealth:
    """One port; `targets` in the order of the matrix, never empty."""

    port: Port
    targets: tuple[TargetHealth, ...]

    @property
    def well_count(self) -> int:
        """How many of its targets are well."""
        return sum(target.state is State.WELL for target in self.targets)

    @property
    def fullest(self) -> TargetHealth | None:
        """The target with the fullest flash region; None where nothing was measured."""
        measured = [(use.used_bytes / use.capacity_bytes, one) for one in self.targets if (use := one.fullest)]
        return max(measured, key=lambda entry: entry[0])[1] if measured else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """
    One cause, with every target that it reaches; `whom` words them. `beginning` is None where nothing was ever built.

    `waived_until` is the last day on which all of them are excused; None where somebody is needed.
    """

    state: State
    whom: str
    targets: tuple[str, ...]
    message: str
    place: str
    beginning: Beginning | None
    waived_until: date | None = None

    @property
    def target_count(self) -> int:
        """How many targets it reaches."""
        return len(self.targets)


@dataclass(frozen=True, slots=True, kw_only=True)
class WarnedAnew:
    """
    A warning that is new to targets, by one commit; `whom` words them, `targets` is never empty.

    `event` is that of the first of them: its message ends with the place.
    """

    whom: str
    targets: tuple[str, ...]
    event: Event


class RegionChange(NamedTuple):
    """A region that one commit filled or emptied; a tuple as `Run` is, since there are as many."""

    region: str
    before_bytes: int
    after_bytes: int
    capacity_bytes: int

    @property
    def delta_bytes(self) -> int:
        """After minus before."""
        return self.after_bytes - self.before_bytes


class TargetChange(NamedTuple):
    """
    What one commit changed for one target; a tuple as `Run` is.

    `before` is None for a target that has no earlier result. `unknown_count` counts commits just before that have no
    result, so that the change may be theirs.
    """

    target: str
    before: State | None
    after: State
    message: str = ""
    regions: tuple[RegionChange, ...] = ()
    warnings_before: int = 0
    warnings_after: int = 0
    unknown_count: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class CommitHealth:
    """A commit that changed something; `changes` in the order of the matrix, never empty."""

    commit: Commit
    position: int
    changes: tuple[TargetChange, ...]

    @property
    def unknown_count(self) -> int:
        """How many commits just before it may be the cause of some of it, because they have no result."""
        return max(change.unknown_count for change in self.changes)


@dataclass(frozen=True, slots=True, kw_only=True)
class Health:
    """
    Everything that the pages show.

    `changes` may begin late on the branch: then `earlier_pages` are the commits before that changed something, in the
    order of the branch, and what their pages show is not here.

    `commits` are the branch's by first parents, oldest first, never empty; `tags` (name, position), by position.
    `ports` newest first, `troubles` worst first, `warned` newest first. `changes` in the order of the branch. `swept`
    is the commit of the last sweep that ended, `swept_at` its end and `swept_state` how it ended; None before the
    first. `undecided` are targets that it has no clean build of because of the machine, in the order of the ports.
    `open_sweep` is a later one that has not ended: under way, or interrupted.
    """

    tree: str
    branch: str
    commits: tuple[Commit, ...]
    ports: tuple[PortHealth, ...]
    tags: tuple[tuple[str, int], ...] = ()
    troubles: tuple[Trouble, ...] = ()
    warned: tuple[WarnedAnew, ...] = ()
    changes: tuple[CommitHealth, ...] = ()
    swept: Commit | None = None
    swept_at: datetime | None = None
    swept_state: SweepState | None = None
    undecided: tuple[str, ...] = ()
    open_sweep: Sweep | None = None
    earlier_pages: tuple[str, ...] = ()
    _changed: frozenset[str] = field(init=False, repr=False, compare=False)
    _positions: dict[str, int] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if not self.commits:
            raise ValueError("health: commits must not be empty")
        # Asked for by every page.
        object.__setattr__(
            self, "_changed", frozenset((*self.earlier_pages, *(change.commit.commit_id for change in self.changes)))
        )
        positions = {commit.commit_id: position for position, commit in enumerate(self.commits)}
        object.__setattr__(self, "_positions", positions)

    @property
    def head(self) -> Commit:
        """The newest commit."""
        return self.commits[-1]

    @property
    def targets(self) -> tuple[TargetHealth, ...]:
        """Every target, port after port."""
        return tuple(target for port in self.ports for target in port.targets)

    @property
    def target_count(self) -> int:
        """How many targets there are."""
        return sum(len(port.targets) for port in self.ports)

    def position_of(self, commit: Commit) -> int:
        """Where a commit stands on the branch; it must be one of its own."""
        return self._positions[commit.commit_id]

    def count_behind(self, target: TargetHealth) -> int:
        """Count the newest commits at which a target has no result; 0 for one that was never built."""
        return len(self.commits) - 1 - target.runs[-1].last if target.runs else 0

    def has_page(self, commit: Commit) -> bool:
        """Whether the commit changed something, and so has a page."""
        return commit.commit_id in self._changed
