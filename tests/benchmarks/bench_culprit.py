"""
Searches for culprits: looks against the information bound, and the time of real ones against `git bisect run`.

    python tests/benchmarks/bench_culprit.py [--commits 40] [--targets 8] [--simulated]

First simulated, by the product's own strategy: looks and rounds for drawn culprits of long lines. The bounds are
ceil(log2 n) looks for n suspects one at a time, and ceil(log n / log(k + 1)) rounds with k at once; two builds more
confirm each culprit. And how often a machine that gets each build wrong with some probability has an innocent blamed.

Then real: a generated tree in which several boards are broken, each by a commit of its own. gatekeep searches for all
of them in one run, with both ends swept before and with an empty store; the peer runs `git bisect run` for each board,
one after the other, in a checkout, with a clean make of that board. All must name the same commits; exit code 1 if not.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable
from math import ceil, log, log2
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from gatekeep.model.culprit import CulpritStanding, Sight
from gatekeep.runner.culprit_sights import Seen
from tests.benchmarks.measured_gate import ROOT, benchmark_environment, print_load
from tests.benchmarks.plain_loop import Checkout, find_zig
from tests.generated_tree import Shape, generate_history
from tests.repos import Content, GitFolder, make_repository
from tests.simulated_history import History, Machine, run_searches

TARGET = "arm/mere"
#: A clean make of one board; the environment of `git bisect run` has BOARD and OUT.
_MAKE = 'rm -rf "$OUT"; mkdir -p "$OUT"; make -s BOARD="$BOARD" O="$OUT" >/dev/null 2>&1'


def print_simulated(lot: random.Random, rounds: int = 200) -> None:
    """Print looks and rounds beside their bounds."""
    print(f"looks and rounds of {rounds} drawn culprits, ends known; the most, with the bound behind it")
    for length in (10, 100, 1000):
        history = History()
        line = [history.commit((), "import", [TARGET])]
        for number in range(1, length + 1):
            line.append(history.commit((line[-1],), f"change {number}", [TARGET]))
        commits = history.range_of(line[0], line[-1])
        for workers in (1, 2, 8):
            looks, turns = [], []
            for _ in range(rounds if length < 1000 else rounds // 10):
                place = lot.randint(1, length)
                machine = Machine(history, {TARGET: frozenset({f"change {place}"})})
                search = machine.search(TARGET, commits, confirm=False)
                search.take(Seen(tree_id=line[0].tree_id, sight=Sight.WELL))
                search.take(Seen(tree_id=line[-1].tree_id, sight=Sight.FAULTY))
                answer = run_searches({TARGET: search}, machine, worker_count=workers)[TARGET]
                if answer.culprit != line[place]:
                    raise SystemExit(f"wrong culprit: wanted {place}")
                looks.append(machine.build_count)
                turns.append(machine.round_count)
            bound = ceil(log2(length)) if workers == 1 else ceil(log(length) / log(workers + 1) - 1e-9)
            what, most = ("looks", max(looks)) if workers == 1 else ("rounds", max(turns))
            print(
                f"  {length:5} suspects, {workers} at once: {what} {most:3} (bound {bound:2}), "
                f"mean {statistics.mean(looks):5.1f} looks"
            )


def print_flaky(lot: random.Random) -> None:
    """Print what becomes of searches where every single build may come out wrong."""
    history = History()
    line = [history.commit((), "import", [TARGET])]
    for number in range(1, 41):
        line.append(history.commit((line[-1],), f"change {number}", [TARGET]))
    commits = history.range_of(line[0], line[-1])
    print("a machine that gets each build wrong with probability p, 40 suspects, 1,000 searches:")
    for chance in (0.01, 0.05, 0.2):
        counts = dict.fromkeys(("right", "undecided", "wrong"), 0)
        for _ in range(1000):
            place = lot.randint(1, 40)
            search = Machine(history, {TARGET: frozenset({f"change {place}"})}).search(TARGET, commits, by_reach=False)
            while wanted := search.next_probes(2):
                for probe in wanted:
                    truth = f"change {place}" in history.changes[probe.commit.tree_id]
                    sight = Sight.FAULTY if truth != (lot.random() < chance) else Sight.WELL
                    search.take(Seen(tree_id=probe.commit.tree_id, sight=sight, fresh=probe.fresh))
            answer = search.conclusion
            is_right = answer is not None and answer.culprit == line[place]
            undecided = answer is not None and answer.standing is CulpritStanding.UNDECIDED
            counts["right" if is_right else "undecided" if undecided else "wrong"] += 1
        shown = ", ".join(f"{name} {number / 10:.1f} %" for name, number in counts.items())
        print(f"  p = {chance:4}: {shown}")


def make_broken_history(
    folder: Path, commit_count: int, target_count: int
) -> tuple[GitFolder, list[str], dict[str, str]]:
    """Give a repository, its commits, and by target (port/board) the commit that breaks it."""
    steps = generate_history(Shape(target_count=24, file_count=400, commit_count=commit_count))
    repository = make_repository(folder)
    lists = sorted(path for path in steps[0].changes if path.startswith("boards/") and path.endswith("/board.c"))
    lot = random.Random(11)
    chosen = lot.sample(lists, target_count)
    places = dict(zip(chosen, lot.sample(range(4, commit_count), target_count), strict=True))
    texts: dict[str, bytes] = {}
    commits: list[str] = []
    culprits: dict[str, str] = {}
    for number, step in enumerate(steps):
        files: dict[str | bytes, Content] = dict(step.changes.items())
        for path in chosen:
            texts[path] = step.changes.get(path) or texts[path]
            if number == places[path] or (number > places[path] and path in files):
                files[path] = texts[path] + b"#error no such chip\n"
        commits.append(repository.commit(files, message=step.subject))
        for path in chosen:
            if number == places[path]:
                board = path.split("/")[1]
                port = repository.ask("show", f"{commits[-1]}:boards/{board}/board.mk").split()[2]
                culprits[f"{port}/{board}"] = commits[-1]
    return repository, commits, culprits


def bisect(checkout: Checkout, board: str, good: str, bad: str, out: Path) -> str:
    """Give the commit that `git bisect run` names."""
    git = GitFolder(checkout.path)
    git.git("bisect", "start", bad, good)
    environment = benchmark_environment() | {"BOARD": board, "OUT": str(out), "ZIG": os.environ["ZIG"]}
    command = ["git", "bisect", "run", "sh", "-c", _MAKE]
    subprocess.run(command, cwd=checkout.path, env=environment, check=True, capture_output=True)
    found = git.ask("rev-parse", "refs/bisect/bad")
    git.git("bisect", "reset")
    return found


def search(
    repository: GitFolder, store: Path, targets: Iterable[str], good: str, bad: str
) -> tuple[float, dict[str, str], int]:
    """Let gatekeep search; give the wall time of its process, the culprits, and how many builds it took."""
    command = ["culprit", ",".join(targets), good, bad, "--json", "-"]
    started_at = time.perf_counter()
    results = json.loads(run_gatekeep(repository, store, *command))["results"]
    wall_s = time.perf_counter() - started_at
    found = {result["target"]: result["culprit"]["id"] for result in results if result["culprit"]}
    return wall_s, found, sum(result["builds"] for result in results)


def run_gatekeep(repository: GitFolder, store: Path, *arguments: str) -> str:
    """Run a command that has to succeed, and give its output."""
    command = [sys.executable, "-m", "gatekeep", *arguments, "--store", str(store)]
    environment = benchmark_environment() | {"PYTHONPATH": str(ROOT), "ZIG": os.environ["ZIG"]}
    done = subprocess.run(command, cwd=repository.path, env=environment, capture_output=True, text=True)
    if done.returncode:
        raise SystemExit(done.stderr)
    return done.stdout


def compare(commit_count: int, target_count: int) -> bool:
    """Search the same history in both ways; whether all were right."""
    os.environ["ZIG"] = find_zig()
    with tempfile.TemporaryDirectory(prefix="culprit-") as name:
        folder = Path(name)
        repository, commits, culprits = make_broken_history(folder / "tree", commit_count, target_count)
        good, bad = commits[1], commits[-1]
        checkout = Checkout(repository, folder / "checkout")
        started_at = time.perf_counter()
        theirs = {target: bisect(checkout, target.partition("/")[2], good, bad, folder / "out") for target in culprits}
        theirs_s = time.perf_counter() - started_at
        # As in a night: both ends were swept before anybody asks for a culprit.
        for end in (good, bad):
            run_gatekeep(repository, folder / "swept", "audit", end)
        swept_s, found_swept, swept_builds = search(repository, folder / "swept", culprits, good, bad)
        empty_s, found_empty, empty_builds = search(repository, folder / "empty", culprits, good, bad)
    bound = ceil(log2(commit_count - 1))
    print(f"{target_count} targets broken by one commit each of {commit_count - 1}; bound {bound} builds a target")
    print(f"  git bisect run, one target after the other: {theirs_s:.1f} s; told that the ends hold, nothing confirmed")
    for what, wall_s, builds in (("ends swept", swept_s, swept_builds), ("empty store", empty_s, empty_builds)):
        each = builds / target_count
        print(
            f"  gatekeep, all in one run, {what}: {wall_s:.1f} s, {theirs_s / wall_s:.2f} times as fast; "
            f"{each:.1f} builds a target, 2 or 3 of them to confirm{', 2 for the ends' if what != 'ends swept' else ''}"
        )
    is_right = found_swept == found_empty == theirs == culprits
    print("  all name the right commits" if is_right else f"  WRONG: wanted {culprits}")
    return is_right


def main() -> int:
    """Print the figures and their bounds."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--commits", type=int, default=40)
    parser.add_argument("--targets", type=int, default=8)
    parser.add_argument("--simulated", action="store_true", help="nothing real")
    options = parser.parse_args()
    print_load()
    lot = random.Random(3)
    print_simulated(lot)
    print_flaky(lot)
    if options.simulated:
        return 0
    is_right = compare(options.commits, options.targets)
    print_load()
    return 0 if is_right else 1


if __name__ == "__main__":
    sys.exit(main())
