"""Builds that print more than is read of them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from gatekeep.judge.verdict import judge
from gatekeep.model.evidence import Outcome
from gatekeep.model.matrix import Rules, RuleStrength
from gatekeep.model.readset import Carried
from gatekeep.model.verdict import Decision, Rule
from tests.cases import BASE, broken, built, make_case, make_commit, make_evidence, make_matrix, outgrown, warning

VALE = "riscv64/vale"
BLOCK = make_matrix((VALE,), rules=Rules(new_warnings=RuleStrength.BLOCK))
REPORT = make_matrix((VALE,), rules=Rules(new_warnings=RuleStrength.REPORT))
CUT = replace(make_evidence(make_commit(2), VALE), log_cut=True, log_path="logs/2/vale.log")


def test_a_build_of_which_not_all_was_read_is_undecided_where_new_warnings_block() -> None:
    verdict = judge(make_case(outcomes={(1, VALE): CUT}, matrix=BLOCK))
    assert verdict.decision is Decision.UNDECIDED
    (reason,) = verdict.reasons
    assert (reason.rule, reason.targets, reason.commit_id) == (Rule.UNDECIDED, (VALE,), make_commit(2).commit_id)
    assert reason.log_paths == ("logs/2/vale.log",)
    assert "raise the recipe's log_limit" in reason.details[0]
    assert judge(make_case(outcomes={(1, VALE): CUT}, matrix=REPORT)).decision is Decision.PASS


def test_what_was_carried_from_the_bases_build_has_nothing_new() -> None:
    base = replace(CUT, tree_id=BASE.tree_id)
    carried = replace(CUT, carried=Carried(tree_id=BASE.tree_id, commit_id=BASE.commit_id))
    assert judge(make_case(outcomes={(0, VALE): base, (1, VALE): carried}, matrix=BLOCK)).decision is Decision.PASS
    both = judge(make_case(outcomes={(0, VALE): base, (1, VALE): CUT}, matrix=BLOCK))
    assert both.decision is Decision.UNDECIDED


def test_only_what_would_land_is_asked() -> None:
    assert judge(make_case(2, outcomes={(1, VALE): CUT}, matrix=BLOCK)).decision is Decision.PASS


@pytest.mark.parametrize(
    ("base", "head", "decision"),
    [
        (broken(), built(), Decision.PASS),
        (built(), broken(), Decision.BLOCK),
        (built(), outgrown(), Decision.BLOCK),
        (outgrown(), outgrown(), Decision.UNDECIDED),
    ],
)
def test_where_there_is_nothing_to_compare_nothing_is_unseen(base: Outcome, head: Outcome, decision: Decision) -> None:
    case = make_case(outcomes={(0, VALE): base, (1, VALE): replace(CUT, outcome=head)}, matrix=BLOCK)
    assert judge(case).decision is decision


def test_where_only_the_bases_build_was_not_read_a_warning_counts_as_new_and_says_so() -> None:
    """So a log limit can be raised, and nothing hides behind the one that was too low."""
    cut, warned = {(0, VALE): CUT}, {(1, VALE): (warning(),)}
    assert judge(make_case(outcomes=cut, matrix=BLOCK)).decision is Decision.PASS
    (reason,) = judge(make_case(outcomes=cut, warnings=warned, matrix=BLOCK)).reasons
    assert reason.rule is Rule.NEW_WARNING
    assert reason.details == ("it may have been there before: not all was read of what the build printed at the base",)
