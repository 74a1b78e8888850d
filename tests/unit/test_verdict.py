"""Evidence in, verdict out."""

from __future__ import annotations

from dataclasses import replace

import pytest

from gatekeep.judge.verdict import judge, sort_evidence
from gatekeep.model.change import FileLines, Hunk, LineMap
from gatekeep.model.evidence import (
    Broken,
    Diagnostic,
    NotDecided,
    Outcome,
    Outgrown,
    Overflow,
    Severity,
    Speaker,
    TimedOut,
)
from gatekeep.model.matrix import Matrix, Part, Place, Region, Rules, RuleStrength
from gatekeep.model.verdict import Decision, Reason, Rule, Verdict
from tests.cases import (
    BASE,
    TARGET_NAMES,
    broken,
    built,
    error,
    make_case,
    make_commit,
    make_evidence,
    make_matrix,
    outgrown,
    warning,
)

COMMIT_1, COMMIT_2, COMMIT_3 = (make_commit(number).commit_id for number in (2, 3, 4))
BLOCK_WARNINGS = make_matrix(rules=Rules(new_warnings=RuleStrength.BLOCK))


def only(verdict: Verdict) -> Reason:
    assert len(verdict.reasons) == 1, verdict.reasons
    return verdict.reasons[0]


def test_everything_built_passes() -> None:
    verdict = judge(make_case(3))
    assert verdict == Verdict(decision=Decision.PASS, reasons=(), notices=(), deltas=(), new_warning_count=0)


def test_a_change_without_new_trees_passes() -> None:
    assert judge(make_case(0)).decision is Decision.PASS


def test_same_first_error_is_one_reason_worded_by_what_the_targets_share() -> None:
    names = [name for name in TARGET_NAMES if "64/" in name]
    verdict = judge(make_case(2, outcomes={(number, name): broken() for number in (1, 2) for name in names}))
    assert verdict.decision is Decision.BLOCK
    assert only(verdict) == Reason(
        rule=Rule.BROKEN,
        commit_id=COMMIT_1,
        targets=tuple(sorted(names)),
        whom="every 64-bit target",
        message="a pointer is cut to 32 bits",
        place="drivers/uart.c:41",
        excerpt=("drivers/uart.c:41: a pointer is cut to 32 bits",),
        log_paths=tuple(f"logs/{COMMIT_1[:10]}/{name.replace('/', '.')}.log" for name in sorted(names)),
    )


def test_newest_port_blocks_like_the_oldest() -> None:
    names = ("loongarch64/ness", "loongarch64/wick", "loongarch64/voe")
    reason = only(judge(make_case(outcomes={(1, name): broken() for name in names})))
    assert reason.whom == "all 3 targets of loongarch64"
    assert reason.blocks


def test_different_errors_are_different_reasons() -> None:
    verdict = judge(make_case(outcomes={(1, "arm/mere"): broken(), (1, "mips/holm"): broken("no byte order")}))
    assert [reason.targets for reason in verdict.reasons] == [("arm/mere",), ("mips/holm",)]


def unlinked(path: str, line: int | None, speaker: Speaker = Speaker.LINKER) -> Broken:
    error = Diagnostic(
        severity=Severity.ERROR, speaker=speaker, message="undefined reference to `f'", path=path, line=line
    )
    return Broken(message="make ended with exit code 2", first_error=error, excerpt=(f"ld: {path}: undefined",))


def test_a_symbol_that_is_missing_is_one_reason_at_the_place_where_its_line_is_known() -> None:
    outcomes = {
        (1, "arm/mere"): unlinked("<out>/uart.o", None),
        (1, "mips/holm"): unlinked("drivers/uart.c", 41),
        (1, "riscv64/vale"): unlinked("<out>/lamp.o", None),
    }
    reason = only(judge(make_case(outcomes=outcomes)))
    assert reason.targets == ("arm/mere", "mips/holm", "riscv64/vale")
    assert reason.place == "drivers/uart.c:41"
    assert reason.excerpt == ("ld: drivers/uart.c: undefined",)


