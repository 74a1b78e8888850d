"""
Evidence in, verdict out.

A fault is reported at the first commit of the change that shows it, and once: later commits that still have it add
nothing, a commit that mends it is named. Faults with one cause at one commit become one reason with all their targets.
What was so at the base already is a notice. A block that is certain outweighs what is undecided elsewhere; without one,
anything undecided makes the verdict undecided.

A commit of the change is held against where its history left the base's: it cannot know what the base has gained
since. What would land (the merge, where head does not descend from base) is held against the base itself, in all.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, field, replace

from gatekeep.judge.case import Case
from gatekeep.judge.claims import UnclaimedBoard, list_unclaimed
from gatekeep.judge.findings import Finding, list_base_findings, list_findings
from gatekeep.judge.loosening_reasons import list_loosened
from gatekeep.judge.unread import list_unread
from gatekeep.judge.waiving import Ruling, list_uses, rule_on
from gatekeep.judge.warnings import list_new_warnings
from gatekeep.judge.wording import describe_targets, say_before, say_mended
from gatekeep.model.change import Commit, Conflict
from gatekeep.model.evidence import Built, Diagnostic, Evidence, Outgrown, RegionUse
from gatekeep.model.matrix import RuleStrength, Target
from gatekeep.model.quantity import render_bytes
from gatekeep.model.rule import APPROVABLE_RULES
from gatekeep.model.verdict import Decision, Reason, RegionDelta, Rule, Verdict

#: Detail lines of one reason; a change that outgrows 300 boards does not need 300 of them.
_DETAILS_SHOWN = 12


def judge(case: Case) -> Verdict:
    """
    Decide.

    Args:
        case: The change and all evidence about it; pairs without evidence count as undecided.

    Returns:
        The verdict; the same evidence gives an equal verdict, whatever order it was gathered in.
    """
    findings = [_ask_waivers(case, *found) for found in (*_findings_by_commit(case), *_growth(case))]
    reasons = [
        *_group(case, findings),
        *_warning_reasons(case),
        *list_unread(case),
        *_claim_reasons(case),
        *list_loosened(case),
        *_matrix_reasons(case),
        *_conflict_reasons(case),
        *_landing_reasons(case),
    ]
    reasons = [_ask_approvers(case, reason) for reason in reasons]
    position = {commit.commit_id: index for index, commit in enumerate(case.change.judged)}
    order = list(Rule)

    def sort_key(reason: Reason) -> tuple[object, ...]:
        at = position.get(reason.commit_id, -1) if reason.commit_id else -1
        return (order.index(reason.rule), at, reason.targets, reason.place, reason.message)

    blocking = tuple(sorted((reason for reason in reasons if reason.blocks), key=sort_key))
    shown = sorted((reason for reason in reasons if not reason.blocks), key=sort_key)
    waived = tuple(reason for reason in shown if reason.waiver)
    approved = tuple(reason for reason in shown if reason.approved_by)
    certain = any(reason.rule is not Rule.UNDECIDED for reason in blocking)
    decision = Decision.BLOCK if certain else Decision.UNDECIDED if blocking else Decision.PASS
    return Verdict(
        decision=decision,
        reasons=blocking,
        notices=tuple(reason for reason in shown if not reason.waiver and not reason.approved_by),
        deltas=_deltas(case),
        new_warning_count=len({_warning_of(reason) for reason in reasons if reason.rule is Rule.NEW_WARNING}),
        waived=waived,
        approved=approved,
        approvals=case.approvals,
        waivers=list_uses(case.counted_waivers, case.judged_on, frozenset(reason.waiver for reason in waived)),
    )


def _ask_approvers(case: Case, reason: Reason) -> Reason:
    """What loosens the gate does not block when somebody whom the base trusts has approved all of it."""
    if reason.rule not in APPROVABLE_RULES or not case.approved_by:
        return reason
    details = (*reason.details, f"approved by {' and '.join(case.approved_by)}")
    return replace(reason, blocks=False, approved_by=case.approved_by, details=details)


def _warning_of(reason: Reason) -> tuple[object, ...]:
    """A warning of which some targets are waived makes two reasons, and is one."""
    return (reason.commit_id, reason.place, reason.message)


_Found = tuple[Finding, Commit | None, Commit | None]
"""A finding, the first commit that shows it, and the one that mended it."""


def _ask_waivers(case: Case, finding: Finding, commit: Commit | None, mended: Commit | None) -> _Found:
    ruling = rule_on(case, finding.rule, finding.target, was_at_base=finding.excused, is_mended=mended is not None)
    if ruling is not None and not ruling.blocks and not (finding.is_waivable or finding.excused):
        words = f"{ruling.waiver.name} does not waive it: nothing was measured, and the matrix knows no such region"
        ruling = replace(ruling, blocks=True, words=f"{words}; name it as the linker script does")
    return replace(finding, ruling=ruling), commit, mended


@dataclass(slots=True)
class _Episode:
    """A fault of one target from the commit that brought it to the one that mended it."""

    finding: Finding
    commit: Commit
    mended_by: Commit | None = None


def _findings_by_commit(case: Case) -> list[_Found]:
    """Give (finding, first commit, commit that mended it)."""
    found: list[_Found] = [
        (finding, base, None)
        for base in dict.fromkeys((case.change.base, *case.change.forks.values()))
        for target in case.matrix_of(base).targets
        for finding in list_base_findings(case, base, target)
    ]
    for target in case.judged_targets():
        open_episodes: dict[tuple[object, ...], _Episode] = {}
        episodes: list[_Episode] = []
        for commit in case.change.judged:
            here = case.matrix_of(commit).get_target(target.name)
            findings = list_findings(case, commit, here) if here is not None else _dropped(case, commit, target)
            here_by_kind = {_kind(finding): finding for finding in findings}
            for kind in [kind for kind in open_episodes if kind not in here_by_kind]:
                open_episodes.pop(kind).mended_by = commit
            for kind, finding in here_by_kind.items():
                if kind not in open_episodes:
                    open_episodes[kind] = _Episode(finding=finding, commit=commit)
                    episodes.append(open_episodes[kind])
        found.extend((episode.finding, episode.commit, episode.mended_by) for episode in episodes)
    return found


def _kind(finding: Finding) -> tuple[object, ...]:
    """What makes a fault the same one at the next commit: its region, but not an error's text, whose line may move."""
    region = finding.cause if finding.rule in (Rule.OUTGROWN, Rule.RESERVE) else ()
    return (finding.rule, finding.excused, region)


