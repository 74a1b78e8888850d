"""The gate where the base has moved on: two changes that are each fine and together broken, conflicts, real builds."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.integration.test_gate import Kelp, outcomes
from tests.integration.test_gate import kelp as kelp


def fork(kelp: Kelp, on_main: Callable[[Kelp], None]) -> str:
    """Let main move on from where `topic` begins; topic is checked out afterwards. Give main's tip."""
    kelp.git("branch", "topic")
    on_main(kelp)
    tip = kelp.commit("Main moves on")
    kelp.base = "main"
    kelp.git("checkout", "-q", "topic")
    return tip


def rename_crc(kelp: Kelp) -> None:
    for path in ("lib/crc.c", "lib/kelp.h", "app/main.c"):
        kelp.edit(path, lambda old: old.replace("crc16", "crc_ccitt"))


def test_two_changes_that_are_fine_alone_and_broken_together_are_caught(kelp: Kelp) -> None:
    """Main renames a function; the change calls it by its old name in a file that main does not touch."""
    tip = fork(kelp, rename_crc)
    kelp.append("lib/ring.c", "int ring_check(struct ring *r)\n{\n    return crc16(r->bytes, r->head);\n}\n")
    kelp.edit("lib/kelp.h", lambda old: old.replace("#endif", "int ring_check(struct ring *ring);\n#endif"))
    head = kelp.commit("Check what the ring holds")
    code, report, text = kelp.gate()
    assert code == 1
    merge = report["change"]["merge"]["commit"]
    assert outcomes(report, head) == outcomes(report, tip) == {"cortex-m/buoy": "built", "riscv/float": "built"}
    # The library is not linked: there the missing name is a warning, and a new one.
    assert outcomes(report, merge["id"]) == {"cortex-m/buoy": "broken", "riscv/float": "built"}
    assert [(reason["rule"], reason["commit"], reason["targets"]) for reason in report["reasons"]] == [
        ("broken", merge["id"], ["cortex-m/buoy"]),
        ("new-warning", merge["id"], ["riscv/float"]),
    ]
    assert all("crc16" in reason["message"] for reason in report["reasons"])
    assert f"would land merged onto {tip[:10]}; the merged tree is judged too" in text
    assert f"since the merge of {head[:10]} onto {tip[:10]}, which is what would land" in " ".join(text.split())
    # It is in no repository, and judged by no more than its tree the second time.
    assert kelp.git("cat-file", "--batch-all-objects", "--batch-check").find(merge["tree"]) == -1
    again = kelp.gate()
    assert again[0] == 1
    assert again[1]["reused"] == len(again[1]["results"])


def test_a_merge_that_holds_passes_and_leaves_no_trace(kelp: Kelp) -> None:
    tip = fork(kelp, lambda kelp: kelp.append("lib/crc.c", "/* CRC-16 */\n"))
    kelp.append("lib/ring.c", "/* ring */\n")
    head = kelp.commit("Name the ring")
    before = kelp.git("for-each-ref"), kelp.git("count-objects"), kelp.git("status", "--porcelain")
    code, report, text = kelp.gate()
    assert code == 0, text
    assert [commit["id"] for commit in report["change"]["forks"]] == [kelp.git("rev-parse", "topic~1")]
    assert len({result["tree"] for result in report["results"]}) == 4
    assert "1 commit and the merge, 2 targets" in text
    assert (kelp.git("for-each-ref"), kelp.git("count-objects"), kelp.git("status", "--porcelain")) == before
    assert (tip, head) == (report["change"]["base"]["id"], report["change"]["head"]["id"])
    # The newest results are of a tree that is in no repository: nothing can be carried from them, and nothing fails.
    kelp.git("checkout", "-q", "main")
    kelp.append("lib/crc.c", "/* polynomial 0x1021 */\n")
    kelp.commit("Another base")
    kelp.base = "HEAD"
    kelp.append("lib/crc.c", "/* start value 0xffff */\n")
    kelp.commit("Another change")
    kelp.base = "HEAD~1"
    assert kelp.gate()[0] == 0


def test_what_main_mended_since_is_not_held_against_the_commits(kelp: Kelp) -> None:
    def mend(kelp: Kelp) -> None:
        kelp.edit("lib/ring.c", lambda old: old.replace("syntax error\n", ""))
        kelp.append("lib/crc.c", "/* */\n")

    kelp.append("lib/ring.c", "syntax error\n")
    kelp.commit("Break it")
    fork(kelp, mend)
    kelp.append("app/kelp.ld", "/* */\n")
    kelp.commit("Touch something else")
    code, report, text = kelp.gate()
    assert code == 0, text
    assert [notice["rule"] for notice in report["notices"]] == ["broken"]


def test_a_conflict_is_told_with_its_files_and_blocks(kelp: Kelp) -> None:
    tip = fork(kelp, lambda kelp: kelp.edit("lib/crc.c", lambda old: old.replace("0x1021", "0x8005")))
    kelp.edit("lib/crc.c", lambda old: old.replace("0x1021", "0x3d65"))
    kelp.commit("Another polynomial")
    code, report, text = kelp.gate()
    assert code == 1
    assert report["change"]["merge"] == {"commit": None, "conflicts": ["lib/crc.c"]}
    assert [(reason["rule"], reason["details"]) for reason in report["reasons"]] == [("conflict", ["lib/crc.c"])]
    assert f"the change: cannot be merged onto {tip[:10]}, where the base is now: 1 file in conflict" in text


def test_a_merge_that_takes_back_what_main_tightened_is_loosened(kelp: Kelp) -> None:
    """The change carries an old limit to where main has not touched it: no line conflicts, and the result is wider."""
    fork(
        kelp,
        lambda kelp: kelp.edit(
            "matrix.yml", lambda old: old.replace("{capacity: 1 KiB}", "{capacity: 1 KiB, reserve: 5 %}")
        ),
    )
    kelp.edit("matrix.yml", lambda old: old.replace("rules: {new_warnings: block}", "rules: {new_warnings: report}"))
    kelp.commit("Be less strict")
    code, report, _ = kelp.gate()
    assert code == 1
    assert {reason["rule"] for reason in report["reasons"]} == {"loosened"}


@pytest.mark.parametrize("broken", [True, False])
def test_a_matrix_that_only_the_merge_breaks_is_told(kelp: Kelp, broken: bool) -> None:
    """Both add the same board in different places of one mapping."""
    line = "      gull: {toolchain: riscv-gcc, recipe: library}\n"
    kelp.append("matrix.yml", "")
    fork(
        kelp,
        lambda kelp: kelp.edit(
            "matrix.yml", lambda old: old.replace("    boards:\n      float", f"    boards:\n{line}      float")
        ),
    )
    if broken:
        kelp.edit("matrix.yml", lambda old: old.replace("rules:", f"{line}rules:"))
    else:
        kelp.append("lib/crc.c", "/* */\n")
    kelp.commit("Gull")
    code, report, text = kelp.gate()
    if not broken:
        assert code == 0, text
        assert sorted({result["target"] for result in report["results"]}) == [
            "cortex-m/buoy",
            "riscv/float",
            "riscv/gull",
        ]
        return
    assert code == 1
    (reason,) = [reason for reason in report["reasons"] if reason["rule"] == "matrix"]
    assert reason["commit"] == report["change"]["merge"]["commit"]["id"]