def test_files_that_are_named_for_their_targets_and_missing_are_one_reason() -> None:
    """A Makefile that renames what it makes breaks every target, and is one thing to mend."""
    names = {
        (1, "arm/mere"): "{out}/mere.axf; the nearest is {out}/mere.elf",
        (1, "arm/tarn/debug"): "{out}/tarn.axf; the nearest is {out}/tarn.elf",
        (1, "riscv64/skaw/debug"): "{out}/skaw.axf; the nearest is {out}/skaw.elf",
    }
    outcomes = {
        key: Broken(message=f"the recipe succeeded and left no {name}", first_error=None) for key, name in names.items()
    }
    reason = only(judge(make_case(outcomes=outcomes)))
    assert reason.targets == ("arm/mere", "arm/tarn/debug", "riscv64/skaw/debug")
    assert reason.message == "the recipe succeeded and left no {out}/{board}.axf; the nearest is {out}/{board}.elf"
    alone = {(1, "arm/mere"): outcomes[1, "arm/mere"]}
    assert only(judge(make_case(outcomes=alone))).message == f"the recipe succeeded and left no {names[1, 'arm/mere']}"


@pytest.mark.parametrize(
    ("messages", "count"),
    [
        (("{out}/tarn-debug/arm.elf: is cut off", "{out}/skaw-debug/riscv64.elf: is cut off"), 1),
        (("{out}/retarn.elf: is cut off", "{out}/reskaw.elf: is cut off"), 2),
        (("tarn ended with exit code 2", "skaw ended with exit code 2"), 2),
    ],
)
def test_names_of_targets_count_as_such_in_paths_of_a_build_alone(messages: tuple[str, str], count: int) -> None:
    targets = ("arm/tarn/debug", "riscv64/skaw/debug")
    outcomes = {(1, name): Broken(message=text, first_error=None) for name, text in zip(targets, messages, strict=True)}
    assert len(judge(make_case(outcomes=outcomes)).reasons) == count


def test_a_compilers_error_at_two_places_is_two_reasons() -> None:
    outcomes = {
        (1, "arm/mere"): unlinked("drivers/uart.c", 41, Speaker.COMPILER),
        (1, "mips/holm"): unlinked("drivers/uart.c", 42, Speaker.COMPILER),
    }
    assert len(judge(make_case(outcomes=outcomes)).reasons) == 2


def test_a_middle_commit_that_breaks_blocks_although_the_last_mends_it() -> None:
    reason = only(judge(make_case(3, outcomes={(2, "arm/mere"): broken()})))
    assert reason.commit_id == COMMIT_2
    assert reason.details == (f"mended by {COMMIT_3[:10]}, but every commit of a change must hold",)


def test_breaking_mending_and_breaking_again_is_two_reasons() -> None:
    verdict = judge(make_case(3, outcomes={(1, "arm/mere"): broken(), (3, "arm/mere"): broken()}))
    assert [reason.commit_id for reason in verdict.reasons] == [COMMIT_1, COMMIT_3]


def test_an_error_whose_line_moves_between_commits_is_reported_once() -> None:
    verdict = judge(make_case(2, outcomes={(1, "arm/mere"): broken(), (2, "arm/mere"): broken(line=60)}))
    assert only(verdict).commit_id == COMMIT_1


def test_what_was_broken_at_the_base_is_shown_and_does_not_block() -> None:
    verdict = judge(make_case(outcomes={(0, "arm/mere"): broken(), (1, "arm/mere"): broken()}))
    assert verdict.decision is Decision.PASS
    assert verdict.notices[0].message == "a pointer is cut to 32 bits (so at the base already)"
    assert not verdict.notices[0].blocks


def test_what_was_broken_at_the_base_stays_excused_when_the_error_only_moved() -> None:
    moved = LineMap(
        files={
            "drivers/uart.c": FileLines(
                old_path="drivers/uart.c",
                new_path="drivers/uart.c",
                hunks=(Hunk(old_start=1, old_count=0, new_start=2, new_count=5),),
            )
        }
    )
    outcomes: dict[tuple[int, str], Outcome] = {(0, "arm/mere"): broken(), (1, "arm/mere"): broken(line=46)}
    assert judge(make_case(outcomes=outcomes, line_maps={1: moved})).decision is Decision.PASS
    assert judge(make_case(outcomes=outcomes)).decision is Decision.BLOCK


def test_a_second_error_in_a_broken_target_makes_it_worse() -> None:
    worse = make_evidence(
        make_commit(2), "arm/mere", broken(), (error("a pointer is cut to 32 bits"), error("no clock"))
    )
    verdict = judge(make_case(outcomes={(0, "arm/mere"): broken(), (1, "arm/mere"): worse}))
    assert verdict.decision is Decision.BLOCK


