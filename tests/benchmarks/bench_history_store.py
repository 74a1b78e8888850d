"""
The store over years: size, append, and what the site, a sweep, a gate and `gatekeep history` ask of it.

    python tests/benchmarks/bench_history_store.py [--targets 300] [--commits 5000] [--built 0.05] [--keep FOLDER]

What `great_store` makes: at every commit a share of the targets is built, the others are carried, and every tenth is
swept. Ten commits more are then appended by the store's own methods, as a gate and, at the last, a sweep do. Bounds:
300 targets x 5,000 commits stay below 1 GB, one row is appended in less than 2 ms, each question is answered in less
than 100 ms. The functions asked are those that the commands call, with what they hand over. All targets over all
commits, which a site from nothing asks once, has no bound of its own but a part of that site's 10 s (bench_site). Exit
code 1 where a bound does not hold. --keep leaves the folder for the next time, with ten commits more.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from gatekeep.history.clean_builds import list_decided, load_clean_builds
from gatekeep.history.durations import load_durations
from gatekeep.history.standing import load_evidence, load_standing
from gatekeep.history.store import SqliteStore
from gatekeep.history.sweeps import SweepSink, begin_sweep, finish_sweep, list_sweeps, load_last_known
from gatekeep.history.timeline import list_targets, load_mainline, load_timeline, record_mainline
from gatekeep.judge.health import list_needed
from gatekeep.model.history import SweepState
from gatekeep.report.site.pages import BUILDS_SHOWN
from tests.benchmarks.great_store import DATABASE, STORE, carry, iter_more, list_commits, make_great_store
from tests.benchmarks.great_tree import SWEPT_EVERY, name_targets

_MOST_BYTES = 10**9
_MOST_APPEND_S = 0.002
_MOST_ANSWER_S = 0.1


class Clock:
    """Adds up the rows and the seconds of one way to append."""

    def __init__(self) -> None:
        self.rows, self.total_s, self.cpu_s = 0, 0.0, 0.0

    def time(self, row_count: int, append: Callable[[], object]) -> None:
        started, started_cpu = time.perf_counter(), time.process_time()
        append()
        self.total_s += time.perf_counter() - started
        self.cpu_s += time.process_time() - started_cpu
        self.rows += row_count

    @property
    def row_s(self) -> float:
        return self.total_s / max(self.rows, 1)

    @property
    def row_cpu_s(self) -> float:
        return self.cpu_s / max(self.rows, 1)


def append(folder: Path, store: SqliteStore, share: float) -> tuple[Clock, Clock]:
    """Append commits; give what appending builds and carried results took."""
    building, carrying = Clock(), Clock()
    for number in range(SWEPT_EVERY):
        is_swept = number == SWEPT_EVERY - 1
        for step, commits in iter_more(folder, store, 1, share=share, is_swept=is_swept):
            taken_over = [carry(entry, step.commit) for entry in step.carried]
            carrying.time(len(taken_over), partial(store.add_carried, taken_over))
            for entry in step.built:
                building.time(1, partial(store.add, entry))
            if step.swept is not None:
                record_mainline(store, commits)
                sweep = begin_sweep(store, step.commit, step.commit.committed_at)
                sink = SweepSink(store, sweep.sweep_id)
                for entry in step.swept:
                    building.time(1, partial(sink.add, entry))
                finish_sweep(store, sweep.sweep_id, SweepState.FINISHED, step.turns, step.commit.committed_at)
    return building, carrying


def measure(question: Callable[[], object]) -> tuple[float, float]:
    """Give the seconds of the fastest of three answers, and of processor time of the cheapest."""
    walls, cpus = [], []
    for _ in range(3):
        started, started_cpu = time.perf_counter(), time.process_time()
        question()
        walls.append(time.perf_counter() - started)
        cpus.append(time.process_time() - started_cpu)
    return min(walls), min(cpus)


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--targets", type=int, default=300)
    parser.add_argument("--commits", type=int, default=5000)
    parser.add_argument("--built", type=float, default=0.05, help="share of the targets that a commit builds")
    parser.add_argument("--keep", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = options.keep or Path(scratch)
        make_great_store(folder, targets=options.targets, commits=options.commits, share=options.built)
        path = folder / STORE / DATABASE
        names = name_targets(options.targets)
        with SqliteStore(path) as store:
            building, carrying = append(folder, store, options.built)
        commits = list_commits(folder)
        size_bytes = sum(file.stat().st_size for file in path.parent.glob(f"{path.name}*"))
        print(f"{options.targets} targets x {len(commits)} commits: {building.rows} built, {carrying.rows} carried now")
        print(f"size                 {size_bytes / 1e6:8.1f} MB   bound {_MOST_BYTES / 1e6:.0f} MB")
        load = ", ".join(f"{one:.1f}" for one in os.getloadavg())
        print(f"{os.cpu_count()} cores; load {load}: other work of the machine makes wall times longer than CPU times")
        is_fine = size_bytes < _MOST_BYTES
        append_s = (building.total_s + carrying.total_s) / (building.rows + carrying.rows)
        for words, clock, how in (
            ("append, carried", carrying, "in one transaction a commit"),
            ("append, built", building, "each in a transaction of its own, synced"),
        ):
            print(f"{words:<20} {clock.row_s * 1000:8.3f} ms a row, {how}; CPU {clock.row_cpu_s * 1000:.3f} ms")
        print(f"append, all rows     {append_s * 1000:8.3f} ms a row   bound {_MOST_APPEND_S * 1000:g} ms")
        is_fine = is_fine and append_s < _MOST_APPEND_S
        name = names[len(names) // 2]
        with SqliteStore(path) as store:
            sweeps = list_sweeps(store)
            begun, begun_cpu = time.perf_counter(), time.process_time()
            standing = load_standing(store, commits, names)
            print(
                f"{'site: all targets, all commits':<34} {(time.perf_counter() - begun) * 1000:8.1f} ms   "
                f"{'of 10 s':<14} CPU {(time.process_time() - begun_cpu) * 1000:.1f} ms"
            )
            earlier = load_standing(store, commits[:-1], names)
            whole, light = list_needed(standing.runs)
            questions: dict[str, Callable[[], object]] = {
                "site: one commit more": lambda: load_standing(store, commits, names, earlier),
                f"site: {len(whole)} newest images, whole": lambda: load_evidence(store, whole, whole=True),
                f"site: {len(light)} results, for messages": lambda: load_evidence(store, light, whole=False),
                f"site: {len(sweeps)} sweeps": lambda: list_sweeps(store),
                "site: last clean builds": lambda: load_clean_builds(store, sweeps, commits, names),
                "site: how long builds took": lambda: load_durations(store, names, most=BUILDS_SHOWN),
                "site: what the last sweep decided": lambda: list_decided(store, sweeps[-1].sweep_id),
                "history: a target, all commits": lambda: load_timeline(store, name, commits),
                "history: names of targets": lambda: list_targets(store),
                "sweep: what the last one found": lambda: load_last_known(store, 10**9, names, lambda _: True),
                "sweep: the commits of the branch": lambda: load_mainline(store),
                "gate: results of one commit": lambda: store.list_evidence([commits[-1].tree_id]),
                "gate: how long builds take": store.load_durations,
                "gate: what is carried from": store.list_newest,
            }
            for words, question in questions.items():
                answer_s, answer_cpu_s = measure(question)
                print(
                    f"{words:<34} {answer_s * 1000:8.1f} ms   {f'bound {_MOST_ANSWER_S * 1000:.0f} ms':<14} "
                    f"CPU {answer_cpu_s * 1000:.1f} ms"
                )
                is_fine = is_fine and answer_s < _MOST_ANSWER_S
    return 0 if is_fine else 1


if __name__ == "__main__":
    sys.exit(main())
