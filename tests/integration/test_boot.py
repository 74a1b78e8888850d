"""
Booting images at the gate: what a console says, what it leaves out, and what keeps an emulator from saying anything.

Real git, Debian's cross GCC, and images that Unicorn executes from reset; nothing but a UART is modelled.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from gatekeep.build.job import CONSOLE_LIMIT_BYTES
from tests.integration.test_gate import Kelp

MATRIX = """\
matrix: 1
tree: kelp
source_date: 2024-05-01
toolchains: {arm-gcc: {probe: [arm-none-eabi-gcc, --version]}}
recipes:
  bare:
    build:
      - [arm-none-eabi-gcc, -mcpu=cortex-m3, -mthumb, -Os, -ffreestanding, -nostdlib,
         "-Wl,--section-start=.vectors=0,-Ttext=0x100,-e,run", -o, "{out}/{board}.elf", main.c]
      - [arm-none-eabi-objcopy, -O, binary, "{out}/{board}.elf", "{out}/{board}.bin"]
    elf: "{out}/{board}.elf"
    image: "{out}/{board}.bin"
parts: {internal: {capacity: 64 KiB}}
every: {toolchain: arm-gcc, recipe: bare, part: internal}
ports:
  cortex-m:
    maintainers: [Oda Brekke]
    machine: ARM
    boards:
      buoy:
        boot:
          command: [emulate-buoy, "{image}", "{tree}/straps.txt"]
          expect: ["kelp 1", clock ok, handover]
          time_limit: 20 s
"""

#: A vector table, and a console that is one register.
SOURCE = """\
static void say(const char *text) { while (*text) *(volatile unsigned char *)0x40000000 = (unsigned char)*text++; }
void run(void);
__attribute__((used, section(".vectors"))) static const void *const vectors[2] = { (void *)0x20001000, (void *)run };
void run(void)
{
    say("kelp 1\\r\\n");
    say("clock ok\\r\\n");
    say("handover\\r\\n");
    for (;;) { }
}
"""

EMULATOR = """\
#!{python}
import os, struct, sys
import unicorn
from unicorn import arm_const
{before}
with open(sys.argv[1], "rb") as stream:
    image = stream.read()
with open(sys.argv[2]) as stream:
    stream.read()
machine = unicorn.Uc(unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB | unicorn.UC_MODE_MCLASS)
machine.mem_map(0, 0x10000)
machine.mem_write(0, image)
machine.mem_map(0x20000000, 0x2000)
def show(_machine, _at, _size, value, _user):
    os.write(1, bytes([value]))
machine.mmio_map(0x40000000, 0x1000, lambda *_: 0, None, show, None)
stack, reset = struct.unpack_from("<II", image)
machine.reg_write(arm_const.UC_ARM_REG_SP, stack)
machine.emu_start(reset, 0)
"""


class Buoy(Kelp):
    """A repository with one board, an emulator of it on PATH, and the gate run on both."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "kelp"
        self.home = folder / "home"
        self.programs = folder / "programs"
        for path in (self.folder, self.home, self.programs):
            path.mkdir()
        (self.folder / "matrix.yml").write_text(MATRIX)
        (self.folder / "main.c").write_text(SOURCE)
        (self.folder / "straps.txt").write_text("boot from flash\n")
        self.install()
        self.git("init", "-q", "-b", "main")
        self.base = self.commit("Import")

    def install(self, before: str = "") -> None:
        """Install the emulator; `before` are lines of Python that run first."""
        program = self.programs / "emulate-buoy"
        program.write_text(EMULATOR.format(python=sys.executable, before=before))
        program.chmod(0o755)

    def environment(self, **more: str) -> dict[str, str]:
        path = f"{self.programs}:{Path(sys.executable).parent}:{os.environ['PATH']}"
        return {"PATH": path, "HOME": str(self.home), **more}

    def says(self, statement: str, *, in_place_of: str = 'say("clock ok\\r\\n");') -> None:
        """Have the firmware do something else than say that its clock is well."""
        assert in_place_of in SOURCE
        self.edit("main.c", lambda text: text.replace(in_place_of, statement))
        self.commit("clock: Say it otherwise")

    def limit(self, seconds: int) -> None:
        self.edit("matrix.yml", lambda text: text.replace("time_limit: 20 s", f"time_limit: {seconds} s"))
        self.base = self.commit("Boot faster")

    def log(self, path: str) -> bytes:
        return (self.folder / path).read_bytes()


@pytest.fixture
def buoy(tmp_path: Path) -> Buoy:
    return Buoy(tmp_path)


def test_an_image_that_says_all_passes_as_soon_as_it_has_said_it(buoy: Buoy) -> None:
    """It loops for ever then: whoever waited for its end would wait for the time limit."""
    buoy.append("main.c", "/* deep */\n")
    head = buoy.commit("main: Say how deep")
    code, report, text = buoy.gate()
    assert code == 0, text
    result = next(entry for entry in report["results"] if entry["commit"] == head)
    assert 0 < result["booted_s"] < 20
    assert result["elapsed_s"] > result["booted_s"]
    assert "boot" not in text


