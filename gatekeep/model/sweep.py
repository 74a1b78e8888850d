"""
What a sweep says.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from gatekeep.model.audit import Audit, Standing
from gatekeep.model.change import Change, Commit
from gatekeep.model.culprit import CulpritAnswer
from gatekeep.model.evidence import Evidence
from gatekeep.model.history import Sweep, TurnRecord
from gatekeep.model.matrix import Matrix
from gatekeep.model.verdict import Decision, Reason, Rule
from gatekeep.model.waiver import WaiverUse

#: What makes a sweep end in "blocked": there is no image that could be flashed.
GRAVE = frozenset({Rule.BROKEN, Rule.OUTGROWN, Rule.TIMED_OUT})


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepFindings:
    """
    What differs from the sweep before.

    `reasons` are what is new: broken, outgrown, timed out, in its reserve, warnings; their `commit_id` is the culprit,
    None where it is not known. `standing` was so before. `undecided` is the machine's fault. All are grouped by cause.
    `mended` targets are well again, `gone` ones are in the matrix no more; both sorted. `turns` says the same by
    target, sorted by it. `waived` is what a waiver excuses, new or not; it is in none of the others. `waivers` are all
    that the swept commit has. `known_before` says whether there was anything to compare with.
    """

    reasons: tuple[Reason, ...]
    standing: tuple[Reason, ...]
    undecided: tuple[Reason, ...]
    mended: tuple[str, ...]
    gone: tuple[str, ...]
    turns: tuple[TurnRecord, ...]
    known_before: bool
    waived: tuple[Reason, ...] = ()
    waivers: tuple[WaiverUse, ...] = ()

    def count_targets(self, *rules: Rule) -> int:
        """Count the targets of what is new by these rules."""
        return len({name for reason in self.reasons if reason.rule in rules for name in reason.targets})


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepReport:
    """
    A sweep with all that it rests on; what every report of it is made from.

    `change` runs from the commit that was compared with (the swept one itself where there was none) to the swept one;
    its `commits` are the culprits and the swept commit, in no promised order. `evidence` has what is known of every
    target of `matrix`, in its order. `built_count` targets were built in this run, `known_count` in an earlier run of
    the same sweep. `audit` holds what the gates had carried to this tree against the clean builds. `culprits` are the
    searches that were made, sorted by target. `remarks` are sentences about the sweep itself. `judged_on` is the day in
    UTC by which waivers are in force or ended.
    """

    sweep: Sweep
    change: Change
    matrix: Matrix
    findings: SweepFindings
    evidence: tuple[Evidence, ...]
    audit: Audit
    built_count: int
    known_count: int
    judged_on: date
    culprits: tuple[CulpritAnswer, ...] = ()
    remarks: tuple[str, ...] = ()

    @property
    def commit(self) -> Commit:
        """The swept commit."""
        return self.change.head

    @property
    def decision(self) -> Decision:
        """Block when a target is newly without a good image; else undecided when anything is; else pass."""
        if any(reason.rule in GRAVE for reason in self.findings.reasons):
            return Decision.BLOCK
        if self.findings.undecided or self.audit.select(Standing.MISMATCH) or self.audit.select(Standing.NOT_DECIDED):
            return Decision.UNDECIDED
        return Decision.PASS
