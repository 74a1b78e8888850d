"""
The health site over years: from nothing, and after one more commit.

    python tests/benchmarks/bench_site.py [--targets 300] [--commits 5000] [--built 0.05] [--keep FOLDER]

Rows are synthetic: at every commit a share of the targets is built, each image of another size, the others are carried;
one target in forty is broken for a while. Bounds (DESIGN.md, section 7): the site from nothing in 10 s and 300 MB, 1 s
after one more commit, the front page below 200 KB. Exit code 1 where a bound does not hold. The store is made first,
which takes longer than all that is measured; --keep leaves it for the next time.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import random
import re
import resource
import sys
import tempfile
import time
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from sqlalchemy import insert, select

from gatekeep.cli.health import SiteSources, show_site
from gatekeep.history.schema import carried_table, evidence_table
from gatekeep.history.store import SqliteStore, keep_evidence, keep_tree
from gatekeep.model.evidence import Built, Evidence, Footprint, Outcome, RegionUse
from gatekeep.model.matrix import Matrix
from tests.cases import broken, warning
from tests.site_cases import make_line, make_wide_matrix

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
        folder = options.keep or Path(scratch)
        matrix = make_wide_matrix(10, options.targets // 10)
        if not (folder / "evidence.db").exists():
            folder.mkdir(parents=True, exist_ok=True)
            begun = time.perf_counter()
            fill(folder, matrix, options.commits, options.built)
            print(f"store made in {time.perf_counter() - begun:.0f} s")
        # As where people run it: a machine that keeps no compiled modules keeps no compiled templates.
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        out = Path(scratch) / "site"
        (folder / "site-past.json").unlink(missing_ok=True)
        # A process of its own for each: the peak of memory is the site's, not the store's maker's.
        results = [measure(folder, matrix, options.commits - 1, out), measure(folder, matrix, options.commits, out)]
        front = (out / "index.html").stat().st_size
    first, after = results
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
    peak = max(one.peak_bytes for one in results)
    print(f"memory            {peak / 1e6:6.0f} MB (bound {MOST_BYTES / 1e6:g} MB)")
    held = first.wall_s <= MOST_S and after.wall_s <= MOST_AFTER_ONE_S
    held = held and peak <= MOST_BYTES and front < MOST_FRONT_BYTES
    return 0 if held else 1


def fill(folder: Path, matrix: Matrix, commit_count: int, share: float) -> None:
    """Make the store, in one transaction: the store's own benchmark measures how long that takes otherwise."""
    drawn = random.Random(1)
    commits = make_line(commit_count)
    with SqliteStore(folder / "evidence.db") as store, store.writing() as connection:
        standing: dict[str, int] = {}
        sizes = {target.name: drawn.randrange(300, 600) for target in matrix.targets}
        for position, commit in enumerate(commits):
            tree = keep_tree(connection, commit.tree_id)
            carried = []
            for number, target in enumerate(matrix.targets):
                if position and drawn.random() > share:
                    carried.append({"tree": tree, "evidence": standing[target.name]})
                    continue
                sizes[target.name] = min(880, max(200, sizes[target.name] + drawn.randrange(-20, 22)))
                is_broken = number % 40 == 7 and position % 400 > 340
                outcome: Outcome = broken() if is_broken else image(sizes[target.name])
                evidence = Evidence(
                    target=target.name,
                    tree_id=commit.tree_id,
                    commit_id=commit.commit_id,
                    key="k",
                    toolchain_version="0.17.1",
                    outcome=outcome,
                    diagnostics=tuple(warning(line=line) for line in range(1, 4)),
                    elapsed_s=1.0 + drawn.random(),
                    started_at=commit.committed_at,
                )
                standing[target.name] = keep_evidence(connection, evidence)
            if carried:
                connection.execute(insert(carried_table), carried)
        print(f"{connection.execute(select(evidence_table.c.id)).all()[-1][0]} builds")


def image(used: int) -> Built:
    regions = (
        RegionUse(name="boot", used_bytes=used // 3, capacity_bytes=512),
        RegionUse(name="main", used_bytes=used, capacity_bytes=1000, reserve_bytes=100),
    )
    symbols = tuple((f"symbol_{number}", 400 - number) for number in range(300))
    return Built(footprint=Footprint(regions=regions, sections=((".text", used),), symbols=symbols), artifacts=())


class Measured(NamedTuple):
    """One writing of the site: wall and processor time, the peak of memory, and how many files were written."""

    wall_s: float
    cpu_s: float
    peak_bytes: int
    file_count: int


def measure(folder: Path, matrix: Matrix, commit_count: int, out: Path) -> Measured:
    """Write the site in a process of its own."""
    receiving, sending = multiprocessing.Pipe(duplex=False)
    child = multiprocessing.get_context("spawn").Process(
        target=render_once, args=(folder, matrix, commit_count, out, sending)
    )
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


def render_once(folder: Path, matrix: Matrix, commit_count: int, out: Path, sending) -> None:
    commits = make_line(commit_count)
    begun, begun_cpu = time.perf_counter(), sum(os.times()[:4])
    with SqliteStore(folder / "evidence.db") as store:
        sources = SiteSources(matrix=matrix, branch="main", commits=commits)
        _, done = show_site(store, folder, sources, out)
    # The copies of the process that have helped have ended, and count.
    wall_s, cpu_s = time.perf_counter() - begun, sum(os.times()[:4]) - begun_cpu
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    sending.send((wall_s, cpu_s, peak, done.written))


if __name__ == "__main__":
    sys.exit(main())
