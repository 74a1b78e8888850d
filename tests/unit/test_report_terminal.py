"""What an author reads: whole outputs, and that nothing from outside steers the terminal."""

import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gatekeep.model.verdict import Decision, RegionDelta, Rule
from gatekeep.report.plain import plain
from gatekeep.report.terminal import render_terminal
from tests import judgements
from tests.judgements import make_change, make_evidence, make_judgement, make_matrix, make_reason

BLOCKED = """\
skerry 1111111111..5555555555 (Light the new beacon at Noup)
5 commits (4 change the tree), 6 targets: 18 built now, 0 carried, 12 known before

bytes used, base to head:
    arm/alpha     flash   61648 ->  66104  +4456  100.9 % of 64 KiB, too large
    mips/stack    flash   58826 ->  63282  +4456   96.5 % of 64 KiB
    mips/stack    ram      2048 ->   1984    -64   24.2 % of 8 KiB
    riscv64/vale  main   120412 -> 120416     +4    1.6 % of 7 MiB

new warnings: 1

shown only, does not block:
    mips/stack: make ended with exit code 2 (so at the base already)

every 64-bit target: a pointer is cut to 32 bits at drivers/uart.c:41, since commit 2222222222
    (Add a ring buffer to the serial driver)
    | drivers/uart.c:41:22: error: cast to smaller integer type 'uint32_t' (aka 'unsigned int') from
       'struct ring *'
    |    41 |         uint32_t at = (uint32_t)ring;
    |       |                       ^~~~~~~~~~~~~~
    | 1 error generated.
    | make: *** [Makefile:31: uart.o] Error 1
    cast to smaller integer type 'uint32_t' from 'struct ring *'
    targets: aarch64/skaw, loongarch64/noup, riscv64/tarn/release, riscv64/vale
    log: logs/2222222222/aarch64.skaw.txt and 3 more

arm/alpha: outgrows flash by 568 B, since commit 3333333333 (Carry the harbour names in the
    image)
    arm/alpha: image 66104 bytes > flash 65536 (+568)
    log: logs/3333333333/arm.alpha.txt

mips/stack: grows into the reserve of flash, since commit 3333333333 (Carry the harbour names in
    the image)
    mips/stack: image 63282 bytes of flash 65536, 1023 B into the reserve of 3.20 KiB

arm/alpha and mips/stack: flash grows by more than 4 KiB in one change, since commit 3333333333
    (Carry the harbour names in the image)
    arm/alpha: flash 61648 -> 66104 bytes (+4456, allowed +4096)
    mips/stack: flash 58826 -> 63282 bytes (+4456, allowed +4096)

all 6 targets: new warning: unused variable 'period' [-Wunused-variable] at lamp/timing.c:88,
    since commit 4444444444 (Tidy the lamp timings)
    | int period = 3;
    targets: arm/alpha, aarch64/skaw, riscv64/vale, riscv64/tarn/release, mips/stack,
        loongarch64/noup

riscv64/vale: ran past its time limit of 120 s and was stopped (SIGKILL), since commit
    5555555555 (Light the new beacon at Noup)
    log: logs/5555555555/riscv64.vale.txt

riscv64/vale: was not seen to be built: what was measured is boards/vale/vale.elf of the tree,
    byte for byte, since commit 5555555555 (Light the new beacon at Noup)
    remove the file, and let the recipe build the target from sources

board mips/skua: is in the tree, but no target of the matrix builds it, see
    boards/skua/board.mk, since commit 5555555555 (Light the new beacon at Noup)
    add skua to the matrix under its port

loongarch64/noup, the only target of loongarch64: dropped from the matrix; a change cannot
    loosen its own gate, since commit 5555555555 (Light the new beacon at Noup)

the part nor-half of mips/stack, the only target of mips: the reserve of flash is lowered from
    3277 B to 655 B; a change cannot loosen its own gate, since commit 5555555555 (Light the new
    beacon at Noup)

the matrix: matrix.yml:34:17: a time needs a number above zero with its unit (ms, s, min, h),
    got '3600'; write 3600 s, since commit 5555555555 (Light the new beacon at Noup)

the change: cannot be merged onto 1111111111, where the base is now: 1 file in conflict; rebase
    it, or merge the base into it
    drivers/uart.c

mips/stack: wrote into the source tree (boards/stack/made.h); say `builds_in_tree: true` in the
    recipe if it means to, since commit 4444444444 (Tidy the lamp timings)

mips/stack: toolchain bare-clang is missing, at commit 5555555555 (Light the new beacon at Noup)
    install it: pip install ziglang

approvals:
    what the change loosens can be approved by nobody: matrix.yml of the base lists none;
        whoever administers its branch can add approvers: to it

verdict: block, 13 reasons, 1 more undecided
"""

