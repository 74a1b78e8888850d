"""
The demonstration's whole history and all its proposals: gated, against the plain loop that people write today.

    python tests/benchmarks/bench_history.py [--proposals 3] [--plain-every 8] [--gate-only]

Gated: main from its first commit to its last, then every proposal on top of main, each a process of its own, one store.
The plain loop: for each of the same commits `git checkout` in one work tree, then a clean `make` of every target of the
commit's matrix through `xargs -P2`. Only checkouts and makes are timed. It takes most of an hour on two cores; with
`--plain-every N` it does every Nth commit only, and what it took is scaled by the number of builds, and said to be.

Both must come to the same outcome for every commit and target that both have, and to the same images, byte for byte;
exit code 1 if not. Goal (DESIGN.md, section 7): 10 times faster or better.

What is in the history decides the figure, so it is printed: how many commits had how many targets built. Main is meant
to be what a firmware tree's main branch is: of 161 commits 36 touch documents only, 99 the folder of a board, 15 a
port, 7 a driver, 3 what all targets share, and one is the import. It needs 252 builds for 3,493 pairs of commit and
target. Each of them is the first of its target or reads what its commit changed, so no rule could carry more. The
proposals are meant to show what the gate says: 11 of their 21 commits change what all 24 targets read, and there is
little to carry.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from gatekeep.history.store import SqliteStore
from gatekeep.matrix.load import parse_matrix
from gatekeep.model.evidence import Built, Evidence, Outgrown, name_outcome
from gatekeep.model.matrix import Target
from tests.benchmarks.bench_gate_cost import make_demonstration
from tests.benchmarks.measured_gate import GateFacts, benchmark_environment, measure_gate, print_load
from tests.benchmarks.plain_loop import WORKERS, Checkout
from tests.repos import GitFolder

Pair = tuple[str, str]
#: Reads `out board configuration` lines; a build's exit code goes beside its folder. Nothing of gatekeep is in it.
_MAKE_ONE = 'mkdir "$1" && make -s BOARD="$2" CONFIG="$3" O="$1" >"$1.log" 2>&1; echo $? >"$1.code"'


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """Whether make succeeded, and the digests of the ELF file and the image where both are there."""

    succeeded: bool
    digests: tuple[str, ...]


def run_plain_loop(
    checkout: Checkout, commits: list[str], targets: dict[str, tuple[Target, ...]], out: Path
) -> tuple[float, dict[Pair, Result]]:
    """Give the seconds that checkouts and makes took, and what each build left, by commit and target."""
    total_s = 0.0
    found: dict[Pair, Result] = {}
    for commit in commits:
        folder = out / commit
        folder.mkdir(parents=True)
        lines = [
            f"{folder / target.name.replace('/', '.')} {target.board} {dict(target.settings)['config']}\n"
            for target in targets[commit]
        ]
        started_at = time.perf_counter()
        checkout.move_to(commit)
        subprocess.run(
            ["xargs", f"-P{WORKERS}", "-L1", "sh", "-c", _MAKE_ONE, "sh"],
            input="".join(lines).encode(),
            cwd=checkout.path,
            env=benchmark_environment(),
            check=True,
        )
        total_s += time.perf_counter() - started_at
        for target in targets[commit]:
            found[commit, target.name] = _read_result(folder / target.name.replace("/", "."), target.board)
    return total_s, found


def _read_result(folder: Path, board: str) -> Result:
    succeeded = folder.with_name(f"{folder.name}.code").read_text().strip() == "0"
    paths = [folder / f"{board}.elf", folder / f"{board}.rom"]
    digests = tuple(hashlib.sha256(path.read_bytes()).hexdigest() for path in paths if path.exists())
    return Result(succeeded=succeeded, digests=digests if succeeded else ())


def result_of(evidence: Evidence) -> Result:
    """Say what make must have done where the gate found this."""
    match evidence.outcome:
        case Built():
            return Result(succeeded=True, digests=tuple(entry.sha256 for entry in evidence.outcome.artifacts))
        case Outgrown(footprint=footprint) if footprint is not None:
            # Measured: make has linked it, and does not know the matrix' regions.
            return Result(succeeded=True, digests=())
        case _:
            return Result(succeeded=False, digests=())


def differs(gated: Evidence, plain: Result) -> bool:
    """Compare one outcome; images too where both have them."""
    expected = result_of(gated)
    if expected.succeeded != plain.succeeded:
        return True
    return bool(expected.digests and plain.digests) and expected.digests != plain.digests


@dataclass(slots=True, kw_only=True)
class Part:
    """Main, or the proposals: its commits, what gating them took and what the plain loop took for those it did."""

    name: str
    commits: list[str] = field(default_factory=list)
    process_count: int = 0
    build_count: int = 0
    pair_count: int = 0
    gate_s: float = 0.0
    gate_cpu_s: float = 0.0
    own_cpu_s: float = 0.0
    bound_s: float = 0.0
    plain_s: float = 0.0
    plain_cpu_s: float = 0.0
    plain_count: int = 0

    def add(self, facts: GateFacts, cores: int) -> None:
        """Count one gate."""
        self.process_count += 1
        self.build_count += len(facts.jobs)
        self.gate_s += facts.wall_s
        self.gate_cpu_s += facts.own_cpu_s + facts.builds_cpu_s + facts.probes_cpu_s
        self.own_cpu_s += facts.own_cpu_s
        self.bound_s += facts.bound_s(cores)

    @property
    def scale(self) -> float:
        """By how much what the plain loop took is short."""
        return self.pair_count / self.plain_count if self.plain_count else 0.0

    def print_gated(self) -> None:
        """What the gates took."""
        counted = f"{self.build_count} builds for {self.pair_count} pairs (commit, target), {len(self.commits)} commits"
        print(f"{self.name}: gated in {self.gate_s:.1f} s, {self.process_count} processes; {counted}")
        bound = f"{self.bound_s:.1f} s: {self.gate_s / self.bound_s:.3f}"
        print(f"  bound by the builds themselves {bound}; our CPU {self.own_cpu_s:.1f} s")


def print_ratio(name: str, parts: list[Part]) -> None:
    """How much faster it was, by wall time and by CPU."""
    plain_s = sum(part.scale * part.plain_s for part in parts)
    plain_cpu_s = sum(part.scale * part.plain_cpu_s for part in parts)
    gate_s, gate_cpu_s = sum(part.gate_s for part in parts), sum(part.gate_cpu_s for part in parts)
    done, all_of_them = sum(part.plain_count for part in parts), sum(part.pair_count for part in parts)
    scaled = "" if done == all_of_them else f", scaled from {done} builds"
    print(f"{name}: {plain_s / gate_s:.2f} times faster (goal 10)")
    print(f"  plain loop {plain_s:.0f} s for {all_of_them} builds{scaled}; gated {gate_s:.0f} s")
    # The two run one after the other; where other work comes and goes meanwhile, this says more.
    print(f"  by CPU: {plain_cpu_s:.0f} s against {gate_cpu_s:.0f} s, {plain_cpu_s / gate_cpu_s:.2f} times less")


def print_reach(commits: list[str], built: Counter[str]) -> None:
    """How many commits had how many of their targets built."""
    by_count = Counter(built[commit] for commit in commits)
    print("  " + ", ".join(f"{targets} targets built: {by_count[targets]} commits" for targets in sorted(by_count)))


def main() -> int:
    """Print the figures and their bound."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--proposals", type=int, help="only so many of them [default: all]")
    parser.add_argument(
        "--plain-every", type=int, default=1, help="the plain loop does every Nth commit [default: all]"
    )
    parser.add_argument("--gate-only", action="store_true", help="do not run the plain loop")
    options = parser.parse_args()
    cores = len(os.sched_getaffinity(0))
    print_load()
    with tempfile.TemporaryDirectory(prefix="history-") as name:
        folder = Path(name)
        repository = GitFolder(make_demonstration(folder / "skerry"))
        branches = repository.ask("for-each-ref", "--format=%(refname:short)", "refs/heads/proposal").split()
        branches = branches[: options.proposals]
        first = repository.ask("rev-list", "--max-parents=0", "main")
        history, proposals = Part(name="main", commits=[first]), Part(name="proposals")
        parts = [history, proposals] if branches else [history]
        built: Counter[str] = Counter()
        print(f"  {'gate':44} {'commits':>7} {'builds':>6} {'wall s':>7} {'bound s':>8} {'code':>5}")
        for part, base, head in [(history, first, "main"), *((proposals, "main", branch) for branch in branches)]:
            ids = repository.ask("rev-list", "--reverse", f"{base}..{head}").split()
            part.commits += ids
            facts = measure_gate("gate", base, head, "--store", str(folder / "store"), folder=repository.path)
            if facts.exit_code not in (0, 1):
                print(facts.output)
                raise SystemExit(f"gate {base} {head} ended with exit code {facts.exit_code}")
            part.add(facts, cores)
            built.update(job[1] for job in facts.jobs)
            label = f"{base[:10]}..{head}"
            print(
                f"  {label:44} {len(ids):7} {len(facts.jobs):6} {facts.wall_s:7.2f} "
                f"{facts.bound_s(cores):8.2f} {facts.exit_code:5}"
            )
        commits = [commit for part in parts for commit in part.commits]
        trees = {commit: repository.tree_of(commit) for commit in commits}
        targets = {
            commit: parse_matrix(repository.git("show", f"{commit}:matrix.yml"), path="matrix.yml").targets
            for commit in commits
        }
        with SqliteStore(folder / "store" / "evidence.db") as kept:
            gated = {(entry.tree_id, entry.target): entry for entry in kept.list_evidence(set(trees.values()))}
        pairs = sorted((commit, target.name) for commit in commits for target in targets[commit])
        lacking = [pair for pair in pairs if (trees[pair[0]], pair[1]) not in gated]
        for part in parts:
            part.pair_count = sum(len(targets[commit]) for commit in part.commits)
            part.print_gated()
            print_reach(part.commits, Counter({commit: built[trees[commit]] for commit in part.commits}))
        if lacking:
            print(f"  {len(lacking)} pairs have no evidence, for instance {lacking[0]}")
        if options.gate_only:
            return 1 if lacking else 0
        checkout = Checkout(repository, folder / "checkout")
        plain: dict[Pair, Result] = {}
        for part in parts:
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            part.plain_s, found = run_plain_loop(
                checkout, part.commits[:: options.plain_every], targets, folder / "plain"
            )
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            part.plain_cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
            part.plain_count = len(found)
            plain |= found
    wrong = [
        (commit, target)
        for (commit, target), result in sorted(plain.items())
        if (trees[commit], target) in gated and differs(gated[trees[commit], target], result)
    ]
    for part in parts:
        print_ratio(part.name, [part])
    print_ratio("all", parts)
    print(f"outcomes or images that differ: {len(wrong)} of {len(plain)} (goal 0)")
    for commit, target in wrong[:10]:
        outcome = name_outcome(gated[trees[commit], target].outcome)
        print(f"  {commit[:10]} {target}: gate says {outcome}, make {plain[commit, target]}")
    print_load()
    return 1 if wrong or lacking else 0


if __name__ == "__main__":
    sys.exit(main())
