"""A sweep held against the one before: what is new, what is as it was, and how much may be said of who did it."""

from __future__ import annotations

from dataclasses import replace

from gatekeep.judge.sweep import SweepCase, judge_sweep, list_suspicious, share_answers
from gatekeep.model.culprit import Conclusion, CulpritAnswer, CulpritStanding
from gatekeep.model.evidence import (
    Diagnostic,
    Evidence,
    NotDecided,
    Outcome,
    Severity,
    Speaker,
    TimedOut,
    name_outcome,
)
from gatekeep.model.history import LastKnown, Turn
from gatekeep.model.verdict import Rule
from gatekeep.model.waiver import Waiver
from tests.cases import TODAY, broken, built, make_commit, make_evidence, make_matrix, make_waiver, outgrown, warning

MATRIX = make_matrix()
NAMES = tuple(target.name for target in MATRIX.targets)
GOOD, CULPRIT, HEAD = (make_commit(number) for number in (1, 2, 9))


def at_head(name: str, outcome: Outcome, *diagnostics: Diagnostic) -> Evidence:
    return make_evidence(HEAD, name, outcome, diagnostics)


def last_known(name: str, outcome: Outcome, *diagnostics: Diagnostic) -> LastKnown:
    return LastKnown(
        sweep_id=1,
        commit_id=GOOD.commit_id,
        tree_id=GOOD.tree_id,
        outcome=name_outcome(outcome),
        evidence=make_evidence(GOOD, name, outcome, diagnostics),
    )


def make_sweep(
    now: dict[str, Evidence], before: dict[str, LastKnown] | None = None, waivers: tuple[Waiver, ...] = ()
) -> SweepCase:
    """All are well, now and before, but these."""
    return SweepCase(
        commit=HEAD,
        matrix=MATRIX,
        found={name: at_head(name, built()) for name in NAMES} | now,
        last={name: last_known(name, built()) for name in NAMES} | (before or {}),
        judged_on=TODAY,
        waivers=waivers,
    )


def make_answer(name: str, *, standing: CulpritStanding = CulpritStanding.FOUND, **changes: object) -> CulpritAnswer:
    culprit = CULPRIT if standing is CulpritStanding.FOUND else None
    conclusion = Conclusion(standing=standing, culprit=culprit, suspects=(CULPRIT, HEAD), why="the disk was full")
    answer = CulpritAnswer(target=name, good=GOOD, bad=HEAD, conclusion=conclusion)
    return replace(answer, **changes)  # type: ignore[arg-type]  # fields of CulpritAnswer, given by name


def test_nothing_is_new_where_all_is_as_before() -> None:
    findings = judge_sweep(make_sweep({}))
    assert (findings.reasons, findings.standing, findings.undecided, findings.turns) == ((), (), (), ())


def test_what_is_as_broken_as_before_is_not_new_and_another_error_is() -> None:
    case = make_sweep(
        {NAMES[0]: at_head(NAMES[0], broken()), NAMES[1]: at_head(NAMES[1], broken("no such file"))},
        {NAMES[0]: last_known(NAMES[0], broken()), NAMES[1]: last_known(NAMES[1], broken())},
    )
    findings = judge_sweep(case)
    assert [reason.targets for reason in findings.standing] == [(NAMES[0],)]
    assert [(reason.targets, reason.message) for reason in findings.reasons] == [((NAMES[1],), "no such file")]
    assert findings.reasons[0].details[-1].endswith("it was broken there, in another way")
    assert list_suspicious(findings, case.last, case.found, HEAD) == ()


def test_one_line_that_breaks_many_is_searched_with_one_and_told_for_all() -> None:
    many = {name: replace(at_head(name, broken()), elapsed_s=9.0) for name in NAMES}
    many[NAMES[2]] = replace(many[NAMES[2]], elapsed_s=1.0)
    case = make_sweep(many)
    first = judge_sweep(case)
    assert list_suspicious(first, case.last, case.found, HEAD) == (NAMES[2],)
    answers = share_answers(first, [make_answer(NAMES[2])], case.found)
    findings = judge_sweep(replace(case, culprits=answers))
    assert [(reason.commit_id, reason.targets) for reason in findings.reasons] == [
        (CULPRIT.commit_id, tuple(sorted(NAMES)))
    ]
    assert findings.reasons[0].details[-1] == f"found with {NAMES[2]}; the fault is the same"
    assert {(turn.turn, turn.culprit_commit_id, turn.good_commit_id) for turn in findings.turns} == {
        (Turn.BROKE, CULPRIT.commit_id, GOOD.commit_id)
    }
    assert len(findings.turns) == len(NAMES)


