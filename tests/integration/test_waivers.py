"""Waivers from the command line: real git, real compilers."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from gatekeep.cli.main import run
from tests.integration.test_gate import Kelp
from tests.integration.test_sweep import Kelp as SweptKelp


def write_waivers(kelp: Kelp, until: date, *, rule: str = "broken", target: str = "riscv/float") -> None:
    (kelp.folder / "waivers.yml").write_text(
        f"waivers: 1\ngranted:\n  float-crc:\n    rule: {rule}\n    targets: [{target}]\n"
        "    reason: the new crc comes with the next release\n    who: Oda Brekke <oda@kelp.example>\n"
        f"    since: {until - timedelta(days=30)}\n    until: {until}\n"
    )


@pytest.fixture
def kelp(tmp_path: Path) -> Kelp:
    return Kelp(tmp_path)


TODAY = datetime.now(UTC).date()


def break_float(kelp: Kelp) -> str:
    kelp.append("lib/crc.c", "#ifdef __riscv\n#error not yet\n#endif\n")
    return kelp.commit("Break the float")


def test_a_waived_target_may_break_until_the_waiver_ends_and_nobody_forgets_it(kelp: Kelp) -> None:
    until = TODAY + timedelta(days=5)
    write_waivers(kelp, until)
    kelp.base = kelp.commit("Waive the float")
    head = break_float(kelp)
    code, report, text = kelp.gate()
    assert (code, report["verdict"]) == (0, "pass")
    (waived,) = report["waived"]
    assert (waived["rule"], waived["targets"], waived["waiver"]) == ("broken", ["riscv/float"], "float-crc")
    # The day that was judged on: midnight may have come since this file was read.
    left = (until - date.fromisoformat(report["judged_on"])).days
    assert f"float-crc ends in {left} days" in text
    assert text.splitlines()[-1] == "verdict: pass, 1 reason waived"
    # It has landed, and the waiver is gone from the file: the fault that is at the base by it still has to answer.
    kelp.base = head
    (kelp.folder / "waivers.yml").unlink()
    kelp.commit("Remove the waiver")
    code, report, _ = kelp.gate()
    assert (code, report["reasons"][0]["rule"]) == (1, "broken")
    assert "takes the waiver float-crc away" in report["reasons"][0]["details"][0]


def test_an_ended_waiver_blocks_again(kelp: Kelp) -> None:
    write_waivers(kelp, TODAY - timedelta(days=1))
    kelp.base = kelp.commit("Waive the float")
    break_float(kelp)
    code, report, text = kelp.gate()
    assert (code, report["reasons"][0]["waiver"]) == (1, "float-crc")
    assert f"float-crc ended on {TODAY - timedelta(days=1)}" in text


def test_a_wrong_file_of_waivers_at_the_base_is_a_usage_error_with_its_place(kelp: Kelp) -> None:
    write_waivers(kelp, TODAY, target="riscv/flote")
    kelp.base = kelp.commit("Waive what there is not")
    kelp.append("lib/crc.c", "/* 1 */\n")
    kelp.commit("One")
    code, _, complaint = kelp.gate()
    assert code == 2
    assert "waivers.yml:5:15: matrix.yml has no target riscv/flote; did you mean riscv/float?" in complaint


def test_waivers_beside_a_matrix_outside_the_tree_count(kelp: Kelp) -> None:
    beside = kelp.folder.parent / "release"
    beside.mkdir()
    write_waivers(kelp, TODAY + timedelta(days=5))
    for name in ("waivers.yml", "matrix.yml"):
        (kelp.folder / name).rename(beside / name)
    kelp.base = kelp.commit("Keep the matrix elsewhere")
    break_float(kelp)
    code, report, _ = kelp.gate("--matrix", str(beside / "matrix.yml"))
    assert (code, [reason["waiver"] for reason in report["waived"]]) == (0, ["float-crc"])


def test_a_night_shows_a_waived_target_and_asks_for_nobody(tmp_path: Path) -> None:
    tree = SweptKelp(tmp_path)
    until = TODAY + timedelta(days=20)
    text = (
        "waivers: 1\ngranted:\n  float-crc:\n    rule: broken\n    targets: [riscv/*]\n    reason: not yet\n"
        f"    who: Oda Brekke <oda@kelp.example>\n    since: {TODAY}\n    until: {until}\n"
    )
    tree.files["waivers.yml"] = b""
    tree.append("waivers.yml", text.encode(), "Waive the float")
    tree.append("lib/crc.c", b"#ifdef __riscv\n#error not yet\n#endif\n", "Break the float")
    for _ in range(2):
        code, report, shown = tree.sweep()
        assert (code, report["new"], report["as_before"]) == (0, [], [])
        assert [(reason["targets"], reason["waiver"]) for reason in report["waived"]] == [
            (["riscv/float"], "float-crc")
        ]
        assert [one["standing"] for one in report["waivers"]] == ["used"]
        assert f"waived until {until} by float-crc" in " ".join(shown.split())
        assert shown.splitlines()[-1] == "sweep: nothing new; 1 waived"


def test_the_targets_are_listed_with_what_is_waived_of_them(kelp: Kelp, capsys: pytest.CaptureFixture[str]) -> None:
    write_waivers(kelp, date(2026, 6, 30))
    matrix = str(kelp.folder / "matrix.yml")
    assert run(["targets", "--matrix", matrix]) == 0
    last = "waived from 2026-05-31 to 2026-06-30, float-crc: rule broken of riscv/float"
    assert capsys.readouterr().out.splitlines()[-1] == last
    assert run(["targets", "--matrix", matrix, "--port", "cortex-m"]) == 0
    assert last not in capsys.readouterr().out
    assert run(["targets", "--waivers-schema"]) == 0
    assert '"urn:gatekeep:waivers:1"' in capsys.readouterr().out
