"""
The demonstration's whole history and all its proposals: gated, against the plain loop that people write today.

    python tests/benchmarks/bench_history.py [--proposals 3] [--gate-only]

Gated: main from its first commit to its last, then every proposal on top of main, each a process of its own, one store.
The plain loop: for each of the same commits `git checkout` in one work tree, then a clean `make` of every target of the
commit's matrix through `xargs -P2`. Only checkouts and makes are timed.

Both must come to the same outcome for every commit and target, and to the same images, byte for byte; exit code 1 if
not. Goal (DESIGN.md, section 7): 10 times faster or better.
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
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from gatekeep.history.store import SqliteStore
from gatekeep.matrix.load import parse_matrix
from gatekeep.model.evidence import Built, Evidence, Outgrown, name_outcome
from gatekeep.model.matrix import Target
from tests.benchmarks.bench_gate_cost import make_demonstration
from tests.benchmarks.measured_gate import benchmark_environment, measure_gate, print_load
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


def main() -> int:
    """Print the figures and their bound."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--proposals", type=int, help="only so many of them [default: all]")
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
        steps = [(first, "main"), *(("main", branch) for branch in branches)]
        commits = [first]
        gate_s = bound_s = own_s = gate_cpu_s = 0.0
        build_count = 0
        print(f"  {'gate':44} {'commits':>7} {'builds':>6} {'wall s':>7} {'bound s':>8} {'code':>5}")
        for base, head in steps:
            ids = repository.ask("rev-list", "--reverse", f"{base}..{head}").split()
            commits += ids
            facts = measure_gate("gate", base, head, "--store", str(folder / "store"), folder=repository.path)
            if facts.exit_code not in (0, 1):
                print(facts.output)
                raise SystemExit(f"gate {base} {head} ended with exit code {facts.exit_code}")
            gate_s += facts.wall_s
            bound_s += facts.bound_s(cores)
            own_s += facts.own_cpu_s
            gate_cpu_s += facts.own_cpu_s + facts.builds_cpu_s + facts.probes_cpu_s
            build_count += len(facts.jobs)
            label = f"{base[:10]}..{head}"
            print(
                f"  {label:44} {len(ids):7} {len(facts.jobs):6} {facts.wall_s:7.2f} "
                f"{facts.bound_s(cores):8.2f} {facts.exit_code:5}"
            )
        trees = {repository.tree_of(commit): commit for commit in reversed(commits)}
        targets = {
            commit: parse_matrix(repository.git("show", f"{commit}:matrix.yml"), path="matrix.yml").targets
            for commit in commits
        }
        with SqliteStore(folder / "store" / "evidence.db") as kept:
            gated = {(trees[entry.tree_id], entry.target): entry for entry in kept.list_evidence(trees)}
        pairs = sorted((commit, target.name) for commit in commits for target in targets[commit])
        lacking = [pair for pair in pairs if pair not in gated]
        counted = f"{build_count} builds for {len(pairs)} pairs (commit, target)"
        print(f"gated: {gate_s:.1f} s, {len(steps)} processes; {counted}")
        print(f"  bound by the builds themselves {bound_s:.1f} s: {gate_s / bound_s:.3f}; our CPU {own_s:.1f} s")
        if lacking:
            print(f"  {len(lacking)} pairs have no evidence, for instance {lacking[0]}")
        if options.gate_only:
            return 1 if lacking else 0
        checkout = Checkout(repository, folder / "checkout")
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        plain_s, plain = run_plain_loop(checkout, commits, targets, folder / "plain")
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        plain_cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    wrong = [pair for pair in pairs if pair in gated and differs(gated[pair], plain[pair])]
    print(f"plain loop: {plain_s:.1f} s, {len(plain)} builds")
    print(f"ratio: {plain_s / gate_s:.2f} times faster (goal 10)")
    # The two run one after the other; where other work comes and goes meanwhile, this says more.
    print(f"  by CPU: {plain_cpu_s:.0f} s against {gate_cpu_s:.0f} s, {plain_cpu_s / gate_cpu_s:.2f} times less")
    print(f"outcomes or images that differ: {len(wrong)} of {len(pairs)} (goal 0)")
    for commit, target in wrong[:10]:
        outcome = name_outcome(gated[commit, target].outcome)
        print(f"  {commit[:10]} {target}: gate says {outcome}, make {plain[commit, target]}")
    print_load()
    return 1 if wrong or lacking else 0


if __name__ == "__main__":
    sys.exit(main())
