"""
A repository of years and the store of all that gates and sweeps would have left of it, for benchmarks.

    python tests/benchmarks/great_store.py FOLDER [--targets 300] [--commits 5000] [--built 0.05] [--no-sweeps]
    python tests/benchmarks/great_store.py FOLDER --more 1 [--sweep]

The folder gets `tree`, a bare repository, and `store`, for `gatekeep health --repository FOLDER/tree --store
FOLDER/store --branch main`. One that is there is used as it is. The second form adds commits to it as a gate and a
sweep do, by the store's own methods, each result in its transaction.

Years are written otherwise, since building the statements of 225,000 results one by one takes Python ten minutes: rows
are made by the store's own functions and inserted many at a time. A test holds the two ways equal.
"""

from __future__ import annotations

import argparse
import os
import random
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from itertools import islice
from pathlib import Path
from typing import IO, Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from sqlalchemy import Connection, Table, insert

from gatekeep.history.codec import encode_detail, seal_carried
from gatekeep.history.readset_codec import encode_read_set
from gatekeep.history.schema import (
    carried_table,
    detail_table,
    evidence_table,
    figures_table,
    make_figures,
    read_set_table,
    sweep_build_table,
    sweep_table,
    tree_table,
    turn_table,
)
from gatekeep.history.sink import is_kept
from gatekeep.history.store import SqliteStore, make_record
from gatekeep.history.sweeps import SweepSink, begin_sweep, finish_sweep
from gatekeep.history.timeline import record_mainline
from gatekeep.model.change import Commit
from gatekeep.model.evidence import Built, Evidence, Footprint, NotDecided, name_outcome
from gatekeep.model.history import SweepState
from gatekeep.model.readset import Carried, ReadSet
from gatekeep.tree.mainline import list_first_parents
from gatekeep.tree.repository import open_repository
from tests.benchmarks.great_tree import (
    BOOT_BYTES,
    FILES,
    HOURS_A_COMMIT,
    MAIN_BYTES,
    RAM_BYTES,
    RESERVE_PER_CENT,
    START,
    Board,
    Step,
    Sweeper,
    iter_steps,
    make_step,
    name_targets,
    tell_log,
)

TREE, STORE, DATABASE = "tree", "store", "evidence.db"
_TAGGED_EVERY = 250
#: A transaction for each commit would sync five thousand times, one for all fill a journal that SQLite then searches.
_COMMITS_A_TRANSACTION = 50
#: As long as `LogRule` keeps logs, plain ones and those of failures.
_LOGS_KEPT, _RED_LOGS_KEPT = timedelta(days=14), timedelta(days=90)
_SWEEP_TAKES = timedelta(minutes=50)


def make_great_store(
    folder: Path, *, targets: int = 300, commits: int = 5000, share: float = 0.05, is_swept: bool = True
) -> None:
    """
    Make the repository and the store; a folder that has them is left as it is.

    Args:
        folder: Made when it is not there. One that a stopped run has left begun is an error.
        targets: How many, in ten ports.
        commits: How many.
        share: Of the targets, how many a commit builds.
        is_swept: Whether every tenth commit is swept.
    """
    done = folder / "made"
    if done.exists():
        return
    begun = time.perf_counter()
    folder.mkdir(parents=True, exist_ok=True)
    names = name_targets(targets)
    make_repository(folder / TREE, names, commits)
    line = list_commits(folder)
    made_s = time.perf_counter() - begun
    with SqliteStore(folder / STORE / DATABASE) as store:
        fill(store, folder / STORE, iter_steps(names, line, share, is_swept=is_swept), line)
    done.touch()
    print(f"made in {time.perf_counter() - begun:.0f} s, of which {made_s:.0f} s the repository", file=sys.stderr)


def list_commits(folder: Path) -> tuple[Commit, ...]:
    """Give the commits of a folder's branch main, oldest first."""
    with open_repository(folder / TREE, dict(os.environ)) as opened:
        return list_first_parents(opened, "main")