def _dropped(case: Case, commit: Commit, target: Target) -> tuple[Finding, ...]:
    if case.matrix_before(commit).get_target(target.name) is None:
        return ()
    return (
        Finding(
            rule=Rule.DROPPED_TARGET,
            target=target.name,
            cause=(),
            message="dropped from the matrix; a change cannot loosen its own gate",
        ),
    )


def _growth(case: Case) -> list[_Found]:
    """Hold the growth over the whole change against the base's rule."""
    if case.landing() is None:
        return []
    limits = dict(case.rules.growth_per_change)
    found: list[_Found] = []
    for delta in _deltas(case):
        limit = limits.get(delta.region)
        if limit is not None and delta.delta_bytes > limit:
            finding = Finding(
                rule=Rule.GROWTH,
                target=delta.target,
                cause=(delta.region,),
                message=f"{delta.region} grows by more than {render_bytes(limit)} in one change",
                detail=f"{delta.target}: {delta.region} {delta.base_used_bytes} -> {delta.head_used_bytes} bytes "
                f"({delta.delta_bytes:+d}, allowed +{limit})",
            )
            found.append((finding, _first_growth(case, delta, limit), None))
    return found


def _first_growth(case: Case, delta: RegionDelta, limit_bytes: int) -> Commit | None:
    for commit in case.change.judged:
        before = _use_of(case.evidence_before(commit, delta.target), delta.region)
        use = _use_of(case.evidence_of(commit, delta.target), delta.region)
        if before is not None and use is not None and use.used_bytes - before.used_bytes > limit_bytes:
            return commit
    return None


