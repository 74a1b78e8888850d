"""
Looks twice before it believes: a failure of the machine is tried again, and a "no" is said once it was seen twice.

Both within bounds. Where the machine failed in a way that may pass (out of memory, a full disk, a lost process), the
job is tried twice more, one such job at a time: what failed for want of room should not have to share it again. A build
that failed is built a second time, and a third time where it failed in another way: what is said was seen twice. Of
many targets that fail at one tree with one error at one place of the sources only the first is: that all of them fail
by chance alike is not believed. What failed once and passed once is undecided, with both logs: a race of the recipe, or
a machine that cannot be trusted; and so is what contradicts a result that an earlier run has stored for the very same
inputs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from threading import Lock
from typing import Protocol

from gatekeep.model.evidence import Broken, Built, Evidence, NotDecided, Outgrown, TimedOut, Try, name_outcome
from gatekeep.model.plan import Job

#: How often a job is tried where the machine fails.
_TRIES = 3
#: How often at most a job is built that fails each time in another way.
_LOOKS = 3
_HINT = (
    "look at both logs: a recipe that races with itself, or a machine that fails; when that is settled, have it built "
    "again with gatekeep audit --clear and its name"
)


class Builder(Protocol):
    """Where a job is built; see `build.job.Workplace`."""

    def build(self, job: Job, attempt: int) -> Evidence:
        """Build; the log of an attempt above 1 is kept beside the first one's, whatever it says."""

    def drop_log(self, evidence: Evidence) -> None:
        """Remove the log of a build that nobody will hear of."""


class SecondLook:
    """
    Builds jobs for one run; used by all its threads.

    Args:
        earlier: Results of earlier runs; those of the same tree, target and key must not be contradicted.
        tell: Told in one line, hostile, what is tried again and why.
    """

    def __init__(self, earlier: Iterable[Evidence] = (), tell: Callable[[str], None] = lambda _text: None) -> None:
        self._earlier = {(entry.tree_id, entry.target, entry.key): entry for entry in earlier if entry.carried is None}
        self._tell = tell
        self._alone = Lock()
        self._lock = Lock()
        self._seen: set[tuple[str, str, str]] = set()

    def build(self, job: Job, builder: Builder) -> Evidence:
        """Build a job as often as it takes to say something sure of it, within bounds."""
        first = self._build_surely(job, builder, attempt=1)
        found = self._confirm(job, first, builder)
        known = self._earlier.get((job.commit.tree_id, job.target.name, job.key))
        return found if known is None else contradict(known, found)

    def _build_surely(self, job: Job, builder: Builder, attempt: int) -> Evidence:
        found = builder.build(job, attempt)
        for _again in range(_TRIES - 1):
            if not (isinstance(found.outcome, NotDecided) and found.outcome.passing):
                break
            self._tell(f"{job.target.name} is tried again: {found.outcome.message}")
            with self._alone:
                found = builder.build(job, attempt)
        return found

    def _confirm(self, job: Job, first: Evidence, builder: Builder) -> Evidence:
        if not _may_be_chance(first) or self._was_seen(job, first):
            return first
        seen = [first]
        for attempt in range(2, _LOOKS + 1):
            latest = self._build_surely(job, builder, attempt)
            if isinstance(latest.outcome, NotDecided):
                return latest
            if not _is_red(latest):
                return contradict(first, latest)
            # A stranger may have ended a compiler: what is said is what was seen twice, not what was seen first.
            believed = next((entry for entry in seen if _fault(entry) == _fault(latest)), None)
            seen.append(latest)
            if believed is not None:
                break
        else:
            believed = latest
        for entry in seen:
            if entry is not believed:
                builder.drop_log(entry)
        self._note(job, believed)
        return believed

    def _was_seen(self, job: Job, evidence: Evidence) -> bool:
        with self._lock:
            return _cause(job, evidence) in self._seen

    def _note(self, job: Job, evidence: Evidence) -> None:
        cause = _cause(job, evidence)
        if cause is not None:
            with self._lock:
                self._seen.add(cause)


def contradict(earlier: Evidence, later: Evidence) -> Evidence:
    """
    Hold two builds of the same inputs against each other.

    Returns:
        `later`, where they agree about whether the target comes out; otherwise the same as not decided, with the tries
        of both. An earlier contradiction stands, whatever the later build says.
    """
    if isinstance(later.outcome, NotDecided):
        return later
    before = earlier.outcome
    if isinstance(before, NotDecided):
        if not before.tries:
            return later
        tries = (*before.tries, _say(later))
    elif _is_red(earlier) == _is_red(later):
        return later
    else:
        tries = (_say(earlier), _say(later))
    failed = next(entry for entry in tries if entry.outcome != _BUILT)
    message = f"failed and passed on the same inputs: {failed.message or failed.outcome}"
    return replace(later, outcome=NotDecided(message=message, hint=_HINT, tries=tries[:_TRIES_KEPT]), read_set=None)


_TRIES_KEPT = 4
_BUILT = "built"


def _is_red(evidence: Evidence) -> bool:
    return isinstance(evidence.outcome, Broken | TimedOut | Outgrown)


def _may_be_chance(evidence: Evidence) -> bool:
    """An image that was measured is what it is; anything else that failed may have failed by chance."""
    outcome = evidence.outcome
    return isinstance(outcome, Broken | TimedOut) or (isinstance(outcome, Outgrown) and outcome.footprint is None)


def _fault(evidence: Evidence) -> tuple[str, str, str]:
    """What failed, so that two builds can be held against each other; empty texts where nothing more is known."""
    match evidence.outcome:
        case Broken(message=message, first_error=first):
            return "broken", first.place if first is not None else "", first.message if first is not None else message
        case outcome:
            return name_outcome(outcome), "", ""


def _cause(job: Job, evidence: Evidence) -> tuple[str, str, str] | None:
    """What many targets of a tree may share; None where nothing in the sources is named."""
    match evidence.outcome:
        case Broken(first_error=first) if first is not None and first.place:
            return job.commit.tree_id, first.place, first.message
        case TimedOut():
            return job.commit.tree_id, "", "timed out"
        case Outgrown():
            return job.commit.tree_id, "", "outgrown"
        case _:
            return None


def _say(evidence: Evidence) -> Try:
    name = name_outcome(evidence.outcome)
    match evidence.outcome:
        case Built():
            return Try(outcome=name, log_path=evidence.log_path)
        case Broken(message=message, first_error=first, excerpt=excerpt):
            said = first.message if first is not None else message
            return Try(outcome=name, message=said, log_path=evidence.log_path, excerpt=excerpt)
        case TimedOut(limit_s=limit_s, excerpt=excerpt):
            said = f"ran past its time limit of {limit_s:g} s"
            return Try(outcome=name, message=said, log_path=evidence.log_path, excerpt=excerpt)
        case Outgrown(message=message, excerpt=excerpt):
            return Try(outcome=name, message=message, log_path=evidence.log_path, excerpt=excerpt)
        case NotDecided(message=message):
            return Try(outcome=name, message=message, log_path=evidence.log_path)
