"""
`gatekeep health` as people run it: the command, from its start to its end, on a repository and a store of years.

    python tests/benchmarks/bench_health.py [--targets 300] [--commits 5000] [--built 0.05] [--rounds 5] [--keep FOLDER]

What `great_store` makes: 5,000 commits by git fast-import, at each of which a share of the targets is built and all
else carried, and every tenth of them swept. Besides what `bench_site` times (reading results, rendering, writing) this
counts Python's start, imports, git, the matrix, waivers, sweeps and the look for damage. Each round adds a commit of
its own, with what a gate keeps of it, and at last one that is swept, too; --keep leaves the folder for the next time,
with those commits in it.

Bounds (DESIGN.md, section 7): from nothing in 10 s and 300 MB, 1 s after one more commit (the median of the rounds);
the front page below 200 KB. Exit code 1 where a bound does not hold.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from gatekeep.history.store import SqliteStore
from gatekeep.history.sweeps import list_sweeps
from tests.benchmarks.bench_site import MOST_AFTER_ONE_S, MOST_BYTES, MOST_FRONT_BYTES, MOST_S, count_bytes
from tests.benchmarks.great_store import DATABASE, STORE, TREE, add_commits, list_commits, make_great_store

ROOT = Path(__file__).resolve().parents[2]
_LOOK_EVERY_S = 0.02


class Measured(NamedTuple):
    """One run of the command: wall and processor time (its children's too), the peak of memory, its last line."""

    wall_s: float
    cpu_s: float
    peak_bytes: int
    said: str


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--targets", type=int, default=300)
    parser.add_argument("--commits", type=int, default=5000)
    parser.add_argument("--built", type=float, default=0.05)
    parser.add_argument("--rounds", type=int, default=5, help="how often one more commit is timed")
    parser.add_argument("--keep", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = options.keep or Path(scratch, "great")
        make_great_store(folder, targets=options.targets, commits=options.commits, share=options.built)
        (folder / STORE / "site-past.bin").unlink(missing_ok=True)
        out = Path(scratch) / "site"
        first = measure(folder, out)
        rounds = []
        for _ in range(options.rounds):
            add_commits(folder, 1)
            rounds.append(measure(folder, out))
        idle = measure(folder, out)
        add_commits(folder, 1, is_swept=True)
        night = measure(folder, out)
        front_bytes = (out / "index.html").stat().st_size
        page_count = sum(1 for _ in out.rglob("*.html"))
        commit_count = len(list_commits(folder))
        database = folder / STORE / DATABASE
        with SqliteStore(database) as store:
            sweep_count = len(list_sweeps(store))
        store_bytes = database.stat().st_size
    load = ", ".join(f"{one:.1f}" for one in os.getloadavg())
    print(
        f"{options.targets} targets x {commit_count} commits, {sweep_count} sweeps; "
        f"a store of {store_bytes / 1e6:.0f} MB"
    )
    print(f"{os.cpu_count()} cores; load {load}: other work of the machine makes wall times longer")
    show("from nothing", first, f"bound {MOST_S:g} s")
    for one in rounds:
        show("one commit more", one, f"bound {MOST_AFTER_ONE_S:g} s")
    show("nothing changed", idle)
    show("one swept commit", night)
    middle, worst = statistics.median(one.wall_s for one in rounds), max(one.wall_s for one in rounds)
    print(
        f"one commit more   {middle:6.2f} s, the median of {len(rounds)} (bound {MOST_AFTER_ONE_S:g} s); "
        f"{worst:.2f} s, the worst"
    )
    peak = max(one.peak_bytes for one in (first, *rounds, idle, night))
    print(f"memory            {peak / 1e6:6.0f} MB (bound {MOST_BYTES / 1e6:g} MB)")
    print(f"front page        {front_bytes / 1000:6.1f} KB (bound {MOST_FRONT_BYTES / 1000:g} KB)")
    print(f"pages             {page_count:6}")
    held = first.wall_s <= MOST_S and middle <= MOST_AFTER_ONE_S
    held = held and peak <= MOST_BYTES and front_bytes < MOST_FRONT_BYTES
    return 0 if held else 1


def show(words: str, one: Measured, bound: str = "") -> None:
    print(
        f"{words:<17} {one.wall_s:6.2f} s {f'({bound})' if bound else '':<12} {one.cpu_s:.2f} s of processor time, "
        f"{one.peak_bytes / 1e6:.0f} MB; {one.said.partition(': ')[2]}"
    )


def measure(folder: Path, out: Path) -> Measured:
    """Run the command once, and look at its memory meanwhile."""
    command = [sys.executable, "-m", "gatekeep", "health", "--branch", "main", "--out", str(out)]
    command += ["--repository", str(folder / TREE), "--store", str(folder / STORE)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    # As where people run it: a machine that keeps no compiled modules keeps no compiled templates.
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    before = os.times()
    begun = time.perf_counter()
    with subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, text=True) as process:
        peak = 0
        while process.poll() is None:
            peak = max(peak, count_bytes(process.pid))
            time.sleep(_LOOK_EVERY_S)
        wall_s = time.perf_counter() - begun
        assert process.stdout is not None
        said = process.stdout.read().strip()
    after = os.times()
    assert process.returncode == 0
    cpu_s = after.children_user + after.children_system - before.children_user - before.children_system
    return Measured(wall_s, cpu_s, peak, said)


if __name__ == "__main__":
    sys.exit(main())