def test_broken_at_the_base_and_timed_out_now_is_worse() -> None:
    slow = TimedOut(limit_s=5, stopped_by="SIGKILL")
    verdict = judge(make_case(outcomes={(0, "arm/mere"): broken(), (1, "arm/mere"): slow}))
    assert only(verdict).message == "ran past its time limit of 5 s and was stopped (SIGKILL)"


def test_outgrown_by_the_linker_names_region_and_bytes() -> None:
    reason = only(judge(make_case(outcomes={(1, "arm/mere"): outgrown()})))
    assert (reason.rule, reason.message) == (Rule.OUTGROWN, "outgrows FLASH by 568 B")
    assert reason.details == ("arm/mere: FLASH overflows by 568 bytes, says the linker",)


def test_targets_outgrowing_one_region_by_different_amounts_are_one_reason() -> None:
    reason = only(judge(make_case(outcomes={(1, "arm/mere"): outgrown(5), (1, "mips/holm"): outgrown(7)})))
    assert reason.message == "outgrows FLASH"
    assert len(reason.details) == 2


def test_a_board_as_outgrown_as_before_is_excused_and_a_larger_one_is_not() -> None:
    base: dict[tuple[int, str], Outcome] = {(0, "arm/mere"): outgrown(100)}
    assert judge(make_case(outcomes=base | {(1, "arm/mere"): outgrown(100)})).decision is Decision.PASS
    assert judge(make_case(outcomes=base | {(1, "arm/mere"): outgrown(99)})).decision is Decision.PASS
    assert judge(make_case(outcomes=base | {(1, "arm/mere"): outgrown(101)})).decision is Decision.BLOCK
    assert judge(make_case(outcomes=base | {(1, "arm/mere"): outgrown(None)})).decision is Decision.BLOCK
    assert judge(make_case(outcomes=base | {(1, "arm/mere"): outgrown(9, "RAM")})).decision is Decision.BLOCK


def test_an_image_that_was_there_and_is_not_linked_any_more_is_not_excused_by_its_size() -> None:
    measured = replace(outgrown(100, "main"), footprint=built(1100).footprint)
    base: dict[tuple[int, str], Outcome] = {(0, "arm/mere"): measured}
    assert judge(make_case(outcomes=base | {(1, "arm/mere"): measured})).decision is Decision.PASS
    assert judge(make_case(outcomes=base | {(1, "arm/mere"): outgrown(4, "main")})).decision is Decision.BLOCK


def test_a_region_past_its_capacity_blocks_with_both_numbers() -> None:
    footprint = built(1010).footprint
    outcome = Outgrown(overflows=(Overflow(region="main", over_bytes=10),), footprint=footprint, message="measured")
    reason = only(judge(make_case(outcomes={(1, "arm/mere"): outcome})))
    assert reason.details == ("arm/mere: main 1010 bytes > 1000 (+10)",)


def test_growing_into_the_reserve_blocks_and_having_been_there_does_not() -> None:
    reason = only(judge(make_case(outcomes={(1, "arm/mere"): built(901)})))
    assert (reason.rule, reason.message) == (Rule.RESERVE, "grows into the reserve of main")
    assert reason.details == ("arm/mere: main 901 bytes of 1000, 1 B into the reserve of 100 B",)
    assert judge(make_case(outcomes={(1, "arm/mere"): built(900)})).decision is Decision.PASS
    before: dict[tuple[int, str], Outcome] = {(0, "arm/mere"): built(950)}
    assert judge(make_case(outcomes=before | {(1, "arm/mere"): built(950)})).decision is Decision.PASS
    assert judge(make_case(outcomes=before | {(1, "arm/mere"): built(951)})).decision is Decision.BLOCK


def test_a_change_cannot_widen_its_own_capacity() -> None:
    wide = Part(name="nor-64", capacity_bytes=2000, regions=(Region(name="main", at_bytes=0, capacity_bytes=2000),))
    case = make_case(matrices={1: make_matrix(part=wide)}, outcomes={(1, "arm/mere"): built(1500, capacity_bytes=2000)})
    outgrows, *loosened = judge(case).reasons
    assert outgrows.details == ("arm/mere: main 1500 bytes > 1000 (+500)",)
    assert [(reason.rule, reason.whom, reason.message.partition(";")[0]) for reason in loosened] == [
        (Rule.LOOSENED, f"the part nor-64 of all {len(TARGET_NAMES)} targets", message)
        for message in (
            "the capacity is raised from 1000 B to 2000 B",
            "the capacity of main is raised from 1000 B to 2000 B",
            "the reserve of main is lowered from 100 B to 0 B",
        )
    ]


