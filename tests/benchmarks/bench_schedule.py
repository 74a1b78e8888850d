"""
The order in which builds start: its makespan against what no order can beat, and against Graham's bounds.

    python tests/benchmarks/bench_schedule.py [STORE]

Plan and scheduler are the product's own, the clock is simulated. First Graham's worst case for the longest-first order,
for which the bound is met exactly; then the durations that a store holds (STORE/evidence.db: `.git/gatekeep` of a
repository that was gated). Without STORE the demonstration is gated once, for its durations.

Source: R. L. Graham, "Bounds on Multiprocessing Timing Anomalies", SIAM J. Appl. Math. 17 (1969), 416-429: any list
2 - 1/m times the optimum at most, the longest first 4/3 - 1/(3m).
"""

from __future__ import annotations

import argparse
import random
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from gatekeep.history.store import SqliteStore
from tests.benchmarks.bench_gate_cost import make_demonstration
from tests.benchmarks.measured_gate import measure_gate
from tests.simulated_workers import graham_bound, graham_worst_case, list_schedule_s, lower_bound_s, simulate

_WORKERS = (2, 4, 8, 16)
_SHUFFLES = 200


def load_durations(store: Path | None) -> dict[str, float]:
    """Give a store's newest build time of each target, in seconds."""
    if store is not None:
        with SqliteStore(store / "evidence.db") as kept:
            return kept.load_durations()
    with tempfile.TemporaryDirectory(prefix="schedule-") as name:
        repository = make_demonstration(Path(name, "skerry"))
        kept_in = Path(name, "store")
        facts = measure_gate("gate", "main~1", "main", "--store", str(kept_in), folder=repository)
        if facts.exit_code not in (0, 1):
            raise SystemExit(facts.output)
        return load_durations(kept_in)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("store", nargs="?", type=Path)
    options = parser.parse_args()
    print("Graham's worst case for the longest first: made of the optimum 3m, bound 4/3 - 1/(3m)")
    for workers in _WORKERS:
        jobs = graham_worst_case(workers)
        made = simulate({f"arm/board-{number}": length for number, length in enumerate(jobs)}, workers)
        optimum = 3 * workers
        print(
            f"  {workers:3} workers, {len(jobs):3} jobs: {made:5.0f} of {optimum:3} = {made / optimum:.4f}"
            f"   bound {graham_bound(workers):.4f}"
        )
    durations_s = load_durations(options.store)
    values = list(durations_s.values())
    print(
        f"recorded: {len(values)} targets, {sum(values):.1f} s of builds, longest {max(values):.2f} s, "
        f"shortest {min(values):.2f} s; makespan by max(longest job, work / workers)"
    )
    print(
        f"  {'':11} {'ours':>7} {'nothing known':>14} {'drawn by lot: median':>21} {'worst':>7} {'bound of ours':>14}"
    )
    lot = random.Random(1)
    started_at, count = time.perf_counter(), 0
    for workers in _WORKERS:
        least_s = lower_bound_s(values, workers)
        drawn = [list_schedule_s(lot.sample(values, len(values)), workers) / least_s for _ in range(_SHUFFLES)]
        ours = simulate(durations_s, workers) / least_s
        unknown = simulate(durations_s, workers, expected_s={}) / least_s
        count += 2 * len(values)
        print(
            f"  {workers:3} workers {ours:7.3f} {unknown:14.3f} {statistics.median(drawn):21.3f} {max(drawn):7.3f} "
            f"{graham_bound(workers):14.3f}"
        )
    each_ms = (time.perf_counter() - started_at) / count * 1000
    print(f"planning and scheduling a job that takes no time: {each_ms:.2f} ms")


if __name__ == "__main__":
    main()
