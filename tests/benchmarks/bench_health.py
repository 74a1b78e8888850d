"""
`gatekeep health` as people run it: the command, from its start to its end, on a repository and a store of years.

    python tests/benchmarks/bench_health.py [--targets 300] [--commits 5000] [--built 0.05] [--rounds 3] [--keep FOLDER]

The repository is made by git fast-import: a matrix of ten ports, waivers in force, tags every 250 commits. The store:
at every commit a share of the targets is built, each image of another size; every tenth commit is swept, with every
target built; all else is carried; one target in forty is broken for a while, with its log. Besides what `bench_site`
times (reading results, rendering, writing) this counts Python's start, imports, git, the matrix, waivers, sweeps and
the look for damage.

Bounds (DESIGN.md, section 7): from nothing in 10 s and 300 MB, 1 s after one more commit. Exit code 1 where a bound
does not hold. To make the store takes longer than all that is measured; --keep leaves it for the next time.
"""

from __future__ import annotations

import argparse
import os
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import IO, NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from sqlalchemy import insert

from gatekeep.history.schema import carried_table, sweep_build_table, sweep_table, turn_table
from gatekeep.history.store import SqliteStore, keep_evidence, keep_tree
from gatekeep.history.timeline import record_mainline
from gatekeep.model.change import Commit
from gatekeep.model.evidence import Evidence, Outcome, name_outcome
from gatekeep.tree.mainline import list_first_parents
from gatekeep.tree.repository import open_repository
from tests.benchmarks.bench_site import MOST_AFTER_ONE_S, MOST_BYTES, MOST_S, count_bytes, image
from tests.cases import broken, warning