PASSED = """\
skerry 1111111111..5555555555 (Light the new beacon at Noup)
4 commits, 6 targets: 18 built now, 0 carried, 12 known before

bytes used, base to head:
    mips/stack    ram     2048 ->   1984  -64  24.2 % of 8 KiB
    riscv64/vale  main  120412 -> 120416   +4   1.6 % of 7 MiB

new warnings: 1

shown only, does not block:
    all 6 targets: new warning: unused variable 'period' [-Wunused-variable] at
        lamp/timing.c:88, since commit 4444444444 (Tidy the lamp timings)

verdict: pass
"""

UNDECIDED = """\
skerry 1111111111..5555555555 (Light the new beacon at Noup)
4 commits, 2 targets: 2 built now, 0 carried, 0 known before

mips/stack: toolchain bare-clang is missing, at commit 5555555555
    (Light the new beacon at Noup)
    install it: pip install ziglang

verdict: undecided, 1 reason
"""


MERGED = """\
skerry 1111111111..5555555555 (Light the new beacon at Noup)
would land merged onto 1111111111; the merged tree is judged too
1 commit and the merge, 1 target: 4 built now, 0 carried, 0 known before

riscv64/vale: a pointer is cut to 32 bits at drivers/uart.c:41, since the merge of 5555555555
    onto 1111111111, which is what would land
    | drivers/uart.c:41:22: error: cast to smaller integer type 'uint32_t' (aka 'unsigned int') from
       'struct ring *'
    |    41 |         uint32_t at = (uint32_t)ring;
    |       |                       ^~~~~~~~~~~~~~
    | 1 error generated.
    | make: *** [Makefile:31: uart.o] Error 1
    cast to smaller integer type 'uint32_t' from 'struct ring *'
    log: logs/2222222222/aarch64.skaw.txt and 3 more

verdict: block, 1 reason
"""

CONFLICTING = """\
skerry 1111111111..5555555555 (Light the new beacon at Noup)
cannot be merged onto 1111111111
1 commit, 1 target: 3 built now, 0 carried, 0 known before

the change: cannot be merged onto 1111111111, where the base is now: 1 file in conflict; rebase
    it, or merge the base into it
    drivers/uart.c

verdict: block, 1 reason
"""


@pytest.mark.parametrize(
    ("judgement", "width", "report"),
    [
        (judgements.blocked(), 100, BLOCKED),
        (judgements.passed(), 100, PASSED),
        (judgements.undecided(), 72, UNDECIDED),
        (judgements.merged(), 100, MERGED),
        (judgements.conflicting(), 100, CONFLICTING),
    ],
)
def test_report_is_this(judgement, width, report):
    assert render_terminal(judgement, colour=False, width=width) == report


def test_one_line_tells_how_much_was_built_and_carried_and_why():
    reasons = ("it was never built before", "drivers/uart.c, which it reads, is modified", "it was never built before")
    evidence = tuple(
        replace(make_evidence(f"arm/b{number}"), reason=reason) for number, reason in enumerate((*reasons, ""))
    )
    report = render_terminal(
        make_judgement(evidence=evidence, change=make_change(judgements.RING), reused_count=1), colour=False, width=200
    )
    # No line is longer than people read.
    assert report.splitlines()[1:3] == [
        "1 commit, 4 targets: 3 built now, 0 carried, 1 known before; built because: it was never built before (2);",
        "    drivers/uart.c, which it reads, is modified (1)",
    ]


