"""What of two results counts as different, and when carrying is to blame."""

from __future__ import annotations

from dataclasses import replace

import pytest

from gatekeep.judge.audit import conclude
from gatekeep.model.audit import Aspect, Audit, Audited, Difference, Standing
from gatekeep.model.evidence import (
    Artifact,
    Built,
    Evidence,
    Footprint,
    NotDecided,
    Outcome,
    Outgrown,
    Overflow,
    RegionUse,
)
from gatekeep.model.readset import Carried
from gatekeep.model.verdict import Decision
from gatekeep.report.audit import render_audit, render_bars, say_audit_verdict
from gatekeep.runner.compare import compare_results, settle
from tests.cases import BASE, broken, error, make_change, make_evidence, make_matrix, warning

COMMITS = make_change(3).commits


def built(
    *, used_bytes: int = 500, text_bytes: int = 400, start_bytes: int = 8, elf: str = "aa" * 32, rom: str = "bb" * 32
) -> Built:
    return Built(
        footprint=Footprint(
            regions=(RegionUse(name="main", used_bytes=used_bytes, capacity_bytes=1000),),
            sections=((".text", text_bytes), (".data", 4)),
            symbols=(("start", start_bytes), ("start", 4)),
        ),
        artifacts=(
            Artifact(kind="elf", name="out/x.elf", size_bytes=1, sha256=elf),
            Artifact(kind="image", name="out/x.rom", size_bytes=1, sha256=rom),
        ),
    )


def result(outcome: Outcome | None = None, **more: object) -> Evidence:
    return replace(make_evidence(BASE, "arm/mere", outcome or built()), **more)  # type: ignore[arg-type]  # any field


def names(differences: tuple[Difference, ...]) -> list[tuple[str, str, str, str]]:
    return [(entry.aspect.value, entry.name, entry.ours, entry.clean) for entry in differences]


def test_time_logs_reason_and_order_of_diagnostics_do_not_count() -> None:
    one = result(diagnostics=(warning("a"), warning("b")), elapsed_s=1.0, log_path="logs/1")
    other = result(diagnostics=(warning("b"), warning("a")), elapsed_s=2.0, log_path="logs/2", reason="new")
    assert compare_results(one, other) == ()


@pytest.mark.parametrize(
    ("other", "wanted"),
    [
        (built(used_bytes=501), [("region", "main", "500 of 1000 bytes", "501 of 1000 bytes")]),
        (built(text_bytes=401), [("section", ".text", "400 bytes", "401 bytes")]),
        (built(start_bytes=9), [("symbol", "start", "8 bytes, 4 bytes", "9 bytes, 4 bytes")]),
        (built(rom="cc" * 32), [("artifact", "out/x.rom", "SHA-256 bbbbbbbbbbbb", "SHA-256 cccccccccccc")]),
        (
            Built(footprint=built().footprint, artifacts=built().artifacts[:1]),
            [("artifact", "out/x.rom", "SHA-256 bbbbbbbbbbbb", "none")],
        ),
    ],
)
def test_each_part_of_a_result_counts(other: Outcome, wanted: list[tuple[str, str, str, str]]) -> None:
    assert names(compare_results(result(), result(other))) == wanted


def test_another_outcome_counts_and_its_diagnostics() -> None:
    assert names(compare_results(result(), result(broken()))) == [
        ("outcome", "outcome", "built", "broken"),
        ("diagnostic", "drivers/uart.c:41: error: a pointer is cut to 32 bits", "none", "there"),
    ]


def test_the_same_outcome_in_other_words_counts() -> None:
    one, other = broken(), replace(broken(), message="make ended with exit code 1", first_error=error("no rule"))
    assert names(compare_results(result(one, diagnostics=()), result(other, diagnostics=(error("no rule"),))))[:2] == [
        ("outcome", "message", "make ended with exit code 2", "make ended with exit code 1"),
        (
            "outcome",
            "first error",
            "drivers/uart.c:41: error: a pointer is cut to 32 bits",
            "drivers/uart.c:41: error: no rule",
        ),
    ]
    assert compare_results(result(one), result(replace(one, excerpt=("other words of make",)))) == ()


def test_by_how_much_a_region_is_outgrown_counts() -> None:
    sizes = [
        Outgrown(overflows=(Overflow(region="FLASH", over_bytes=n),), footprint=None, message="ld") for n in (5, 6)
    ]
    assert names(compare_results(result(sizes[0]), result(sizes[1]))) == [
        ("outcome", "overflow", "FLASH by 5 bytes", "FLASH by 6 bytes")
    ]


def test_carrying_is_to_blame_when_two_clean_builds_agree() -> None:
    carried, clean = result(), result(built(rom="cc" * 32))
    assert settle(carried, clean, clean) is Standing.MISMATCH
    assert settle(carried, carried, clean) is Standing.EQUAL


def test_bytes_that_every_build_makes_anew_are_not_reproducible() -> None:
    builds = [result(built(rom=f"{number}" * 64)) for number in range(3)]
    assert settle(*builds) is Standing.NOT_REPRODUCIBLE