def make_repository(repository: Path, names: Sequence[str], commit_count: int) -> None:
    """Make the repository by git-fast-import(1), from one stream."""
    subprocess.run(["git", "init", "-q", "--bare", "-b", "main", str(repository)], check=True)
    import_commits(repository, names, range(commit_count))


def import_commits(repository: Path, names: Sequence[str], numbers: Iterable[int]) -> None:
    with subprocess.Popen(["git", "-C", str(repository), "fast-import", "--quiet"], stdin=subprocess.PIPE) as process:
        assert process.stdin is not None
        for count, number in enumerate(numbers):
            # A branch that this run of it has not made is named once.
            follows = b"from refs/heads/main^0\n" if number and not count else b""
            write_commit(process.stdin, names, number, follows)
    assert process.returncode == 0


def write_commit(stream: IO[bytes], names: Sequence[str], number: int, follows: bytes) -> None:
    at_s = int((START + timedelta(hours=HOURS_A_COMMIT * number)).timestamp())
    person = f"Person {number % 40} <person{number % 40}@skerry.example> {at_s} +0000"
    message = f"drivers: Step number {number}, with a subject of the usual length".encode()
    stream.write(
        f"commit refs/heads/main\ncommitter {person}\ndata {len(message)}\n".encode() + message + b"\n" + follows
    )
    files = {f"drivers/part{number % FILES:03}.c": f"int step = {number};\n"}
    if number == 0:
        files |= {f"drivers/part{index:03}.c": "int step;\n" for index in range(FILES)}
        files |= {f"boards/{name}.mk": f"BOARD = {name}\n" for name in names}
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
        "parts:",
        "  nor-1:",
        "    capacity: 1 MiB",
        "    regions:",
        f"      boot: {{at: 0 B, size: {BOOT_BYTES // 1024} KiB}}",
        f"      main: {{at: {BOOT_BYTES // 1024} KiB, size: {MAIN_BYTES // 1024} KiB, reserve: {RESERVE_PER_CENT} %}}",
        "every: {toolchain: arm-gcc, recipe: board-make, part: nor-1}",
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
            f"    memories: {{ram: {{at: 0x2000_0000, size: {RAM_BYTES // 1024} KiB}}}}",
            f"    boards: {{{boards}}}",
        ]
    return "\n".join(lines) + "\n"


def write_waivers(names: Sequence[str]) -> str:
    today = datetime.now(UTC).date()
    return (
        "waivers: 1\ngranted:\n  late-board:\n    rule: broken\n"
        f"    targets: [{names[-1]}]\n    reason: a board is late\n    who: Oda Brandsund <oda@skerry.example>\n"
        f"    since: {today - timedelta(days=1)}\n    until: {today + timedelta(days=40)}\n"
    )


def fill(store: SqliteStore, folder: Path, steps: Iterable[Step], commits: Sequence[Commit]) -> None:
    """Write years into an empty store, and the logs that are still kept; commits are the branch's."""
    writer = BulkWriter()
    last_at = commits[-1].committed_at
    remaining = iter(steps)
    while some := list(islice(remaining, _COMMITS_A_TRANSACTION)):
        with store.writing() as connection:
            for step in some:
                writer.add(step)
            writer.flush(connection)
        for step in some:
            write_logs(folder, step, last_at)
    record_mainline(store, commits)


