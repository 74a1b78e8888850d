"""
The sentences and figures that every report for people shares; each renderer makes them safe in its own way.

Nothing here is escaped: a `Span` says what its text is, and a renderer makes all but our own words harmless. Shares are
rounded away from the wrong conclusion: what fits is never shown as more than it is, and what does not fit never as
100 %.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from typing import assert_never

from gatekeep.model.change import Change, Commit, Conflict
from gatekeep.model.evidence import Broken, Built, NotDecided, Outcome, Outgrown, TimedOut
from gatekeep.model.rule import APPROVABLE_RULES
from gatekeep.model.verdict import Decision, Judgement, Reason, RegionDelta, Rule, Verdict
from gatekeep.model.waiver import WaiverStanding, WaiverUse

#: Reasons to build, before "and N reasons more": one commit seldom has more that an author would read.
_REASONS_SHOWN = 2
_NAMES_SHOWN = 4


class Role(Enum):
    """What a span of a sentence is, so that a renderer can dress it."""

    WHOM = "whom"
    MESSAGE = "message"
    PLACE = "place"
    COMMIT = "commit"
    SUBJECT = "subject"
    #: Our own words between the others, the only ones that are not hostile.
    LINK = "link"


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A run of a sentence; the spans of one sentence are joined with nothing between them."""

    role: Role
    text: str


def put_in_order(judgement: Judgement) -> Judgement:
    """
    Sort everything that a report lists.

    Evidence by commit in the order of the change (base first), then by target in the order of the matrix; reasons and
    notices by rule, commit and targets; deltas by target and region. What the change or the matrix does not know comes
    last, by name. Judging sorts already; this makes it true whoever made the judgement.
    """
    trees = {commit.tree_id: index for index, commit in reversed(list(enumerate(_commits_in_order(judgement.change))))}
    targets = {target.name: index for index, target in enumerate(judgement.matrix.targets)}
    verdict = judgement.verdict
    return replace(
        judgement,
        evidence=tuple(
            sorted(
                judgement.evidence,
                key=lambda one: (
                    trees.get(one.tree_id, len(trees)),
                    one.tree_id,
                    targets.get(one.target, len(targets)),
                    one.target,
                    one.key,
                    one.commit_id,
                ),
            )
        ),
        verdict=replace(
            verdict,
            reasons=_sort_reasons(verdict.reasons, judgement.change),
            notices=_sort_reasons(verdict.notices, judgement.change),
            waived=_sort_reasons(verdict.waived, judgement.change),
            approved=_sort_reasons(verdict.approved, judgement.change),
            deltas=tuple(sorted(verdict.deltas, key=lambda delta: (delta.target, delta.region))),
        ),
    )


def commits_by_id(change: Change) -> dict[str, Commit]:
    """Give every commit that the change names, base and head included, by its full id."""
    return {commit.commit_id: commit for commit in _commits_in_order(change)}


def say_landing(change: Change) -> str:
    """Word what would land where that is not the head itself: `would land merged onto 4f1c2ab901`; or ""."""
    match change.merge:
        case Commit():
            return f"would land merged onto {change.base.short_id}; the merged tree is judged too"
        case Conflict():
            return f"cannot be merged onto {change.base.short_id}"
        case None:
            return ""


def commits_by_tree(change: Change) -> dict[str, Commit]:
    """
    Give the first commit that has each tree, base first.

    A carried result names the commit for which it was first built, which need not be one of this change: its tree says
    where it belongs.
    """
    return {commit.tree_id: commit for commit in reversed(_commits_in_order(change))}


