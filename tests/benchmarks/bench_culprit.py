"""
Searches for culprits: looks against the information bound, and the time of real ones against `git bisect run`.

    python tests/benchmarks/bench_culprit.py [--commits 40] [--targets 8] [--functions 100] [--simulated]

First simulated, by the product's own strategy: looks and rounds for drawn culprits of long lines. The bounds are
ceil(log2 n) looks for n suspects one at a time, and ceil(log n / log(k + 1)) rounds with k at once; two builds more
confirm each culprit. And how often a machine that gets each build wrong with some probability has an innocent blamed.

Then real: a generated tree in which several boards are broken, each by a commit of its own: half of them in the very
line that the compiler then complains about, half by a header, so that the line is older than the range and tells
nothing. `--functions` sets how much there is to compile in each build. gatekeep searches for all of them in one run,
and for one alone, with both ends swept before and with an empty store. The peers are `git bisect run` with a clean make
of that board, told that the ends hold: for each board one after the other, as a person does; two at a time in two
checkouts; and with `make -j2`. They confirm nothing; gatekeep builds culprit and parent twice. All must name the same
commits; exit code 1 if not. Wall time and CPU are of the processes and all that they started.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
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
_MAKE = 'rm -rf "$OUT"; mkdir -p "$OUT"; make -s $JOBS BOARD="$BOARD" O="$OUT" >/dev/null 2>&1'


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
    folder: Path, commit_count: int, target_count: int, function_count: int
) -> tuple[GitFolder, list[str], dict[str, str], dict[str, str]]:
    """Give a repository, its commits, and by target (port/board) the commit that breaks it, by its line or a header."""
    steps = generate_history(Shape(target_count=24, file_count=400, commit_count=commit_count))
    repository = make_repository(folder)
    first = dict(steps[0].changes)
    lists = sorted(path for path in first if path.startswith("boards/") and path.endswith("/board.c"))
    lot = random.Random(11)
    chosen = lot.sample(lists, target_count)
    places = dict(zip(chosen, lot.sample(range(4, commit_count), target_count), strict=True))
    in_headers = set(chosen[::2])
    functions = "".join(
        f"unsigned tide_{n}(unsigned h) {{ for (unsigned i = 0; i < h; i++) h ^= h * {n}u; return h; }}\n"
        for n in range(function_count)
    )
    extra: dict[str | bytes, Content] = {
        "include/tides.h": functions.encode(),
        "core/main.c": b'#include "tides.h"\n' + (first["core/main.c"] or b""),
    }
    texts: dict[str, bytes] = {}
    commits: list[str] = []
    by_line: dict[str, str] = {}
    by_header: dict[str, str] = {}
    for number, step in enumerate(steps):
        files: dict[str | bytes, Content] = dict(step.changes.items())
        if number == 0:
            files |= extra
        for path in chosen:
            texts[path] = step.changes.get(path) or texts[path]
            header, is_broken = path.replace("board.c", "depths.h"), number >= places[path]
            if path in in_headers:
                if number in (0, places[path]):
                    files[header] = b"" if is_broken else b"#define DEPTH 4\n"
                if path in files or number == 0:
                    files[path] = b'#include "depths.h"\nint depth = DEPTH;\n' + texts[path]
            elif is_broken and (path in files or number == places[path]):
                files[path] = texts[path] + b"#error no such chip\n"
        commits.append(repository.commit(files, message=step.subject))
        for path in chosen:
            if number == places[path]:
                board = path.split("/")[1]
                port = repository.ask("show", f"{commits[-1]}:boards/{board}/board.mk").split()[2]
                (by_header if path in in_headers else by_line)[f"{port}/{board}"] = commits[-1]
    return repository, commits, by_line, by_header


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What a search took, and which commits it named; `builds` 0 where nobody counted."""

    wall_s: float
    cpu_s: float
    found: Mapping[str, str]
    builds: int = 0


def measure(search: Callable[[], tuple[dict[str, str], int]]) -> Taken:
    """Run a search with clocks round it."""
    wall_at, cpu_at = time.perf_counter(), _children_cpu_s()
    found, builds = search()
    return Taken(wall_s=time.perf_counter() - wall_at, cpu_s=_children_cpu_s() - cpu_at, found=found, builds=builds)


def _children_cpu_s() -> float:
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    return usage.ru_utime + usage.ru_stime


def bisect(checkout: Checkout, board: str, good: str, bad: str, jobs: str) -> tuple[str, int]:
    """Give the commit that `git bisect run` names, and how many builds it took."""
    git = GitFolder(checkout.path)
    git.git("bisect", "start", bad, good)
    out = checkout.path.with_suffix(".out")
    environment = benchmark_environment() | {"BOARD": board, "OUT": str(out), "JOBS": jobs, "ZIG": os.environ["ZIG"]}
    command = ["git", "bisect", "run", "sh", "-c", _MAKE]
    subprocess.run(command, cwd=checkout.path, env=environment, check=True, capture_output=True)
    found = git.ask("rev-parse", "refs/bisect/bad")
    builds = git.ask("bisect", "log").count("\ngit bisect ") - 1
    git.git("bisect", "reset")
    return found, builds


