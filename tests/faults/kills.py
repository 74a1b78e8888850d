"""
Trials of kill -9: the gate, or one of the processes below it, ended at a random moment of its run.

After each: no process of the run is left, whatever was told is stored, the store is sound, and the same command, given
again, comes to the verdict of a run that nobody disturbed, without building again what was stored.
"""

from __future__ import annotations

import os
import random
import select
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path

from tests.faults.sounding import Answer, Sounding, adopting, kill, list_below, wait_until_alone


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What one kill did: `faults` is empty when everything held; each entry is one sentence."""

    number: int
    victim: str
    at_s: float
    hit: bool
    faults: tuple[str, ...]


def run_trial(number: int, sounding: Sounding, undisturbed: Answer, longest_s: float) -> Trial:
    """
    Start a gate on an empty store, kill one process of it, and look at what is left.

    Args:
        number: Seeds the choice of victim and moment.
        sounding: With a store that does not exist yet.
        undisturbed: What a gate says that nobody disturbs.
        longest_s: The moment is drawn from 0 to this.
    """
    drawn = random.Random(number)
    of_gate = drawn.random() < 0.5
    at_s = drawn.uniform(0.0, longest_s)
    faults = []
    with adopting():
        before = list_below(os.getpid())
        process = sounding.start()
        hit = _kill_at(process, at_s, of_gate, drawn)
        first = sounding.finish(process)
        if left := wait_until_alone(before):
            faults.append(f"{len(left)} processes are left: {', '.join(map(_name, left))}")
    if (sounding.store / "evidence.db").exists():
        if lost := sounding.list_lost(first.errors):
            faults.append(f"told and lost: {', '.join(lost)}")
        if (soundness := sounding.check_store()) != "ok":
            faults.append(f"the store is damaged: {soundness}")
    if not of_gate:
        faults += _hold(first, undisturbed, "the disturbed run")
    again = sounding.run()
    faults += _hold(again, undisturbed, "the run after it")
    return Trial(number=number, victim="gate" if of_gate else "below", at_s=at_s, hit=hit, faults=tuple(faults))


def _kill_at(process: subprocess.Popen[str], at_s: float, of_gate: bool, drawn: random.Random) -> bool:
    """Wait for the moment, or for the end if that comes first, and kill; False when there was nobody to kill."""
    with_end = os.pidfd_open(process.pid)
    try:
        if select.select([with_end], [], [], at_s)[0]:
            return False
    finally:
        os.close(with_end)
    if of_gate:
        return kill(process.pid)
    below = list_below(process.pid)
    return bool(below) and kill(drawn.choice(below))


def _hold(answer: Answer, undisturbed: Answer, which: str) -> list[str]:
    """A run may be undecided where a stranger killed its builds; it must not say anything else than the truth."""
    if which == "the disturbed run" and answer.exit_code == 3:
        return []
    if answer.report is None:
        return [f"{which} wrote no report and ended with {answer.exit_code}: {answer.errors[-300:]}"]
    if answer.verdict() != undisturbed.verdict():
        undecided = [entry for entry in answer.report["results"] if entry["outcome"] == "not decided"]
        # Two builds that contradict each other stand until somebody clears them: true, and no pass.
        if answer.exit_code in (1, 3) and undecided:
            return []
        return [f"{which} says otherwise: {answer.verdict()}"]
    return []


def _name(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace")[:80]
    except OSError:
        return str(pid)


def measure_longest_s(sounding: Sounding) -> tuple[Answer, float]:
    """Run undisturbed; give the answer and how long it took."""
    begun = time.monotonic()
    answer = sounding.run()
    return answer, time.monotonic() - begun
