"""
What is wrong with one target at one commit, seen against the base. Grouping comes later.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import assert_never

from gatekeep.judge.case import Case
from gatekeep.judge.waiving import Ruling
from gatekeep.judge.warnings import is_worse
from gatekeep.judge.wording import generalise_files
from gatekeep.model.change import Commit, LineMap
from gatekeep.model.evidence import (
    Broken,
    Built,
    Diagnostic,
    Evidence,
    NotDecided,
    Outgrown,
    RegionUse,
    Severity,
    Speaker,
    TimedOut,
)
from gatekeep.model.matrix import Matrix, Target
from gatekeep.model.quantity import render_bytes
from gatekeep.model.verdict import Rule


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """
    One fault of one target at one commit.

    `cause` is what findings of one reason share. `message` is one sentence without its place; where it holds the
    target's own numbers (an image's size), `detail` has them and the message is the shared part. `excused` says that it
    was so at the base already. `is_waivable` is False for what no waiver can mean. `ruling` is what a waiver of
    the base says of it.
    """

    rule: Rule
    target: str
    cause: tuple[str, ...]
    message: str
    place: str = ""
    detail: str = ""
    excerpt: tuple[str, ...] = ()
    log_paths: tuple[str, ...] = ()
    excused: bool = False
    is_waivable: bool = True
    ruling: Ruling | None = None

    @property
    def blocks(self) -> bool:
        """A waiver that speaks of it has the last word."""
        return self.ruling.blocks if self.ruling is not None else not self.excused


def list_findings(case: Case, commit: Commit, target: Target) -> tuple[Finding, ...]:
    """Give what is wrong with a target at a commit; empty when nothing is."""
    evidence = case.evidence_of(commit, target.name)
    if evidence is None:
        return (_undecided(target.name, "no build of it was tried"),)
    base = case.evidence_before(commit, target.name)
    return tuple(_iter_findings(case, commit, target, evidence, base))


def list_base_findings(case: Case, base_commit: Commit, target: Target) -> tuple[Finding, ...]:
    """Give what could not be decided at the base, or at a fork: without it there is nothing to compare with."""
    base = case.evidence_of(base_commit, target.name)
    if base is None:
        return (_undecided(target.name, "no build of it was tried"),)
    if isinstance(base.outcome, NotDecided):
        return (_not_decided(target.name, base.outcome),)
    return ()


def _iter_findings(
    case: Case, commit: Commit, target: Target, evidence: Evidence, base: Evidence | None
) -> Iterator[Finding]:
    name, outcome = target.name, evidence.outcome
    match outcome:
        case Built():
            yield from _reserve_findings(_limits_of(case, commit), target, evidence, base)
        case Broken():
            first = outcome.first_error
            yield Finding(
                rule=Rule.BROKEN,
                target=name,
                cause=_cause_of(first) if first else (generalise_files(outcome.message, name),),
                message=first.message if first else outcome.message,
                place=first.place if first else "",
                excerpt=outcome.excerpt,
                log_paths=_logs(evidence),
                excused=_was_as_broken(base, evidence, case.line_map_to(commit)),
            )
        case Outgrown():
            held = case.matrix_before(commit).get_target(name) or target
            for region, over_bytes, detail in _overflows(outcome, target):
                by = f" by {render_bytes(over_bytes)}" if over_bytes is not None else ""
                yield Finding(
                    rule=Rule.OUTGROWN,
                    target=name,
                    cause=(region,),
                    message=f"outgrows {region}{by}",
                    detail=detail,
                    excerpt=outcome.excerpt,
                    log_paths=_logs(evidence),
                    excused=_was_as_large(base, outcome, region, over_bytes),
                    is_waivable=outcome.footprint is not None or _has_region(held, region),
                )
        case TimedOut():
            yield Finding(
                rule=Rule.TIMED_OUT,
                target=name,
                cause=(f"{outcome.limit_s}",),
                message=f"ran past its time limit of {outcome.limit_s:g} s and was stopped ({outcome.stopped_by})",
                excerpt=outcome.excerpt,
                log_paths=_logs(evidence),
                excused=base is not None and isinstance(base.outcome, TimedOut),
            )
        case NotDecided():
            yield _not_decided(name, outcome)
        case _:
            assert_never(outcome)
    if (path := case.prebuilt.get((commit.tree_id, name))) is not None:
        yield Finding(
            rule=Rule.PREBUILT,
            target=name,
            cause=(path,),
            message=f"was not seen to be built: what was measured is {path} of the tree, byte for byte",
            detail="remove the file, and let the recipe build the target from sources",
        )
    if evidence.touched:
        shown = ", ".join(evidence.touched[:3]) + (
            f" and {len(evidence.touched) - 3} more" if len(evidence.touched) > 3 else ""
        )
        yield Finding(
            rule=Rule.WROTE_IN_TREE,
            target=name,
            cause=(shown,),
            message=f"wrote into the source tree ({shown}); say `builds_in_tree: true` in the recipe if it means to",
            excused=True,
        )


def _cause_of(error: Diagnostic) -> tuple[str, ...]:
    """A missing symbol is one cause wherever it is: a linker knows the line only where there is debug information."""
    return (error.message,) if error.speaker is Speaker.LINKER else (error.place, error.message)


def _logs(evidence: Evidence) -> tuple[str, ...]:
    return (evidence.log_path,) if evidence.log_path is not None else ()


def _not_decided(target: str, outcome: NotDecided) -> Finding:
    return replace(
        _undecided(target, outcome.message, outcome.hint),
        excerpt=next((entry.excerpt for entry in outcome.tries if entry.excerpt), ()),
        log_paths=tuple(entry.log_path for entry in outcome.tries if entry.log_path is not None),
    )


def _undecided(target: str, message: str, hint: str | None = None) -> Finding:
    detail = hint if hint is not None and hint not in message else ""
    return Finding(rule=Rule.UNDECIDED, target=target, cause=(message,), message=message, detail=detail)


def _limits_of(case: Case, commit: Commit) -> Matrix:
    """Say by whose limits an image is held: where somebody approved what the change loosens, by its own alone."""
    return case.matrix_of(commit) if case.approved_by else case.matrix_before(commit)


def _reserve_findings(
    before_matrix: Matrix, target: Target, evidence: Evidence, base: Evidence | None
) -> Iterator[Finding]:
    """A built image is held against the base's capacities too: a change cannot widen its own limits."""
    footprint = evidence.footprint
    if footprint is None:
        return
    for found in footprint.regions:
        use = narrow(before_matrix, target.name, found)
        before = base.footprint.get_region(use.name) if base is not None and base.footprint is not None else None
        if use.over_bytes:
            yield Finding(
                rule=Rule.OUTGROWN,
                target=target.name,
                cause=(use.name,),
                message=f"outgrows {use.name} by {render_bytes(use.over_bytes)}",
                detail=_detail(target.name, use),
                excused=before is not None and before.used_bytes >= use.used_bytes,
            )
        elif use.into_reserve_bytes:
            yield Finding(
                rule=Rule.RESERVE,
                target=target.name,
                cause=(use.name,),
                message=f"grows into the reserve of {use.name}",
                detail=f"{_detail(target.name, use)}, {render_bytes(use.into_reserve_bytes)} into the reserve of "
                f"{render_bytes(use.reserve_bytes)}",
                excused=before is not None and before.used_bytes >= use.used_bytes,
            )


