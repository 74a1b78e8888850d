"""
What a gate costs beyond the builds: our own CPU a job, and wall time against the least possible, on the demonstration.

    python tests/benchmarks/bench_gate_cost.py [--head proposal/03-remember-the-writer] [--rounds 1] [--profile FILE]

Every job is built (an empty store, --rebuild): 24 targets at main and at a proposal. CPU of ours is user and system
time of gatekeep's process and of its keepers; what the builds' own processes used, as their keepers counted it, is
taken off. A median job is its thread's CPU, and its share of the keepers and of the store.

Goals (DESIGN.md, section 7): 30 ms median a job; wall time within 1.05 of max(longest job, work / cores). A job's time
is that of its commands in the same run, so that other work on the machine lengthens both.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.benchmarks.measured_gate import (
    GateFacts,
    benchmark_environment,
    measure_gate,
    print_load,
    print_parts,
)


def make_demonstration(folder: Path) -> Path:
    """Make the demonstration's repository."""
    environment = benchmark_environment() | {"PYTHONPATH": str(Path(__file__).resolve().parents[2])}
    command = [sys.executable, "-m", "gatekeep", "demo", str(folder)]
    subprocess.run(command, env=environment, check=True, stdout=subprocess.DEVNULL)
    return folder


def explain_wall(facts: GateFacts, cores: int) -> None:
    """Say where the time beyond the bound went."""
    bound_s = facts.bound_s(cores)
    idle_s = (facts.end_s - facts.start_s) - facts.work_s / cores
    after_s = facts.wall_s - facts.end_s
    print(f"  beyond the bound: {facts.wall_s - bound_s:.2f} s = {facts.start_s:.2f} s before the first build", end="")
    print(f" + {idle_s:.2f} s of workers between builds (ours, and the tail) + {after_s:.2f} s after the last")
    share = facts.builds_cpu_s / facts.work_s
    print(f"  imports {facts.import_s:.2f} s; while a build ran it had {share * 100:.0f} % of a core")


def main() -> None:
    """Print the figures and their bounds."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--head", default="proposal/03-remember-the-writer")
    parser.add_argument("--rounds", type=int, default=1)
    parser.add_argument("--profile", type=Path, help="write a cProfile of the coordinator's main thread")
    options = parser.parse_args()
    cores = len(os.sched_getaffinity(0))
    print_load()
    rounds: list[GateFacts] = []
    with tempfile.TemporaryDirectory(prefix="gate-cost-") as name:
        repository = make_demonstration(Path(name, "skerry"))
        for number in range(options.rounds):
            store = Path(name, f"store-{number}")
            facts = measure_gate(
                "gate",
                "main",
                options.head,
                "--rebuild",
                "--store",
                str(store),
                folder=repository,
                profile=options.profile,
            )
            if not facts.jobs or any(job[2] == "not decided" for job in facts.jobs):
                raise SystemExit(facts.output)
            rounds.append(facts)
    for facts in rounds:
        count = len(facts.jobs)
        bound_s = facts.bound_s(cores)
        print(f"{count} jobs, {facts.builds_cpu_s / count * 1000:.0f} ms of CPU each")
        print(f"our CPU a job: median {facts.job_cpu_s * 1000:.1f} ms (goal 30 ms); ", end="")
        print(f"all of ours, start and report too, by the jobs: {facts.own_cpu_s / count * 1000:.1f} ms")
        print_parts(facts)
        print(f"wall: {facts.wall_s:.2f} s, bound {bound_s:.2f} s: {facts.wall_s / bound_s:.3f} (goal 1.05)")
        explain_wall(facts, cores)
        print(f"peak memory of the coordinator: {facts.peak_rss_bytes / 1e6:.0f} MB")
    if len(rounds) > 1:
        print(
            f"median of {len(rounds)} rounds: {statistics.median(f.job_cpu_s for f in rounds) * 1000:.1f} ms a job, ",
            end="",
        )
        print(f"wall / bound {statistics.median(f.wall_s / f.bound_s(cores) for f in rounds):.3f}")
    print_load()


if __name__ == "__main__":
    main()
