"""The sentences that reports share, and the order of what they list."""

from dataclasses import replace

import pytest

from gatekeep.model.verdict import Decision, Reason, RegionDelta, Rule
from gatekeep.report.wording import (
    choose_excerpt,
    commits_by_id,
    commits_by_tree,
    put_in_order,
    rank_deltas,
    say_reason,
    say_scope,
    say_share,
    say_verdict,
)
from tests import judgements
from tests.judgements import BASE, HEAD, RING, make_change, make_evidence, make_judgement, make_reason


def words_of(reason: Reason) -> str:
    change = make_change()
    return "".join(span.text for span in say_reason(reason, commits_by_id(change), change))


@pytest.mark.parametrize(
    ("reason", "words"),
    [
        (
            make_reason(),
            "every 64-bit target: a pointer is cut to 32 bits at drivers/uart.c:41, "
            "since commit 2222222222 (Add a ring buffer to the serial driver)",
        ),
        (make_reason(message="It fails. ", place="", commit_id=None, whom=""), "It fails"),
        (
            make_reason(Rule.DROPPED_TARGET, message="gone", commit_id="a" * 40),
            "loongarch64/noup, the only target of loongarch64: gone, since commit aaaaaaaaaa",
        ),
        (make_reason(Rule.BROKEN, message="m", place="", commit_id=BASE.commit_id), "every 64-bit target: m"),
        (
            make_reason(Rule.UNDECIDED, commit_id=BASE.commit_id),
            "mips/stack: toolchain bare-clang is missing, at the base 1111111111 (Trim the tide table)",
        ),
    ],
)
def test_reason_is_one_sentence(reason, words):
    assert words_of(reason) == words


@pytest.mark.parametrize(
    ("used", "capacity", "words"),
    [
        (0, 65536, "0.0 %"),
        (65535, 65536, "99.9 %"),
        (65536, 65536, "100.0 %"),
        (65537, 65536, "100.1 %"),
        (841, 1000, "84.1 %"),
        (5, 0, "no capacity"),
    ],
)
def test_share_never_rounds_across_the_limit(used, capacity, words):
    assert say_share(used, capacity) == words


def test_verdict_counts_what_blocks_apart_from_what_is_undecided():
    broken, missing = make_reason(), make_reason(Rule.UNDECIDED)
    assert say_verdict(make_judgement().verdict) == "pass"
    assert say_verdict(make_judgement(broken, broken).verdict) == "block, 2 reasons"
    assert say_verdict(make_judgement(broken, missing).verdict) == "block, 1 reason, 1 more undecided"
    undecided = make_judgement(missing, missing, decision=Decision.UNDECIDED)
    assert say_verdict(undecided.verdict) == "undecided, 2 reasons"


def test_scope_tells_commits_that_change_the_tree_from_those_that_do_not():
    one = make_change(RING, commit_count=3)
    assert say_scope(make_judgement(change=one, evidence=(make_evidence(),), reused_count=0)) == (
        "3 commits (1 changes the tree), 1 target: 1 built now, 0 carried, 0 known before"
    )


def test_order_puts_what_nobody_knows_last():
    stranger = replace(make_evidence("zz/new", HEAD), tree_id="f" * 40)
    new_target = make_evidence("aa/new", RING)
    known = make_evidence("loongarch64/noup", RING)
    base = make_evidence("loongarch64/noup", BASE)
    ordered = put_in_order(make_judgement(evidence=(stranger, new_target, known, base)))
    assert ordered.evidence == (base, known, new_target, stranger)


def test_order_leaves_what_the_judge_sorted():
    judged = judgements.blocked()
    assert put_in_order(judged) == judged


def test_tree_belongs_to_the_first_commit_that_has_it():
    revert = replace(HEAD, tree_id=BASE.tree_id)
    assert commits_by_tree(make_change(RING, revert))[BASE.tree_id] == BASE


def test_deltas_are_ranked_by_share_of_capacity():
    def delta(target: str, grown: int, capacity: int) -> RegionDelta:
        return RegionDelta(target=target, region="r", base_used_bytes=0, head_used_bytes=grown, capacity_bytes=capacity)

    small, large, same, none = delta("a", 10, 1000), delta("b", 9, 90), delta("a", 9, 90), delta("c", 1, 0)
    assert rank_deltas((small, large, same, none)) == (none, same, large, small)


def test_excerpt_drops_empty_ends():
    assert choose_excerpt(make_reason(excerpt=("", " ", "a", "", "b", "")), 8) == (("a", "", "b"), 0)
    assert choose_excerpt(make_reason(excerpt=("", "")), 8) == ((), 0)
