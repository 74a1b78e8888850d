"""
Holds a sweep against the one before. Pure.

The gate's own judgement is used: what was last known of each target stands where the base stands in a gate, and the
swept commit is the one commit of the change. So a cause is grouped and worded here as it is there. Rules that concern a
change and not a state (growth, claims, what a change may not loosen) have no say.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

from gatekeep.judge.case import Case
from gatekeep.judge.verdict import judge
from gatekeep.judge.waiving import list_uses, say_waived, split_waived
from gatekeep.judge.wording import describe_targets
from gatekeep.model.change import Change, Commit, LineMap
from gatekeep.model.culprit import CulpritAnswer, CulpritStanding
from gatekeep.model.evidence import Evidence, TimedOut
from gatekeep.model.history import LastKnown, Turn, TurnRecord
from gatekeep.model.matrix import Matrix
from gatekeep.model.sweep import SweepFindings
from gatekeep.model.verdict import Reason, Rule
from gatekeep.model.waiver import Waiver

#: Stands for commit and tree of what was known before: it may be from several sweeps, and of the very tree swept now.
_BEFORE = "before"
_TURNS = {
    Rule.BROKEN: Turn.BROKE,
    Rule.OUTGROWN: Turn.OUTGREW,
    Rule.TIMED_OUT: Turn.TIMED_OUT,
    Rule.NEW_WARNING: Turn.WARNED,
}
#: What a target must have been for one to ask since when it is not well, or since when it warns.
_WELL = ("built",)
_WELL_ENOUGH_TO_WARN = ("built", "outgrown")
_SHOWN = (*_TURNS, Rule.RESERVE)
_BAD_OUTCOMES = ("broken", "outgrown", "timed out")
_SUSPECTS_NAMED = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepCase:
    """
    What is known of a sweep.

    `found` by target, one for every target of `matrix`; a missing one counts as undecided. `last` is what earlier
    sweeps knew, by target. `line_map` leads from the lines of the commit that is compared with to those of `commit`.
    `culprits` are the searches so far, by target; one has several where it has faults of several commits. `waivers` are
    those of the swept commit, and `judged_on` the day, in UTC, on which they are looked at.
    """

    commit: Commit
    matrix: Matrix
    found: Mapping[str, Evidence]
    last: Mapping[str, LastKnown]
    judged_on: date
    line_map: LineMap = field(default_factory=LineMap)
    culprits: Mapping[str, Sequence[CulpritAnswer]] = field(default_factory=dict)
    waivers: tuple[Waiver, ...] = ()


def judge_sweep(case: SweepCase) -> SweepFindings:
    """
    Say what is new since the last sweep, and what is as it was.

    Returns:
        Everything sorted: the same evidence gives the same findings.
    """
    verdict = judge(_as_change(case))
    every = [reason for reason in (*verdict.reasons, *verdict.notices) if reason.commit_id != _BEFORE]
    is_first = not case.last
    new: list[Reason] = []
    standing: list[Reason] = []
    for reason in every:
        if reason.rule not in _SHOWN or (is_first and reason.rule is Rule.NEW_WARNING):
            continue
        # A rule that only reports new warnings makes them no less new; only what was so before is excused.
        if reason.blocks or reason.rule is Rule.NEW_WARNING:
            new += _split_by_culprit(case, reason)
        else:
            standing.append(reason)
    new, newly_waived = _part_waived(case, new)
    standing, still_waived = _part_waived(case, standing)
    waived = (*newly_waived, *still_waived)
    names = [target.name for target in case.matrix.targets]
    mended = [name for name in names if _is_mended(case, name)]
    return SweepFindings(
        reasons=tuple(new),
        standing=tuple(standing),
        undecided=tuple(reason for reason in every if reason.rule is Rule.UNDECIDED),
        mended=tuple(sorted(mended)),
        gone=tuple(sorted(set(case.last).difference(names))),
        # A waiver excuses what is so; it does not make it otherwise.
        turns=tuple(_list_turns(case, (*new, *newly_waived), mended)),
        known_before=not is_first,
        waived=waived,
        waivers=list_uses(case.waivers, case.judged_on, frozenset(reason.waiver for reason in waived)),
    )


def _part_waived(case: SweepCase, reasons: Sequence[Reason]) -> tuple[list[Reason], list[Reason]]:
    """Give what no waiver excuses, and what one does."""
    left: list[Reason] = []
    waived: list[Reason] = []
    for reason in reasons:
        groups = split_waived(reason, case.waivers, case.judged_on)
        for waiver, names in groups.items():
            whom = reason.whom if len(groups) == 1 else describe_targets(names, case.matrix)
            part = replace(reason, targets=tuple(names), whom=whom, log_paths=_logs_of(case, reason, names))
            if waiver is None:
                left.append(part)
            else:
                details = (*reason.details, say_waived(waiver))
                waived.append(replace(part, details=details, blocks=False, waiver=waiver.name))
    return left, waived


def list_suspicious(
    findings: SweepFindings, last: Mapping[str, LastKnown], found: Mapping[str, Evidence], commit: Commit
) -> tuple[str, ...]:
    """
    Give the targets whose culprit is to be searched for, sorted.

    A target is searchable that was well at an earlier sweep, of another tree. Where one line of the tree is wrong for
    many targets, the one of them that builds fastest stands for all that were last well at the same commit.

    Args:
        findings: Judged without culprits.
        last: What earlier sweeps knew.
        found: What this one found.
        commit: The swept one.
    """
    wanted: set[str] = set()
    for reason in findings.reasons:
        if reason.rule not in _TURNS:
            continue
        enough = _WELL_ENOUGH_TO_WARN if reason.rule is Rule.NEW_WARNING else _WELL
        groups: dict[tuple[str, str], list[str]] = {}
        for name in reason.targets:
            known = last.get(name)
            if known is not None and known.outcome in enough and known.tree_id != commit.tree_id:
                groups.setdefault((known.commit_id, _own_place(reason, found, name)), []).append(name)
        for (_, place), names in groups.items():
            if _is_one_fault(reason) and place:
                wanted.add(min(names, key=lambda name: (name not in wanted, found[name].elapsed_s, name)))
            else:
                wanted.update(names)
    return tuple(sorted(wanted))


def share_answers(
    findings: SweepFindings, answers: Sequence[CulpritAnswer], found: Mapping[str, Evidence]
) -> dict[str, list[CulpritAnswer]]:
    """Give by target the searches that answer for it: its own first, then those of targets which stood for it."""
    shared: dict[str, list[CulpritAnswer]] = {}
    for answer in answers:
        shared.setdefault(answer.target, []).append(answer)
    for reason in findings.reasons:
        if not _is_one_fault(reason):
            continue
        for answer in answers:
            if answer.target in reason.targets and _answers(answer, reason):
                place = _own_place(reason, found, answer.target)
                for name in reason.targets:
                    own = shared.setdefault(name, [])
                    if place and answer not in own and _own_place(reason, found, name) == place:
                        own.append(answer)
    return shared


def _is_one_fault(reason: Reason) -> bool:
    """A line of a file that is wrong is wrong for all by the same commit; a full region is not."""
    return reason.rule in (Rule.BROKEN, Rule.NEW_WARNING) and bool(reason.place)


def _own_place(reason: Reason, found: Mapping[str, Evidence], name: str) -> str:
    """
    Give where a target has the fault of a reason.

    A missing symbol is one cause wherever it is missing, but may have gone missing there by another commit.
    """
    evidence = found.get(name)
    error = getattr(evidence.outcome, "first_error", None) if evidence is not None else None
    return error.place if reason.rule is Rule.BROKEN and error is not None else reason.place


def _answers(answer: CulpritAnswer, reason: Reason) -> bool:
    """A search for warnings answers for its own, another one for a target that does not come out."""
    if reason.rule is not Rule.NEW_WARNING:
        return not answer.warnings
    if not answer.warnings:
        # It came to nothing before it was known what to look for.
        return answer.conclusion.standing is not CulpritStanding.FOUND
    return any(
        reason.message.startswith(f"new warning: {warning.message}") and reason.place.startswith(f"{warning.path}:")
        for warning in answer.warnings
    )


def _as_change(case: SweepCase) -> Case:
    base = replace(case.commit, commit_id=_BEFORE, tree_id=_BEFORE)
    evidence = {(case.commit.tree_id, name): entry for name, entry in case.found.items()}
    for name, known in case.last.items():
        if known.evidence is not None:
            evidence[_BEFORE, name] = known.evidence
        elif known.outcome == "timed out":
            evidence[_BEFORE, name] = _timed_out(name, known)
    return Case(
        change=Change(base=base, head=case.commit, commits=(case.commit,), commit_count=1),
        matrices={_BEFORE: case.matrix, case.commit.tree_id: case.matrix},
        evidence=evidence,
        judged_on=case.judged_on,
        line_maps={case.commit.commit_id: case.line_map},
    )


def _timed_out(name: str, known: LastKnown) -> Evidence:
    """All that is kept of a build that ran past its limit is that it did."""
    return Evidence(
        target=name,
        tree_id=known.tree_id,
        commit_id=known.commit_id,
        key="",
        toolchain_version=None,
        outcome=TimedOut(limit_s=0, stopped_by=""),
    )


def _is_mended(case: SweepCase, name: str) -> bool:
    known, entry = case.last.get(name), case.found.get(name)
    if known is None or entry is None or known.outcome not in _BAD_OUTCOMES or entry.footprint is None:
        return False
    return not any(use.over_bytes for use in entry.footprint.regions)


def _split_by_culprit(case: SweepCase, reason: Reason) -> Iterator[Reason]:
    """One cause may have come by several commits: a reason for each, and one for those of which it is not known."""
    groups: dict[tuple[str | None, str], list[str]] = {}
    for name in reason.targets:
        answers = (entry for entry in case.culprits.get(name, ()) if _may_answer(case, name, entry, reason))
        answer = next(answers, None)
        culprit = answer.conclusion.culprit if answer is not None else None
        if answer is not None and culprit is not None:
            is_shared = len(reason.targets) > 1 and _is_one_fault(reason)
            stood_for = f"found with {answer.target}; the fault is the same" if is_shared else ""
            key: tuple[str | None, str] = (culprit.commit_id, stood_for)
        else:
            key = (None, _say_range(case, name, answer))
        groups.setdefault(key, []).append(name)
    for (commit_id, words), names in groups.items():
        is_whole = len(groups) == 1
        yield replace(
            reason,
            commit_id=commit_id,
            targets=tuple(names),
            whom=reason.whom if is_whole else describe_targets(names, case.matrix),
            details=(*reason.details, words) if words else reason.details,
            log_paths=_logs_of(case, reason, names),
        )


def _logs_of(case: SweepCase, reason: Reason, names: Iterable[str]) -> tuple[str, ...]:
    """Give the logs of a part of a reason's targets."""
    own = {case.found[name].log_path for name in names if name in case.found}
    return tuple(path for path in reason.log_paths if path in own)


