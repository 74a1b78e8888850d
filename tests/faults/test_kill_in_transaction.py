"""
A kill inside an open transaction, on purpose and at every statement of it: all of what was begun is undone, all of what
was told before is there, and the same step can be done again.

The process that dies is a copy of this one. It opens the store through its own methods and kills itself before the n-th
statement that SQLite begins (sqlite3_trace, so triggers and COMMIT count too), or at the n-th look of a progress
handler, amid a statement; n goes up until the step comes to its end. Of migrations, which are long, it is every other
statement.
"""

from __future__ import annotations

import multiprocessing
import os
import shutil
import signal
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, event

from gatekeep.history.integrity import check_contents
from gatekeep.history.store import SqliteStore
from gatekeep.history.sweeps import SweepSink, begin_sweep, finish_sweep, list_sweeps, list_swept
from gatekeep.history.timeline import load_mainline, record_mainline
from gatekeep.model.audit import Bar
from gatekeep.model.change import Commit
from gatekeep.model.evidence import Evidence, TimedOut
from gatekeep.model.history import SweepState, Turn, TurnRecord
from gatekeep.model.readset import Carried, ReadSet
from tests.unit.test_migrations import COMMITS, START, V1, V2, V3
from tests.unit.test_store import OUTCOMES, make_evidence

Step = Callable[[SqliteStore], object]
#: How many instructions of SQLite's machine lie between two looks of the progress handler.
_INSTRUCTIONS = 15
LATER = START + timedelta(days=1)
BUILT, BROKEN = OUTCOMES[0], OUTCOMES[1]
SLOW = TimedOut(limit_s=1.5, stopped_by="SIGKILL")
TURNS = [
    TurnRecord(target="arm/mere", turn=Turn.BROKE, message="x", good_commit_id=COMMITS[0].commit_id),
    TurnRecord(target="arm/slow", turn=Turn.TIMED_OUT, message="1.5 s"),
]


def found_at(commit: Commit, target: str, outcome: Any, **changes: object) -> Evidence:
    evidence = replace(make_evidence(outcome, target), tree_id=commit.tree_id, commit_id=commit.commit_id)
    evidence = replace(evidence, read_set=ReadSet(files=("Makefile", f"{target}.c"), folders=(".",)))
    return replace(evidence, **changes)  # type: ignore[arg-type]  # fields of Evidence, given by name


def carried_from(evidence: Evidence, commit: Commit) -> Evidence:
    source = Carried(tree_id=evidence.tree_id, commit_id=evidence.commit_id)
    return replace(evidence, tree_id=commit.tree_id, commit_id=commit.commit_id, carried=source)


def make_bar(target: str) -> Bar:
    return Bar(target=target, key="3" * 64, tree_id="7" * 40, commit_id="8" * 40, barred_at=START, what="out/x.elf")