def test_growth_past_the_rule_blocks_and_names_the_commit() -> None:
    matrix = make_matrix(rules=Rules(growth_per_change=(("main", 50),)))
    case = make_case(2, matrix=matrix, outcomes={(1, "arm/mere"): built(530), (2, "arm/mere"): built(560)})
    reason = only(judge(case))
    assert reason.rule is Rule.GROWTH
    assert reason.commit_id == COMMIT_2
    assert reason.details == ("arm/mere: main 500 -> 560 bytes (+60, allowed +50)",)


def test_deltas_compare_base_and_head() -> None:
    verdict = judge(make_case(2, outcomes={(1, "arm/mere"): built(600), (2, "arm/mere"): built(490)}))
    assert [(delta.target, delta.delta_bytes) for delta in verdict.deltas] == [("arm/mere", -10)]


def test_a_new_warning_in_a_shared_header_is_one_finding_with_all_targets() -> None:
    found = {(number, name): (warning(),) for number in (1, 2) for name in TARGET_NAMES}
    verdict = judge(make_case(2, matrix=BLOCK_WARNINGS, warnings=found))
    reason = only(verdict)
    assert (reason.whom, reason.place) == (f"all {len(TARGET_NAMES)} targets", "include/lamp.h:7")
    assert reason.message == "new warning: unused variable 'i' [-Wunused-variable]"
    assert reason.commit_id == COMMIT_1
    assert verdict.new_warning_count == 1


def test_a_new_warning_has_the_logs_of_what_would_land() -> None:
    logged = replace(make_evidence(make_commit(2), "arm/mere", diagnostics=(warning(),)), log_path="logs/arm.mere.log")
    silent = make_evidence(make_commit(2), "mips/holm", diagnostics=(warning(),))
    outcomes = {(1, "arm/mere"): logged, (1, "mips/holm"): silent}
    assert only(judge(make_case(matrix=BLOCK_WARNINGS, outcomes=outcomes))).log_paths == ("logs/arm.mere.log",)


def test_a_new_warning_is_only_shown_where_the_rule_reports() -> None:
    verdict = judge(make_case(warnings={(1, "arm/mere"): (warning(),)}))
    assert verdict.decision is Decision.PASS
    assert verdict.notices[0].rule is Rule.NEW_WARNING


def test_a_warning_that_was_there_is_not_new_nor_is_one_that_is_gone_at_the_head() -> None:
    same = {(number, "arm/mere"): (warning(),) for number in (0, 1)}
    assert judge(make_case(matrix=BLOCK_WARNINGS, warnings=same)).decision is Decision.PASS
    gone = {(1, "arm/mere"): (warning(),)}
    assert judge(make_case(2, matrix=BLOCK_WARNINGS, warnings=gone)).decision is Decision.PASS


def test_a_new_target_does_not_bring_the_trees_old_warnings_as_new() -> None:
    more = make_matrix((*TARGET_NAMES, "arm/firth"), rules=BLOCK_WARNINGS.rules)
    found = {(0, "arm/mere"): (warning(),), (1, "arm/mere"): (warning(),), (1, "arm/firth"): (warning(),)}
    assert judge(make_case(matrix=BLOCK_WARNINGS, matrices={1: more}, warnings=found)).decision is Decision.PASS


def test_a_board_that_no_target_builds_blocks_unless_it_was_there() -> None:
    matrix = make_matrix(claims=("boards/{board}/board.mk",))
    paths = ["boards/mere/board.mk", "boards/firth/board.mk"]
    reason = only(judge(make_case(matrix=matrix, paths={0: paths[:1], 1: paths})))
    assert (reason.rule, reason.whom, reason.place) == (Rule.UNCLAIMED_BOARD, "board firth", "boards/firth/board.mk")
    old = judge(make_case(matrix=matrix, paths={0: paths, 1: paths}))
    assert old.decision is Decision.PASS
    assert len(old.notices) == 1