def narrow(base: Matrix, target: str, use: RegionUse) -> RegionUse:
    """Give the use of a region against the tighter of the commit's and the base's capacity and reserve."""
    held = base.get_target(target)
    if held is None:
        return use
    limits = (
        [(region.name, region.capacity_bytes, region.reserve_bytes) for region in held.part.regions]
        if held.part
        else []
    )
    limits += [(memory.name, memory.capacity_bytes, memory.reserve_bytes) for memory in held.memories]
    for name, capacity_bytes, reserve_bytes in limits:
        if name == use.name:
            capacity = min(capacity_bytes, use.capacity_bytes)
            free = max(reserve_bytes, use.reserve_bytes)
            return RegionUse(
                name=name,
                used_bytes=use.used_bytes,
                capacity_bytes=capacity,
                reserve_bytes=min(free, capacity),
                flash=use.flash,
            )
    return use


def _detail(target: str, use: RegionUse) -> str:
    over = f" ({use.used_bytes - use.capacity_bytes:+d})" if use.over_bytes else ""
    sign = ">" if use.over_bytes else "of"
    return f"{target}: {use.name} {use.used_bytes} bytes {sign} {use.capacity_bytes}{over}"


def _overflows(outcome: Outgrown, target: Target) -> Iterator[tuple[str, int | None, str]]:
    for overflow in outcome.overflows:
        use = outcome.footprint.get_region(overflow.region) if outcome.footprint else None
        if use is not None:
            yield overflow.region, overflow.over_bytes, _detail(target.name, use)
        else:
            by = f" by {overflow.over_bytes} bytes" if overflow.over_bytes is not None else ""
            yield (
                overflow.region,
                overflow.over_bytes,
                f"{target.name}: {overflow.region} overflows{by}, says the linker",
            )


def _errors(evidence: Evidence) -> tuple[Diagnostic, ...]:
    return tuple(entry for entry in evidence.diagnostics if entry.severity is Severity.ERROR)


def _was_as_broken(base: Evidence | None, evidence: Evidence, line_map: LineMap) -> bool:
    """Broken at the base too, and by the same errors or fewer."""
    if base is None or not isinstance(base.outcome, Broken) or not isinstance(evidence.outcome, Broken):
        return False
    before, after = _errors(base), _errors(evidence)
    if not after and not before:
        return base.outcome.message == evidence.outcome.message
    return bool(after) and not is_worse(before, after, line_map)


def _has_region(target: Target, name: str) -> bool:
    """
    Whether a linker can mean a region or memory of a target: its scripts write `FLASH` where a matrix says `flash`.

    What nobody measured is known by a line in the log alone, and any command can print one about any region.
    """
    part = (target.part.name, *(region.name for region in target.part.regions)) if target.part is not None else ()
    return _plain_name(name) in map(_plain_name, (*part, *(memory.name for memory in target.memories)))


def _plain_name(name: str) -> str:
    return "".join(letter for letter in name.casefold() if letter.isalnum())


def _was_as_large(base: Evidence | None, outcome: Outgrown, region: str, over_bytes: int | None) -> bool:
    """Outgrown at the base too, in the same region and by as much or more; and not linked there, if it is not here."""
    if base is None or not isinstance(base.outcome, Outgrown):
        return False
    if base.footprint is not None and outcome.footprint is None:
        return False
    for before in base.outcome.overflows:
        if before.region == region:
            return over_bytes is not None and before.over_bytes is not None and over_bytes <= before.over_bytes
    return False
