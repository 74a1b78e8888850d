"""
A generated tree of 300 targets, 2,000 files and 40 commits: builds done against the least possible, wall time against
its bound, our own CPU a build, memory; and every result compared with a plain make.

    python tests/benchmarks/bench_generated.py
    python tests/benchmarks/bench_generated.py --targets 30 --files 400 --commits 10 --audit all
    python tests/benchmarks/bench_generated.py --targets 60 --files 800 --functions 120

A build is some 0.13 s of CPU, which shows what each costs besides; with --functions it is longer, and so is the whole.

The least possible number of builds is that of the pairs (commit, target) for which a file differs that the target's
last clean build read. That truth is made here by `git checkout` and `make` alone: the compiler's, the linker's and
make's own lists say what was read (-MMD, --dependency-file, MAKEFILE_LIST).

Goals (DESIGN.md, section 7): within 1.10 of the least; 1.05 of max(longest job, work / cores); 30 ms; 0 differences.
Exit code 1 when a result differs from the plain build, or a pair was carried that had to be built.
"""

from __future__ import annotations

import argparse
import os
import random
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from gatekeep.history.store import SqliteStore
from gatekeep.model.evidence import Built, Evidence
from tests.benchmarks.measured_gate import benchmark_environment, measure_gate, print_load, print_parts
from tests.benchmarks.plain_loop import Checkout, PlainBuild, build_plainly, find_zig
from tests.generated_tree import Shape, Step, commit_history, generate_history
from tests.repos import make_repository