def test_a_board_that_a_later_commit_adds_to_the_matrix_is_told_so() -> None:
    """Advice that was followed already is none."""
    claims = ("boards/{board}/board.mk",)
    after = make_matrix((*TARGET_NAMES, "arm/firth"), claims=claims)
    paths = {0: [], 1: ["boards/firth/board.mk"], 2: ["boards/firth/board.mk"]}
    case = make_case(2, matrix=make_matrix(claims=claims), matrices={2: after}, paths=paths)
    reason = next(one for one in judge(case).reasons if one.rule is Rule.UNCLAIMED_BOARD)
    mended = make_commit(3).short_id
    assert reason.details == (f"mended by {mended}, but every commit of a change must hold",)
    assert (reason.commit_id, reason.blocks) == (COMMIT_1, True)
    plain = only(judge(make_case(matrix=make_matrix(claims=claims), paths={0: [], 1: ["boards/firth/board.mk"]})))
    assert plain.details == ("add firth to the matrix under its port",)


def test_a_change_cannot_drop_its_claims() -> None:
    with_claims = make_matrix(claims=("boards/{board}/board.mk",))
    case = make_case(matrix=with_claims, matrices={1: make_matrix()}, paths={1: ["boards/firth/board.mk"]})
    assert [(reason.rule, reason.whom) for reason in judge(case).reasons] == [
        (Rule.UNCLAIMED_BOARD, "board firth"),
        (Rule.LOOSENED, "the claims"),
    ]


def test_dropping_a_target_from_the_matrix_blocks() -> None:
    case = make_case(matrices={1: make_matrix(TARGET_NAMES[:-1])})
    reason = only(judge(case))
    assert (reason.rule, reason.targets) == (Rule.DROPPED_TARGET, ("loongarch64/voe",))


def make_reserve(reserve_bytes: int, names: tuple[str, ...] = TARGET_NAMES) -> Matrix:
    region = Region(name="main", at_bytes=0, capacity_bytes=1000, reserve_bytes=reserve_bytes)
    return make_matrix(names, part=Part(name="nor-64", capacity_bytes=1000, regions=(region,)))


def test_a_loosened_limit_blocks_at_the_first_commit_that_has_it() -> None:
    loose = make_reserve(40)
    assert only(judge(make_case(3, matrices={2: loose, 3: loose}))) == Reason(
        rule=Rule.LOOSENED,
        commit_id=COMMIT_2,
        targets=tuple(sorted(TARGET_NAMES)),
        whom=f"the part nor-64 of all {len(TARGET_NAMES)} targets",
        message="the reserve of main is lowered from 100 B to 40 B; a change cannot loosen its own gate",
    )


def test_a_loosening_that_a_later_commit_takes_back_blocks_all_the_same() -> None:
    reason = only(judge(make_case(3, matrices={1: make_reserve(40)})))
    assert reason.commit_id == COMMIT_1
    assert reason.details == (f"mended by {COMMIT_2[:10]}, but every commit of a change must hold",)


def test_loosening_further_is_another_reason_and_mends_nothing() -> None:
    reasons = judge(make_case(2, matrices={1: make_reserve(40), 2: make_reserve(20)})).reasons
    assert [(reason.commit_id, reason.message.partition(";")[0], reason.details) for reason in reasons] == [
        (COMMIT_1, "the reserve of main is lowered from 100 B to 40 B", ()),
        (COMMIT_2, "the reserve of main is lowered from 100 B to 20 B", ()),
    ]


def test_loosening_mending_and_loosening_again_is_two_reasons() -> None:
    loose = make_reserve(40)
    reasons = judge(make_case(3, matrices={1: loose, 3: loose})).reasons
    assert [reason.commit_id for reason in reasons] == [COMMIT_1, COMMIT_3]


def test_dropping_the_loosened_target_mends_nothing() -> None:
    fewer = make_reserve(100, TARGET_NAMES[:-1])
    dropped, *loosened = judge(make_case(2, matrices={1: make_reserve(40), 2: fewer})).reasons
    assert dropped.rule is Rule.DROPPED_TARGET
    assert [(reason.whom, bool(reason.details)) for reason in loosened] == [
        ("the part nor-64 of 8 targets (all 3 targets of arm, both targets of riscv64, mips/holm and 2 more)", True),
        ("the part nor-64 of loongarch64/voe", False),
    ]


def test_a_wrong_matrix_between_mends_nothing() -> None:
    loose = make_reserve(40)
    case = make_case(3, matrices={1: loose, 3: loose}, matrix_errors={2: "matrix.yml:3:1: unknown key 'bords'"})
    assert [(reason.rule, reason.commit_id, reason.details) for reason in judge(case).reasons] == [
        (Rule.LOOSENED, COMMIT_1, ()),
        (Rule.MATRIX, COMMIT_2, ()),
    ]