class BulkWriter:
    """Makes rows with the store's own functions and gives them their numbers."""

    def __init__(self) -> None:
        self._rows: dict[Table, list[dict[str, Any]]] = {}
        self._counts: dict[Table, int] = {}
        self._contents: dict[tuple[Table, bytes], int] = {}
        #: By target, the newest build and its number.
        self._newest: dict[str, tuple[Evidence, int]] = {}
        #: By target, what was encoded last: a sweep nearly always finds the same.
        self._details: dict[str, tuple[Footprint | None, bytes]] = {}
        self._read_sets: dict[str, tuple[ReadSet, bytes]] = {}

    def add(self, step: Step) -> None:
        """Take what a commit brought; a sweep's build of the same tree takes the place of the gate's."""
        decided = {entry.target: entry for entry in step.swept or () if is_kept(entry)}
        if step.carried:
            self._carry(step)
        for entry in step.built:
            self._keep(decided.pop(entry.target, entry))
        for entry in decided.values():
            self._keep(entry)
        if step.swept is not None:
            self._sweep(step, step.swept)

    def _carry(self, step: Step) -> None:
        tree_id = step.commit.tree_id
        tree = self._number(tree_table, {"tree_id": tree_id})
        rows = self._rows.setdefault(carried_table, [])
        for origin in step.carried:
            kept, number = self._newest[origin.target]
            seal = seal_carried(tree_id, tree_id=kept.tree_id, target=kept.target, key=kept.key)
            rows.append({"tree": tree, "evidence": number, "seal": seal})

    def _keep(self, evidence: Evidence) -> None:
        detail, read_set = self._encode(evidence)
        row = make_record(evidence, read_set=read_set, detail=detail) | {
            "detail": self._keep_content(detail_table, detail) if detail else None,
            "read_set": self._keep_content(read_set_table, read_set),
        }
        number = self._number(evidence_table, row)
        self._rows.setdefault(figures_table, []).append(make_figures(number, evidence))
        self._newest[evidence.target] = (evidence, number)

    def _encode(self, evidence: Evidence) -> tuple[bytes, bytes]:
        detail = self._details.get(evidence.target)
        if detail is None or detail[0] is not evidence.footprint:
            detail = self._details[evidence.target] = (evidence.footprint, encode_detail(evidence.footprint))
        assert evidence.read_set is not None
        read_set = self._read_sets.get(evidence.target)
        if read_set is None or read_set[0] is not evidence.read_set:
            read_set = self._read_sets[evidence.target] = (evidence.read_set, encode_read_set(evidence.read_set))
        return detail[1], read_set[1]

    def _sweep(self, step: Step, swept: Sequence[Evidence]) -> None:
        commit = step.commit
        row = {"commit_id": commit.commit_id, "tree_id": commit.tree_id, "started_at": commit.committed_at.isoformat()}
        row |= {"finished_at": (commit.committed_at + _SWEEP_TAKES).isoformat(), "state": tell_state(swept).value}
        sweep = self._number(sweep_table, row)
        self._rows.setdefault(sweep_build_table, []).extend(
            {
                "sweep": sweep,
                "target": entry.target,
                "evidence": self._newest[entry.target][1] if is_kept(entry) else None,
                "outcome": name_outcome(entry.outcome),
            }
            for entry in swept
        )
        self._rows.setdefault(turn_table, []).extend(
            {
                "sweep": sweep,
                "target": entry.target,
                "turn": entry.turn.value,
                "message": entry.message,
                "good_commit_id": entry.good_commit_id,
                "culprit_commit_id": entry.culprit_commit_id,
            }
            for entry in step.turns
        )

    def _keep_content(self, table: Table, payload: bytes) -> int:
        # The first 32 bytes are a SHA-256 of the others.
        known = self._contents.get((table, payload[:32]))
        if known is None:
            known = self._number(table, {"sha256": sha256(payload).digest(), "payload": payload})
            self._contents[table, payload[:32]] = known
        return known

    def _number(self, table: Table, row: dict[str, Any]) -> int:
        number = self._counts[table] = self._counts.get(table, 0) + 1
        self._rows.setdefault(table, []).append({"id": number, **row})
        return number

    def flush(self, connection: Connection) -> None:
        """Insert what has come since the last time."""
        # Those that others point to come first.
        order = [detail_table, read_set_table, evidence_table, figures_table, tree_table, carried_table]
        for table in (*order, sweep_table, sweep_build_table, turn_table):
            rows = self._rows.pop(table, [])
            if rows:
                connection.execute(insert(table), rows)


def tell_state(swept: Iterable[Evidence]) -> SweepState:
    is_undecided = any(isinstance(entry.outcome, NotDecided) for entry in swept)
    return SweepState.UNDECIDED if is_undecided else SweepState.FINISHED