def _may_answer(case: SweepCase, name: str, answer: CulpritAnswer, reason: Reason) -> bool:
    known = case.last.get(name)
    return known is not None and known.commit_id == answer.good.commit_id and _answers(answer, reason)


def _say_range(case: SweepCase, name: str, answer: CulpritAnswer | None) -> str:
    known = case.last.get(name)
    here = case.commit.short_id
    if known is None:
        return f"no sweep before knew of it: it came between the first commit and {here}"
    if known.tree_id == case.commit.tree_id:
        return (
            f"the tree is that of the sweep before (commit {known.commit_id[:10]}): no commit did it, but the "
            "toolchain, the machine, or a build that does not always give the same"
        )
    between = f"it came between commit {known.commit_id[:10]}, the last sweep that knew it, and {here}"
    if answer is None and known.outcome != "built":
        return f"{between}; it was {known.outcome} there, in another way"
    if answer is None:
        return between
    match answer.conclusion.standing:
        case CulpritStanding.WELL_AT_BAD:
            return f"{between}; a second build of {here} was well: the build does not always give the same"
        case CulpritStanding.FAULTY_AT_GOOD:
            return f"{between}; a second build of {known.commit_id[:10]} had it too: no commit of these did it"
        case _:
            return f"{between}; which commit did it is undecided: {answer.conclusion.why}{_say_suspects(answer)}"


