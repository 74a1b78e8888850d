"""
What this machine cannot be asked to do, done to a virtual one: see tests/faults/guest.py for what that takes.

    python tests/benchmarks/bench_guest.py power [--times 10] [--from 0]
    python tests/benchmarks/bench_guest.py clock [--times 3] [--from 0]
    python tests/benchmarks/bench_guest.py groups [TEST FILES AND OPTIONS OF PYTEST]

power: the gate runs, and at a random moment the plug is pulled. Then the disk is mounted here: everything the gate had
told is in the store, the store is sound, and the gate run again comes to the verdict of an undisturbed run.
clock: the gate runs while the clock jumps by up to a year, back and forth; its verdict is that of an undisturbed run,
or undecided, and the run after it, with the clock right again, comes to the undisturbed verdict.
groups: tests run where memory and processes are held by control groups of version 2.

Exit code 1 where something did not hold. `--keep DIR` keeps the kernel for the next time.
"""

from __future__ import annotations

import argparse
import os
import random
import re
import select
import shlex
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.faults.guest import Guest
from tests.faults.sounding import TOLD, Answer, Sounding, make_tree
from tests.repos import GitFolder

CHECKOUT = Path(__file__).resolve().parents[2]
#: Results that the gate tells of on Sounding's change, and longest time after one until the plug is pulled.
TOLD_COUNT, LONGEST_S = 10, 4.0
UNDECIDED = 3
PREPARE = """\
export PATH=/usr/local/bin:/usr/bin:/bin:/usr/sbin:/sbin HOME=/mnt/home TMPDIR=/mnt/tmp
export PYTHONDONTWRITEBYTECODE=1 TERM=dumb
mkdir -p /mnt/home /mnt/tmp
echo "+memory +pids" >/sys/fs/cgroup/cgroup.subtree_control
"""
GATE = f"""\
cd /mnt/tree
{shlex.quote(sys.executable)} -m gatekeep gate main change --store /mnt/store --workers 2 --json /mnt/store.json 2>&1
echo "gate: ended with $?"
"""
JUMPS = """\
{gate} &
trap '' TERM
for jump in {jumps}; do sleep {every_s}; date -s "@$(($(date +%s) + jump))"; done
wait
"""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--keep", type=Path, metavar="DIR")
    commands = parser.add_subparsers(dest="command", required=True)
    for name, times in (("power", 10), ("clock", 3)):
        command = commands.add_parser(name)
        command.add_argument("--times", type=int, default=times)
        command.add_argument("--from", dest="first", type=int, default=0)
    commands.add_parser("groups").add_argument("pytest", nargs=argparse.REMAINDER)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        guest = Guest.prepare(options.keep or Path(scratch, "guest"))
        if options.command == "groups":
            return run_tests(guest, options.pytest or ["tests/integration/test_sandbox_limits.py", "-k", "groups"])
        trial = pull_the_plug if options.command == "power" else turn_the_clock
        return repeat(guest, Path(scratch), trial, range(options.first, options.first + options.times))


def repeat(guest: Guest, scratch: Path, trial: Callable[[Guest, Answer, int], list[str]], numbers: range) -> int:
    """Try with each number as its seed; the disk starts anew with the tree and no store."""
    tree = make_tree(scratch / "tree")
    undisturbed = Sounding(tree, scratch / "undisturbed").run()
    faulty = 0
    for number in numbers:
        with guest.mounted() as disk:
            for name in ("store", "tree"):
                shutil.rmtree(disk / name, ignore_errors=True)
            shutil.copytree(tree.path, disk / "tree", symlinks=True)
        faults = trial(guest, undisturbed, number)
        faulty += bool(faults)
        print(f"trial {number}: {'; '.join(faults) or 'held'}", flush=True)
    print(f"{len(numbers)} trials: {faulty} with something lost or wrong (bound 0)")
    return 1 if faulty else 0


