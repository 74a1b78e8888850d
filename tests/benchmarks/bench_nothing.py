"""
A gate whose change reaches nothing, at 300 targets and 2,000 files, with the base known: wall time and memory.

    python tests/benchmarks/bench_nothing.py [--targets 300] [--files 2000] [--rounds 7] [--imports]

The base is gated once, which builds every target. Then documents change, one commit after the other, and each is gated
as its author would: a new process, from its start to its end. Beside it, in the same run, what Python itself and git
need for the same change.

Goals (DESIGN.md, section 7): 1 s of wall time in all, 150 MB.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.benchmarks.measured_gate import ROOT, benchmark_environment, measure_gate, print_load, print_parts
from tests.benchmarks.plain_loop import find_zig
from tests.generated_tree import Shape, commit_history, generate_history
from tests.repos import make_repository


def run_whole(command: Sequence[str], folder: Path, environment: dict[str, str]) -> tuple[float, float, int]:
    """Give wall and CPU time of a process (its children's CPU too), in s, and its exit code."""
    started_at = time.perf_counter()
    null = [(os.POSIX_SPAWN_OPEN, fd, os.devnull, os.O_WRONLY, 0) for fd in (1, 2)]
    here = Path.cwd()
    os.chdir(folder)
    try:
        pid = os.posix_spawnp(command[0], list(command), environment, file_actions=null)
    finally:
        os.chdir(here)
    _, status, usage = os.wait4(pid, 0)
    wall_s = time.perf_counter() - started_at
    return wall_s, usage.ru_utime + usage.ru_stime, os.waitstatus_to_exitcode(status)


def print_imports(environment: dict[str, str], count: int = 25) -> None:
    """Print the dearest imports of the command, by their own time."""
    code = "import gatekeep.cli.main, gatekeep.cli.gate"
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-c", code], env=environment, capture_output=True, text=True, check=True
    )
    rows: list[tuple[int, str]] = []
    for line in done.stderr.splitlines()[1:]:
        own, _with_its_imports, module = line.removeprefix("import time:").split("|")
        rows.append((int(own), module.strip().partition(".")[0]))
    packages: Counter[str] = Counter()
    for own_us, package in rows:
        packages[package] += own_us
    print("imports, own time by package:")
    for package, package_us in packages.most_common(count):
        print(f"  {package:32} {package_us / 1000:7.1f} ms")


def main() -> None:
    """Print the figures and their bounds."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--targets", type=int, default=300)
    parser.add_argument("--files", type=int, default=2000)
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--imports", action="store_true", help="show which imports are dear, and end")
    options = parser.parse_args()
    environment = benchmark_environment() | {"PYTHONPATH": str(ROOT)}
    if options.imports:
        print_imports(environment)
        return
    print_load()
    shape = Shape(target_count=options.targets, file_count=options.files, commit_count=0)
    with tempfile.TemporaryDirectory(prefix="nothing-") as name:
        folder = Path(name)
        repository = make_repository(folder / "repository")
        history = generate_history(shape)
        commits = list(commit_history(repository, history))
        document = next(path for path in history[0].changes if path.startswith("docs/"))
        for number in range(options.rounds + 2):
            commits.append(repository.commit({document: b"Said better.\n" * (number + 1)}, message=f"Better {number}"))
        environment["ZIG"] = os.environ["ZIG"] = find_zig()
        store = ("--store", str(folder / "store"))
        gate = [sys.executable, "-m", "gatekeep", "gate"]
        started_at = time.perf_counter()
        # The first document's commit is gated too: the base then has an outcome for every target.
        first = run_whole([*gate, commits[0], commits[1], *store], repository.path, environment)
        print(f"base and first commit gated in {time.perf_counter() - started_at:.1f} s, exit code {first[2]}")

        pairs = list(pairwise(commits[1:]))
        rows = [run_whole([*gate, *pair, *store], repository.path, environment) for pair in pairs[:-1]]
        facts = measure_gate("gate", *pairs[-1], *store, folder=repository.path)
        again = [run_whole([*gate, commits[-2], commits[-1], *store], repository.path, environment) for _ in rows]

        def peer(*command: str) -> float:
            times = [run_whole(command, repository.path, environment)[0] for _ in range(options.rounds)]
            return statistics.median(times)

        bare_s = peer(sys.executable, "-c", "pass")
        git_s = peer("git", "diff-tree", "-r", commits[-2], commits[-1])
        files_s = peer("git", "ls-tree", "-r", commits[-1])
    take: Callable[[list[float]], float] = statistics.median
    codes = sorted({row[2] for row in rows})
    print(f"{options.targets} targets, {options.files} files, a change of one document, exit codes {codes}")
    wall = [row[0] for row in rows]
    print(
        f"wall: median {take(wall):.2f} s, worst {max(wall):.2f} s (goal 1 s); CPU {take([r[1] for r in rows]):.2f} s"
    )
    print(f"memory: {facts.peak_rss_bytes / 1e6:.0f} MB (goal 150 MB)")
    print(f"the same once more, all of it stored: median {take([row[0] for row in again]):.2f} s")
    print(f"beside it: python -c pass {bare_s:.3f} s, git diff-tree {git_s:.3f} s, git ls-tree {files_s:.3f} s")
    print(f"builds in one of them: {len(facts.jobs)}; imports {facts.import_s:.2f} s; exit code {facts.exit_code}")
    print_parts(facts)
    print_load()


if __name__ == "__main__":
    main()