def say_reason(reason: Reason, commits: dict[str, Commit], change: Change) -> tuple[Span, ...]:
    """
    Word one reason as a sentence without a full stop.

    `every 64-bit target: a pointer is cut to 32 bits at drivers/uart.c:41, since commit 4f1c2ab901 (Add the ring)`.
    """
    base_id = change.base.commit_id
    spans: list[Span] = []
    # "riscv64/vale, the only target of riscv64," ends in the comma of an apposition; the colon takes its place.
    if whom := reason.whom.rstrip().removesuffix(","):
        spans += [Span(role=Role.WHOM, text=whom), Span(role=Role.LINK, text=": ")]
    spans.append(Span(role=Role.MESSAGE, text=reason.message.rstrip().removesuffix(".")))
    if reason.place:
        # A board's file is the sign of the board, not the place of a fault.
        link = ", see " if reason.rule is Rule.UNCLAIMED_BOARD else " at "
        spans += [Span(role=Role.LINK, text=link), Span(role=Role.PLACE, text=reason.place)]
    undecided = reason.rule is Rule.UNDECIDED
    # What was so at the base did not begin there, and its message says so; only "not decided" needs to name the base.
    if change.merged is not None and reason.commit_id == change.merged.commit_id:
        # No author made that commit, and each side of it may be without fault.
        spans += [
            Span(role=Role.LINK, text=f", {'at' if undecided else 'since'} the merge of "),
            Span(role=Role.COMMIT, text=change.head.short_id),
            Span(role=Role.LINK, text=" onto "),
            Span(role=Role.COMMIT, text=change.base.short_id),
            Span(role=Role.LINK, text=", which is what would land"),
        ]
    elif reason.commit_id is not None and (undecided or reason.commit_id != base_id):
        commit = commits.get(reason.commit_id)
        link = ", at" if undecided else ", since"
        noun = "the base" if reason.commit_id == base_id else "commit"
        spans += [
            Span(role=Role.LINK, text=f"{link} {noun} "),
            Span(role=Role.COMMIT, text=commit.short_id if commit else reason.commit_id[:10]),
        ]
        if commit is not None and commit.subject:
            spans += [
                Span(role=Role.LINK, text=" ("),
                Span(role=Role.SUBJECT, text=commit.subject),
                Span(role=Role.LINK, text=")"),
            ]
    return tuple(spans)


def say_verdict(verdict: Verdict) -> str:
    """
    Word the verdict.

    `pass`, `pass, 1 reason waived, 2 reasons approved`, `block, 2 reasons`, `block, 2 reasons, 1 more undecided`,
    `undecided, 1 reason`.
    """
    undecided = sum(reason.rule is Rule.UNDECIDED for reason in verdict.reasons)
    waived = "".join(
        f", {count(len(reasons), 'reason')} {word}"
        for reasons, word in ((verdict.waived, "waived"), (verdict.approved, "approved"))
        if reasons
    )
    match verdict.decision:
        case Decision.PASS:
            return f"pass{waived}"
        case Decision.UNDECIDED:
            return f"undecided, {count(len(verdict.reasons), 'reason')}{waived}"
        case Decision.BLOCK:
            rest = f", {undecided} more undecided" if undecided else ""
            return f"block, {count(len(verdict.reasons) - undecided, 'reason')}{rest}{waived}"


def say_waivers(uses: Iterable[WaiverUse]) -> tuple[str, ...]:
    """Word what somebody has to see to: waivers that end within a week, have ended, or excuse nothing here."""
    lines: list[str] = []
    for use in uses:
        waiver = use.waiver
        what = f"rule {waiver.rule.value} of {_name_some(waiver.targets)}"
        if use.standing is WaiverStanding.ENDED:
            lines.append(f"{waiver.name} ended on {waiver.until}: {what} blocks again")
        elif use.ends_soon:
            when = "today" if use.days_left == 0 else f"in {count(use.days_left, 'day')}, on {waiver.until}"
            lines.append(f"{waiver.name} ends {when}: {what} blocks again then")
        if use.standing is WaiverStanding.UNUSED:
            lines.append(f"{waiver.name} excuses nothing here: {what}; remove it where it is not needed any more")
    return tuple(lines)


def say_approvals(judgement: Judgement) -> tuple[str, ...]:
    """Word which approvals do not count, and why; and where one is wanted, who can give it."""
    verdict, matrix = judgement.verdict, judgement.matrix
    lines = [f"{check.source}: {check.why}" for check in verdict.approvals if check.approver is None]
    if any(reason.rule in APPROVABLE_RULES for reason in verdict.reasons):
        days = judgement.judged_on
        names = [one.name for one in matrix.approvers if one.until is None or one.until >= days]
        if names:
            how = f"gatekeep approve {judgement.change.base.short_id} {judgement.change.head.short_id} --key FILE"
            lines.append(f"what the change loosens can be approved by {_name_some(names)}: {how}")
        else:
            nobody = f"what the change loosens can be approved by nobody: {matrix.path} of the base lists none"
            lines.append(f"{nobody}; whoever administers its branch can add approvers: to it")
    return tuple(lines)


def _name_some(names: Sequence[str]) -> str:
    more = len(names) - _NAMES_SHOWN
    return ", ".join(names[:_NAMES_SHOWN]) + (f" and {more} more" if more > 0 else "")


