"""
The store over years: size, append, and what the site, a sweep, a gate and `gatekeep history` ask of it.

    python tests/benchmarks/bench_history_store.py [--targets 300] [--commits 5000] [--built 0.05] [--keep FILE]

Rows are synthetic and go through the store's own methods: at every commit a share of the targets is built (each build
with its own diagnostics, sections and symbols), the others are carried, and every tenth commit is swept, with every
target built clean. Bounds: 300 targets x 5,000 commits stay below 1 GB, one row is appended in less than 2 ms, each
question is answered in less than 100 ms. The functions asked are those that the commands call, with what they hand
over. All targets over all commits, which a site from nothing asks once, has no bound of its own but a part of that
site's 10 s (bench_site). Exit code 1 where a bound does not hold. A store that --keep has left is asked
again without being filled, so that its questions can be timed when the machine is quiet.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import random
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from gatekeep.history.clean_builds import list_decided, load_clean_builds
from gatekeep.history.standing import load_evidence, load_standing
from gatekeep.history.store import SqliteStore
from gatekeep.history.sweeps import SweepSink, begin_sweep, finish_sweep, list_sweeps, load_last_known
from gatekeep.history.timeline import list_targets, load_mainline, load_timeline, record_mainline
from gatekeep.judge.health import list_needed
from gatekeep.model.change import Commit
from gatekeep.model.evidence import Artifact, Built, Diagnostic, Evidence, Footprint, RegionUse, Severity, Speaker
from gatekeep.model.history import SweepState
from gatekeep.model.readset import Carried, ReadSet

_START = datetime(2020, 1, 1, tzinfo=UTC)
_SYMBOLS = 300
_FILES = 150
_WARNINGS = 3
_MOST_BYTES = 10**9
_MOST_APPEND_S = 0.002
_MOST_ANSWER_S = 0.1


def object_id(text: str) -> str:
    return hashlib.sha1(text.encode(), usedforsecurity=False).hexdigest()


def make_commit(number: int) -> Commit:
    return Commit(
        commit_id=object_id(f"commit {number}"),
        tree_id=object_id(f"tree {number}"),
        parent_ids=(object_id(f"commit {number - 1}"),),
        author_name="Isa Thorne",
        author_email="isa@skerry.example",
        subject=f"drivers: Step number {number}, with a subject of the usual length",
        committed_at=_START + timedelta(hours=number),
    )


class Tree:
    """Targets whose images change when they are built for a change, and not when a sweep builds them again."""

    def __init__(self, target_count: int) -> None:
        self.names = [f"port{number % 8}/board-{number:03}" for number in range(target_count)]
        self.random = random.Random(1)
        self.sizes = {name: [self.random.randrange(8, 2000) for _ in range(_SYMBOLS)] for name in self.names}
        self.read_sets = {
            name: ReadSet(
                files=(f"boards/{name}.mk", *(f"drivers/part{n:03}.c" for n in range(_FILES))),
                folders=(".", "drivers"),
            )
            for name in self.names
        }

    def change(self, name: str) -> None:
        for _ in range(3):
            self.sizes[name][self.random.randrange(_SYMBOLS)] = self.random.randrange(8, 2000)

    def build(self, name: str, commit: Commit) -> Evidence:
        sizes = self.sizes[name]
        used = sum(sizes)
        return Evidence(
            target=name,
            tree_id=commit.tree_id,
            commit_id=commit.commit_id,
            key=hashlib.sha256(name.encode()).hexdigest(),
            toolchain_version="13.2.1",
            outcome=Built(
                footprint=Footprint(
                    regions=(
                        RegionUse(name="boot", used_bytes=used // 4, capacity_bytes=2**20, reserve_bytes=2**14),
                        RegionUse(name="main", used_bytes=used, capacity_bytes=2**22, reserve_bytes=2**16),
                        RegionUse(name="ram", used_bytes=used // 8, capacity_bytes=2**18, flash=False),
                    ),
                    sections=((".text", used), (".rodata", used // 3), (".data", 512), (".bss", 4096)),
                    symbols=tuple((f"driver_function_{n}", size) for n, size in enumerate(sizes)),
                ),
                artifacts=(
                    Artifact(kind="elf", name="out/x.elf", size_bytes=used, sha256=object_id(f"{used}") + "0" * 24),
                ),
            ),
            diagnostics=tuple(
                Diagnostic(
                    severity=Severity.WARNING,
                    speaker=Speaker.COMPILER,
                    message=f"unused variable 'counter_{n}'",
                    path=f"drivers/part{n:03}.c",
                    line=40 + n,
                    column=9,
                    option="unused-variable",
                    excerpt=f"int counter_{n};",
                )
                for n in range(_WARNINGS)
            ),
            elapsed_s=1 + self.random.random(),
            started_at=commit.committed_at,
            log_path=f"logs/{commit.tree_id[:12]}/{name.replace('/', '.')}.log",
            read_set=self.read_sets[name],
        )


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


def fill(store: SqliteStore, tree: Tree, commit_count: int, built_share: float) -> tuple[Clock, Clock]:
    """Fill the store; give what appending builds and carried results took."""
    newest: dict[str, Evidence] = {}
    building, carrying = Clock(), Clock()
    previous: str | None = None
    for number in range(commit_count):
        commit = make_commit(number)
        swept = number % 10 == 0
        changed = set(tree.random.sample(tree.names, max(1, int(len(tree.names) * built_share))))
        for name in changed:
            tree.change(name)
        fresh = [tree.build(name, commit) for name in tree.names if swept or name in changed]
        taken_over = [
            replace(
                newest[name],
                tree_id=commit.tree_id,
                commit_id=commit.commit_id,
                carried=Carried(tree_id=newest[name].tree_id, commit_id=newest[name].commit_id),
            )
            for name in tree.names
            if name not in changed and name in newest
        ]
        record_mainline(store, [commit], after=previous)
        carrying.time(len(taken_over), partial(store.add_carried, taken_over))
        sweep = begin_sweep(store, commit, commit.committed_at) if swept else None
        sink = SweepSink(store, sweep.sweep_id) if sweep is not None else store
        for evidence in fresh:
            building.time(1, partial(sink.add, evidence))
        if sweep is not None:
            finish_sweep(store, sweep.sweep_id, SweepState.FINISHED, [], commit.committed_at)
        newest |= {entry.target: entry for entry in fresh}
        previous = commit.commit_id
        if number % 500 == 499:
            print(f"  {number + 1} commits", file=sys.stderr, flush=True)
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
    parser.add_argument("--keep", type=Path, help="fill this file and leave it; one that is there is only asked")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = options.keep or Path(folder, "evidence.db")
        tree = Tree(options.targets)
        is_there = path.exists()
        building, carrying = Clock(), Clock()
        if not is_there:
            with SqliteStore(path) as store:
                building, carrying = fill(store, tree, options.commits, options.built)
        with SqliteStore(path) as store:
            # A fill that was stopped has fewer commits than it was asked for.
            commit_count = len(load_mainline(store))
        size_bytes = sum(file.stat().st_size for file in path.parent.glob(f"{path.name}*"))
        print(f"{options.targets} targets x {commit_count} commits: {building.rows} built, {carrying.rows} carried now")
        print(f"size                 {size_bytes / 1e6:8.1f} MB   bound {_MOST_BYTES / 1e6:.0f} MB")
        load = ", ".join(f"{one:.1f}" for one in os.getloadavg())
        print(f"{os.cpu_count()} cores; load {load}: other work of the machine makes wall times longer than CPU times")
        is_fine = size_bytes < _MOST_BYTES
        if building.rows:
            append_s = (building.total_s + carrying.total_s) / (building.rows + carrying.rows)
            for words, clock, how in (
                ("append, carried", carrying, "in one transaction a commit"),
                ("append, built", building, "each in a transaction of its own, synced"),
            ):
                print(f"{words:<20} {clock.row_s * 1000:8.3f} ms a row, {how}; CPU {clock.row_cpu_s * 1000:.3f} ms")
            print(f"append, all rows     {append_s * 1000:8.3f} ms a row   bound {_MOST_APPEND_S * 1000:g} ms")
            is_fine = is_fine and append_s < _MOST_APPEND_S
        else:
            print("append               not measured: the store was there")
        name = tree.names[len(tree.names) // 2]
        with SqliteStore(path) as store:
            commits = tuple(make_commit(number) for number in range(commit_count))
            sweeps = list_sweeps(store)
            begun, begun_cpu = time.perf_counter(), time.process_time()
            standing = load_standing(store, commits, tree.names)
            print(
                f"{'site: all targets, all commits':<34} {(time.perf_counter() - begun) * 1000:8.1f} ms   "
                f"{'of 10 s':<14} CPU {(time.process_time() - begun_cpu) * 1000:.1f} ms"
            )
            earlier = load_standing(store, commits[:-1], tree.names)
            whole, light = list_needed(standing.runs)
            questions: dict[str, Callable[[], object]] = {
                "site: one commit more": lambda: load_standing(store, commits, tree.names, earlier),
                f"site: {len(whole)} newest images, whole": lambda: load_evidence(store, whole, whole=True),
                f"site: {len(light)} results, for messages": lambda: load_evidence(store, light, whole=False),
                f"site: {len(sweeps)} sweeps": lambda: list_sweeps(store),
                "site: last clean builds": lambda: load_clean_builds(store, sweeps, commits, tree.names),
                "site: what the last sweep decided": lambda: list_decided(store, sweeps[-1].sweep_id),
                "history: a target, all commits": lambda: load_timeline(store, name, commits),
                "history: names of targets": lambda: list_targets(store),
                "sweep: what the last one found": lambda: load_last_known(store, 10**9, tree.names, lambda _: True),
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