def bisect_all(
    checkouts: Sequence[Checkout], targets: Iterable[str], good: str, bad: str, jobs: str = ""
) -> tuple[dict[str, str], int]:
    """Let `git bisect run` search for each target, as many at a time as there are checkouts."""
    free = list(checkouts)

    def search(target: str) -> tuple[str, tuple[str, int]]:
        checkout = free.pop()
        answer = bisect(checkout, target.partition("/")[2], good, bad, jobs)
        free.append(checkout)
        return target, answer

    with ThreadPoolExecutor(len(checkouts)) as threads:
        answers = dict(threads.map(search, targets))
    return {target: found for target, (found, _) in answers.items()}, sum(builds for _, builds in answers.values())


def search(
    repository: GitFolder, store: Path, targets: Iterable[str], good: str, bad: str
) -> tuple[dict[str, str], int]:
    """Let gatekeep search; give the culprits, and how many builds it took."""
    command = ["culprit", ",".join(targets), good, bad, "--json", "-"]
    results = json.loads(run_gatekeep(repository, store, *command))["results"]
    found = {result["target"]: result["culprit"]["id"] for result in results if result["culprit"]}
    return found, sum(result["builds"] for result in results)


def run_gatekeep(repository: GitFolder, store: Path, *arguments: str) -> str:
    """Run a command that has to succeed, and give its output."""
    command = [sys.executable, "-m", "gatekeep", *arguments, "--store", str(store)]
    environment = benchmark_environment() | {"PYTHONPATH": str(ROOT), "ZIG": os.environ["ZIG"]}
    done = subprocess.run(command, cwd=repository.path, env=environment, capture_output=True, text=True)
    if done.returncode:
        raise SystemExit(done.stderr)
    return done.stdout


@dataclass(frozen=True, slots=True, kw_only=True)
class Ways:
    """The same history, searched in several ways."""

    repository: GitFolder
    folder: Path
    checkouts: Sequence[Checkout]
    good: str
    bad: str

    def run_all(self, culprits: Mapping[str, str]) -> bool:
        """Search for these in every way and print what it took; whether all were right."""
        swept = self.folder / "swept"
        # As in a night: both ends were swept before anybody asks for a culprit.
        for end in (self.good, self.bad) if not swept.exists() else ():
            run_gatekeep(self.repository, swept, "audit", end)
        with tempfile.TemporaryDirectory(dir=self.folder) as name:
            known, empty = Path(name, "known"), Path(name, "empty")
            shutil.copytree(swept, known, symlinks=True)
            one, ends = self.checkouts[:1], (self.good, self.bad)
            taken = {
                "git bisect run, one after the other": measure(lambda: bisect_all(one, culprits, *ends)),
                "git bisect run, make -j2": measure(lambda: bisect_all(one, culprits, *ends, "-j2")),
                "git bisect run, two at a time": measure(lambda: bisect_all(self.checkouts, culprits, *ends)),
                "gatekeep, ends swept": measure(lambda: search(self.repository, known, culprits, *ends)),
                "gatekeep, empty store": measure(lambda: search(self.repository, empty, culprits, *ends)),
            }
        first = next(iter(taken.values()))
        for what, cost in taken.items():
            print(
                f"  {what:36} {cost.wall_s:6.1f} s wall ({first.wall_s / cost.wall_s:5.2f} times as fast), "
                f"{cost.cpu_s:6.1f} s CPU, {cost.builds / len(culprits):4.1f} builds a target"
            )
            if cost.found != culprits:
                print(f"  WRONG: wanted {culprits}, got {cost.found}")
        print_load()
        return all(cost.found == culprits for cost in taken.values())


def compare(commit_count: int, target_count: int, function_count: int) -> bool:
    """Search the same history in every way; whether all were right."""
    os.environ["ZIG"] = find_zig()
    with tempfile.TemporaryDirectory(prefix="culprit-") as name:
        folder = Path(name)
        repository, commits, by_line, by_header = make_broken_history(
            folder / "tree", commit_count, target_count, function_count
        )
        checkouts = [Checkout(repository, folder / f"checkout-{number}") for number in (1, 2)]
        ways = Ways(repository=repository, folder=folder, checkouts=checkouts, good=commits[1], bad=commits[-1])
        bound = ceil(log2(commit_count - 1))
        print(f"{target_count} targets broken by one commit each of {commit_count - 1}; bound {bound} builds a target")
        is_right = True
        for what, culprits in (
            ("all, half of them with a line that tells its author", by_line | by_header),
            ("one, with a line that tells its author", dict(list(by_line.items())[:1])),
            ("one, by a header", dict(list(by_header.items())[:1])),
        ):
            print(f"searched for {what}:", flush=True)
            is_right = ways.run_all(culprits) and is_right
    return is_right


def main() -> int:
    """Print the figures and their bounds."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--commits", type=int, default=40)
    parser.add_argument("--targets", type=int, default=8)
    parser.add_argument("--functions", type=int, default=100)
    parser.add_argument("--simulated", action="store_true", help="nothing real")
    options = parser.parse_args()
    print_load()
    lot = random.Random(3)
    print_simulated(lot)
    print_flaky(lot)
    if options.simulated:
        return 0
    is_right = compare(options.commits, options.targets, options.functions)
    return 0 if is_right else 1


if __name__ == "__main__":
    sys.exit(main())
