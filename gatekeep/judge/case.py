"""
What the judge is given: everything that a verdict rests on, gathered before it is asked.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from gatekeep.model.change import Change, Commit, LineMap
from gatekeep.model.evidence import Evidence
from gatekeep.model.matrix import Matrix, Target


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """
    One change with its evidence.

    `matrices` gives the matrix by tree id and always has the base's; a tree whose matrix file is wrong is missing there
    and has its message in `matrix_errors`, and its targets are the base's. `evidence` is keyed by (tree id, target
    name). `line_maps` leads from the base to each judged tree; a missing one counts as "nothing moved". `paths` lists
    the files of each
    """

    change: Change
    matrices: Mapping[str, Matrix]
    evidence: Mapping[tuple[str, str], Evidence]
    line_maps: Mapping[str, LineMap] = field(default_factory=dict)
    paths: Mapping[str, Collection[str]] = field(default_factory=dict)
    matrix_errors: Mapping[str, str] = field(default_factory=dict)

    @property
    def base_matrix(self) -> Matrix:
        """The matrix that judges."""
        return self.matrices[self.change.base.tree_id]

    def matrix_of(self, commit: Commit) -> Matrix:
        """The matrix whose targets are built at this commit: its own, or the base's where its own is wrong."""
        return self.matrices.get(commit.tree_id, self.base_matrix)

    def evidence_of(self, commit: Commit, target: str) -> Evidence | None:
        """What is known of a target at a commit; None when nothing is."""
        return self.evidence.get((commit.tree_id, target))

    def base_evidence_of(self, target: str) -> Evidence | None:
        """What is known of a target at the base; None for a target that the base does not have."""
        return self.evidence.get((self.change.base.tree_id, target))

    def line_map_to(self, commit: Commit) -> LineMap:
        """The way from the base's lines to this commit's."""
        return self.line_maps.get(commit.tree_id, LineMap())

    def judged_targets(self) -> tuple[Target, ...]:
        """Every target of the base and of the change's commits, once, in the order of first mention."""
        seen: dict[str, Target] = {target.name: target for target in self.base_matrix.targets}
        for commit in self.change.commits:
            for target in self.matrix_of(commit).targets:
                seen.setdefault(target.name, target)
        return tuple(seen.values())
