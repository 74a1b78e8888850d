"""
The demonstration's whole history and all its proposals: gated, against the plain loop that people write today.

    python tests/benchmarks/bench_history.py [--proposals 3] [--plain-every 8] [--gate-only]
    python tests/benchmarks/bench_history.py --keep DIR --part main --plain-every 20
    python tests/benchmarks/bench_history.py --keep DIR --part proposals

Gated: main from its first commit to its last, then every proposal on top of main, each a process of its own, one store.
The plain loop: for each of the same commits `git checkout` in one work tree, then a clean `make` of every target of the
commit's matrix through `xargs -P2`, and the emulator where the matrix has the image booted, until it ends by itself.
Only checkouts, makes and boots are timed. It takes most of an hour on two cores; with `--plain-every N` it does every
Nth commit only, and what it took is scaled by the number of builds, and said to be. It runs after each gate, so that
what comes and goes on the machine meets both.

With `--compile-cache` every commit's matrix asks for one (`skerry_behind_cache`), empty when the first gate begins.
The plain loop does without.

With `--keep` the two parts can be measured one after the other: what they found is kept in the folder, and the sum is
printed as soon as both are there.

Both must come to the same outcome for every commit and target that both have, and to the same images, byte for byte;
exit code 1 if not. Goal (DESIGN.md, section 7): 10 times faster or better.

What is in the history decides the figure, so it is printed: how many commits had how many targets built, and by how
much a gate could be faster that did nothing but these builds. Main is meant to be what a firmware tree's main branch
is: of 281 commits 63 touch documents only, 173 the folder of a board, 26 a port, 13 a driver, 5 what all targets share,
and one is the import. It needs 429 builds for 6,064 pairs of commit and target. Each of them is the first of its target
or reads what its commit changed, so no rule could carry more. The proposals are meant to show what the gate says: 10 of
their 21 commits change what all 24 targets read, one adds a document by a name that every build can have put together,
and there is little to carry. What fails is built twice.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import resource
import shlex
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from gatekeep.history.store import SqliteStore
from gatekeep.matrix.load import parse_matrix
from gatekeep.model.evidence import Built, Evidence, Outgrown, name_outcome
from gatekeep.model.matrix import Target
from tests.benchmarks.bench_gate_cost import make_demonstration
from tests.benchmarks.measured_gate import GateFacts, benchmark_environment, measure_gate, print_load
from tests.benchmarks.plain_loop import WORKERS, Checkout
from tests.benchmarks.skerry_behind_cache import ask_for_cache, put_compiler_on_path
from tests.repos import GitFolder

Pair = tuple[str, str]
#: Reads `out board configuration seconds emulator…` lines; make's exit code goes beside its folder, and what the
#: emulator said. Nothing of gatekeep is in it.
_MAKE_ONE = """
out=$1
mkdir "$out" && make -s BOARD="$2" CONFIG="$3" O="$out" >"$out.log" 2>&1
code=$? limit=$4
echo $code >"$out.code"
shift 4
if [ $code = 0 ] && [ $# != 0 ]; then timeout "$limit" "$@" >"$out.console" 2>&1; fi
exit 0
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """Whether make succeeded, whether the image then booted, and the digests of ELF file and image where it did."""

    made: bool
    booted: bool
    digests: tuple[str, ...] = ()


def run_plain_loop(
    checkout: Checkout, commits: list[str], targets: Mapping[str, tuple[Target, ...]], out: Path
) -> tuple[float, float, dict[Pair, Result]]:
    """Give the seconds that checkouts, makes and boots took, their CPU, and what each build left."""
    total_s = cpu_s = 0.0
    found: dict[Pair, Result] = {}
    for commit in commits:
        folder = out / commit
        folder.mkdir(parents=True)
        lines = "".join(_write_line(target, folder / target.name.replace("/", ".")) for target in targets[commit])
        started_at, cpu_before_s = time.perf_counter(), _children_cpu_s()
        checkout.move_to(commit)
        subprocess.run(
            ["xargs", f"-P{WORKERS}", "-L1", "sh", "-c", _MAKE_ONE, "sh"],
            input=lines.encode(),
            cwd=checkout.path,
            env=benchmark_environment(),
            check=True,
        )
        total_s += time.perf_counter() - started_at
        cpu_s += _children_cpu_s() - cpu_before_s
        for target in targets[commit]:
            found[commit, target.name] = _read_result(folder / target.name.replace("/", "."), target)
        shutil.rmtree(folder)
    return total_s, cpu_s, found


def _children_cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def _write_line(target: Target, out: Path) -> str:
    boot = target.boot
    words = [str(out), target.board, dict(target.settings)["config"], f"{boot.time_limit_s:g}" if boot else "0"]
    if boot is not None:
        words += [word.replace("{out}", str(out)) for word in boot.command]
    return f"{shlex.join(words)}\n"


def _read_result(folder: Path, target: Target) -> Result:
    if folder.with_name(f"{folder.name}.code").read_text().strip() != "0":
        return Result(made=False, booted=False)
    at = 0
    if target.boot is not None:
        console = folder.with_name(f"{folder.name}.console").read_bytes()
        for text in target.boot.expect:
            at = console.find(text.encode(), at) + len(text) if text.encode() in console[at:] else -1
            if at < 0:
                return Result(made=True, booted=False)
    paths = [folder / f"{target.board}.elf", folder / f"{target.board}.rom"]
    digests = tuple(hashlib.sha256(path.read_bytes()).hexdigest() for path in paths if path.exists())
    return Result(made=True, booted=True, digests=digests)


def differs(gated: Evidence, plain: Result) -> bool:
    """Compare one outcome; images too where both have them."""
    match gated.outcome:
        case Built(artifacts=artifacts):
            return not plain.booted or tuple(entry.sha256 for entry in artifacts) != plain.digests
        case Outgrown(footprint=footprint) if footprint is not None:
            # Measured: make has linked it, and does not know the matrix' regions.
            return not plain.made
        case _:
            return plain.booted


@dataclass(slots=True, kw_only=True)
class Part:
    """
    Main, or the proposals: what gating its commits took and what the plain loop took for those it did.

    `reach` counts commits by how many of their builds there were; `wrong_count` the pairs that came out differently,
    `lacking_count` those of which the store has nothing.
    """

    name: str
    commit_count: int = 0
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
    wrong_count: int = 0
    lacking_count: int = 0
    reach: dict[str, int] = field(default_factory=dict)

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
        counted = f"{self.build_count} builds for {self.pair_count} pairs (commit, target), {self.commit_count} commits"
        print(f"{self.name}: gated in {self.gate_s:.1f} s, {self.process_count} processes; {counted}")
        bound = f"{self.bound_s:.1f} s: {self.gate_s / self.bound_s:.3f}" if self.bound_s else "0 s"
        print(f"  bound by the builds themselves {bound}; our CPU {self.own_cpu_s:.1f} s")
        reach = sorted(self.reach.items(), key=lambda entry: int(entry[0]))
        print("  builds of a commit: " + ", ".join(f"{builds} ({count} commits)" for builds, count in reach))


def print_ratio(name: str, parts: list[Part]) -> None:
    """How much faster it was, by wall time and by CPU, and how much it could be."""
    plain_s = sum(part.scale * part.plain_s for part in parts)
    plain_cpu_s = sum(part.scale * part.plain_cpu_s for part in parts)
    gate_s, gate_cpu_s = sum(part.gate_s for part in parts), sum(part.gate_cpu_s for part in parts)
    done, pairs = sum(part.plain_count for part in parts), sum(part.pair_count for part in parts)
    builds = sum(part.build_count for part in parts)
    scaled = "" if done == pairs else f", scaled from {done} builds"
    print(
        f"{name}: {plain_s / gate_s:.2f} times faster (goal 10); {pairs / builds:.2f} if it did nothing but its builds"
    )
    print(f"  plain loop {plain_s:.0f} s for {pairs} builds{scaled}; gated {gate_s:.0f} s")
    # Where other work comes and goes meanwhile, this says more.
    print(f"  by CPU: {plain_cpu_s:.0f} s against {gate_cpu_s:.0f} s, {plain_cpu_s / gate_cpu_s:.2f} times less")


class Bench:
    """The demonstration in a folder, with its store; measures one gate and its plain loop after the other."""

    def __init__(self, folder: Path, plain_every: int, *, compile_cache: bool) -> None:
        self.folder = folder
        is_new = not (folder / "skerry").exists()
        if is_new:
            make_demonstration(folder / "skerry")
        if compile_cache:
            os.environ["PATH"] = f"{put_compiler_on_path(folder / 'bin')}:{os.environ['PATH']}"
            if is_new:
                ask_for_cache(GitFolder(folder / "skerry"))
        self.repository = GitFolder(folder / "skerry")
        self._checkout = Checkout(self.repository, folder / "checkout")
        self._plain_every = plain_every
        self._cores = len(os.sched_getaffinity(0))

    def measure(self, name: str, ranges: list[tuple[str, str]], first: list[str]) -> Part:
        """Gate ranges of commits, `first` judged beside those of the first range, and do some of them plainly."""
        part = Part(name=name)
        done_count = 0
        for number, (base, head) in enumerate(ranges):
            ids = self.repository.ask("rev-list", "--reverse", f"{base}..{head}").split()
            commits = [*first, *ids] if number == 0 else ids
            facts = measure_gate("gate", base, head, "--store", str(self.folder / "store"), folder=self.repository.path)
            if facts.exit_code not in (0, 1):
                print(facts.output)
                raise SystemExit(f"gate {base} {head} ended with exit code {facts.exit_code}")
            part.add(facts, self._cores)
            print(
                f"  {f'{base[:10]}..{head}':44} {len(ids):7} {len(facts.jobs):6} {facts.wall_s:7.2f} "
                f"{facts.bound_s(self._cores):8.2f} {facts.exit_code:5}"
            )
            sample = commits[-done_count % self._plain_every :: self._plain_every] if self._plain_every else []
            done_count += len(commits)
            self._compare(part, facts, commits, sample)
        return part

    def _compare(self, part: Part, facts: GateFacts, commits: list[str], sample: list[str]) -> None:
        trees = {commit: self.repository.tree_of(commit) for commit in commits}
        targets = {
            commit: parse_matrix(self.repository.git("show", f"{commit}:matrix.yml"), path="matrix.yml").targets
            for commit in commits
        }
        with SqliteStore(self.folder / "store" / "evidence.db") as kept:
            gated = {(entry.tree_id, entry.target): entry for entry in kept.list_evidence(set(trees.values()))}
        built = Counter(job[1] for job in facts.jobs)
        part.commit_count += len(commits)
        part.pair_count += sum(map(len, targets.values()))
        for commit in commits:
            builds = str(built[trees[commit]])
            part.reach[builds] = part.reach.get(builds, 0) + 1
        lacking = [
            f"{commit[:10]} {target.name}"
            for commit in commits
            for target in targets[commit]
            if (trees[commit], target.name) not in gated
        ]
        part.lacking_count += len(lacking)
        if lacking:
            print(f"  {len(lacking)} pairs have no evidence, for instance {lacking[0]}")
        plain_s, cpu_s, found = run_plain_loop(self._checkout, sample, targets, self.folder / "plain")
        part.plain_s += plain_s
        part.plain_cpu_s += cpu_s
        part.plain_count += len(found)
        for (commit, target), result in sorted(found.items()):
            evidence = gated.get((trees[commit], target))
            if evidence is not None and differs(evidence, result):
                part.wrong_count += 1
                print(f"  {commit[:10]} {target}: gate says {name_outcome(evidence.outcome)}, make {result}")


def run(folder: Path, options: argparse.Namespace) -> int:
    """Measure what is asked for, and print all that is known of the folder."""
    bench = Bench(folder, 0 if options.gate_only else options.plain_every, compile_cache=options.compile_cache)
    print(f"  {'gate':44} {'commits':>7} {'builds':>6} {'wall s':>7} {'bound s':>8} {'code':>5}")
    if options.part in ("main", "all"):
        first = bench.repository.ask("rev-list", "--max-parents=0", "main")
        keep(folder, bench.measure("main", [(first, "main")], [first]))
    if options.part in ("proposals", "all"):
        branches = bench.repository.ask("for-each-ref", "--format=%(refname:short)", "refs/heads/proposal").split()
        ranges = [("main", branch) for branch in branches[: options.proposals]]
        if ranges:
            keep(folder, bench.measure("proposals", ranges, []))
    parts = [
        Part(**json.loads(file.read_text()))
        for name in ("main", "proposals")
        if (file := folder / f"{name}.json").exists()
    ]
    for part in parts:
        part.print_gated()
    if not options.gate_only:
        for part in parts:
            print_ratio(part.name, [part])
        print_ratio("all", parts)
        compared, wrong = sum(part.plain_count for part in parts), sum(part.wrong_count for part in parts)
        print(f"outcomes or images that differ: {wrong} of {compared} (goal 0)")
    return 1 if any(part.wrong_count or part.lacking_count for part in parts) else 0


def keep(folder: Path, part: Part) -> None:
    """Write what was found of a part."""
    (folder / f"{part.name}.json").write_text(json.dumps(asdict(part)))


def main() -> int:
    """Print the figures and their bound."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--part", choices=("main", "proposals", "all"), default="all")
    parser.add_argument("--keep", type=Path, help="a folder in which one part finds what the other has left")
    parser.add_argument("--proposals", type=int, help="only so many of them [default: all]")
    parser.add_argument(
        "--plain-every", type=int, default=1, help="the plain loop does every Nth commit [default: all]"
    )
    parser.add_argument("--gate-only", action="store_true", help="do not run the plain loop")
    parser.add_argument("--compile-cache", action="store_true", help="gate with a compiler cache, empty at first")
    options = parser.parse_args()
    if options.part == "proposals" and options.keep is None:
        parser.error("--part proposals needs --keep, with what --part main has left")
    print_load()
    with tempfile.TemporaryDirectory(prefix="history-") as scratch:
        folder = options.keep or Path(scratch)
        folder.mkdir(exist_ok=True)
        code = run(folder.resolve(), options)
    print_load()
    return code


if __name__ == "__main__":
    sys.exit(main())
