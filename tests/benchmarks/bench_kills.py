"""
Kill -9 at random moments, many times: of the gate, and of processes below it (keepers, sandboxes, make, compilers).

    python tests/benchmarks/bench_kills.py [--kills 200] [--from 0]

After each trial no process is left, nothing that was told is lost, the store is sound, and the same command comes to
the verdict of an undisturbed run (DESIGN.md, section 7: nothing lost, no result wrong). Exit code 1 where one did not
hold; its number, given to --from with --kills 1, draws the same victim and moment again. A trial whose moment finds
nobody to kill, because the run has ended or builds nothing just then, is checked all the same and does not count.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from collections import Counter
from itertools import count
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.faults.kills import measure_longest_s, run_trial
from tests.faults.sounding import Sounding, make_tree


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--from", dest="first", type=int, default=0)
    options = parser.parse_args()
    counted: Counter[str] = Counter()
    faulty = 0
    with tempfile.TemporaryDirectory() as scratch:
        tree = make_tree(Path(scratch, "tree"))
        undisturbed, elapsed_s = measure_longest_s(Sounding(tree, Path(scratch, "undisturbed")))
        for number in count(options.first):
            if counted["gate"] + counted["below"] == options.kills:
                break
            store = Path(scratch, f"store-{number}")
            trial = run_trial(number, Sounding(tree, store), undisturbed, elapsed_s)
            counted[trial.victim if trial.hit else "nobody"] += 1
            if trial.faults:
                faulty += 1
                print(f"trial {number}: {trial.victim} at {trial.at_s:.2f} s: {'; '.join(trial.faults)}", flush=True)
            shutil.rmtree(store, ignore_errors=True)
    told = f"{counted['gate']} of the gate, {counted['below']} below it, {counted['nobody']} trials found nobody"
    print(f"{options.kills} kills ({told}): {faulty} with something lost, wrong or left (bound 0)")
    return 1 if faulty else 0


if __name__ == "__main__":
    sys.exit(main())
