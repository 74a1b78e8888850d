"""
Which fault a search for a culprit is after, and whether one build shows it. Pure.

A target is faulty where it is broken or outgrown. Where it is built at both ends, the fault is warnings: those that the
bad end has and the good one has not; faulty is then what shows one of these at least.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from gatekeep.judge.warnings import list_new_warnings
from gatekeep.model.change import LineMap
from gatekeep.model.culprit import Sight
from gatekeep.model.evidence import Broken, Built, Diagnostic, Evidence, NotDecided, Outgrown, TimedOut
from gatekeep.model.quantity import render_bytes

#: (old tree, new tree) to the way of their lines.
MapLines = Callable[[str, str], LineMap]


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What a build shows of a fault; `why` says why nothing, where it is unknown, and is hostile."""

    sight: Sight
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultSought:
    """
    A fault.

    `good` is the evidence of the good end. `warnings` are the bad end's new ones, at tree `bad_tree_id`; empty where
    the fault is that the target does not come out.
    """

    good: Evidence
    warnings: tuple[Diagnostic, ...]
    bad_tree_id: str


def look_at_outcome(evidence: Evidence) -> Look:
    """Say whether a target came out; a time limit that ran out says too little, as for carrying."""
    match evidence.outcome:
        case Built():
            return Look(sight=Sight.WELL)
        case Broken() | Outgrown():
            return Look(sight=Sight.FAULTY)
        case TimedOut(limit_s=limit_s):
            return Look(sight=Sight.UNKNOWN, why=f"it ran past its time limit of {limit_s:g} s")
        case NotDecided(message=message, hint=hint):
            said = hint is None or hint in message
            return Look(sight=Sight.UNKNOWN, why=message if said else f"{message}; {hint}")


def find_fault(good: Evidence, bad: Evidence, map_lines: MapLines) -> FaultSought | None:
    """
    Say what is wrong at the bad end; None when nothing is.

    Args:
        good: Built.
        bad: Built, broken or outgrown.
        map_lines: Asked only where there are warnings.
    """
    warnings: tuple[Diagnostic, ...] = ()
    if isinstance(bad.outcome, Built):
        if bad.warnings:
            warnings = list_new_warnings(good.warnings, bad.warnings, map_lines(good.tree_id, bad.tree_id))
        if not warnings:
            return None
    return FaultSought(good=good, warnings=warnings, bad_tree_id=bad.tree_id)


def look_for_fault(fault: FaultSought, evidence: Evidence, map_lines: MapLines) -> Look:
    """Say whether a build shows a fault."""
    found = look_at_outcome(evidence)
    if not fault.warnings or found.sight is Sight.UNKNOWN:
        return found
    if isinstance(evidence.outcome, Broken):
        # It stopped early, and did not say all that it had to say.
        return Look(sight=Sight.UNKNOWN, why="it is broken there, so its warnings are not known")
    return Look(sight=Sight.FAULTY if list_shown(fault, evidence, map_lines) else Sight.WELL)


def list_shown(fault: FaultSought, evidence: Evidence, map_lines: MapLines) -> tuple[Diagnostic, ...]:
    """Give the warnings of a fault that a build shows, as they are at the bad end."""
    if not evidence.warnings:
        return ()
    fresh = list_new_warnings(fault.good.warnings, evidence.warnings, map_lines(fault.good.tree_id, evidence.tree_id))
    left = list_new_warnings(fresh, fault.warnings, map_lines(evidence.tree_id, fault.bad_tree_id))
    return tuple(entry for entry in fault.warnings if entry not in left)


def word_fault(evidence: Evidence, warnings: tuple[Diagnostic, ...]) -> tuple[str, str]:
    """Give one sentence and its place (or ""), both hostile: the first error, the overflow, or the first warning."""
    match evidence.outcome:
        case Broken(message=message, first_error=first):
            return (first.message, first.place) if first is not None else (message, "")
        case Outgrown(overflows=overflows):
            first_overflow = overflows[0]
            over = first_overflow.over_bytes
            by = f" by {render_bytes(over)}" if over is not None else ""
            return f"outgrows {first_overflow.region}{by}", ""
        case _ if warnings:
            option = f" [-W{warnings[0].option}]" if warnings[0].option else ""
            return f"new warning: {warnings[0].message}{option}", warnings[0].place
        case _:
            return "", ""
