"""Verdicts where the base has moved on since the change left its history, and where two changes are merged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import pytest

from gatekeep.judge.case import Case
from gatekeep.judge.verdict import judge, sort_evidence
from gatekeep.model.change import Change, Commit, Conflict, FileLines, Hunk, LineMap
from gatekeep.model.evidence import NotDecided, Outcome
from gatekeep.model.matrix import Matrix, Rules, RuleStrength
from gatekeep.model.verdict import Decision, Reason, Rule, Verdict
from tests.cases import BASE, TODAY, broken, built, make_commit, make_evidence, make_matrix, warning

FORK = make_commit(10, "Where the change began")
FIRST, SECOND = make_commit(2), make_commit(3)
MERGED = make_commit(12, "The merge")
VALE, NESS = "riscv64/vale", "loongarch64/ness"
SMALL = make_matrix((VALE,), rules=Rules(new_warnings=RuleStrength.BLOCK))
LARGE = make_matrix((VALE, NESS), rules=Rules(new_warnings=RuleStrength.BLOCK))
WARNING = warning()


def make_case(
    outcomes: Mapping[tuple[Commit, str], Outcome] | None = None,
    *,
    merge: Commit | Conflict | None = MERGED,
    matrices: Mapping[Commit, Matrix] | None = None,
    warned: tuple[Commit, ...] = (),
    line_maps: Mapping[str, LineMap] | None = None,
    paths: Mapping[str, tuple[str, ...]] | None = None,
) -> Case:
    """FORK is an ancestor of BASE, the change FIRST, SECOND stands on it."""
    change = Change(
        base=BASE,
        head=SECOND,
        commits=(FIRST, SECOND),
        commit_count=2,
        forks={FIRST.commit_id: FORK, SECOND.commit_id: FORK},
        merge=merge,
    )
    by_tree = {commit.tree_id: (matrices or {}).get(commit, SMALL) for commit in change.iter_trees()}
    return Case(
        change=change,
        matrices=by_tree,
        judged_on=TODAY,
        evidence={
            (commit.tree_id, target.name): make_evidence(
                commit,
                target.name,
                (outcomes or {}).get((commit, target.name)),
                (WARNING,) if commit in warned else (),
            )
            for commit in change.iter_trees()
            for target in by_tree[commit.tree_id].targets
        },
        line_maps=line_maps or {},
        paths=paths or {},
    )


def only(verdict: Verdict) -> Reason:
    assert len(verdict.reasons) == 1, verdict.reasons
    return verdict.reasons[0]


def test_everything_built_passes() -> None:
    assert judge(make_case()).decision is Decision.PASS


def test_what_only_the_merge_breaks_blocks_at_the_merge() -> None:
    reason = only(judge(make_case({(MERGED, VALE): broken()})))
    assert (reason.rule, reason.commit_id, reason.targets) == (Rule.BROKEN, MERGED.commit_id, (VALE,))


def test_what_a_commit_breaks_is_told_once_although_the_merge_has_it_too() -> None:
    outcomes = {(commit, VALE): broken() for commit in (FIRST, SECOND, MERGED)}
    assert only(judge(make_case(outcomes))).commit_id == FIRST.commit_id


def test_what_a_commit_breaks_and_the_merge_hides_still_blocks() -> None:
    reason = only(judge(make_case({(commit, VALE): broken() for commit in (FIRST, SECOND)})))
    assert reason.details == ("gone in the merge onto 1111111111, but every commit of a change must hold",)


def test_what_was_broken_where_the_change_began_and_the_base_has_mended_does_not_block() -> None:
    verdict = judge(make_case({(commit, VALE): broken() for commit in (FORK, FIRST, SECOND)}))
    assert verdict.decision is Decision.PASS
    assert (
        verdict.notices[0].message == "a pointer is cut to 32 bits (so at aaaaaaaaaa already, where the change began)"
    )


def test_what_the_base_has_mended_must_stay_mended_in_the_merge() -> None:
    outcomes = {(commit, VALE): broken() for commit in (FORK, FIRST, SECOND, MERGED)}
    assert only(judge(make_case(outcomes))).commit_id == MERGED.commit_id


def test_what_the_base_broke_meanwhile_is_not_the_changes_doing() -> None:
    verdict = judge(make_case({(BASE, VALE): broken(), (MERGED, VALE): broken()}))
    assert verdict.decision is Decision.PASS
    assert [notice.message for notice in verdict.notices] == ["a pointer is cut to 32 bits (so at the base already)"]


def test_a_target_that_the_base_gained_meanwhile_is_not_dropped_by_commits_that_cannot_know_it() -> None:
    assert judge(make_case(matrices={BASE: LARGE, MERGED: LARGE})).decision is Decision.PASS
    reason = only(judge(make_case(matrices={BASE: LARGE})))
    assert (reason.rule, reason.commit_id, reason.targets) == (Rule.DROPPED_TARGET, MERGED.commit_id, (NESS,))


def test_a_target_that_the_base_gave_up_meanwhile_is_not_asked_of_the_merge() -> None:
    case = make_case(matrices={FORK: LARGE, FIRST: LARGE, SECOND: LARGE})
    assert judge(case).decision is Decision.PASS


def test_a_target_that_a_commit_drops_is_dropped_although_the_merge_has_it() -> None:
    every = dict.fromkeys((FORK, BASE, SECOND, MERGED), LARGE)
    reason = only(judge(make_case(matrices=every)))
    assert (reason.rule, reason.commit_id, reason.targets) == (Rule.DROPPED_TARGET, FIRST.commit_id, (NESS,))


def test_a_matrix_is_looser_than_the_one_where_the_change_began_or_in_the_merge_than_the_bases() -> None:
    lax = make_matrix((VALE,), rules=Rules(new_warnings=RuleStrength.REPORT))
    tightened_meanwhile = make_case(matrices={FORK: lax, FIRST: lax, SECOND: lax})
    assert judge(tightened_meanwhile).decision is Decision.PASS
    taken_back = make_case(matrices={FORK: lax, FIRST: lax, SECOND: lax, MERGED: lax})
    reason = only(judge(taken_back))
    assert (reason.rule, reason.commit_id) == (Rule.LOOSENED, MERGED.commit_id)
    loosened = make_case(matrices={FIRST: lax, SECOND: lax, MERGED: lax})
    assert only(judge(loosened)).commit_id == FIRST.commit_id


def test_a_warning_that_the_base_lost_meanwhile_is_not_new_in_the_change() -> None:
    assert judge(make_case(warned=(FORK, FIRST, SECOND))).decision is Decision.PASS


def test_a_warning_of_the_merge_is_new_against_the_base() -> None:
    reason = only(judge(make_case(warned=(MERGED,))))
    assert (reason.rule, reason.commit_id) == (Rule.NEW_WARNING, MERGED.commit_id)
    since = only(judge(make_case(warned=(SECOND, MERGED))))
    assert since.commit_id == SECOND.commit_id


def test_lines_move_differently_to_a_commit_and_to_the_merge() -> None:
    moved = LineMap(
        files={
            "include/lamp.h": FileLines(
                old_path="include/lamp.h",
                new_path="include/lamp.h",
                hunks=(Hunk(old_start=1, old_count=0, new_start=2, new_count=1),),
            )
        }
    )
    before = replace(WARNING, line=6)
    case = make_case(warned=(MERGED,), line_maps={MERGED.commit_id: moved})
    evidence = {**case.evidence, (BASE.tree_id, VALE): make_evidence(BASE, VALE, None, (before,))}
    assert judge(replace(case, evidence=evidence)).decision is Decision.PASS
    assert judge(replace(case, evidence=evidence, line_maps={})).decision is Decision.BLOCK


def test_sizes_are_those_of_the_merge_against_the_base() -> None:
    outcomes = {
        (FORK, VALE): built(100),
        (SECOND, VALE): built(150),
        (BASE, VALE): built(300),
        (MERGED, VALE): built(350),
    }
    (delta,) = judge(make_case(outcomes)).deltas
    assert (delta.base_used_bytes, delta.head_used_bytes) == (300, 350)


def test_growth_is_that_of_the_merge_and_named_at_the_commit_that_grew() -> None:
    limited = make_matrix((VALE,), rules=Rules(growth_per_change=(("main", 40),)))
    outcomes = {
        (FORK, VALE): built(100),
        (FIRST, VALE): built(110),
        (SECOND, VALE): built(150),
        (BASE, VALE): built(300),
        (MERGED, VALE): built(350),
    }
    reason = only(judge(make_case(outcomes, matrices=dict.fromkeys((FORK, BASE, FIRST, SECOND, MERGED), limited))))
    assert (reason.rule, reason.commit_id) == (Rule.GROWTH, SECOND.commit_id)


def test_a_board_that_is_unclaimed_where_the_change_began_is_not_its_doing() -> None:
    claiming = make_matrix((VALE,), claims=("boards/{board}/board.mk",))
    stray = ("boards/skua/board.mk",)
    matrices = dict.fromkeys((FORK, BASE, FIRST, SECOND, MERGED), claiming)
    old = {commit.tree_id: stray for commit in (FORK, FIRST, SECOND)}
    assert judge(make_case(matrices=matrices, paths=old)).decision is Decision.PASS
    brought_back = judge(make_case(matrices=matrices, paths={**old, MERGED.tree_id: stray}))
    assert (only(brought_back).rule, only(brought_back).commit_id) == (Rule.UNCLAIMED_BOARD, MERGED.commit_id)


def test_where_nothing_could_be_decided_where_the_change_began_nothing_is() -> None:
    verdict = judge(make_case({(FORK, VALE): NotDecided(message="no disk")}))
    assert verdict.decision is Decision.UNDECIDED
    assert only(verdict).commit_id == FORK.commit_id


def test_a_conflict_blocks_with_its_files_and_the_commits_are_judged_all_the_same() -> None:
    case = make_case({(SECOND, VALE): broken()}, merge=Conflict(paths=("a.c", "b.c")))
    verdict = judge(case)
    assert verdict.decision is Decision.BLOCK
    assert [reason.rule for reason in verdict.reasons] == [Rule.BROKEN, Rule.CONFLICT]
    assert verdict.reasons[1] == Reason(
        rule=Rule.CONFLICT,
        commit_id=None,
        targets=(),
        whom="the change",
        message="cannot be merged onto 1111111111, where the base is now: 2 files in conflict; rebase it, or merge the "
        "base into it",
        details=("a.c", "b.c"),
    )
    many = judge(make_case(merge=Conflict(paths=tuple(f"{number:03}.c" for number in range(100)))))
    assert only(many).details[-1] == "and 88 more"


@pytest.mark.parametrize("same", [SECOND, FORK])
def test_a_merge_that_has_the_tree_of_another_commit_is_judged_against_the_base(same: Commit) -> None:
    """The base took another way to what the change has: one tree, listed once and compared twice."""
    merged = replace(MERGED, tree_id=same.tree_id)
    case = make_case({(same, VALE): broken()} if same == FORK else {}, merge=merged)
    assert len(sort_evidence(case)) == len({entry.tree_id for entry in sort_evidence(case)}) == 4
    if same == FORK:
        assert only(judge(case)).commit_id == MERGED.commit_id
    else:
        warned = make_case(warned=(FORK, FIRST, SECOND), merge=merged)
        assert only(judge(warned)).rule is Rule.NEW_WARNING


def test_a_merge_that_gives_the_base_has_nothing_to_land() -> None:
    case = make_case({(SECOND, VALE): built(900)}, merge=replace(MERGED, tree_id=BASE.tree_id))
    verdict = judge(case)
    assert (verdict.decision, verdict.deltas) == (Decision.PASS, ())


class TestNet:
    """Whatever lists a change wrongly: a tree that was not held against the base does not pass."""

    @staticmethod
    def judge(change: Change) -> Verdict:
        evidence = {(commit.tree_id, VALE): make_evidence(commit, VALE) for commit in change.iter_trees()}
        matrices = {commit.tree_id: SMALL for commit in (*change.iter_trees(), change.head)}
        return judge(Case(change=change, matrices=matrices, evidence=evidence, judged_on=TODAY))

    def test_what_lands_and_is_not_among_the_judged_is_undecided(self) -> None:
        for commits in ((), (FIRST,)):
            verdict = self.judge(Change(base=BASE, head=SECOND, commits=commits, commit_count=2))
            assert verdict.decision is Decision.UNDECIDED
            assert only(verdict) == Reason(
                rule=Rule.UNDECIDED,
                commit_id=None,
                targets=(),
                whom="the change",
                message="what would land was not held against the base, 1111111111",
                details=("rebase the change onto it; that this can happen is a fault of gatekeep",),
            )

    def test_what_lands_and_was_compared_with_a_fork_alone_is_undecided(self) -> None:
        forks = {SECOND.commit_id: FORK}
        change = Change(base=BASE, head=SECOND, commits=(FIRST, SECOND), commit_count=2, forks=forks)
        assert only(self.judge(change)).message == "what would land was not held against the base, 1111111111"
        again = replace(FIRST, tree_id=SECOND.tree_id)
        assert self.judge(replace(change, commits=(again, SECOND))).decision is Decision.UNDECIDED

    def test_what_lands_is_the_last_that_is_judged(self) -> None:
        change = Change(base=BASE, head=SECOND, commits=(SECOND, FIRST), commit_count=2)
        assert self.judge(change).decision is Decision.UNDECIDED
        assert self.judge(replace(change, commits=(FIRST, SECOND))).decision is Decision.PASS

    def test_a_fork_that_has_the_bases_tree_is_as_good(self) -> None:
        forks = {SECOND.commit_id: replace(FORK, tree_id=BASE.tree_id)}
        change = Change(base=BASE, head=SECOND, commits=(SECOND,), commit_count=1, forks=forks)
        assert self.judge(change).decision is Decision.PASS

    def test_what_leaves_the_tree_as_it_was_needs_nothing(self) -> None:
        head = replace(SECOND, tree_id=BASE.tree_id)
        assert self.judge(Change(base=BASE, head=head, commits=(), commit_count=1)).decision is Decision.PASS
