"""What waivers excuse, for how long, and that none outlives its last day."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from gatekeep.judge.verdict import judge
from gatekeep.model.matrix import Rules, RuleStrength
from gatekeep.model.verdict import Decision, Rule
from gatekeep.model.waiver import WaiverStanding
from tests.cases import TODAY, broken, built, make_case, make_commit, make_matrix, make_waiver, outgrown, warning

WAIVER = make_waiver(Rule.BROKEN, "arm/mere", "mips/holm")
ENDED = make_waiver(Rule.BROKEN, "arm/mere", until=TODAY - timedelta(days=1))
WORDS = "waived until 2026-06-30 by lough-part: the new part comes in June (Isa Thorne)"


def test_a_waived_fault_does_not_block_and_is_shown_with_its_waiver() -> None:
    verdict = judge(make_case(outcomes={(1, "arm/mere"): broken()}, waivers=(WAIVER,)))
    assert verdict.decision is Decision.PASS
    assert (verdict.reasons, verdict.notices) == ((), ())
    (waived,) = verdict.waived
    assert (waived.rule, waived.targets, waived.blocks, waived.waiver) == (
        Rule.BROKEN,
        ("arm/mere",),
        False,
        "lough-part",
    )
    assert waived.details == (WORDS,)
    assert [(use.standing, use.days_left) for use in verdict.waivers] == [(WaiverStanding.USED, 29)]


def test_one_cause_is_parted_into_what_is_waived_and_what_blocks() -> None:
    names = ("arm/mere", "riscv64/vale")
    verdict = judge(make_case(outcomes={(1, name): broken() for name in names}, waivers=(WAIVER,)))
    assert verdict.decision is Decision.BLOCK
    assert [reason.targets for reason in verdict.reasons] == [("riscv64/vale",)]
    assert [reason.targets for reason in verdict.waived] == [("arm/mere",)]


def test_another_rule_and_another_target_are_not_waived() -> None:
    case = make_case(outcomes={(1, "arm/mere"): outgrown(), (1, "riscv64/vale"): broken()}, waivers=(WAIVER,))
    verdict = judge(case)
    assert [reason.rule for reason in verdict.reasons] == [Rule.BROKEN, Rule.OUTGROWN]
    assert verdict.waived == ()


@pytest.mark.parametrize("name", ["main", "MAIN", "NOR_64", "nor-64"])
def test_a_linker_that_names_a_region_of_the_target_is_waived(name: str) -> None:
    waiver = make_waiver(Rule.OUTGROWN, "arm/mere")
    case = make_case(outcomes={(1, "arm/mere"): outgrown(4, name)}, waivers=(waiver,))
    assert judge(case).decision is Decision.PASS


def test_a_line_about_a_region_that_the_target_has_not_is_not_waived() -> None:
    """Any command can print it and end: nothing was measured that the waiver could mean."""
    waiver = make_waiver(Rule.OUTGROWN, "arm/mere")
    verdict = judge(make_case(outcomes={(1, "arm/mere"): outgrown(4)}, waivers=(waiver,)))
    assert (verdict.decision, verdict.waived) == (Decision.BLOCK, ())
    assert verdict.reasons[0].details[-1] == (
        "lough-part does not waive it: nothing was measured, and the matrix knows no such region; name it as the "
        "linker script does"
    )
    measured = replace(outgrown(4), footprint=built(1004).footprint)
    assert judge(make_case(outcomes={(1, "arm/mere"): measured}, waivers=(waiver,))).decision is Decision.PASS
    before = {(0, "arm/mere"): outgrown(4)}
    assert judge(make_case(outcomes={**before, (1, "arm/mere"): outgrown(4)}, waivers=(waiver,))).waived


def test_what_could_not_be_judged_is_never_waived() -> None:
    case = make_case(waivers=(WAIVER,))
    evidence = {key: value for key, value in case.evidence.items() if key != (make_commit(2).tree_id, "arm/mere")}
    verdict = judge(type(case)(change=case.change, matrices=case.matrices, evidence=evidence, judged_on=TODAY))
    assert verdict.decision is Decision.UNDECIDED


def test_the_first_and_the_last_day_count_and_those_around_them_do_not() -> None:
    for day, decision in (
        (date(2026, 4, 30), Decision.BLOCK),
        (date(2026, 5, 1), Decision.PASS),
        (date(2026, 6, 30), Decision.PASS),
        (date(2026, 7, 1), Decision.BLOCK),
    ):
        case = make_case(outcomes={(1, "arm/mere"): broken()}, waivers=(WAIVER,), judged_on=day)
        assert judge(case).decision is decision, day


def test_a_waiver_that_the_change_itself_adds_excuses_nothing() -> None:
    verdict = judge(make_case(outcomes={(1, "arm/mere"): broken()}, waivers={1: (WAIVER,)}))
    assert [reason.rule for reason in verdict.reasons] == [Rule.BROKEN, Rule.LOOSENED]
    assert verdict.reasons[1].message == (
        "rule broken is waived from 2026-05-01 to 2026-06-30, and was not waived; a change cannot loosen its own gate"
    )
    assert verdict.reasons[1].whom == "the waiver lough-part of arm/mere and mips/holm"
    assert verdict.reasons[1].place == "waivers.yml:3"


def test_an_ended_waiver_no_longer_excuses_what_landed_under_it() -> None:
    verdict = judge(make_case(outcomes={(n, "arm/mere"): broken() for n in (0, 1)}, waivers=(ENDED,)))
    (reason,) = verdict.reasons
    assert reason.message == "a pointer is cut to 32 bits (so at the base already)"
    assert reason.details == ("the waiver lough-part ended on 2026-05-31",)
    assert reason.waiver == "lough-part"
    assert [use.standing for use in verdict.waivers] == [WaiverStanding.ENDED]


def test_a_change_that_mends_what_an_ended_waiver_excused_passes_also_with_its_last_commit() -> None:
    for count, faulty in ((1, (0,)), (2, (0, 1))):
        case = make_case(count, outcomes={(n, "arm/mere"): broken() for n in faulty}, waivers=(ENDED,))
        assert judge(case).decision is Decision.PASS


def test_without_a_waiver_what_was_so_at_the_base_is_excused_as_ever() -> None:
    verdict = judge(make_case(outcomes={(n, "arm/mere"): broken() for n in (0, 1)}))
    assert (verdict.decision, len(verdict.notices)) == (Decision.PASS, 1)


def test_a_waiver_in_force_is_named_for_what_landed_under_it() -> None:
    verdict = judge(make_case(outcomes={(n, "arm/mere"): broken() for n in (0, 1)}, waivers=(WAIVER,)))
    assert (verdict.decision, verdict.notices) == (Decision.PASS, ())
    assert [reason.details for reason in verdict.waived] == [(WORDS,)]


def test_a_waiver_cannot_be_taken_away_while_what_it_excuses_still_stands() -> None:
    """Or the fault would be at the base with no waiver left to end."""
    faulty = {(n, "arm/mere"): broken() for n in (0, 1)}
    shorter = make_waiver(Rule.BROKEN, "arm/mere", until=TODAY - timedelta(days=1))
    narrower = make_waiver(Rule.BROKEN, "mips/holm")
    for after in ((), (shorter,), (narrower,)):
        verdict = judge(make_case(outcomes=faulty, waivers={0: (WAIVER,), 1: after}))
        (reason,) = verdict.reasons
        assert reason.details == ("the change takes the waiver lough-part away, and what it excuses still stands",)


def test_a_waiver_can_be_taken_away_with_what_it_excuses() -> None:
    case = make_case(outcomes={(0, "arm/mere"): broken()}, waivers={0: (WAIVER,)})
    assert judge(case).decision is Decision.PASS


def test_a_waiver_cannot_be_taken_away_and_given_back_within_a_change_to_no_end() -> None:
    faulty = {(n, "arm/mere"): broken() for n in (0, 1, 2)}
    verdict = judge(make_case(2, outcomes=faulty, waivers={0: (WAIVER,), 2: (WAIVER,)}))
    assert verdict.decision is Decision.PASS


def test_of_several_waivers_the_one_that_ends_last_counts() -> None:
    later = make_waiver(Rule.BROKEN, "arm/mere", name="later", until=date(2026, 7, 1))
    verdict = judge(make_case(outcomes={(1, "arm/mere"): broken()}, waivers=(later, WAIVER, ENDED)))
    assert [reason.waiver for reason in verdict.waived] == ["later"]


def test_a_new_warning_can_be_waived_for_some_of_its_targets_and_is_one_warning() -> None:
    matrix = make_matrix(rules=Rules(new_warnings=RuleStrength.BLOCK))
    names = ("arm/mere", "riscv64/vale")
    case = make_case(
        matrix=matrix,
        warnings={(1, name): (warning(),) for name in names},
        waivers=(make_waiver(Rule.NEW_WARNING, "arm/mere"),),
    )
    verdict = judge(case)
    assert [reason.targets for reason in verdict.reasons] == [("riscv64/vale",)]
    assert [reason.targets for reason in verdict.waived] == [("arm/mere",)]
    assert verdict.new_warning_count == 1


def test_growth_can_be_waived() -> None:
    matrix = make_matrix(rules=Rules(growth_per_change=(("main", 10),)))
    case = make_case(
        matrix=matrix,
        outcomes={(1, "arm/mere"): built(600)},
        waivers=(make_waiver(Rule.GROWTH, "arm/mere"),),
    )
    verdict = judge(case)
    assert (verdict.decision, [reason.rule for reason in verdict.waived]) == (Decision.PASS, [Rule.GROWTH])


def test_unused_coming_and_nearly_ended_waivers_are_told_apart() -> None:
    waivers = (
        make_waiver(name="unused"),
        make_waiver(name="soon", until=TODAY + timedelta(days=7)),
        make_waiver(name="coming", since=TODAY + timedelta(days=1), until=TODAY + timedelta(days=2)),
        make_waiver(name="ended", until=TODAY - timedelta(days=1)),
    )
    uses = judge(make_case(waivers=waivers)).waivers
    assert [(use.waiver.name, use.standing.value, use.ends_soon, use.days_left) for use in uses] == [
        ("unused", "unused", False, 29),
        ("soon", "unused", True, 7),
        ("coming", "to come", False, 2),
        ("ended", "ended", False, -1),
    ]


def test_a_wrong_file_of_waivers_blocks_at_its_commit() -> None:
    verdict = judge(make_case(2, waiver_errors={1: "waivers.yml:9:12: ends before it begins (2026-05-01)"}))
    (reason,) = verdict.reasons
    assert (reason.rule, reason.whom, reason.commit_id) == (Rule.MATRIX, "the waivers", make_commit(2).commit_id)