def _use_of(evidence: Evidence | None, region: str) -> RegionUse | None:
    return evidence.footprint.get_region(region) if evidence and evidence.footprint else None


def _group(case: Case, findings: Iterable[_Found]) -> Iterator[Reason]:
    groups: dict[tuple[object, ...], list[_Found]] = {}
    for finding, commit, mended in findings:
        at = commit.commit_id if commit else None
        mended_at = mended.commit_id if mended else None
        # Two boards may outgrow one region by different amounts: one cause, two details.
        key = (finding.rule, finding.excused, finding.ruling, finding.cause, at, mended_at)
        groups.setdefault(key, []).append((finding, commit, mended))
    for members in groups.values():
        yield _reason_of(case, sorted(members, key=lambda member: member[0].target))


def _reason_of(case: Case, members: list[_Found]) -> Reason:
    first, commit, mended = members[0]
    names = tuple(finding.target for finding, _, _ in members)
    matrix = case.matrix_of(commit) if commit is not None else case.base_matrix
    described_by = matrix if first.rule is not Rule.DROPPED_TARGET or commit is None else case.matrix_before(commit)
    details = list(dict.fromkeys(finding.detail for finding, _, _ in members if finding.detail))
    if len(details) > _DETAILS_SHOWN:
        details = [*details[:_DETAILS_SHOWN], f"and {len(details) - _DETAILS_SHOWN} more"]
    if mended is not None and not first.excused:
        details.append(f"{say_mended(case.change, mended)}, but every commit of a change must hold")
    if first.ruling is not None:
        details.append(first.ruling.words)
    messages = {finding.message for finding, _, _ in members}
    message = first.message if len(messages) == 1 else _shared_message(first)
    # Of one cause at several places, the one by which a person finds the line.
    shown = next((finding for finding, _, _ in members if _HAS_LINE.search(finding.place)), first)
    if first.excused and first.rule in _COMPARED and commit is not None:
        message = f"{message} ({say_before(case.change, commit)})"
    return Reason(
        rule=first.rule,
        commit_id=commit.commit_id if commit is not None else None,
        targets=names,
        whom=describe_targets(names, described_by),
        message=message,
        place=shown.place,
        details=tuple(details),
        excerpt=shown.excerpt,
        log_paths=tuple(path for finding, _, _ in members for path in finding.log_paths),
        blocks=first.blocks,
        waiver=first.ruling.waiver.name if first.ruling is not None else "",
    )


_HAS_LINE = re.compile(r":[0-9]+$", re.ASCII)
_COMPARED = (Rule.BROKEN, Rule.OUTGROWN, Rule.RESERVE, Rule.TIMED_OUT)


def _shared_message(finding: Finding) -> str:
    match finding.rule:
        case Rule.OUTGROWN:
            return f"outgrows {finding.cause[0]}"
        case Rule.BROKEN:
            return finding.cause[0]
        case _:
            return finding.message


@dataclass(slots=True)
class _NewWarning:
    warning: Diagnostic
    targets: list[str] = field(default_factory=list)
    commit: Commit | None = None


def _warning_reasons(case: Case) -> Iterator[Reason]:
    """One finding a warning, with every target that shows it, measured from base to what would land."""
    head = case.landing()
    if head is None:
        return
    found: dict[tuple[object, ...], _NewWarning] = {}
    for target in case.matrix_of(head).targets:
        for warning in _new_warnings_at(case, head, target.name):
            key = (warning.place, warning.option, warning.message)
            entry = found.setdefault(key, _NewWarning(warning=warning))
            if target.name not in entry.targets:
                entry.targets.append(target.name)
    _find_first_commits(case, found.values())
    matrix = case.matrix_of(head)
    blocks = case.rules.new_warnings is RuleStrength.BLOCK
    for entry in found.values():
        option = f" [-W{entry.warning.option}]" if entry.warning.option else ""
        groups: dict[Ruling | None, list[str]] = {}
        for name in sorted(entry.targets):
            ruling = rule_on(case, Rule.NEW_WARNING, name, was_at_base=False, is_mended=False) if blocks else None
            groups.setdefault(ruling, []).append(name)
        for ruling, names in groups.items():
            yield Reason(
                rule=Rule.NEW_WARNING,
                commit_id=entry.commit.commit_id if entry.commit else None,
                targets=tuple(names),
                whom=describe_targets(names, matrix),
                message=f"new warning: {entry.warning.message}{option}",
                place=entry.warning.place,
                details=(*([ruling.words] if ruling is not None else []), *_say_cut_before(case, head, names)),
                excerpt=(entry.warning.excerpt,) if entry.warning.excerpt else (),
                log_paths=tuple(_iter_logs(case, head, names)),
                blocks=ruling.blocks if ruling is not None else blocks,
                waiver=ruling.waiver.name if ruling is not None else "",
            )


