"""
Trials of kill -9: gatekeep, or one of the processes below it, ended at a random moment of its run.

After each: no process of the run is left, whatever was told is stored, the store is sound, no page of a site is torn,
and the same command, given again, comes to what a run says that nobody disturbed.
"""

from __future__ import annotations

import os
import random
import select
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path

from tests.faults.sounding import Answer, adopting, kill, list_below, wait_until_alone
from tests.faults.tasks import Task

_LOOK_S = 0.002


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """
    What one kill did.

    `victim` is "gatekeep", "keeper", "build" (a sandbox, and what runs in it) or "nobody". `faults` is empty when
    everything held; each entry is one sentence. `undecided`: the command that was given again left something undecided,
    as it may where two builds of the same inputs contradicted each other, and where nothing else than the truth is said
    of all the rest.
    """

    number: int
    task: str
    victim: str
    at_s: float
    faults: tuple[str, ...]
    undecided: bool


def run_trial(number: int, task: Task, longest_s: float) -> Trial:
    """
    Start a command from its beginning, kill one process of it, and look at what is left.

    Args:
        number: Seeds the choice of victim and moment.
        task: What is run.
        longest_s: The moment is drawn from 0 to this.
    """
    drawn = random.Random(number)
    of_gatekeep = drawn.random() < 0.5
    at_s = drawn.uniform(0.0, longest_s)
    name = f"trial-{number}"
    sounding = task.start_anew(name)
    faults = []
    with adopting():
        before = list_below(os.getpid())
        process = sounding.start()
        victim = _kill_at(process, at_s, of_gatekeep, drawn)
        first = sounding.finish(process)
        if left := wait_until_alone(before):
            faults.append(f"{len(left)} processes are left: {', '.join(map(_name, left))}")
    if (sounding.store / "evidence.db").exists():
        if lost := sounding.list_lost(first.errors):
            faults.append(f"told and lost: {', '.join(lost)}")
        if (soundness := sounding.check_store()) != "ok":
            faults.append(f"the store is damaged: {soundness}")
    if torn := task.list_torn(sounding):
        faults.append(f"torn: {', '.join(torn)}")
    if victim != "gatekeep":
        faults += _hold(first, (task.undisturbed,), "the disturbed run")
    again = sounding.run()
    # A sweep that was told, and perhaps had ended, is told as such the next time; one that was not is told as new.
    truths = (task.undisturbed,) if first.report is None else (task.undisturbed, task.told_before)
    faults += _hold(again, truths, "the run after it")
    undecided = again.report is not None and any(state == "not decided" for state, _ in again.outcomes().values())
    if not faults:
        task.drop(name)
    return Trial(number=number, task=task.name, victim=victim, at_s=at_s, faults=tuple(faults), undecided=undecided)


def _kill_at(process: subprocess.Popen[str], at_s: float, of_gatekeep: bool, drawn: random.Random) -> str:
    """Wait for the moment, or for the end if that comes first, and kill; say whom."""
    with_end = os.pidfd_open(process.pid)
    try:
        if select.select([with_end], [], [], at_s)[0]:
            return "nobody"
        if of_gatekeep:
            return "gatekeep" if kill(process.pid) else "nobody"
        # Often nothing runs below it just then: the next one that does is meant.
        while not (below := list_below(process.pid)):
            if select.select([with_end], [], [], _LOOK_S)[0]:
                return "nobody"
    finally:
        os.close(with_end)
    chosen = drawn.choice(below)
    role = "keeper" if _is_keeper(chosen, process.pid) else "build"
    return role if kill(chosen) else "nobody"


def _is_keeper(pid: int, gatekeep: int) -> bool:
    """A keeper is started by gatekeep itself, and known by how Python is called; git's commands are not."""
    try:
        parent = int(Path(f"/proc/{pid}/stat").read_bytes().rpartition(b") ")[2].split()[1])
        return parent == gatekeep and b"\0-I\0-S\0-c\0" in Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return False


def _hold(answer: Answer, truths: tuple[Answer, ...], which: str) -> list[str]:
    """A run may be undecided where a stranger killed its builds; it must not say anything else than the truth."""
    if answer.report is None:
        if which == "the disturbed run" and answer.exit_code == 3:
            return []
        return [f"{which} wrote no report and ended with {answer.exit_code}: {answer.errors[-300:]}"]
    truth, found = truths[0].outcomes(), answer.outcomes()
    undecided = [key for key, (state, _) in found.items() if state == "not decided"]
    if wrong := [key for key, value in found.items() if key not in undecided and truth.get(key) != value]:
        return [f"{which} says wrong things of {wrong}"]
    if which == "the disturbed run" and answer.exit_code == 3:
        return []
    if answer.verdict() not in [said.verdict() for said in truths]:
        # Two builds that contradict each other stand until somebody clears them: true, and no pass.
        if answer.exit_code in (1, 3) and undecided:
            return []
        return [f"{which} says otherwise: {answer.verdict()}, and not {truths[0].verdict()}"]
    return []


def _name(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace")[:80]
    except OSError:
        return str(pid)


def measure_s(task: Task) -> float:
    """Run a command undisturbed, and give how long it took."""
    sounding = task.start_anew("measured")
    begun = time.monotonic()
    sounding.run()
    elapsed_s = time.monotonic() - begun
    task.drop("measured")
    return elapsed_s
