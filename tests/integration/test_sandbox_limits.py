"""
What a build may use: memory, processes, disk. Each bomb is small, and stops by itself should nothing hold it.

The kernel's own counters (control groups) and the keeper's looks are tried apart: machines have one or the other.
"""

from __future__ import annotations

import os
import select
import sys
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from signal import Signals

import pytest

from gatekeep.build.command import CancelToken, CommandResult, Exited, OverLimit, Resource, Signalled
from gatekeep.build.groups import find_groups
from gatekeep.build.keeper import list_descendants
from gatekeep.build.machine import count_memory, free_bytes
from gatekeep.build.sandbox import lower_limits
from gatekeep.build.subprocess_runner import SubprocessRunner
from gatekeep.model.limits import Limits
from tests.lacking import do_without
from tests.sandboxes import Cell, list_processes
from tests.small_disk import fill, mount_small_disk

MIB = 1024**2
LIMITS = Limits(memory_bytes=192 * MIB, process_count=64, disk_bytes=96 * MIB)
#: A bomb that the sandbox does not hold stops here.
FUSE = f"""
import resource
resource.setrlimit(resource.RLIMIT_AS, ({1024 * MIB}, {1024 * MIB}))
if resource.getrlimit(resource.RLIMIT_FSIZE)[1] == resource.RLIM_INFINITY:
    resource.setrlimit(resource.RLIMIT_FSIZE, ({64 * MIB}, {64 * MIB}))
"""


@pytest.fixture(scope="module")
def machine() -> Iterator[SubprocessRunner]:
    with SubprocessRunner(grace_s=0.5) as runner:
        yield runner


@pytest.fixture(params=["groups", "looks"])
def cell(request: pytest.FixtureRequest, tmp_path: Path, machine: SubprocessRunner) -> Cell:
    cell = Cell.make(tmp_path, machine)
    if request.param == "groups":
        if os.geteuid() == 0:
            assert cell.sandbox.groups.keys() == find_groups().keys()
        if not cell.sandbox.groups:
            do_without("no control group can be made on this machine; the looks are tried beside this")
        return cell
    sandbox = replace(cell.sandbox, groups={})
    places = tuple(cell.folder / name for name in ("tree", "out", "home", "tmp"))
    cell.runner = sandbox.confine(machine, writable=places, tmp=cell.folder / "tmp")
    return cell


def run(cell: Cell, script: str, limits: Limits = LIMITS) -> CommandResult:
    spec = cell.spec(sys.executable, "-I", "-S", "-c", FUSE + script)
    cell.log.unlink(missing_ok=True)
    with CancelToken() as cancel:
        return cell.runner.run(replace(spec, limits=limits), cancel)


def groups_left(cell: Cell) -> list[str]:
    """Of our own keepers; others may be at work on this machine."""
    keepers = [pid for pid, _group, _is_zombie in list_descendants(os.getpid())]
    folders = [Path(folder) for folder in cell.sandbox.groups.values()]
    return [str(left) for folder in folders for pid in keepers for left in folder.glob(f"gatekeep-{pid}-*")]


def test_build_within_its_limits_is_left_alone(cell: Cell) -> None:
    script = "x = bytearray(64 << 20); open('file', 'wb').write(b'x' * (16 << 20)); print(len(x))"
    assert run(cell, script).end == Exited(code=0), cell.printed()
    assert groups_left(cell) == []


def test_build_that_fails_by_itself_within_its_limits_just_fails(cell: Cell) -> None:
    assert run(cell, "x = bytearray(64 << 20); raise SystemExit(3)").end == Exited(code=3)


def test_memory_of_one_process(cell: Cell) -> None:
    end = run(cell, "import time\nx = [bytes([1]) * (8 << 20) for _ in range(80)]\ntime.sleep(20)").end
    assert end == OverLimit(resource=Resource.MEMORY, most=192 * MIB)


def test_memory_of_many_small_processes(cell: Cell) -> None:
    script = """
import os, time
for _ in range(20):
    if os.fork() == 0:
        x = bytes([1]) * (32 << 20)
        time.sleep(20)
        os._exit(0)
for _ in range(20):
    if os.wait()[1]: raise SystemExit(1)
"""
    end = run(cell, script).end
    assert end == OverLimit(resource=Resource.MEMORY, most=192 * MIB)