ROOT = Path(__file__).resolve().parents[2]
_LOOK_EVERY_S = 0.02
_START = datetime(2024, 1, 1, tzinfo=UTC)
_FILES = 400
_PORTS = 10
_SWEPT_EVERY, _TAGGED_EVERY = 10, 250


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
    parser.add_argument("--rounds", type=int, default=3, help="how often one more commit is timed")
    parser.add_argument("--keep", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = options.keep or Path(scratch)
        repository, store = folder / "tree", folder / "store"
        names = [f"port{number % _PORTS}/board-{number:03}" for number in range(options.targets)]
        if not store.exists():
            begun = time.perf_counter()
            make_tree(repository, names, options.commits)
            commits = list_commits(repository)
            fill(store, names, commits, options.built)
            print(f"repository and store made in {time.perf_counter() - begun:.0f} s")
        commits = list_commits(repository)
        (store / "site-past.json").unlink(missing_ok=True)
        out = Path(scratch) / "site"
        runs: list[Measured] = []
        for commit in commits[-1 - options.rounds :]:
            move_main(repository, commit)
            runs.append(measure(repository, store, out))
        idle = measure(repository, store, out)
        size = (store / "evidence.db").stat().st_size / 1e6
    load = ", ".join(f"{one:.1f}" for one in os.getloadavg())
    print(
        f"{options.targets} targets x {len(commits)} commits, {len(commits) // _SWEPT_EVERY} sweeps; "
        f"a store of {size:.0f} MB"
    )
    print(f"{os.cpu_count()} cores; load {load}: other work of the machine makes wall times longer")
    show("from nothing", runs[0], MOST_S)
    for one in runs[1:]:
        show("one commit more", one, MOST_AFTER_ONE_S)
    show("nothing new", idle, MOST_AFTER_ONE_S)
    middle = statistics.median(one.wall_s for one in runs[1:])
    peak = max(one.peak_bytes for one in (*runs, idle))
    print(f"one commit more, median of {options.rounds}: {middle:.2f} s (bound {MOST_AFTER_ONE_S:g} s)")
    print(f"memory {peak / 1e6:.0f} MB (bound {MOST_BYTES / 1e6:g} MB)")
    return 0 if runs[0].wall_s <= MOST_S and middle <= MOST_AFTER_ONE_S and peak <= MOST_BYTES else 1


def move_main(repository: Path, commit: Commit) -> None:
    subprocess.run(["git", "-C", str(repository), "update-ref", "refs/heads/main", commit.commit_id], check=True)


def show(words: str, one: Measured, bound: float) -> None:
    print(
        f"{words:<17} {one.wall_s:6.2f} s (bound {bound:g} s), {one.cpu_s:.2f} s of processor time, "
        f"{one.peak_bytes / 1e6:.0f} MB; {one.said.partition(': ')[2]}"
    )


def make_tree(repository: Path, names: Sequence[str], commit_count: int) -> None:
    """Make the repository by git-fast-import(1), from one stream."""
    subprocess.run(["git", "init", "-q", "-b", "main", str(repository)], check=True)
    with subprocess.Popen(["git", "-C", str(repository), "fast-import", "--quiet"], stdin=subprocess.PIPE) as process:
        assert process.stdin is not None
        write_history(process.stdin, names, commit_count)
    assert process.returncode == 0


def write_history(stream: IO[bytes], names: Sequence[str], commit_count: int) -> None:
    for number in range(commit_count):
        at_s = int((_START + timedelta(hours=4 * number)).timestamp())
        person = f"Person {number % 40} <person{number % 40}@skerry.example> {at_s} +0000"
        message = f"drivers: Step number {number}, with a subject of the usual length".encode()
        stream.write(f"commit refs/heads/main\ncommitter {person}\ndata {len(message)}\n".encode() + message + b"\n")
        files = {f"drivers/part{number % _FILES:03}.c": f"int step = {number};\n"}
        if number == 0:
            files |= {f"drivers/part{index:03}.c": "int step;\n" for index in range(_FILES)}
            files |= {"matrix.yml": write_matrix(names), "waivers.yml": write_waivers(names)}
        for path, text in files.items():
            stream.write(f"M 100644 inline {path}\ndata {len(text)}\n{text}\n".encode())
        if number % _TAGGED_EVERY == 0:
            stream.write(f"reset refs/tags/v{number // _TAGGED_EVERY}\nfrom refs/heads/main\n\n".encode())


def write_matrix(names: Sequence[str]) -> str:
    lines = [
        "matrix: 1",
        "tree: skerry",
        "source_date: 2024-01-01",
        'toolchains: {arm-gcc: {probe: [arm-none-eabi-gcc, --version], allow: ">=10"}}',
        "recipes:",
        '  board-make: {build: [make, "BOARD={board}", "O={out}"], elf: "{out}/{board}.elf", time_limit: 60 s}',
        "parts: {inner: {capacity: 1 KiB}}",
        "every: {toolchain: arm-gcc, recipe: board-make, part: inner}",
        "ports:",
    ]
    for port in dict.fromkeys(name.partition("/")[0] for name in names):
        boards = ", ".join(f"{name.partition('/')[2]}: " for name in names if name.startswith(f"{port}/"))
        lines += [
            f"  {port}:",
            f'    maintainers: ["Oda Brandsund <oda@{port}.example>"]',
            "    machine: ARM",
            "    bits: 32",
            "    byte_order: little",
            "    part_address: 0x0800_0000",
            "    memories: {ram: {at: 0x2000_0000, size: 4 KiB}}",
            f"    boards: {{{boards}}}",
        ]
    return "\n".join(lines) + "\n"


def write_waivers(names: Sequence[str]) -> str:
    today = datetime.now(UTC).date()
    return (
        "waivers: 1\ngranted:\n  late-board:\n    rule: broken\n"
        f"    targets: [{names[7]}]\n    reason: a board is late\n    who: Oda Brandsund <oda@skerry.example>\n"
        f"    since: {today - timedelta(days=1)}\n    until: {today + timedelta(days=40)}\n"
    )


def list_commits(repository: Path) -> tuple[Commit, ...]:
    with open_repository(repository, dict(os.environ)) as opened:
        return list_first_parents(opened, "main")


def fill(folder: Path, names: Sequence[str], commits: Sequence[Commit], share: float) -> None:
    """Make the store, in few transactions: its own benchmark measures how long that takes otherwise."""
    drawn = random.Random(1)
    log = folder / "logs" / "broken.log"
    log.parent.mkdir(parents=True)
    log.write_text("".join(f"cc {number}.c\n" for number in range(400)) + "drivers/uart.c:41:7: error: cut\n")
    sizes = {name: drawn.randrange(300, 600) for name in names}
    standing: dict[str, int] = {}
    swept: dict[str, str] = {}
    with SqliteStore(folder / "evidence.db") as store:
        with store.writing() as connection:
            for position, commit in enumerate(commits):
                is_swept = position % _SWEPT_EVERY == 0
                tree = keep_tree(connection, commit.tree_id)
                builds, carried, turns = [], [], []
                for number, name in enumerate(names):
                    changed = drawn.random() <= share
                    if changed:
                        sizes[name] = min(880, max(200, sizes[name] + drawn.randrange(-20, 22)))
                    if not (changed or is_swept):
                        carried.append({"tree": tree, "evidence": standing[name]})
                        continue
                    is_broken = number % 40 == 7 and position % 400 > 340
                    outcome: Outcome = broken() if is_broken else image(sizes[name])
                    standing[name] = keep_evidence(connection, make_evidence(name, commit, outcome, drawn))
                    if is_swept:
                        said = name_outcome(outcome)
                        builds.append(
                            {"sweep": position + 1, "target": name, "evidence": standing[name], "outcome": said}
                        )
                        if swept.setdefault(name, said) != said:
                            turn = "broke" if is_broken else "mended"
                            turns.append({"sweep": position + 1, "target": name, "turn": turn, "message": "cut"})
                        swept[name] = said
                if is_swept:
                    at = commit.committed_at.isoformat()
                    row = {"id": position + 1, "commit_id": commit.commit_id, "tree_id": commit.tree_id}
                    row |= {"started_at": at, "finished_at": at, "state": "finished"}
                    connection.execute(insert(sweep_table), [row])
                    connection.execute(insert(sweep_build_table), builds)
                for table, rows in ((carried_table, carried), (turn_table, turns)):
                    if rows:
                        connection.execute(insert(table), rows)
        record_mainline(store, commits)


def make_evidence(name: str, commit: Commit, outcome: Outcome, drawn: random.Random) -> Evidence:
    return Evidence(
        target=name,
        tree_id=commit.tree_id,
        commit_id=commit.commit_id,
        key="k",
        toolchain_version="13.2.1",
        outcome=outcome,
        diagnostics=tuple(warning(line=line) for line in range(1, 4)),
        elapsed_s=1.0 + drawn.random(),
        started_at=commit.committed_at,
        log_path="logs/broken.log",
    )


def measure(repository: Path, store: Path, out: Path) -> Measured:
    """Run the command once, and look at its memory meanwhile."""
    command = [sys.executable, "-m", "gatekeep", "health", "--branch", "main", "--out", str(out)]
    command += ["--repository", str(repository), "--store", str(store)]
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