def _say_suspects(answer: CulpritAnswer) -> str:
    suspects = answer.conclusion.suspects
    if not suspects:
        return ""
    more = len(suspects) - _SUSPECTS_NAMED
    names = ", ".join(commit.short_id for commit in suspects[:_SUSPECTS_NAMED])
    return f"; it is one of {names}{f' and {more} more' if more > 0 else ''}"


def _list_turns(case: SweepCase, reasons: Sequence[Reason], mended: Sequence[str]) -> list[TurnRecord]:
    """One turn of a kind for each target: the first reason that says it, and how many more there are."""
    found: dict[tuple[str, Turn], TurnRecord] = {}
    more: Counter[tuple[str, Turn]] = Counter()
    for reason in reasons:
        turn = _TURNS.get(reason.rule)
        if turn is None:
            continue
        for name in reason.targets:
            known = case.last.get(name)
            place = f" at {reason.place}" if reason.place else ""
            if (name, turn) in found:
                more[name, turn] += 1
                continue
            found[name, turn] = TurnRecord(
                target=name,
                turn=turn,
                message=f"{reason.message}{place}",
                good_commit_id=known.commit_id if known is not None and known.outcome == "built" else None,
                culprit_commit_id=reason.commit_id,
            )
    for key, number in more.items():
        found[key] = replace(found[key], message=f"{found[key].message}, and {number} more")
    for name in mended:
        found[name, Turn.MENDED] = TurnRecord(target=name, turn=Turn.MENDED, good_commit_id=case.commit.commit_id)
    order = list(Turn)
    return sorted(found.values(), key=lambda entry: (entry.target, order.index(entry.turn)))