def test_colour_adds_nothing_but_colour():
    coloured = render_terminal(judgements.blocked(), colour=True, width=100)
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured) == BLOCKED
    assert coloured.endswith("\x1b[1;31mverdict: block, 13 reasons, 1 more undecided\x1b[0m\n")
    assert (
        "\n\x1b[1mevery 64-bit target:\x1b[0m a pointer is cut to 32 bits at \x1b[1mdrivers/uart.c:41,\x1b[0m"
        in coloured
    )


@pytest.mark.parametrize("seed", range(5))
def test_order_of_evidence_does_not_change_the_report(seed):
    assert render_terminal(judgements.shuffled(judgements.blocked(), seed), colour=False, width=100) == BLOCKED


@pytest.mark.parametrize("width", [0, 40, 57, 80, 1000])
@pytest.mark.parametrize("judgement", [judgements.blocked(), judgements.hostile()])
def test_lines_keep_to_the_width_unless_one_word_is_longer(judgement, width):
    limit = max(40, min(width, 120))
    for line in render_terminal(judgement, colour=False, width=width).splitlines():
        # Figures of the table and the verdict are never cut, however narrow the terminal.
        if line.startswith("verdict: "):
            continue
        assert len(line) <= limit or len(line.split()) == 1 or (width < 80 and " -> " in line)


def test_reason_names_every_target_only_where_its_words_do_not():
    report = render_terminal(
        make_judgement(
            make_reason(Rule.BROKEN, whom="riscv64/vale", targets=("riscv64/vale",), log_paths=()),
            make_reason(Rule.GROWTH, targets=tuple(f"arm/b{number:02}" for number in range(15)), whom="every board"),
        ),
        colour=False,
        width=120,
    )
    assert (
        "    targets: arm/b00, arm/b01, arm/b02, arm/b03, arm/b04, arm/b05, arm/b06, arm/b07, arm/b08, arm/b09,"
        " arm/b10,\n" in report
    )
    assert "        arm/b11 and 3 more\n" in report
    assert report.count("    targets:") == 1
    assert report.endswith("verdict: block, 2 reasons\n")


def test_excerpt_starts_at_the_line_of_the_place_and_says_what_it_left_out():
    log = (*(f"cc {number}.c" for number in range(20)), "drivers/uart.c:41:22: error: no", *"abcdefghijkl")
    report = render_terminal(make_judgement(make_reason(excerpt=log)), colour=False, width=100)
    assert "    | drivers/uart.c:41:22: error: no\n    | a\n" in report
    assert "    | g\n    | (25 lines more)\n" in report
    assert "    | cc" not in report


def test_excerpt_without_the_place_gives_its_last_lines():
    report = render_terminal(
        make_judgement(make_reason(excerpt=tuple("abcdefghijkl"), place="")), colour=False, width=100
    )
    assert "    | e\n" in report
    assert "    | l\n    | (4 lines more)\n" in report
    assert "    | d\n" not in report


def test_tabs_of_a_log_become_blanks_so_that_carets_stand_right():
    log = ("a.c:1:2: error: no", "\tint *p;", "\t    ^")
    report = render_terminal(make_judgement(make_reason(excerpt=log)), colour=False, width=100)
    assert "    |         int *p;\n    |             ^\n" in report


def test_long_tables_are_capped_and_say_so():
    deltas = tuple(
        RegionDelta(
            target=f"arm/b{number}",
            region="flash",
            base_used_bytes=100,
            head_used_bytes=100 + number,
            capacity_bytes=999,
        )
        for number in range(1, 15)
    )
    notices = tuple(make_reason(Rule.RESERVE, whom=f"arm/b{number:02}", blocks=False) for number in range(13))
    report = render_terminal(make_judgement(deltas=deltas, notices=notices), colour=False, width=100)
    assert "    arm/b14  flash  100 -> 114  +14  11.4 % of 999 B\n" in report
    assert "    and 4 regions more; --json has all\n" in report
    assert "arm/b4 " not in report
    assert "    and 3 more; --json has all\n" in report


