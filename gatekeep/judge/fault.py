"""
Which faults searches for culprits are after, and whether one build shows one. Pure.

A target is faulty where it does not come out: it is broken, outgrown, or past its time limit. Warnings that
the bad end has and the good one has not are faults of their own, for they may have come by several commits. They are
one fault as long as every build shows all or none of them; what a build parts is two.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from gatekeep.judge.warnings import list_new_warnings
from gatekeep.model.change import LineMap
from gatekeep.model.culprit import Sight
from gatekeep.model.evidence import Broken, Built, Diagnostic, Evidence, NotDecided, Outgrown, TimedOut
from gatekeep.model.quantity import render_bytes

#: (old tree, new tree) to the way of their lines.
MapLines = Callable[[str, str], LineMap]


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """
    What a build shows of a fault.

    `why` says why nothing, where it is unknown; `fault` is what is wrong, where it is faulty, worded the same as long
    as it is the same. Both are hostile.
    """

    sight: Sight
    why: str = ""
    fault: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultSought:
    """
    A fault.

    `good` and `bad` are the evidence of the ends. `warnings` are new at the bad end; empty where the fault is that the
    target does not come out.
    """

    good: Evidence
    bad: Evidence
    warnings: tuple[Diagnostic, ...] = ()


def look_at_outcome(evidence: Evidence) -> Look:
    """Say whether a target came out; evidence that it did not rests on two builds already."""
    match evidence.outcome:
        case Built():
            return Look(sight=Sight.WELL)
        case Broken(message=message, first_error=first):
            fault = f"{first.path or ''}: {first.message}" if first is not None else message
            return Look(sight=Sight.FAULTY, fault=fault)
        case Outgrown(overflows=overflows):
            return Look(sight=Sight.FAULTY, fault=f"outgrows {overflows[0].region}")
        case TimedOut():
            return Look(sight=Sight.FAULTY, fault="runs past its time limit")
        case NotDecided(message=message, hint=hint):
            said = hint is None or hint in message
            return Look(sight=Sight.UNKNOWN, why=message if said else f"{message}; {hint}")


def find_faults(good: Evidence, bad: Evidence, map_lines: MapLines) -> tuple[FaultSought, ...]:
    """
    Say what is wrong at the bad end that was not so at the good one; none when nothing is.

    Args:
        good: Decided; a broken one has not told its warnings, and so hides which are new.
        bad: Decided.
        map_lines: Asked only where there are warnings.
    """
    warnings: tuple[Diagnostic, ...] = ()
    if tells_warnings(good) and tells_warnings(bad) and bad.warnings:
        warnings = list_new_warnings(good.warnings, bad.warnings, map_lines(good.tree_id, bad.tree_id))
    found = [FaultSought(good=good, bad=bad, warnings=warnings)] if warnings else []
    is_as_before = isinstance(good.outcome, Outgrown) and isinstance(bad.outcome, Outgrown) and warnings
    if not isinstance(bad.outcome, Built) and not is_as_before:
        found.insert(0, FaultSought(good=good, bad=bad))
    return tuple(found)


def tells_warnings(evidence: Evidence) -> bool:
    """Tell whether a build went far enough to say all that it had to say."""
    return isinstance(evidence.outcome, Built | Outgrown)


def look_for_fault(fault: FaultSought, evidence: Evidence, map_lines: MapLines) -> tuple[tuple[FaultSought, Look], ...]:
    """
    Say whether a build shows a fault.

    Args:
        fault: What is looked for.
        evidence: Of one build.
        map_lines: Asked only where there are warnings.

    Returns:
        What the build shows of the fault; or, where it shows some of its warnings only, the two faults that these are.
    """
    found = look_at_outcome(evidence)
    if not fault.warnings:
        return ((fault, found),)
    if not tells_warnings(evidence):
        why = found.why or "it does not come out there, so its warnings are not known"
        return ((fault, Look(sight=Sight.UNKNOWN, why=why)),)
    shown = list_shown(fault, evidence, map_lines)
    hidden = tuple(entry for entry in fault.warnings if entry not in shown)
    return tuple(
        (replace(fault, warnings=warnings), Look(sight=sight))
        for warnings, sight in ((shown, Sight.FAULTY), (hidden, Sight.WELL))
        if warnings
    )


def list_shown(fault: FaultSought, evidence: Evidence, map_lines: MapLines) -> tuple[Diagnostic, ...]:
    """Give the warnings of a fault that a build shows, as they are at the bad end."""
    if not evidence.warnings:
        return ()
    fresh = list_new_warnings(fault.good.warnings, evidence.warnings, map_lines(fault.good.tree_id, evidence.tree_id))
    left = list_new_warnings(fresh, fault.warnings, map_lines(evidence.tree_id, fault.bad.tree_id))
    return tuple(entry for entry in fault.warnings if entry not in left)


def find_place(fault: FaultSought) -> tuple[str, int] | None:
    """Give path and line, at the bad end, of what is complained about; None where the complaint has no place."""
    first = fault.warnings[0] if fault.warnings else getattr(fault.bad.outcome, "first_error", None)
    if first is None or first.path is None or first.line is None:
        return None
    return first.path, first.line


def word_fault(evidence: Evidence, warnings: tuple[Diagnostic, ...]) -> tuple[str, str]:
    """Give one sentence and its place (or ""), both hostile: the first error, the overflow, or the first warning."""
    if warnings:
        option = f" [-W{warnings[0].option}]" if warnings[0].option else ""
        return f"new warning: {warnings[0].message}{option}", warnings[0].place
    match evidence.outcome:
        case Broken(message=message, first_error=first):
            return (first.message, first.place) if first is not None else (message, "")
        case Outgrown(overflows=overflows):
            over = overflows[0].over_bytes
            by = f" by {render_bytes(over)}" if over is not None else ""
            return f"outgrows {overflows[0].region}{by}", ""
        case TimedOut(limit_s=limit_s):
            return f"runs past its time limit of {limit_s:g} s", ""
        case _:
            return "", ""