def test_fork_bomb(cell: Cell) -> None:
    """It forks 400 times at most, should nothing hold it."""
    script = """
import os, time
for _ in range(400):
    if os.fork() == 0:
        time.sleep(20)
        os._exit(0)
time.sleep(20)
"""
    end = run(cell, script).end
    if os.geteuid() != 0 and not cell.sandbox.groups:
        # An ordinary user's processes are bound by a resource limit, which counts nothing that could be asked for.
        assert end == Exited(code=1)
        assert "Resource temporarily unavailable" in cell.printed()
    else:
        assert end == OverLimit(resource=Resource.PROCESSES, most=64), cell.printed()
    assert groups_left(cell) == []


def test_fork_bomb_that_flees_its_parents(cell: Cell) -> None:
    script = """
import os, time
def burst(depth):
    for _ in range(3):
        if os.fork() == 0:
            os.setsid()
            if depth: burst(depth - 1)
            time.sleep(20)
            os._exit(0)
burst(4)
os._exit(1)
"""
    result = run(cell, script)
    # The first has ended before anybody looks, and with it goes everything; or the limit came first.
    assert result.end in (Exited(code=1), OverLimit(resource=Resource.PROCESSES, most=64))
    assert list_processes("burst(depth") == []


def test_disk_over_many_files(cell: Cell) -> None:
    script = """
import os, time
block = os.urandom(1 << 20)
for number in range(300):
    with open(f"{number}", "wb") as stream:
        stream.write(block)
    time.sleep(0.005)
time.sleep(20)
"""
    assert run(cell, script).end == OverLimit(resource=Resource.DISK, most=96 * MIB)


def test_disk_that_others_free_meanwhile(cell: Cell, tmp_path: Path) -> None:
    """What others free hides what the build writes from whoever asks the disk alone."""
    ballast = tmp_path / "ballast"
    with ballast.open("wb") as stream:
        os.posix_fallocate(stream.fileno(), 0, 1024 * MIB)
    script = """
import os, time
block = os.urandom(1 << 20)
for number in range(120):
    with open(f"{number}", "wb") as stream:
        stream.write(block)
time.sleep(20)
"""

    def free_it() -> None:
        while not (cell.folder / "tree" / "0").exists() and not has_ended.wait(0.001):
            pass
        ballast.unlink()

    has_ended = threading.Event()
    freeing = threading.Thread(target=free_it)
    freeing.start()
    try:
        end = run(cell, script).end
    finally:
        has_ended.set()
        freeing.join()
    assert end == OverLimit(resource=Resource.DISK, most=96 * MIB)


def test_counting_what_was_written_leaves_no_trace_in_the_tree(cell: Cell) -> None:
    """Folders that are counted in must not count as listed by the build; in a keeper, which has the builds' filter."""
    folders = [cell.folder / "tree" / "docs" / "old", cell.folder / "tree" / "docs", cell.folder / "tree"]
    folders[0].mkdir(parents=True)
    for folder in folders:
        os.utime(folder, (1_000_000_000, 1_000_000_001))
    # Longer than any build goes uncounted.
    assert run(cell, "import time\ntime.sleep(3)\n").end == Exited(code=0)
    assert [folder.stat().st_atime for folder in folders] == [1_000_000_000] * 3


def test_disk_in_files_that_are_deleted_and_still_open(cell: Cell) -> None:
    script = """
import os, time
block = os.urandom(1 << 20)
kept = []
for number in range(12):
    stream = open("file", "wb")
    os.unlink("file")
    kept.append(stream)
    for _ in range(16):
        stream.write(block)
    stream.flush()
    time.sleep(0.05)
time.sleep(20)
"""
    assert run(cell, script).end == OverLimit(resource=Resource.DISK, most=96 * MIB)


def test_one_file_larger_than_a_third_of_the_disk(cell: Cell) -> None:
    script = "import signal; signal.signal(signal.SIGXFSZ, signal.SIG_DFL)\nopen('f', 'wb').write(bytes(40 << 20))"
    end = run(cell, script).end
    assert end == Signalled(signal=Signals.SIGXFSZ)
    assert (cell.folder / "tree" / "f").stat().st_size == 32 * MIB