def _iter_logs(case: Case, head: Commit, names: Iterable[str]) -> Iterator[str]:
    for evidence in (case.evidence_of(head, name) for name in names):
        if evidence is not None and evidence.log_path is not None:
            yield evidence.log_path


def _say_cut_before(case: Case, head: Commit, names: Collection[str]) -> Iterator[str]:
    before = (case.evidence_before(head, name) for name in names)
    if any(one is not None and one.log_cut for one in before):
        yield "it may have been there before: not all was read of what the build printed at the base"


def _new_warnings_at(case: Case, commit: Commit, target: str) -> tuple[Diagnostic, ...]:
    """A target that the base lacks is compared with all that the base's targets warned of."""
    evidence = case.evidence_of(commit, target)
    if evidence is None or not isinstance(evidence.outcome, Built | Outgrown) or not evidence.warnings:
        return ()
    base = case.evidence_before(commit, target)
    if base is not None and not isinstance(base.outcome, Built | Outgrown):
        # A build that stopped early did not say all that it had to say: nothing to compare with.
        return ()
    before = base.warnings if base is not None else _warnings_before(case, commit)
    return list_new_warnings(before, evidence.warnings, case.line_map_to(commit))


def _warnings_before(case: Case, commit: Commit) -> tuple[Diagnostic, ...]:
    every: dict[Diagnostic, None] = {}
    for target in case.matrix_before(commit).targets:
        base = case.evidence_before(commit, target.name)
        every.update(dict.fromkeys(base.warnings if base else ()))
    return tuple(every)


def _find_first_commits(case: Case, entries: Collection[_NewWarning]) -> None:
    """Set the first commit at which each new warning shows; lines may move between the change's own commits."""
    left: dict[tuple[object, ...], list[_NewWarning]] = {}
    for entry in entries:
        left.setdefault((entry.warning.path, entry.warning.option, entry.warning.message), []).append(entry)
    names = sorted({name for entry in entries for name in entry.targets})
    for commit in case.change.judged:
        for name in names:
            if not left:
                return
            for warning in _new_warnings_at(case, commit, name):
                for entry in left.pop((warning.path, warning.option, warning.message), ()):
                    entry.commit = commit


def _claim_reasons(case: Case) -> Iterator[Reason]:
    base = case.change.base
    known = {commit.tree_id: _list_claimed(case, commit, commit) for commit in (base, *case.change.forks.values())}
    for entry in known[base.tree_id].values():
        yield _unclaimed_reason(entry, base)
    told: set[tuple[str, str | None]] = set()
    seen = [
        (commit, before, _list_claimed(case, commit, before))
        for commit, before in ((commit, case.change.base_of(commit)) for commit in case.change.judged)
    ]
    for number, (commit, before, here) in enumerate(seen):
        for key, entry in here.items():
            if key not in known[before.tree_id] and key not in told:
                told.add(key)
                mended = next((later for later, _, there in seen[number + 1 :] if key not in there), None)
                details = [f"add {entry.board} to the matrix under its port"]
                if mended is not None:
                    details = [f"{say_mended(case.change, mended)}, but every commit of a change must hold"]
                yield _unclaimed_reason(entry, commit, details)