def write_logs(folder: Path, step: Step, last_at: datetime) -> None:
    """Write the logs of a commit's builds, but those that a sweep would have tidied away by now."""
    age = last_at - step.commit.committed_at
    if age > _RED_LOGS_KEPT:
        return
    for entry in (*step.built, *(step.swept or ())):
        log = tell_log(entry.outcome, entry.diagnostics)
        is_kept_now = age <= _LOGS_KEPT or not isinstance(entry.outcome, Built)
        if entry.log_path is not None and log is not None and is_kept(entry) and is_kept_now:
            path = folder / entry.log_path
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(log[0])


def write_step(store: SqliteStore, step: Step, commits: Sequence[Commit]) -> None:
    """Write what one commit brought as a gate and a sweep do; commits are the branch's up to it."""
    store.add_carried([carry(entry, step.commit) for entry in step.carried])
    for entry in step.built:
        store.add(entry)
    if step.swept is None:
        return
    record_mainline(store, commits)
    sweep = begin_sweep(store, step.commit, step.commit.committed_at)
    sink = SweepSink(store, sweep.sweep_id)
    for entry in step.swept:
        sink.add(entry)
    state, finished_at = tell_state(step.swept), step.commit.committed_at + _SWEEP_TAKES
    finish_sweep(store, sweep.sweep_id, state, step.turns, finished_at)


def carry(evidence: Evidence, commit: Commit) -> Evidence:
    """Give a build's result as it is carried to a commit."""
    source = Carried(tree_id=evidence.tree_id, commit_id=evidence.commit_id)
    return replace(evidence, tree_id=commit.tree_id, commit_id=commit.commit_id, carried=source)


def iter_more(
    folder: Path, store: SqliteStore, count: int, *, share: float = 0.05, is_swept: bool = False
) -> Iterator[tuple[Step, tuple[Commit, ...]]]:
    """
    Add commits to a folder's repository, and give what each brings to the store, with the branch's commits up to it.

    Nothing of it is in the store yet. What stands broken stays so.
    """
    for _ in range(count):
        commits = list_commits(folder)
        drawn = random.Random(len(commits))
        found = store.list_evidence([commits[-1].tree_id], whole=True)
        newest = {entry.target: entry for entry in sorted(found, key=lambda entry: entry.carried is None)}
        boards = {name: Board(name, 0, drawn) for name in sorted(newest)}
        for name, board in boards.items():
            entry = newest[name]
            origin = entry.carried
            board.resume(
                entry
                if origin is None
                else replace(entry, tree_id=origin.tree_id, commit_id=origin.commit_id, carried=None)
            )
        fine = [name for name in boards if isinstance(newest[name].outcome, Built)]
        import_commits(folder / TREE, list(boards), [len(commits)])
        commits = list_commits(folder)
        step = make_step(boards, commits[-1], set(drawn.sample(fine, max(1, round(len(boards) * share)))), drawn)
        if is_swept:
            Sweeper(boards).sweep(step, drawn)
        yield step, commits


def add_commits(folder: Path, count: int, *, is_swept: bool = False) -> None:
    """Add commits to a folder, with what a gate (and a sweep) keeps of each."""
    with SqliteStore(folder / STORE / DATABASE) as store:
        for step, commits in iter_more(folder, store, count, is_swept=is_swept):
            write_step(store, step, commits)
            write_logs(folder / STORE, step, step.commit.committed_at)


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--targets", type=int, default=300)
    parser.add_argument("--commits", type=int, default=5000)
    parser.add_argument("--built", type=float, default=0.05, help="share of the targets that a commit builds")
    parser.add_argument("--no-sweeps", action="store_true")
    parser.add_argument("--more", type=int, default=0, help="add so many commits")
    parser.add_argument("--sweep", action="store_true", help="sweep each of them")
    options = parser.parse_args()
    make_great_store(
        options.folder,
        targets=options.targets,
        commits=options.commits,
        share=options.built,
        is_swept=not options.no_sweeps,
    )
    add_commits(options.folder, options.more, is_swept=options.sweep)
    commits = list_commits(options.folder)
    size = (options.folder / STORE / DATABASE).stat().st_size / 1e6
    print(f"{len(commits)} commits, the last {commits[-1].short_id}; a store of {size:.0f} MB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