def test_a_full_region_is_searched_for_each_target_and_may_have_several_culprits() -> None:
    case = make_sweep({name: at_head(name, outgrown()) for name in NAMES[:3]})
    first = judge_sweep(case)
    assert list_suspicious(first, case.last, case.found, HEAD) == tuple(sorted(NAMES[:3]))
    undecided = make_answer(NAMES[1], standing=CulpritStanding.UNDECIDED)
    answers = share_answers(first, [make_answer(NAMES[0]), undecided], case.found)
    findings = judge_sweep(replace(case, culprits=answers))
    assert {reason.targets: reason.commit_id for reason in findings.reasons} == {
        (NAMES[0],): CULPRIT.commit_id,
        (NAMES[1],): None,
        (NAMES[2],): None,
    }
    said = {reason.targets[0]: reason.details[-1] for reason in findings.reasons}
    between = f"it came between commit {GOOD.short_id}, the last sweep that knew it, and {HEAD.short_id}"
    assert said[NAMES[2]] == between
    assert said[NAMES[1]] == (
        f"{between}; which commit did it is undecided: the disk was full; it is one of {CULPRIT.short_id}, "
        f"{HEAD.short_id}"
    )


def test_a_culprit_of_one_warning_is_not_blamed_for_another() -> None:
    ours, other = warning("unused variable 'i'"), warning("unused variable 'k'", "lib/crc.h", 3)
    case = make_sweep({NAMES[0]: at_head(NAMES[0], built(), ours, other)})
    first = judge_sweep(case)
    answers = share_answers(first, [make_answer(NAMES[0], warnings=(ours,))], case.found)
    findings = judge_sweep(replace(case, culprits=answers))
    assert {reason.place: reason.commit_id for reason in findings.reasons} == {
        ours.place: CULPRIT.commit_id,
        other.place: None,
    }


def test_a_target_that_outgrew_and_warns_asks_two_searches_each_for_its_own() -> None:
    other = make_commit(3)
    case = make_sweep({NAMES[0]: at_head(NAMES[0], outgrown(), warning())})
    first = judge_sweep(case)
    assert list_suspicious(first, case.last, case.found, HEAD) == (NAMES[0],)
    grew, warned = make_answer(NAMES[0]), make_answer(NAMES[0], warnings=(warning(),))
    warned = replace(warned, conclusion=replace(warned.conclusion, culprit=other))
    findings = judge_sweep(replace(case, culprits=share_answers(first, [grew, warned], case.found)))
    assert {reason.rule: reason.commit_id for reason in findings.reasons} == {
        Rule.OUTGROWN: CULPRIT.commit_id,
        Rule.NEW_WARNING: other.commit_id,
    }


def test_what_newly_runs_past_its_time_limit_is_searched_for() -> None:
    case = make_sweep({NAMES[0]: at_head(NAMES[0], TimedOut(limit_s=5, stopped_by="SIGTERM"))})
    first = judge_sweep(case)
    assert list_suspicious(first, case.last, case.found, HEAD) == (NAMES[0],)
    findings = judge_sweep(replace(case, culprits=share_answers(first, [make_answer(NAMES[0])], case.found)))
    assert [(reason.rule, reason.commit_id) for reason in findings.reasons] == [(Rule.TIMED_OUT, CULPRIT.commit_id)]


def test_the_first_sweep_tells_what_is_broken_and_takes_warnings_as_they_are() -> None:
    case = replace(
        make_sweep({NAMES[0]: at_head(NAMES[0], broken()), NAMES[1]: at_head(NAMES[1], built(), warning())}), last={}
    )
    findings = judge_sweep(case)
    assert [(reason.rule, reason.targets) for reason in findings.reasons] == [(Rule.BROKEN, (NAMES[0],))]
    assert findings.reasons[0].details[-1] == (
        f"no sweep before knew of it: it came between the first commit and {HEAD.short_id}"
    )
    assert not findings.known_before
    assert list_suspicious(findings, {}, case.found, HEAD) == ()


def test_the_first_sweep_tells_of_one_cause_once_with_all_its_logs() -> None:
    many = {name: at_head(name, broken()) for name in NAMES[:3]}
    reasons = judge_sweep(replace(make_sweep(many), last={})).reasons
    assert [(reason.targets, len(reason.log_paths)) for reason in reasons] == [(tuple(sorted(NAMES[:3])), 3)]