def test_shared_memory_is_small(cell: Cell) -> None:
    end = run(cell, "for number in range(3): open(f'/dev/shm/{number}', 'wb').write(bytes(30 << 20))").end
    assert end == Exited(code=1)
    assert "No space left on device" in cell.printed()


def test_disk_that_was_full_and_is_not_any_more_was_seen(tmp_path: Path, machine: SubprocessRunner) -> None:
    """Whoever filled it meanwhile has gone when the build has failed for it."""
    with mount_small_disk(tmp_path / "disk", size_bytes=256 * MIB) as disk:
        cell = Cell.make(disk / "cell", machine)
        pipes = []
        for name in ("begun", "failed", "go"):
            os.mkfifo(cell.folder / "tree" / name)
            # Open at both ends, so that neither side waits for the other.
            pipes.append(os.open(cell.folder / "tree" / name, os.O_RDWR | os.O_CLOEXEC))
        begun, failed, go = pipes
        script = """
import os, time
go = open("go")
open("begun", "w").write("begun")
go.readline()
try:
    open("f", "wb").write(bytes(8 << 20))
except OSError as error:
    print(error, flush=True)
# Twice as long as it is from one look to the next.
time.sleep(0.5)
open("failed", "w").write("failed")
go.readline()
raise SystemExit(1)
"""
        answers: list[CommandResult] = []
        building = threading.Thread(target=lambda: answers.append(run(cell, script)))
        building.start()
        try:
            assert select.select([begun], [], [], 30)[0], cell.printed()
            ballast = fill(disk, leave_bytes=1 * MIB)
            os.write(go, b"go\n")
            assert select.select([failed], [], [], 30)[0], cell.printed()
            ballast.unlink()
        finally:
            os.write(go, b"go\ngo\n")
            building.join()
            for pipe in pipes:
                os.close(pipe)
        (answer,) = answers
        assert answer.end == Exited(code=1)
        # What it printed had no room either.
        assert answer.log_fault is not None
        assert answer.least_free_bytes is not None
        assert answer.least_free_bytes <= 1 * MIB < 64 * MIB < free_bytes(disk)


def test_machine_gives_no_more_than_it_has(tmp_path: Path) -> None:
    huge = Limits(memory_bytes=1 << 60, process_count=9, disk_bytes=1 << 60)
    lowered = lower_limits(huge, tmp_path)
    assert lowered.memory_bytes == count_memory() * 4 // 5
    assert lowered.disk_bytes <= free_bytes(tmp_path)
    assert lower_limits(LIMITS, tmp_path) == LIMITS


def test_failure_beside_a_memory_bomb_is_the_builds_own(tmp_path: Path, machine: SubprocessRunner) -> None:
    """A build that has filled its group with cached files fails while another one is ended for lack of memory."""
    cell, beside = Cell.make(tmp_path / "one", machine), Cell.make(tmp_path / "other", machine)
    if "memory" not in cell.sandbox.groups:
        do_without("no control group for memory can be made on this machine")
    pipes = []
    for name in ("ready", "go"):
        os.mkfifo(cell.folder / "tree" / name)
        # Open at both ends, so that neither side waits for the other.
        pipes.append(os.open(cell.folder / "tree" / name, os.O_RDWR | os.O_CLOEXEC))
    ready, go = pipes
    script = """
import os
block = os.urandom(1 << 20)
with open("cached", "wb") as stream:
    for _ in range(224):
        stream.write(block)
open("ready", "w").write("ready")
open("go").readline()
raise SystemExit(7)
"""
    answers: list[CommandResult] = []
    failing = threading.Thread(target=lambda: answers.append(run(cell, script, replace(LIMITS, disk_bytes=1024 * MIB))))
    failing.start()
    try:
        assert select.select([ready], [], [], 30)[0], cell.printed()
        bomb = run(beside, "x = [bytes([1]) * (8 << 20) for _ in range(80)]")
    finally:
        os.write(go, b"go\n")
        failing.join()
        for pipe in pipes:
            os.close(pipe)
    assert (bomb.end, bomb.oom_kills) == (OverLimit(resource=Resource.MEMORY, most=192 * MIB), 1)
    assert [(answer.end, answer.oom_kills) for answer in answers] == [(Exited(code=7), 0)]