def test_a_loosened_target_is_named_with_its_place_and_a_port_with_its_own() -> None:
    base = make_matrix()
    at = Place(path="matrix.yml", line=31, column=7)
    targets = tuple(
        replace(target, part_address=0x1000, place=at) if target.name == "mips/holm" else target
        for target in base.targets
    )
    ports = tuple(replace(port, bits=None, place=at) if port.name == "arm" else port for port in base.ports)
    reasons = judge(make_case(matrices={1: replace(base, targets=targets, ports=ports)})).reasons
    assert [(reason.whom, reason.message.partition(";")[0], reason.place, reason.targets) for reason in reasons] == [
        (
            "the port arm",
            "the number of bits of its ELF files, 32, is no longer checked",
            "matrix.yml:31",
            ("arm/mere", "arm/tarn/debug", "arm/tarn/release"),
        ),
        (
            "mips/holm, the only target of mips,",
            "the address of its part is changed from none to 0x1000",
            "matrix.yml:31",
            ("mips/holm",),
        ),
    ]


def test_a_loosening_is_certain_and_outweighs_what_is_undecided() -> None:
    gone = NotDecided(message="the disk is full")
    verdict = judge(make_case(matrices={1: make_reserve(40)}, outcomes={(1, "arm/mere"): gone}))
    assert verdict.decision is Decision.BLOCK


def test_a_wrong_matrix_in_the_change_blocks() -> None:
    reason = only(judge(make_case(matrix_errors={1: "matrix.yml:3:1: unknown key 'bords'; write boards"})))
    assert (reason.rule, reason.commit_id) == (Rule.MATRIX, COMMIT_1)


def test_undecided_is_never_pass() -> None:
    gone = NotDecided(message="toolchain bare-clang is missing", hint="pip install ziglang")
    verdict = judge(make_case(outcomes={(1, "arm/mere"): gone}))
    assert verdict.decision is Decision.UNDECIDED
    assert only(verdict).details == ("pip install ziglang",)


def test_what_to_do_is_said_once() -> None:
    gone = NotDecided(message="no bare-clang; install it with: pip install ziglang", hint="pip install ziglang")
    assert only(judge(make_case(outcomes={(1, "arm/mere"): gone}))).details == ()


def test_an_undecided_base_is_undecided() -> None:
    verdict = judge(make_case(outcomes={(0, "arm/mere"): NotDecided(message="the disk is full")}))
    assert verdict.decision is Decision.UNDECIDED
    assert only(verdict).commit_id == BASE.commit_id


def test_evidence_that_is_missing_is_undecided() -> None:
    case = make_case()
    case = replace(case, evidence={key: value for key, value in case.evidence.items() if key[1] != "arm/mere"})
    assert judge(case).decision is Decision.UNDECIDED


def test_a_certain_block_outweighs_what_is_undecided_elsewhere() -> None:
    verdict = judge(
        make_case(outcomes={(1, "arm/mere"): NotDecided(message="the disk is full"), (1, "mips/holm"): broken()})
    )
    assert verdict.decision is Decision.BLOCK
    assert [reason.rule for reason in verdict.reasons] == [Rule.BROKEN, Rule.UNDECIDED]


def test_a_build_that_writes_into_the_tree_is_reported() -> None:
    wrote = replace(make_evidence(make_commit(2), "arm/mere"), touched=("a.o", "b.o", "c.o", "d.o"))
    verdict = judge(make_case(outcomes={(1, "arm/mere"): wrote}))
    assert verdict.decision is Decision.PASS
    assert verdict.notices[0].message == (
        "wrote into the source tree (a.o, b.o, c.o and 1 more); say `builds_in_tree: true` in the recipe if it means to"
    )


def test_the_order_of_evidence_does_not_matter() -> None:
    outcomes = {(1, name): broken(f"error {index % 3}") for index, name in enumerate(TARGET_NAMES)}
    case = make_case(2, outcomes=outcomes, warnings={(2, "mips/holm"): (warning(), warning("other"))})
    backwards = replace(case, evidence=dict(reversed(list(case.evidence.items()))))
    assert judge(case) == judge(backwards)
    assert sort_evidence(case) == sort_evidence(backwards)
