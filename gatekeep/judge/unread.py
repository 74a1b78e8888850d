"""
New warnings that nobody can have seen: of builds that print more than is read of them.

So much is printed by a makefile that wants to hide a warning, and by none that is in order; undecided, which is never a
pass. A base whose own build printed too much hides nothing: what is missing there only makes more of a change's
warnings new.
"""

from __future__ import annotations

from collections.abc import Iterator

from gatekeep.judge.case import Case
from gatekeep.judge.wording import describe_targets
from gatekeep.model.change import Commit
from gatekeep.model.evidence import Built, Evidence, Outgrown
from gatekeep.model.matrix import RuleStrength
from gatekeep.model.verdict import Reason, Rule


def list_unread(case: Case) -> Iterator[Reason]:
    """Give a reason, at what would land, with all targets whose new warnings may be unseen; none where none block."""
    head = case.landing()
    if head is None or case.rules.new_warnings is not RuleStrength.BLOCK:
        return
    matrix = case.matrix_of(head)
    found = {target.name: case.evidence_of(head, target.name) for target in matrix.targets}
    hiding = {name: one for name, one in found.items() if one is not None and _may_hide(case, head, one)}
    if hiding:
        yield Reason(
            rule=Rule.UNDECIDED,
            commit_id=head.commit_id,
            targets=tuple(sorted(hiding)),
            whom=describe_targets(hiding.keys(), matrix),
            message="printed more than is read of a build, so that a new warning may be unseen",
            details=(
                "let it print less, or raise the recipe's log_limit, up to which all is read; of distinct warnings "
                "10,000 count: mend some, or have the base's rules say new_warnings: report",
            ),
            log_paths=tuple(one.log_path for _, one in sorted(hiding.items()) if one.log_path is not None),
        )


def _may_hide(case: Case, commit: Commit, evidence: Evidence) -> bool:
    if not evidence.log_cut or not isinstance(evidence.outcome, Built | Outgrown):
        return False
    base = case.evidence_before(commit, evidence.target)
    if base is None:
        return True
    # Broken before: there is nothing to compare with. Carried from the same build: nothing is new.
    return isinstance(base.outcome, Built | Outgrown) and _build_of(base) != _build_of(evidence)


def _build_of(evidence: Evidence) -> tuple[str, str]:
    return (evidence.carried.tree_id if evidence.carried is not None else evidence.tree_id, evidence.key)