def test_a_range_without_commits_says_so_in_words():
    """Whoever names base and head the wrong way round, or did not commit, gets a pass that says nothing of the work."""
    change = replace(make_change(judgements.RING), commits=(), commit_count=0)
    report = render_terminal(make_judgement(change=change, evidence=(), reused_count=0), colour=False, width=100)
    assert "\nno commit that the base lacks: nothing to build\n" in report
    report = render_terminal(make_judgement(change=change), colour=False, width=100)
    assert "\nno commit that the base lacks, " in report


def test_empty_change_says_that_there_was_nothing_to_build():
    change = replace(make_change(judgements.RING, commit_count=1), commits=())
    report = render_terminal(make_judgement(change=change, evidence=(), reused_count=0), colour=False, width=100)
    assert report == (
        "skerry 1111111111..2222222222 (Add a ring buffer to the serial driver)\n"
        "1 commit, and none changes the tree: nothing to build\n"
        "\n"
        "verdict: pass\n"
    )


def test_hostile_text_never_reaches_the_terminal():
    report = render_terminal(judgements.hostile(), colour=False, width=100)
    assert [line for line in report.split("\n") if plain(line) != line] == []
    assert "\\x1b[2J\\u202e<b onload=x>" in report
    report.encode("utf-8")


@given(st.text(alphabet=st.characters(codec=None), max_size=80), st.integers(0, 130))
def test_any_text_leaves_one_verdict_line_and_no_control(text, width):
    reason = make_reason(whom=text, message=text, place=text, details=(text,), excerpt=(text,), log_paths=(text,))
    matrix = replace(make_matrix(), tree=text)
    report = render_terminal(
        make_judgement(reason, decision=Decision.BLOCK, matrix=matrix, evidence=()), colour=False, width=width
    )
    assert [line for line in report.split("\n") if plain(line) != line] == []
    assert report.endswith("\n\nverdict: block, 1 reason\n")


def test_waived_reasons_and_what_becomes_of_waivers_stand_before_the_verdict():
    report = render_terminal(judgements.waived(), colour=False, width=100)
    assert (
        report.partition("waived, does not block:\n")[2]
        == """\
    arm/alpha: outgrows flash by 568 B, since commit 3333333333 (Carry the harbour names in the
        image)
        waived until 2024-03-09 by alpha-part: the larger part comes in March (Isa Thorne)

waivers:
    alpha-part ends in 3 days, on 2024-03-09: rule outgrown of arm/alpha blocks again then
    stack-reserve ended on 2024-03-05: rule reserve of mips/stack blocks again
    spare excuses nothing here: rule broken of aarch64/skaw, loongarch64/noup,
        riscv64/tarn/release, riscv64/vale; remove it where it is not needed any more

verdict: pass, 1 reason waived
"""
    )


def test_every_waived_reason_is_shown_however_many_there_are():
    judgement = judgements.waived()
    (reason,) = judgement.verdict.waived
    many = tuple(replace(reason, message=f"fault {number}") for number in range(40))
    shown = render_terminal(
        replace(judgement, verdict=replace(judgement.verdict, waived=many)), colour=False, width=100
    )
    assert all(f"fault {number}," in shown for number in range(40))


def test_approved_reasons_and_approvals_that_do_not_count_are_told():
    report = render_terminal(judgements.approved(), colour=False, width=100)
    assert (
        report.partition("approved, does not block:\n")[2]
        == """\
    the part nor-half of mips/stack, the only target of mips: the reserve of flash is lowered
        from 3277 B to 655 B; a change cannot loosen its own gate, since commit 5555555555 (Light
        the new beacon at Noup)
        approved by isa

approvals:
    refs/gatekeep/approvals/0f/1: it is for another change

verdict: pass, 1 reason approved
"""
    )