def test_a_carried_result_has_booted_and_what_the_emulator_reads_is_read(buoy: Buoy) -> None:
    (buoy.folder / "depths.md").write_text("2 m\n")
    buoy.commit("Say how deep")
    buoy.append("straps.txt", "slow\n")
    buoy.commit("straps: Slower")
    code, report, text = buoy.gate()
    assert code == 0, text
    assert "straps.txt, which it reads, is modified (1)" in text
    carried = [entry for entry in report["results"] if entry["carried_from"]]
    assert len(carried) == 1
    assert carried[0]["booted_s"] > 0


def test_an_image_that_faults_early_is_broken_and_the_console_is_kept(buoy: Buoy) -> None:
    buoy.says("__builtin_trap();")
    code, report, text = buoy.gate()
    assert code == 1
    (reason,) = report["reasons"]
    assert (reason["rule"], reason["targets"]) == ("broken", ["cortex-m/buoy"])
    assert reason["message"] == "booted and did not say 'clock ok': emulate-buoy ended with exit code 1"
    assert reason["excerpt"][-1].startswith("unicorn")
    assert "booted and did not say 'clock ok'" in text
    assert b"the console of the boot]\nkelp 1\r\n" in buoy.log(reason["logs"][0])


def test_an_image_that_hangs_is_broken_at_the_time_limit(buoy: Buoy) -> None:
    buoy.limit(2)
    buoy.says("for (;;) { }")
    code, report, _text = buoy.gate()
    assert code == 1
    assert report["reasons"][0]["message"] == "booted and did not say 'clock ok' within 2 s"
    assert report["reasons"][0]["excerpt"] == ["kelp 1"]


def test_texts_in_another_order_are_not_what_is_expected(buoy: Buoy) -> None:
    buoy.limit(2)
    buoy.says('say("handover\\r\\nclock ok\\r\\n");')
    buoy.says("", in_place_of='say("handover\\r\\n");')
    code, report, _text = buoy.gate()
    assert code == 1
    assert report["reasons"][0]["message"] == "booted and did not say 'handover' within 2 s"


def test_a_console_without_end_is_cut_and_ended(buoy: Buoy) -> None:
    buoy.limit(4)
    buoy.says('for (;;) say("waiting for the clock, which does not come up however long anybody waits for it\\r\\n");')
    code, report, text = buoy.gate()
    assert code == 1, text
    (reason,) = report["reasons"]
    assert reason["message"] == "booted and did not say 'clock ok' within 4 s"
    log = buoy.log(reason["logs"][0])
    assert len(log) < CONSOLE_LIMIT_BYTES + 1000
    assert b"kelp 1\r\nwaiting for" in log


def test_a_console_of_escape_codes_steers_no_terminal(buoy: Buoy) -> None:
    buoy.says('say("\\033[2J\\033]0;mine\\007\\rverdict: pass\\r\\n\\302\\233A"); __builtin_trap();')
    code, _report, text = buoy.gate()
    assert code == 1
    assert not any(ord(letter) < 32 and letter != "\n" for letter in text)
    assert "\x9b" not in text
    assert text.splitlines()[-1] == "verdict: block, 1 reason"
    assert "verdict: pass" not in text.splitlines()


def test_a_missing_emulator_is_undecided_with_a_way_out(buoy: Buoy) -> None:
    (buoy.programs / "emulate-buoy").unlink()
    buoy.says("")
    code, report, text = buoy.gate()
    assert code == 3
    assert "install emulate-buoy on this machine, or correct the boot's command" in text
    assert {entry["outcome"] for entry in report["results"]} == {"not decided"}


def test_an_emulator_that_does_not_find_what_it_calls_is_undecided(buoy: Buoy) -> None:
    buoy.install("sys.exit(127)")
    buoy.says("")
    code, _report, text = buoy.gate()
    assert code == 3
    assert "emulate-buoy ended with exit code 127: what it calls cannot be run here" in text


def test_a_program_that_the_tree_should_bring_is_the_trees_fault(buoy: Buoy) -> None:
    buoy.edit("matrix.yml", lambda text: text.replace("[emulate-buoy,", '["{tree}/tools/emulate",'))
    buoy.commit("Boot with a program that is not there")
    code, report, _text = buoy.gate()
    assert code == 1
    assert "broken" in {reason["rule"] for reason in report["reasons"]}


def test_a_boot_that_fails_once_and_passes_once_is_undecided(buoy: Buoy, tmp_path: Path) -> None:
    """A sandbox would not let the emulator remember that it has failed."""
    mood = tmp_path / "mood"
    buoy.install(f"if os.path.exists({str(mood)!r}): os.remove({str(mood)!r}); sys.exit('the emulator has the moods')")
    buoy.append("main.c", "/* deep */\n")
    mood.touch()
    buoy.commit("main: Say how deep")
    code, _report, text = buoy.gate("--sandbox", "off", "--workers", "1")
    assert code == 3, text
    assert "failed and passed on the same inputs: booted and did not say 'kelp 1'" in text


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("clock ok, ", "", "the console no longer has to say 'clock ok'"),
        ("time_limit: 20 s", "time_limit: 1 min", "the time limit is raised from 20 s to 60 s for its boot"),
    ],
)
def test_a_change_that_asks_less_of_the_console_is_blocked(buoy: Buoy, old: str, new: str, message: str) -> None:
    buoy.edit("matrix.yml", lambda text: text.replace(old, new))
    buoy.commit("Ask less")
    code, report, _text = buoy.gate()
    assert code == 1
    (reason,) = report["reasons"]
    assert (reason["rule"], reason["message"]) == ("loosened", f"{message}; a change cannot loosen its own gate")