def say_scope(judgement: Judgement) -> str:
    """Word how much was judged: `5 commits (4 change the tree), 6 targets: 12 built now, 9 carried, 8 known before`."""
    change = judgement.change
    # Whoever names the two the wrong way round, or has not committed yet, is not to take this pass for an answer.
    commits = count(change.commit_count, "commit") if change.commit_count else "no commit that the base lacks"
    if not change.commits and not judgement.evidence:
        none = ", and none changes the tree" if change.commit_count else ""
        return f"{commits}{none}: nothing to build"
    if len(change.commits) != change.commit_count:
        verb = "changes" if len(change.commits) == 1 else "change"
        commits += f" ({len(change.commits)} {verb} the tree)"
    if change.merged is not None:
        commits += " and the merge"
    targets = len({one.target for one in judgement.evidence}) or len(judgement.matrix.targets)
    built = len(judgement.evidence) - judgement.reused_count - judgement.carried_count
    return (
        f"{commits}, {count(targets, 'target')}: {built} built now, {judgement.carried_count} carried, "
        f"{judgement.reused_count} known before"
    )


def say_outcome(outcome: Outcome) -> str | None:
    """Word what an outcome says of itself; None for what was built. Hostile."""
    match outcome:
        case Built():
            return None
        case Broken() | Outgrown():
            return outcome.message
        case TimedOut():
            return f"ran past {outcome.limit_s:g} s, stopped by {outcome.stopped_by}"
        case NotDecided():
            is_said = not outcome.hint or outcome.hint in outcome.message
            return outcome.message if is_said else f"{outcome.message}; {outcome.hint}"
        case _:
            assert_never(outcome)


def say_why_built(judgement: Judgement) -> str:
    """Word why builds were not carried, commonest first: `drivers/uart.c, which it reads, is modified (24)`; or ""."""
    reasons = Counter(one.reason for one in judgement.evidence if one.reason)
    ranked = sorted(reasons.items(), key=lambda entry: (-entry[1], entry[0]))
    shown = [f"{reason} ({number})" for reason, number in ranked[:_REASONS_SHOWN]]
    if len(ranked) > _REASONS_SHOWN:
        shown.append(f"and {count(len(ranked) - _REASONS_SHOWN, 'reason')} more")
    return "; ".join(shown)


def say_share(used_bytes: int, capacity_bytes: int) -> str:
    """Word how full a region is, to a tenth: `84.1 %`; rounded down while it fits, up when it does not."""
    if capacity_bytes <= 0:
        return "no capacity"
    down = used_bytes <= capacity_bytes
    tenths = used_bytes * 1000 // capacity_bytes if down else -(-used_bytes * 1000 // capacity_bytes)
    return f"{tenths // 10}.{tenths % 10} %"


def rank_deltas(deltas: tuple[RegionDelta, ...]) -> tuple[RegionDelta, ...]:
    """Sort by what share of its capacity a region gained or lost, most first; equals by target and region."""
    return tuple(
        sorted(
            deltas,
            key=lambda delta: (-abs(delta.delta_bytes) / max(delta.capacity_bytes, 1), delta.target, delta.region),
        )
    )


def choose_excerpt(reason: Reason, limit: int) -> tuple[tuple[str, ...], int]:
    """
    Choose the lines of an excerpt that say most.

    Args:
        reason: Whose excerpt; lines that are empty at either end are dropped.
        limit: How many lines at most.

    Returns:
        The lines, and how many were left out: from the first line that names the reason's place where there is one,
        else the last ones, where a failed build says why.
    """
    lines = list(reason.excerpt)
    while lines and not lines[-1].strip():
        lines.pop()
    while lines and not lines[0].strip():
        lines.pop(0)
    if len(lines) <= limit:
        return tuple(lines), 0
    named = next((index for index, line in enumerate(lines) if reason.place and reason.place in line), None)
    start = len(lines) - limit if named is None else min(named, len(lines) - limit)
    return tuple(lines[start : start + limit]), len(lines) - limit


def count(number: int, noun: str) -> str:
    """Word a number of things: `1 reason`, `2 reasons`."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _commits_in_order(change: Change) -> tuple[Commit, ...]:
    return (change.base, *change.forks.values(), *change.judged, change.head)


def _sort_reasons(reasons: tuple[Reason, ...], change: Change) -> tuple[Reason, ...]:
    rules = {rule: index for index, rule in enumerate(Rule)}
    order = {commit_id: index for index, commit_id in enumerate(commits_by_id(change))}
    return tuple(
        sorted(
            reasons,
            key=lambda reason: (
                rules[reason.rule],
                # What concerns the change as a whole stands with the base, before what one commit began.
                0 if reason.commit_id is None else order.get(reason.commit_id, len(order)),
                reason.targets,
                reason.place,
                reason.message,
                reason.commit_id or "",
                reason.whom,
            ),
        )
    )
