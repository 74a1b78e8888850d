"""
The health site over years: from nothing, and after one more commit.

    python tests/benchmarks/bench_site.py [--targets 300] [--commits 5000] [--built 0.05] [--keep FOLDER]

What `great_store` makes, without sweeps: at every commit a share of the targets is built, the others are carried.
Bounds (DESIGN.md, section 7): the site from nothing in 10 s and 300 MB, 1 s after one more commit, the front page below
200 KB. Exit code 1 where a bound does not hold. --keep leaves the folder for the next time, with one commit more.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import re
import resource
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from gatekeep.cli.health_site import SiteSources, show_site
from gatekeep.history.store import SqliteStore
from gatekeep.matrix.load import parse_matrix
from tests.benchmarks.great_store import (
    DATABASE,
    STORE,
    add_commits,
    list_commits,
    make_great_store,
    write_matrix,
)
from tests.benchmarks.great_tree import name_targets

#: How often the memory of all processes is added up: looking costs some milliseconds of one core.
_LOOK_EVERY_S = 0.1
MOST_S, MOST_AFTER_ONE_S, MOST_BYTES, MOST_FRONT_BYTES = 10.0, 1.0, 300 * 10**6, 200_000


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--targets", type=int, default=300)
    parser.add_argument("--commits", type=int, default=5000)
    parser.add_argument("--built", type=float, default=0.05)
    parser.add_argument("--keep", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = options.keep or Path(scratch, "great")
        make_great_store(folder, targets=options.targets, commits=options.commits, share=options.built, is_swept=False)
        # As where people run it: a machine that keeps no compiled modules keeps no compiled templates.
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        out = Path(scratch) / "site"
        (folder / STORE / "site-past.bin").unlink(missing_ok=True)
        # A process of its own for each: the peak of memory is the site's, not the store's maker's.
        first = measure(folder, options.targets, out)
        add_commits(folder, 1)
        after = measure(folder, options.targets, out)
        front = (out / "index.html").stat().st_size
    load = ", ".join(f"{one:.1f}" for one in os.getloadavg())
    print(
        f"{os.cpu_count()} cores; load {load}: other work of the machine makes wall times longer than the processor's"
    )
    for words, one, bound in (("from nothing", first, MOST_S), ("one commit more", after, MOST_AFTER_ONE_S)):
        print(
            f"{words:<17} {one.wall_s:6.2f} s (bound {bound:g} s), {one.cpu_s:.2f} s of processor time, "
            f"{one.peak_bytes / 1e6:.0f} MB, {one.file_count} files"
        )
    print(f"front page        {front / 1000:6.1f} KB (bound {MOST_FRONT_BYTES / 1000:g} KB)")
    peak = max(first.peak_bytes, after.peak_bytes)
    print(f"memory            {peak / 1e6:6.0f} MB (bound {MOST_BYTES / 1e6:g} MB)")
    held = first.wall_s <= MOST_S and after.wall_s <= MOST_AFTER_ONE_S
    held = held and peak <= MOST_BYTES and front < MOST_FRONT_BYTES
    return 0 if held else 1


class Measured(NamedTuple):
    """One writing of the site: wall and processor time, the peak of memory, and how many files were written."""

    wall_s: float
    cpu_s: float
    peak_bytes: int
    file_count: int


def measure(folder: Path, target_count: int, out: Path) -> Measured:
    """Write the site in a process of its own."""
    receiving, sending = multiprocessing.Pipe(duplex=False)
    child = multiprocessing.get_context("spawn").Process(target=render_once, args=(folder, target_count, out, sending))
    child.start()
    peak = 0
    while not receiving.poll(_LOOK_EVERY_S):
        peak = max(peak, count_bytes(child.pid or 0))
    wall_s, cpu_s, own_peak, file_count = receiving.recv()
    child.join()
    return Measured(wall_s, cpu_s, max(peak, own_peak), file_count)


def count_bytes(pid: int) -> int:
    """Give the memory of a process and the copies of it that help, what they share counted once (Pss of proc(5))."""
    total = 0
    with suppress(OSError):
        for one in (str(pid), *Path(f"/proc/{pid}/task/{pid}/children").read_text().split()):
            found = re.search(r"^Pss: +(\d+) kB", Path(f"/proc/{one}/smaps_rollup").read_text(), re.MULTILINE)
            total += int(found[1]) * 1024 if found else 0
    return total


def render_once(folder: Path, target_count: int, out: Path, sending) -> None:
    commits = list_commits(folder)
    matrix = parse_matrix(write_matrix(name_targets(target_count)).encode(), path="matrix.yml")
    begun, begun_cpu = time.perf_counter(), sum(os.times()[:4])
    with SqliteStore(folder / STORE / DATABASE) as store:
        sources = SiteSources(matrix=matrix, branch="main", commits=commits)
        # As the command has one: it ends before pages are rendered.
        thread = ThreadPoolExecutor(max_workers=1)
        _, done = show_site(store, folder / STORE, sources, out, "", thread.shutdown, thread.submit)
    # The copies of the process that have helped have ended, and count.
    wall_s, cpu_s = time.perf_counter() - begun, sum(os.times()[:4]) - begun_cpu
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    sending.send((wall_s, cpu_s, peak, done.written))


if __name__ == "__main__":
    sys.exit(main())
