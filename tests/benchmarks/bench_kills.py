"""
Kill -9 at random moments, many times: of gatekeep, and of what runs below it (keepers, sandboxes, compilers, git).

    python tests/benchmarks/bench_kills.py [--kills 200] [--from 0] [--tasks gate,sweep,health]
    python tests/benchmarks/bench_kills.py --keep FOLDER --seconds 170

After each trial no process is left, nothing that was told is lost, the store is sound, no page of the site is torn, and
the same command comes to what an undisturbed run says (DESIGN.md, section 7: nothing lost, no result wrong). Exit code
1 where one did not hold; its number, given to --from with --kills 1, draws the same victim and moment again. A trial
whose moment comes when the run has ended is checked all the same and does not count. The commands take turns by number.
--keep FOLDER keeps what was prepared and counted: the same call then goes on from there, so that many kills can be done
in pieces of --seconds.
"""

from __future__ import annotations

import argparse
import pickle
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.faults.kills import measure_s, run_trial
from tests.faults.sounding import make_tree
from tests.faults.tasks import TASKS, Task, make_task


@dataclass(slots=True, kw_only=True)
class State:
    """Each command with how long it takes undisturbed, the number of the next trial, and what was counted."""

    tasks: list[tuple[Task, float]]
    number: int
    counted: Counter[str] = field(default_factory=Counter)


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--from", dest="first", type=int, default=0)
    parser.add_argument("--tasks", default=",".join(TASKS))
    parser.add_argument("--keep", type=Path, help="where all is kept, to go on from")
    parser.add_argument("--seconds", type=float, help="stop after so long, to go on later")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = options.keep or Path(scratch)
        kept = folder / "kept.pickle"
        state = pickle.loads(kept.read_bytes()) if kept.exists() else _prepare(folder, options.tasks, options.first)
        begun = time.monotonic()
        counted = state.counted
        while _hits(counted) < options.kills:
            if options.seconds is not None and time.monotonic() > begun + options.seconds:
                break
            task, longest_s = state.tasks[state.number % len(state.tasks)]
            trial = run_trial(state.number, task, longest_s)
            counted[f"{trial.task}, {trial.victim}"] += 1
            counted["undecided afterwards"] += trial.undecided
            if trial.faults:
                counted["faulty"] += 1
                who = f"{trial.task}, {trial.victim} at {trial.at_s:.2f} s"
                print(f"trial {trial.number}: {who}: {'; '.join(trial.faults)}", flush=True)
            state.number += 1
            kept.write_bytes(pickle.dumps(state))
    for name, count in sorted(counted.items()):
        print(f"{count:5d}  {name}")
    print(f"{_hits(counted)} kills: {counted['faulty']} with something lost, wrong, torn or left (bound 0)")
    return 1 if counted["faulty"] else 0


def _prepare(folder: Path, names: str, first: int) -> State:
    folder.mkdir(exist_ok=True)
    tree = make_tree(folder / "tree")
    tasks = [make_task(name, tree, folder / name) for name in names.split(",")]
    return State(tasks=[(task, measure_s(task)) for task in tasks], number=first)


def _hits(counted: Counter[str]) -> int:
    return sum(count for name, count in counted.items() if ", " in name and not name.endswith("nobody"))


if __name__ == "__main__":
    sys.exit(main())