Pair = tuple[int, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """`needed` are the pairs (commit, board) that must be built; `digests` what each pair's image is; by plain make."""

    needed: frozenset[Pair]
    digests: dict[Pair, str | None]


def find_truth(checkout: Checkout, commits: tuple[str, ...], environment: dict[str, str]) -> Truth:
    """Go through the history, building only where a file changed that the last build of a board has read."""
    needed: set[Pair] = set()
    digests: dict[Pair, str | None] = {}
    last: dict[str, PlainBuild] = {}
    for number, commit in enumerate(commits):
        changed = checkout.changed_paths(commits[number - 1], commit) if number else frozenset()
        checkout.move_to(commit)
        boards = sorted(path.parent.name for path in checkout.path.glob("boards/*/board.mk"))
        todo = [board for board in boards if board not in last or last[board].reads & changed]
        last |= build_plainly(checkout.path, todo, environment=environment)
        needed |= {(number, board) for board in todo}
        digests |= {(number, board): last[board].sha256 for board in boards}
    return Truth(needed=frozenset(needed), digests=digests)


def digest_of(evidence: Evidence) -> str | None:
    """Give the digest of the ELF file, None for what is not built."""
    if not isinstance(evidence.outcome, Built):
        return None
    return next(artifact.sha256 for artifact in evidence.outcome.artifacts if artifact.kind == "elf")


def audit(
    checkout: Checkout, commits: tuple[str, ...], found: dict[Pair, str | None], count: int, environment: dict[str, str]
) -> tuple[int, list[Pair]]:
    """Build so many pairs cleanly, drawn by lot; give how many, and those whose image differs from what was found."""
    pairs = sorted(found)
    drawn = random.Random(1).sample(pairs, min(count, len(pairs)))
    wrong: list[Pair] = []
    for number in sorted({pair[0] for pair in drawn}):
        checkout.move_to(commits[number])
        boards = sorted(pair[1] for pair in drawn if pair[0] == number)
        built = build_plainly(checkout.path, boards, environment=environment)
        wrong += [(number, board) for board in boards if built[board].sha256 != found[number, board]]
    return len(drawn), wrong


def print_kinds(history: tuple[Step, ...], built: set[Pair], needed: frozenset[Pair]) -> None:
    """Print, for each kind of commit, what was built against what had to be."""
    steps = Counter(step.kind for step in history)
    print(f"  {'kind of commit':16} {'commits':>8} {'least':>7} {'built':>7} {'more':>6}")
    for kind, count in steps.items():
        numbers = {number for number, step in enumerate(history) if step.kind == kind}
        least = sum(1 for number, _ in needed if number in numbers)
        done = sum(1 for number, _ in built if number in numbers)
        print(f"  {kind:16} {count:8} {least:7} {done:7} {done - least:6}")


def main() -> int:
    """Print the figures and their bounds."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--targets", type=int, default=300)
    parser.add_argument("--ports", type=int, default=10)
    parser.add_argument("--files", type=int, default=2000)
    parser.add_argument("--commits", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--functions", type=int, default=0, help="more in each source, for longer builds [default: 0]")
    parser.add_argument("--audit", default="100", help="pairs to build cleanly, drawn by lot, or all [default: 100]")
    options = parser.parse_args()
    shape = Shape(
        target_count=options.targets,
        port_count=options.ports,
        file_count=options.files,
        commit_count=options.commits,
        seed=options.seed,
        function_count=options.functions,
    )
    history = generate_history(shape)
    cores = len(os.sched_getaffinity(0))
    print_load()
    with tempfile.TemporaryDirectory(prefix="generated-") as name:
        folder = Path(name)
        repository = make_repository(folder / "repository")
        commits = commit_history(repository, history)
        environment = benchmark_environment() | {"ZIG": find_zig()}
        os.environ["ZIG"] = environment["ZIG"]
        store = folder / "store"
        facts = measure_gate("gate", commits[0], commits[-1], "--store", str(store), folder=repository.path)
        if facts.exit_code not in (0, 1):
            print(facts.output)
            raise SystemExit(f"the gate ended with exit code {facts.exit_code}")
        trees = {repository.tree_of(commit): number for number, commit in enumerate(commits)}
        built = {(trees[job[1]], job[0].partition("/")[2]) for job in facts.jobs}
        with SqliteStore(store / "evidence.db") as kept:
            found = {
                (trees[entry.tree_id], entry.target.partition("/")[2]): digest_of(entry)
                for entry in kept.list_evidence(trees)
            }
        checkout = Checkout(repository, folder / "checkout")
        started_at = time.perf_counter()
        truth = find_truth(checkout, commits, environment)
        truth_s = time.perf_counter() - started_at
        audit_count = len(found) if options.audit == "all" else int(options.audit)
        audited, wrong = audit(checkout, commits, found, audit_count, environment)

    least, done = len(truth.needed), len(built)
    bound_s = facts.bound_s(cores)
    shown = f"{options.targets} targets of {options.ports} ports, {options.commits} commits"
    print(f"{len(history[0].changes)} files, {shown}")
    print(f"builds: {done} of {len(truth.digests)} pairs, least possible {least}: {done / least:.3f} (goal 1.10)")
    print_kinds(history, built, truth.needed)
    print(f"wall: {facts.wall_s:.1f} s, bound {bound_s:.1f} s: {facts.wall_s / bound_s:.3f} (goal 1.05); ", end="")
    print(f"before the first build {facts.start_s:.2f} s, after the last {facts.wall_s - facts.end_s:.2f} s")
    print(f"  the plain loop's own least, checkout and make of {least} pairs: {truth_s:.1f} s")
    print(f"our CPU a build: median {facts.job_cpu_s * 1000:.1f} ms (goal 30 ms); ", end="")
    print(f"all of ours, start and report too, by the builds: {facts.own_cpu_s / done * 1000:.1f} ms")
    print(f"  a build's own CPU: {facts.builds_cpu_s / done * 1000:.0f} ms")
    print(f"peak memory of the coordinator: {facts.peak_rss_bytes / 1e6:.0f} MB")
    print_parts(facts)
    differing = sorted(pair for pair, digest in truth.digests.items() if found.get(pair, "") != digest)
    missed = sorted(truth.needed - built)
    print(f"differences from the plain build: {len(differing)} of {len(truth.digests)} pairs (goal 0)")
    print(f"carried though a file that they read differs: {len(missed)} (goal 0)")
    print(f"built cleanly once more: {audited} pairs, {len(wrong)} differ (goal 0)")
    for pair in [*differing[:5], *missed[:5], *wrong[:5]]:
        print(f"  commit {pair[0]} ({history[pair[0]].subject}): {pair[1]}")
    print_load()
    return 1 if differing or missed or wrong else 0


if __name__ == "__main__":
    sys.exit(main())
