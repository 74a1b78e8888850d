"""
What the judge says.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import Enum

from gatekeep.model.approval import ApprovalCheck
from gatekeep.model.change import Change
from gatekeep.model.evidence import Evidence
from gatekeep.model.matrix import Matrix
from gatekeep.model.rule import Rule as Rule
from gatekeep.model.waiver import WaiverUse


class Decision(Enum):
    """Undecided is never pass; a block that is certain outweighs what is not decided elsewhere."""

    PASS = "pass"  # noqa: S105 - a verdict, not a secret
    BLOCK = "block"
    UNDECIDED = "undecided"

    @property
    def exit_code(self) -> int:
        """What a command ends with that comes to this decision; 2 and 130 are no decisions."""
        return {Decision.PASS: 0, Decision.BLOCK: 1, Decision.UNDECIDED: 3}[self]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """
    One cause, with everything that it reaches.

    `targets` are names, sorted; empty only where the cause has no target (an unclaimed board, a rule). `whom` words
    them for people ("all 3 targets of loongarch64", "every 64-bit target"), after what they share where that is at
    fault ("the part inner-16 of arm/wick"). `commit_id` is the first commit of the change that shows it, or the merge
    that would land where no commit does; None when it concerns the change as a whole. `message` is one sentence without
    its place. `place` is `file:line` where the cause has one. `details` are further lines for people, one an entry.
    `excerpt` quotes a log, hostile. `log_paths` has one log a target, and both where two builds of one contradict each
    other. `blocks` is False for what is only shown: a rule that reports, what was so at the base already, or what a
    waiver excuses. `waiver` is the name of the one that does, or that did until it ended, or that names it and cannot
    mean it; empty where there is none. `approved_by` names who approved what would block, sorted; empty where nobody
    did.
    """

    rule: Rule
    commit_id: str | None
    targets: tuple[str, ...]
    whom: str
    message: str
    place: str = ""
    details: tuple[str, ...] = ()
    excerpt: tuple[str, ...] = ()
    log_paths: tuple[str, ...] = ()
    blocks: bool = True
    waiver: str = ""
    approved_by: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RegionDelta:
    """How much one region of one target grew over the change, in bytes (negative: shrank)."""

    target: str
    region: str
    base_used_bytes: int
    head_used_bytes: int
    capacity_bytes: int

    @property
    def delta_bytes(self) -> int:
        """Head minus base."""
        return self.head_used_bytes - self.base_used_bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """
    The answer: `decision`, the reasons that block or leave it undecided, what is only shown, what is waived and what
    is approved.

    `reasons`, `notices`, `waived` and `approved` are sorted by rule, commit, targets, so that the same evidence gives
    the same bytes. `deltas` compares base and head for every region that changed, sorted by target. `new_warning_count`
    counts findings, not targets. `waivers` are all that count, in the order of their file, and what each did here.
    `approvals` are all that were found for the change, whether they count or not.
    """

    decision: Decision
    reasons: tuple[Reason, ...]
    notices: tuple[Reason, ...]
    deltas: tuple[RegionDelta, ...]
    new_warning_count: int
    waived: tuple[Reason, ...] = ()
    waivers: tuple[WaiverUse, ...] = ()
    approved: tuple[Reason, ...] = ()
    approvals: tuple[ApprovalCheck, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """
    A verdict with all that it rests on; what every report is made from.

    `matrix` is the base's. `evidence` is sorted by commit in the order of the change (base first), then by target in
    the order of the matrix; a tree that several commits have is listed once. `reused_count` of them were known before
    the run, `carried_count` were carried in it. `judged_on` is the day in UTC by which waivers are in
    force or ended.
    """

    change: Change
    matrix: Matrix
    evidence: tuple[Evidence, ...]
    verdict: Verdict
    reused_count: int
    judged_on: date
    carried_count: int = 0