MERE = found_at(COMMITS[0], "arm/mere", BUILT)


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store in which something of everything was told."""
    path = tmp_path_factory.mktemp("told") / "evidence.db"
    with SqliteStore(path) as store:
        record_mainline(store, COMMITS[:2])
        first = begin_sweep(store, COMMITS[0], START)
        for evidence in (MERE, found_at(COMMITS[0], "arm/slow", SLOW)):
            SweepSink(store, first.sweep_id).add(evidence)
        finish_sweep(store, first.sweep_id, SweepState.FINISHED, TURNS, START)
        store.add_carried([carried_from(MERE, COMMITS[1])])
        store.bar(make_bar("arm/mere"))
        begin_sweep(store, COMMITS[1], LATER)
    return path


def sweep_a_new_target(store: SqliteStore) -> None:
    SweepSink(store, 2).add(found_at(COMMITS[1], "arm/wick", BUILT))


def sweep_what_was_swept(store: SqliteStore) -> None:
    """Another outcome of a result that was carried, which a trigger stamps at both trees."""
    SweepSink(store, 2).add(found_at(COMMITS[0], "arm/mere", BROKEN, elapsed_s=9.0))


def sweep_what_was_slow(store: SqliteStore) -> None:
    """A result that ends one past its time limit, which is dropped."""
    SweepSink(store, 2).add(found_at(COMMITS[0], "arm/slow", BUILT))


def keep_a_gates_result(store: SqliteStore) -> None:
    store.add(found_at(COMMITS[1], "arm/holm", BROKEN))


def keep_what_was_carried(store: SqliteStore) -> None:
    store.add_carried([carried_from(MERE, commit) for commit in COMMITS[1:]])


def begin_another_sweep(store: SqliteStore) -> None:
    begin_sweep(store, COMMITS[1], LATER)


def finish_a_sweep(store: SqliteStore) -> None:
    finish_sweep(store, 2, SweepState.UNDECIDED, TURNS, LATER)


def finish_a_sweep_again(store: SqliteStore) -> None:
    finish_sweep(store, 1, SweepState.UNDECIDED, TURNS[:1], LATER)


def record_a_commit(store: SqliteStore) -> None:
    record_mainline(store, COMMITS)


def record_another_branch(store: SqliteStore) -> None:
    side = [replace(commit, commit_id=commit.commit_id[::-1]) for commit in COMMITS]
    record_mainline(store, side)


def bar_a_target(store: SqliteStore) -> None:
    store.bar(make_bar("arm/holm"))


def clear_a_bar(store: SqliteStore) -> None:
    assert store.clear_bar("arm/mere")


STEPS = [
    sweep_a_new_target,
    sweep_what_was_swept,
    sweep_what_was_slow,
    keep_a_gates_result,
    keep_what_was_carried,
    begin_another_sweep,
    finish_a_sweep,
    finish_a_sweep_again,
    record_a_commit,
    record_another_branch,
    bar_a_target,
    clear_a_bar,
]


def dump(path: Path) -> dict[str, list[tuple[Any, ...]]]:
    """Give every row of every table; of stamps, which are random, the trees."""
    connection = sqlite3.connect(path)
    names = [name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    found = {}
    for name in names:
        columns = "tree_id" if name == "stamp" else "*"
        rows = connection.execute(f"SELECT {columns} FROM {name}").fetchall()
        found[name] = sorted(rows, key=repr)
    found["version"] = connection.execute("PRAGMA user_version").fetchall()
    connection.close()
    return found


def die_at(path: Path, step: Step, way: str, number: int) -> bool:
    """Do a step in a process that kills itself on the way; say whether it did."""
    child = multiprocessing.get_context("fork").Process(target=_do, args=(path, step, way, number))
    child.start()
    child.join(60)
    assert child.exitcode in (0, -signal.SIGKILL)
    return child.exitcode != 0


def _do(path: Path, step: Step, way: str, number: int) -> None:
    left = number

    def look(*_statement: object) -> None:
        nonlocal left
        left -= 1
        if left == 0:
            os.kill(os.getpid(), signal.SIGKILL)

    def watch(connection: sqlite3.Connection, _record: object = None) -> None:
        if way == "statement":
            connection.set_trace_callback(look)
        else:
            connection.set_progress_handler(look, _INSTRUCTIONS)

    if step is open_it:
        event.listen(Engine, "connect", watch)
        SqliteStore(path).close()
        os._exit(0)
    store = SqliteStore(path)
    with store.reading() as connection:
        driver = connection.connection.driver_connection
        assert isinstance(driver, sqlite3.Connection)
        watch(driver)
    step(store)
    # What was told may not wait for an orderly end.
    os._exit(0)


def open_it(_store: SqliteStore) -> None:
    """Stands for opening, which migrates."""


def read_all(path: Path) -> None:
    """See that the store is whole, and that what it says can be read."""
    with SqliteStore(path) as store:
        check_contents(path)
        trees = {commit.tree_id for commit in load_mainline(store)} | {"1" * 40, "7" * 40}
        store.list_evidence(trees, whole=True)
        for sweep in list_sweeps(store):
            list_swept(store, sweep.sweep_id)


@pytest.mark.parametrize("way", ["statement", "instruction"])
@pytest.mark.parametrize("step", STEPS, ids=lambda step: step.__name__)
def test_a_write_that_is_killed_anywhere_is_undone_whole(told: Path, tmp_path: Path, step: Step, way: str) -> None:
    before = dump(told)
    path = tmp_path / "evidence.db"
    number = 0
    while True:
        number += 1
        shutil.copy(told, path)
        if not die_at(path, step, way, number):
            break
        read_all(path)
        assert dump(path) == before, number
        for suffix in ("", "-wal", "-shm"):
            path.with_name(f"evidence.db{suffix}").unlink(missing_ok=True)
    after = dump(path)
    # It came to its end and said so, without closing: all of it is there.
    read_all(path)
    assert after != before
    assert dump(path) == after
    # BEGIN, at least one statement and COMMIT were died at.
    assert number > (3 if way == "statement" else 1)


@pytest.mark.parametrize("stored", [V1, V2, V3], ids=["1", "2", "3"])
def test_a_migration_that_is_killed_anywhere_is_undone_whole_and_done_the_next_time(
    tmp_path: Path, stored: Path
) -> None:
    path = tmp_path / "evidence.db"
    before = dump(stored)
    number = -1
    while True:
        number += 2
        shutil.copy(stored, path)
        if not die_at(path, open_it, "statement", number):
            break
        assert dump(path) == before, number
        read_all(path)
        for suffix in ("", "-wal", "-shm"):
            path.with_name(f"evidence.db{suffix}").unlink(missing_ok=True)
    assert dump(path) != before
    assert number > 10


def test_a_sweep_that_is_killed_in_a_transaction_goes_on_behind_what_it_told(told: Path, tmp_path: Path) -> None:
    """Of three builds the second dies before its COMMIT: the first is there, and the sweep can be gone on with."""
    path = tmp_path / "evidence.db"
    shutil.copy(told, path)
    targets = ("arm/a", "arm/b", "arm/c")

    def build(store: SqliteStore) -> None:
        sink = SweepSink(store, 2)
        for target in targets:
            sink.add(found_at(COMMITS[1], target, BUILT))

    one = count_statements(told, tmp_path / "counted.db")
    assert die_at(path, build, "statement", 2 * one)
    with SqliteStore(path) as store:
        assert [entry.target for entry in list_swept(store, 2)] == ["arm/a"]
        assert [sweep.state for sweep in list_sweeps(store)] == [SweepState.FINISHED, SweepState.RUNNING]
        build(store)
        finish_sweep(store, 2, SweepState.FINISHED, [], LATER)
        assert [entry.target for entry in list_swept(store, 2)] == list(targets)
        assert list_sweeps(store)[1].finished_at == datetime(2026, 1, 3, 3, 4, 5, tzinfo=UTC)


def count_statements(told: Path, path: Path) -> int:
    """Give how many statements one build of a sweep is, COMMIT included."""
    number = 0
    while True:
        number += 1
        shutil.copy(told, path)
        if not die_at(path, sweep_a_new_target, "statement", number):
            return number - 1
        for suffix in ("-wal", "-shm"):
            path.with_name(f"counted.db{suffix}").unlink(missing_ok=True)