def test_one_steady_artifact_among_unsteady_ones_blames_carrying() -> None:
    carried = result(built(elf="1" * 64, rom="1" * 64))
    clean, again = result(built(elf="2" * 64, rom="2" * 64)), result(built(elf="2" * 64, rom="3" * 64))
    assert settle(carried, clean, again) is Standing.MISMATCH


def test_an_unsteady_build_is_no_excuse_for_another_footprint() -> None:
    carried = result(built(used_bytes=500, rom="1" * 64))
    clean, again = (result(built(used_bytes=501, rom=digit * 64)) for digit in "23")
    assert settle(carried, clean, again) is Standing.MISMATCH


def test_a_footprint_that_varies_from_build_to_build_is_not_reproducible() -> None:
    carried, clean, again = (result(built(used_bytes=number)) for number in (500, 501, 500))
    assert settle(carried, clean, again) is Standing.NOT_REPRODUCIBLE


def audited(target: str, standing: Standing, commit: int = 0, **more: object) -> Audited:
    bare = Audited(
        target=target,
        commit=COMMITS[commit],
        key="k",
        standing=standing,
        carried=Carried(tree_id=BASE.tree_id, commit_id=BASE.commit_id),
        read_count=41,
    )
    return replace(bare, **more)  # type: ignore[arg-type]  # any field


SECTION = Difference(aspect=Aspect.SECTION, name=".text", ours="4 bytes", clean="8 bytes")
IMAGE = Difference(aspect=Aspect.ARTIFACT, name="out/x.rom", ours="SHA-256 aa", clean="SHA-256 bb")


def whole(*results: Audited) -> Audit:
    return conclude(make_change(3), make_matrix(), results, carried_count=12)


def test_one_hole_is_one_paragraph_with_all_its_targets() -> None:
    wrong = [
        audited(name, Standing.MISMATCH, differences=(SECTION, IMAGE), changed_paths=("docs/\x1b[2J.txt is modified",))
        for name in ("loongarch64/ness", "loongarch64/wick", "loongarch64/voe")
    ]
    text = render_audit(whole(audited("arm/mere", Standing.EQUAL), *wrong), colour=False, width=100)
    assert text == (
        "skerry 1111111111..4444444444 (A commit)\n"
        "12 carried results, 4 audited: 1 equal to a clean build, 3 carried wrongly\n"
        "\n"
        "all 3 targets of loongarch64: what was carried differs from a clean build in sections and\n"
        "    artifacts, at commit 2222222222 (A commit)\n"
        "    carried from commit 1111111111 by the rule that no path which differs since then reaches\n"
        "        what was read there (41 files and folders)\n"
        "    one of these was read unseen: docs/\\x1b[2J.txt is modified\n"
        "    loongarch64/ness: artifact out/x.rom: carried SHA-256 aa, clean SHA-256 bb; section .text:\n"
        "        carried 4 bytes, clean 8 bytes\n"
        "    loongarch64/wick: artifact out/x.rom: carried SHA-256 aa, clean SHA-256 bb; section .text:\n"
        "        carried 4 bytes, clean 8 bytes\n"
        "    loongarch64/voe: artifact out/x.rom: carried SHA-256 aa, clean SHA-256 bb; section .text:\n"
        "        carried 4 bytes, clean 8 bytes\n"
        "    not carried any more until cleared: gatekeep audit --clear loongarch64/ness, and so on\n"
        "    targets: loongarch64/ness, loongarch64/voe, loongarch64/wick\n"
        "\n"
        "verdict: undecided, 3 results carried wrongly\n"
    )


def test_the_order_of_results_does_not_change_the_report() -> None:
    results = [
        audited("arm/mere", Standing.MISMATCH, 1, differences=(SECTION,)),
        audited("mips/holm", Standing.NOT_REPRODUCIBLE, 0, differences=(IMAGE,), notes=("out/x.rom: differs",)),
        audited("arm/mere", Standing.EQUAL, 0),
        audited("mips/holm", Standing.NOT_DECIDED, 2, notes=("the disk is full",)),
    ]
    assert whole(*results) == whole(*reversed(results))


def test_what_cannot_be_reproduced_is_shown_and_passes() -> None:
    found = whole(audited("mips/holm", Standing.NOT_REPRODUCIBLE, differences=(IMAGE,), notes=("out/x.rom: differs",)))
    assert found.decision is Decision.PASS
    assert say_audit_verdict(found) == "pass"
    assert "mips/holm, the only target of mips: cannot be reproduced" in render_audit(found, colour=False, width=100)


def test_what_could_not_be_audited_leaves_it_undecided() -> None:
    found = whole(audited("arm/mere", Standing.NOT_DECIDED, carried=None, notes=("no compiler",)))
    assert found.decision is Decision.UNDECIDED
    assert say_audit_verdict(found) == "undecided, 1 not audited"


def test_no_bars_are_said_so() -> None:
    assert render_bars((), cleared=False) == "no target is barred from being carried\n"


def test_not_decided_outcomes_can_be_compared() -> None:
    assert compare_results(result(NotDecided(message="x")), result(NotDecided(message="x"))) == ()