def test_a_missing_symbol_is_searched_for_at_each_of_its_places() -> None:
    """It may be missing here by one commit and there by another."""
    places = {NAMES[0]: "<out>/uart.o", NAMES[1]: "<out>/uart.o", NAMES[2]: "drivers/uart.c"}
    many = {
        name: at_head(
            name,
            replace(
                broken(),
                first_error=Diagnostic(
                    severity=Severity.ERROR, speaker=Speaker.LINKER, message="undefined reference to `f'", path=place
                ),
            ),
        )
        for name, place in places.items()
    }
    case = make_sweep(many)
    first = judge_sweep(case)
    assert [reason.targets for reason in first.reasons] == [tuple(sorted(places))]
    assert list_suspicious(first, case.last, case.found, HEAD) == tuple(sorted((NAMES[0], NAMES[2])))
    answers = share_answers(first, [make_answer(NAMES[0])], case.found)
    findings = judge_sweep(replace(case, culprits=answers))
    assert {reason.targets: reason.commit_id for reason in findings.reasons} == {
        tuple(sorted((NAMES[0], NAMES[1]))): CULPRIT.commit_id,
        (NAMES[2],): None,
    }
    # Each part has the logs of its own targets.
    assert [len(reason.log_paths) for reason in findings.reasons] == [2, 1]


def test_what_fails_at_the_very_tree_of_the_sweep_before_is_no_commits_fault() -> None:
    same = replace(last_known(NAMES[0], built()), tree_id=HEAD.tree_id, evidence=None)
    case = make_sweep({NAMES[0]: at_head(NAMES[0], broken())}, {NAMES[0]: same})
    findings = judge_sweep(case)
    assert "no commit did it, but the toolchain, the machine" in findings.reasons[0].details[-1]
    assert list_suspicious(findings, case.last, case.found, HEAD) == ()


def test_mended_gone_and_undecided_are_told_apart() -> None:
    case = make_sweep(
        {NAMES[1]: at_head(NAMES[1], NotDecided(message="the disk is full"))},
        {
            NAMES[0]: last_known(NAMES[0], outgrown()),
            NAMES[1]: last_known(NAMES[1], broken()),
            "arm/gone": last_known("arm/gone", built()),
        },
    )
    findings = judge_sweep(case)
    assert (findings.mended, findings.gone, findings.reasons) == ((NAMES[0],), ("arm/gone",), ())
    assert [reason.targets for reason in findings.undecided] == [(NAMES[1],)]
    assert [(turn.target, turn.turn) for turn in findings.turns] == [(NAMES[0], Turn.MENDED)]


def test_a_build_past_its_time_limit_is_new_once() -> None:
    slow = TimedOut(limit_s=5, stopped_by="SIGTERM")
    now = {NAMES[0]: at_head(NAMES[0], slow)}
    findings = judge_sweep(make_sweep(now))
    assert [turn.turn for turn in findings.turns] == [Turn.TIMED_OUT]
    # Of a build that ran past its limit nothing but that is kept.
    known = replace(last_known(NAMES[0], slow), evidence=None)
    findings = judge_sweep(make_sweep(now, {NAMES[0]: known}))
    assert (findings.reasons, findings.turns) == ((), ())
    assert [reason.rule for reason in findings.standing] == [Rule.TIMED_OUT]


def test_a_waived_target_is_shown_apart_new_or_not_and_turns_all_the_same() -> None:
    now = {name: at_head(name, broken()) for name in NAMES[:3]}
    case = make_sweep(
        now,
        {NAMES[0]: last_known(NAMES[0], broken())},
        (make_waiver(Rule.BROKEN, NAMES[0], NAMES[1]), make_waiver(Rule.BROKEN, NAMES[2], until=TODAY.replace(day=1))),
    )
    findings = judge_sweep(replace(case, judged_on=TODAY.replace(day=2)))
    assert [reason.targets for reason in findings.reasons] == [(NAMES[2],)]
    assert findings.standing == ()
    assert [reason.targets for reason in findings.waived] == [(NAMES[1],), (NAMES[0],)]
    assert [use.standing.value for use in findings.waivers] == ["used", "ended"]
    assert [(turn.target, turn.turn) for turn in findings.turns] == [(NAMES[1], Turn.BROKE), (NAMES[2], Turn.BROKE)]