def _list_claimed(case: Case, commit: Commit, before: Commit) -> dict[tuple[str, str | None], UnclaimedBoard]:
    """Give the boards of a tree that no target builds, by the claims of its own matrix and of the one before."""
    here = case.matrix_of(commit)
    claims = dict.fromkeys((*case.matrix_of(before).claims, *here.claims))
    unclaimed = list_unclaimed(case.paths.get(commit.tree_id, ()), claims, here)
    return {(entry.board, entry.port): entry for entry in unclaimed}


def _unclaimed_reason(entry: UnclaimedBoard, commit: Commit, details: Iterable[str] = ()) -> Reason:
    """Make the reason of a board; without details it was so at the base already."""
    name = f"{entry.port}/{entry.board}" if entry.port else entry.board
    shown = tuple(details)
    already = "" if shown else " (so at the base already)"
    return Reason(
        rule=Rule.UNCLAIMED_BOARD,
        commit_id=commit.commit_id,
        targets=(),
        whom=f"board {name}",
        message=f"is in the tree, but no target of the matrix builds it{already}",
        place=entry.path,
        details=shown,
        blocks=bool(shown),
    )


def _matrix_reasons(case: Case) -> Iterator[Reason]:
    for whom, errors in (("the matrix", case.matrix_errors), ("the waivers", case.waiver_errors)):
        seen: set[str] = set()
        for commit in case.change.judged:
            message = errors.get(commit.tree_id)
            if message is not None and message not in seen:
                seen.add(message)
                yield Reason(
                    rule=Rule.MATRIX,
                    commit_id=commit.commit_id,
                    targets=(),
                    whom=whom,
                    message=message,
                )


def _conflict_reasons(case: Case) -> Iterator[Reason]:
    conflict = case.change.merge
    if isinstance(conflict, Conflict):
        files = f"{len(conflict.paths)} file{'' if len(conflict.paths) == 1 else 's'}"
        shown = conflict.paths[:_DETAILS_SHOWN]
        more = len(conflict.paths) - len(shown)
        yield Reason(
            rule=Rule.CONFLICT,
            commit_id=None,
            targets=(),
            whom="the change",
            message=f"cannot be merged onto {case.change.base.short_id}, where the base is now: {files} in conflict; "
            "rebase it, or merge the base into it",
            details=(*shown, *([f"and {more} more"] if more else [])),
        )


def _landing_reasons(case: Case) -> Iterator[Reason]:
    """A net: whatever was left out before, a tree that was not held against the base does not land."""
    if case.is_landing_unjudged:
        yield Reason(
            rule=Rule.UNDECIDED,
            commit_id=None,
            targets=(),
            whom="the change",
            message=f"what would land was not held against the base, {case.change.base.short_id}",
            details=("rebase the change onto it; that this can happen is a fault of gatekeep",),
        )


def _deltas(case: Case) -> tuple[RegionDelta, ...]:
    head = case.landing()
    if head is None:
        return ()
    found: list[RegionDelta] = []
    for target in case.matrix_of(head).targets:
        before, after = case.evidence_before(head, target.name), case.evidence_of(head, target.name)
        if before is None or after is None or before.footprint is None or after.footprint is None:
            continue
        for use in after.footprint.regions:
            was = before.footprint.get_region(use.name)
            if was is not None and was.used_bytes != use.used_bytes:
                found.append(
                    RegionDelta(
                        target=target.name,
                        region=use.name,
                        base_used_bytes=was.used_bytes,
                        head_used_bytes=use.used_bytes,
                        capacity_bytes=use.capacity_bytes,
                    )
                )
    return tuple(sorted(found, key=lambda delta: (delta.target, delta.region)))


def sort_evidence(case: Case) -> tuple[Evidence, ...]:
    """Give all evidence of the case: base first, then tree by tree, targets in the order of the matrix."""
    found: list[Evidence] = []
    for commit in case.change.iter_trees():
        for target in case.matrix_of(commit).targets:
            evidence = case.evidence_of(commit, target.name)
            if evidence is not None:
                found.append(replace(evidence, commit_id=commit.commit_id))
    return tuple(found)
