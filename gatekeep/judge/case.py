"""
What the judge is given: everything that a verdict rests on, gathered before it is asked.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import date

from gatekeep.model.approval import ApprovalCheck
from gatekeep.model.change import Change, Commit, Conflict, LineMap
from gatekeep.model.evidence import Evidence
from gatekeep.model.matrix import Matrix, Rules, Target
from gatekeep.model.waiver import Waiver


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """
    One change with its evidence.

    `matrices` gives the matrix by tree id and always has the base's; a tree whose matrix file is wrong is missing there
    and has its message in `matrix_errors`, and its targets are the base's. `evidence` is keyed by (tree id, target
    name). `line_maps` leads, by commit id, from what a judged commit is compared with to its own tree; a missing one
    counts as "nothing moved". `paths` lists the files of each tree. `waivers` are those of each tree's own file; a tree
    whose file is wrong is missing there and has its message in `waiver_errors`. `judged_on` is the day, in UTC, that
    decides which of the base's are in force. `approvals` are those that were found for the change, good or not; one
    that counts approves all that the change loosens, since its text lists it all. `prebuilt` gives, by (tree id, target
    name), the file of the tree that a target's measured file is, byte for byte, where the change made it so.
    """

    change: Change
    matrices: Mapping[str, Matrix]
    evidence: Mapping[tuple[str, str], Evidence]
    judged_on: date
    line_maps: Mapping[str, LineMap] = field(default_factory=dict)
    paths: Mapping[str, Collection[str]] = field(default_factory=dict)
    matrix_errors: Mapping[str, str] = field(default_factory=dict)
    waivers: Mapping[str, tuple[Waiver, ...]] = field(default_factory=dict)
    waiver_errors: Mapping[str, str] = field(default_factory=dict)
    approvals: tuple[ApprovalCheck, ...] = ()
    prebuilt: Mapping[tuple[str, str], str] = field(default_factory=dict)

    @property
    def base_matrix(self) -> Matrix:
        """The matrix that judges."""
        return self.matrices[self.change.base.tree_id]

    @property
    def approved_by(self) -> tuple[str, ...]:
        """Who approves what the change loosens, by name; empty when nobody does."""
        return tuple(sorted({check.approver for check in self.approvals if check.approver is not None}))

    @property
    def rules(self) -> Rules:
        """The rules that count: the base's, or what somebody approved in their place."""
        return self.matrix_of(self.change.landing).rules if self.approved_by else self.base_matrix.rules

    @property
    def counted_waivers(self) -> tuple[Waiver, ...]:
        """The waivers that count: the base's, and those that somebody approved with the change."""
        approved = self.waivers_of(self.change.landing) if self.approved_by else ()
        return tuple(dict.fromkeys((*self.base_waivers, *approved)))

    @property
    def base_waivers(self) -> tuple[Waiver, ...]:
        """What the base's file grants."""
        return self.waivers.get(self.change.base.tree_id, ())

    def waivers_of(self, commit: Commit) -> tuple[Waiver, ...]:
        """What a commit's own file grants; nothing where it is wrong."""
        return self.waivers.get(commit.tree_id, ())

    def matrix_of(self, commit: Commit) -> Matrix:
        """The matrix whose targets are built at this commit: its own, or the base's where its own is wrong."""
        return self.matrices.get(commit.tree_id, self.base_matrix)

    def evidence_of(self, commit: Commit, target: str) -> Evidence | None:
        """What is known of a target at a commit; None when nothing is."""
        return self.evidence.get((commit.tree_id, target))

    def matrix_before(self, commit: Commit) -> Matrix:
        """The matrix that a commit is held against: that of what it is compared with."""
        return self.matrix_of(self.change.base_of(commit))

    def evidence_before(self, commit: Commit, target: str) -> Evidence | None:
        """What is known of a target where the commit's history begins; None for a target that is not there."""
        return self.evidence_of(self.change.base_of(commit), target)

    def line_map_to(self, commit: Commit) -> LineMap:
        """The way to this commit's lines from those of what it is compared with."""
        return self.line_maps.get(commit.commit_id, LineMap())

    def judged_targets(self) -> tuple[Target, ...]:
        """Every target of the base and of the change's commits, once, in the order of first mention."""
        seen: dict[str, Target] = {}
        for commit in self.change.iter_trees():
            for target in self.matrix_of(commit).targets:
                seen.setdefault(target.name, target)
        return tuple(seen.values())

    def landing(self) -> Commit | None:
        """
        What would land, as it is judged: the last of all, and held against the base itself.

        Where nothing can land for a conflict, it is the head, held against where it left the base's history. None when
        the change ends where the base is, and where what would land is not judged: `is_landing_unjudged` tells.
        """
        change = self.change
        last = change.judged[-1] if change.judged else None
        if last is None or last.tree_id != change.landing.tree_id:
            return None
        is_held = isinstance(change.merge, Conflict) or change.base_of(last).tree_id == change.base.tree_id
        return last if is_held else None

    @property
    def is_landing_unjudged(self) -> bool:
        """Whether another tree than the base's would land, and was not held against the base."""
        change = self.change
        if isinstance(change.merge, Conflict) or change.landing.tree_id == change.base.tree_id:
            return False
        return self.landing() is None
