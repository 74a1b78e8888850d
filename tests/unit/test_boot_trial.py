"""How an emulator ends, and what that says of the image: nothing where the machine is to blame."""

from __future__ import annotations

from pathlib import Path
from signal import Signals

import pytest

from gatekeep.boot.trial import try_boot
from gatekeep.build.command import (
    CancelToken,
    CommandEnd,
    CommandSpec,
    Exited,
    Hindrance,
    Lost,
    NotStarted,
    OverLimit,
    Resource,
    Signalled,
)
from gatekeep.build.job import BootResult
from gatekeep.model.evidence import Broken, NotDecided
from gatekeep.model.matrix import Boot, Recipe
from tests.fakes_command import Act, FakeRunner

RECIPE = Recipe(name="board-make", build=(("make",),), elf="{out}/x.elf", memory_limit_bytes=1024**3)
BOOT = Boot(command=("emulate", "{out}/x.elf"), expect=("skerry", "clock ok", "handover"), time_limit_s=5.0)
MAX = 1024**3


def boot(folder: Path, act: Act | None, *, program: str = "emulate") -> BootResult:
    wanted = Boot(command=(program, *BOOT.command[1:]), expect=BOOT.expect, time_limit_s=BOOT.time_limit_s)
    spec = CommandSpec(
        argv=(program, "/place/out/x.elf"),
        directory=folder,
        environment={},
        time_limit_s=5.0,
        log_path=folder / "console",
        log_limit_bytes=1 << 16,
    )
    acts = {} if act is None else {program: act}
    with CancelToken() as cancel:
        return try_boot(wanted, spec, recipe=RECIPE, runner=FakeRunner(acts), cancel=cancel)


def test_all_in_its_order_is_a_boot(tmp_path: Path) -> None:
    found = boot(tmp_path, Act(output=b"\0skerry 4\r\nclock ok\r\nhandover\r\n", takes_s=100.0))
    assert (found.outcome, found.console[:9]) == (None, b"\0skerry 4")


@pytest.mark.parametrize(
    ("act", "message"),
    [
        (Act(output=b"skerry\n", takes_s=6.0), "booted and did not say 'clock ok' within 5 s"),
        (Act(takes_s=6.0, stopped_by="SIGKILL"), "booted and did not say 'skerry' within 5 s"),
        (Act(output=b"skerry"), "booted and did not say 'clock ok': the emulator ended"),
        (
            Act(output=b"skerry\nhandover\nclock ok\n", end=Exited(code=3)),
            "booted and did not say 'handover': emulate ended with exit code 3",
        ),
        (
            Act(end=Signalled(signal=Signals.SIGSEGV)),
            "booted and did not say 'skerry': emulate was ended by SIGSEGV",
        ),
        (
            Act(end=OverLimit(resource=Resource.MEMORY, most=MAX)),
            "while it booted, the build used more than 1 GiB of memory, its limit",
        ),
    ],
)
def test_what_the_image_did_is_the_codes_fault(tmp_path: Path, act: Act, message: str) -> None:
    found = boot(tmp_path, act).outcome
    assert isinstance(found, Broken)
    assert (found.message, found.first_error) == (message, None)


@pytest.mark.parametrize(
    ("end", "oom_kills"),
    [
        (Lost(message="the process that watches over it was ended from outside"), 0),
        (NotStarted(message="no process can be started", kind=Hindrance.MACHINE), 0),
        (NotStarted(message="it lies where the sandbox shows nothing", kind=Hindrance.HIDDEN), 0),
        (Signalled(signal=Signals.SIGKILL), 1),
        (Exited(code=1), 1),
        (Exited(code=126), 0),
        (Exited(code=127), 0),
        (OverLimit(resource=Resource.MEMORY, most=MAX // 2), 0),
    ],
)
def test_what_the_machine_did_says_nothing_of_the_image(tmp_path: Path, end: CommandEnd, oom_kills: int) -> None:
    assert isinstance(boot(tmp_path, Act(end=end, oom_kills=oom_kills)).outcome, NotDecided)


@pytest.mark.parametrize(
    ("program", "kind"),
    [
        ("emulate", NotDecided),
        ("/opt/emulators/emulate", NotDecided),
        ("tools/emulate", Broken),
        ("{tree}/tools/emulate", Broken),
        ("{out}/emulate", Broken),
    ],
)
def test_a_missing_program_is_the_machines_fault_unless_the_tree_brings_it(
    tmp_path: Path, program: str, kind: type
) -> None:
    found = boot(tmp_path, None, program=program).outcome
    assert isinstance(found, kind)
    if isinstance(found, NotDecided):
        assert found.hint == f"install {program} on this machine, or correct the boot's command"


def test_of_a_long_console_the_end_is_shown(tmp_path: Path) -> None:
    lines = b"".join(b"line %d \xff\r\n" % number for number in range(1000))
    found = boot(tmp_path, Act(output=lines, takes_s=6.0)).outcome
    assert isinstance(found, Broken)
    assert found.excerpt == tuple(f"line {number} \udcff" for number in range(992, 1000))
    (tmp_path / "console").unlink()
    without_lines = boot(tmp_path, Act(output=b"." * 50_000, takes_s=6.0)).outcome
    assert isinstance(without_lines, Broken)
    assert [len(line) for line in without_lines.excerpt] == [4096]