def pull_the_plug(guest: Guest, undisturbed: Answer, number: int) -> list[str]:
    """End the machine some time after some result was told."""
    drawn = random.Random(number)
    after, wait_s = drawn.randrange(TOLD_COUNT + 1), drawn.uniform(0.0, LONGEST_S)
    printed: list[str] = []
    with guest.start(PREPARE + GATE) as machine:
        for line in iter_lines(machine):
            printed.append(line)
            if line.startswith("gate: ended") or count_told("".join(printed)) > after:
                break
        ends_at = time.monotonic() + wait_s
        printed += iter_lines(machine, ends_at)
        machine.kill()
    print(
        f"trial {number}: cut {wait_s:.2f} s after {count_told(''.join(printed))} of {TOLD_COUNT} results", flush=True
    )
    return look_after(guest, undisturbed, "".join(printed))


def turn_the_clock(guest: Guest, undisturbed: Answer, number: int) -> list[str]:
    """Let the clock jump while the gate runs."""
    drawn = random.Random(number)
    jumps = [drawn.choice((-1, 1)) * int(10 ** drawn.uniform(0, 7.5)) for _ in range(12)]
    jumps.append(-sum(jumps))
    gate = f"( {GATE} )"
    with guest.start(PREPARE + JUMPS.format(gate=gate, jumps=" ".join(map(str, jumps)), every_s=3)) as machine:
        printed = "".join(iter_lines(machine))
    return look_after(guest, undisturbed, printed)


def look_after(guest: Guest, undisturbed: Answer, printed: str) -> list[str]:
    """Look at what is on the disk, and run the gate again on this machine."""
    faults = []
    with guest.mounted() as disk:
        sounding = Sounding(GitFolder(disk / "tree"), disk / "store")
        if found := re.search(r"^gate: ended with (\d+)", printed, re.MULTILINE):
            first = sounding.read_answer(int(found[1]), errors=printed)
            if first.exit_code != UNDECIDED and first.verdict() != undisturbed.verdict():
                faults.append(f"the run itself says otherwise: {printed[-600:]}")
        if (sounding.store / "evidence.db").exists():
            if lost := sounding.list_lost(printed):
                faults.append(f"told and lost: {', '.join(lost)}")
            if (soundness := sounding.check_store()) != "ok":
                faults.append(f"the store is damaged: {soundness}")
        elif count_told(printed):
            faults.append("told, and there is no store")
        again = sounding.run()
        if again.report is None or again.verdict() != undisturbed.verdict():
            faults.append(f"the run after it says otherwise: {again.output[-600:]} {again.errors[-600:]}")
    return faults


def run_tests(guest: Guest, arguments: list[str]) -> int:
    """Run pytest in the guest, and give its exit code."""
    pytest = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "--basetemp=/mnt/tmp/pytest", *arguments]
    script = f"{PREPARE}cd {shlex.quote(str(CHECKOUT))}\n{shlex.join(pytest)} 2>&1\n"
    code = 1
    with guest.start(script) as machine:
        for line in iter_lines(machine):
            print(line, end="", flush=True)
            if found := re.match(r"guest: ended with (\d+)", line):
                code = int(found[1])
    return code


def count_told(printed: str) -> int:
    """Count the results that the gate has told of."""
    return len(TOLD.findall(printed))


def iter_lines(machine: subprocess.Popen[bytes], ends_at: float | None = None) -> Iterator[str]:
    """Give what the guest prints, line by line, until it ends or a moment of the monotonic clock has come."""
    assert machine.stdout is not None
    waiting = b""
    while ends_at is None or time.monotonic() < ends_at:
        rest_s = None if ends_at is None else max(0.0, ends_at - time.monotonic())
        if not select.select([machine.stdout], [], [], rest_s)[0]:
            return
        read = os.read(machine.stdout.fileno(), 65536)
        if not read:
            return
        *lines, waiting = (waiting + read).split(b"\n")
        for line in lines:
            yield line.decode(errors="replace").rstrip("\r") + "\n"


if __name__ == "__main__":
    sys.exit(main())
