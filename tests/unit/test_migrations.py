"""A store of every earlier format becomes one of today's, with all that it had; what cannot stays as it was."""

from __future__ import annotations

import shutil
import sqlite3
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from gatekeep.errors import StoreError
from gatekeep.history.file_format import SCHEMA_VERSION
from gatekeep.history.integrity import check_contents
from gatekeep.history.standing import load_evidence, load_standing
from gatekeep.history.store import SqliteStore
from gatekeep.history.sweeps import SweepSink, list_sweeps, list_swept, load_last_known
from gatekeep.history.timeline import load_mainline, load_timeline, record_mainline
from gatekeep.model.change import Commit
from gatekeep.model.evidence import Built, Evidence, Outcome, Outgrown, name_outcome
from gatekeep.model.history import Sweep, SweepState, Turn, TurnRecord
from gatekeep.model.readset import ReadSet
from tests.unit.test_integrity import spoil
from tests.unit.test_store import FOOTPRINT, OUTCOMES, make_evidence

STORES = Path(__file__).parents[1] / "data" / "stores"
#: Made by make_store.py beside them, each by the gatekeep of its time.
V1, V2, V3, V4, V5 = (STORES / f"v{number}.db" for number in range(1, 6))
READ_SET = ReadSet(files=("Makefile", "drivers/uart.c"), folders=(".", "drivers"))
START = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)
BUILT, BROKEN, GROWN = OUTCOMES[0], OUTCOMES[1], OUTCOMES[4]
COMMITS = tuple(
    Commit(
        commit_id=f"c{number}" * 20,
        tree_id=f"a{number}" * 20,
        parent_ids=(f"c{number - 1}" * 20,) if number else (),
        author_name="Isa Thorne",
        author_email="isa@skerry.example",
        subject=f"Step {number}",
        committed_at=START + timedelta(hours=number),
    )
    for number in range(3)
)
every_format = pytest.mark.parametrize("stored", [V1, V2, V3, V4, V5], ids=["1", "2", "3", "4", "5"])
#: Format 1 knew no sweeps.
every_format_with_sweeps = pytest.mark.parametrize("stored", [V2, V3, V4, V5], ids=["2", "3", "4", "5"])


def count_rows(path: Path) -> dict[str, int]:
    """Give the number of rows of every table."""
    connection = sqlite3.connect(path)
    names = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
    found = {name: connection.execute(f"SELECT count(*) FROM {name}").fetchone()[0] for (name,) in names}
    connection.close()
    return found


def schema_of(path: Path) -> dict[str, set[tuple[str, str, int, int]]]:
    """Columns by table (name, type, not null, key), of every index its columns, and of every trigger its text."""
    connection = sqlite3.connect(path)
    found: dict[str, set[tuple[str, str, int, int]]] = {}
    query = "SELECT type, name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite_%'"
    for kind, name, sql in connection.execute(query):
        if kind == "trigger":
            found[name] = {(sql, "", 0, 0)}
            continue
        rows = connection.execute(f"PRAGMA {'table_info' if kind == 'table' else 'index_info'}({name})").fetchall()
        found[name] = {(row[1], row[2], row[3], row[5]) if kind == "table" else (row[2], "", row[0], 0) for row in rows}
    connection.close()
    return found


def test_there_is_a_file_of_every_format_with_rows_in_every_table_of_its_own() -> None:
    assert sorted(STORES.glob("*.db")) == [V1, V2, V3, V4, V5]
    assert SCHEMA_VERSION == 5, "add the last store of the format before: make_store.py says how"
    for number, path in enumerate((V1, V2, V3, V4, V5), start=1):
        connection = sqlite3.connect(path)
        assert connection.execute("PRAGMA user_version").fetchone() == (number,)
        connection.close()
        counts = count_rows(path)
        assert min(counts.values()) > 0, (number, counts)
    with_sweeps = {"detail", "figures", "mainline", "sweep", "sqlite_sequence", "sweep_build", "turn"}
    assert count_rows(V2).keys() - count_rows(V1).keys() == with_sweeps
    assert count_rows(V3).keys() - count_rows(V2).keys() == {"stamp"}


@every_format
def test_an_older_store_is_migrated_to_the_very_tables_of_a_new_one(tmp_path: Path, stored: Path) -> None:
    path, fresh = tmp_path / "evidence.db", tmp_path / "fresh.db"
    shutil.copy(stored, path)
    before = count_rows(path)
    SqliteStore(path).close()
    SqliteStore(fresh).close()
    assert schema_of(path) == schema_of(fresh)
    check_contents(path)
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA user_version").fetchone() == (SCHEMA_VERSION,)
    assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    connection.close()
    # No row of any table is gone.
    after = count_rows(path)
    assert {name: after[name] for name in before} == before


@every_format
def test_a_migrated_store_has_every_result_that_it_had(tmp_path: Path, stored: Path) -> None:
    path = tmp_path / "evidence.db"
    shutil.copy(stored, path)
    wanted = tuple(
        replace(make_evidence(outcome, f"riscv64/b{number}"), read_set=READ_SET)
        for number, outcome in enumerate(OUTCOMES[:5])
    )
    with SqliteStore(path) as store:
        assert store.list_evidence(["1" * 40], whole=True) == wanted
        assert {entry.target for entry in store.list_evidence(["7" * 40])} == {entry.target for entry in wanted}
        assert [(bar.target, bar.barred_at) for bar in store.list_barred()] == [("riscv64/b1", START)]
        # And it can do what the old one could not.
        commit = replace(COMMITS[0], commit_id="8" * 40, tree_id="7" * 40)
        record_mainline(store, [commit])
        assert load_mainline(store) == (commit,)
        points = {entry.target: load_timeline(store, entry.target, [commit]) for entry in wanted}
        assert {target: [(p.outcome, p.is_carried) for p in line] for target, line in points.items()} == {
            "riscv64/b0": [("built", True)],
            "riscv64/b1": [("broken", True)],
            "riscv64/b2": [("broken", True)],
            "riscv64/b3": [("outgrown", True)],
            "riscv64/b4": [("outgrown", True)],
        }
        assert points["riscv64/b0"][0].regions == FOOTPRINT.regions


@every_format_with_sweeps
def test_a_migrated_store_has_every_sweep_with_its_turns_and_the_branch(tmp_path: Path, stored: Path) -> None:
    path = tmp_path / "evidence.db"
    shutil.copy(stored, path)
    day = timedelta(days=1)
    at_first, at_last = COMMITS[0].commit_id, COMMITS[2].commit_id
    with SqliteStore(path) as store:
        assert load_mainline(store) == COMMITS
        assert list_sweeps(store) == (
            Sweep(
                sweep_id=1,
                commit_id=at_first,
                tree_id=COMMITS[0].tree_id,
                started_at=START,
                finished_at=START + timedelta(minutes=5),
                state=SweepState.FINISHED,
            ),
            Sweep(
                sweep_id=2,
                commit_id=at_last,
                tree_id=COMMITS[2].tree_id,
                started_at=START + day,
                finished_at=START + day + timedelta(minutes=5),
                state=SweepState.UNDECIDED,
                turns=(
                    TurnRecord(target="arm/holm", turn=Turn.MENDED, good_commit_id=at_first),
                    TurnRecord(
                        target="arm/mere",
                        turn=Turn.BROKE,
                        message="make ended with exit code 2 \x1b[31m",
                        good_commit_id=at_first,
                        culprit_commit_id=COMMITS[1].commit_id,
                    ),
                    TurnRecord(target="arm/slow", turn=Turn.TIMED_OUT, message="1.5 s", good_commit_id=at_first),
                    TurnRecord(target="arm/wick", turn=Turn.OUTGREW, message="measured"),
                ),
            ),
            Sweep(
                sweep_id=3,
                commit_id=at_last,
                tree_id=COMMITS[2].tree_id,
                started_at=START + 2 * day,
                finished_at=None,
                state=SweepState.INTERRUPTED,
            ),
        )
        # An interrupted sweep goes on where it was, under a number that was not used before.
        assert list_swept(store, 3) == (swept(COMMITS[2], "arm/mere", BROKEN),)
        SweepSink(store, 3).add(swept(COMMITS[2], "arm/holm", BUILT))
        assert [entry.target for entry in list_swept(store, 3)] == ["arm/holm", "arm/mere"]


def swept(commit: Commit, target: str, outcome: Outcome) -> Evidence:
    """Give a result as sweeps list it: without sections and symbols."""
    if isinstance(outcome, Built | Outgrown) and outcome.footprint is not None:
        outcome = replace(outcome, footprint=replace(outcome.footprint, sections=(), symbols=()))
    evidence = replace(make_evidence(outcome, target), read_set=READ_SET)
    return replace(evidence, tree_id=commit.tree_id, commit_id=commit.commit_id)


@every_format_with_sweeps
def test_the_next_sweep_compares_with_what_sweeps_of_an_older_format_found(tmp_path: Path, stored: Path) -> None:
    path = tmp_path / "evidence.db"
    shutil.copy(stored, path)
    with SqliteStore(path) as store:
        known = load_last_known(store, 3, ["arm/holm", "arm/mere", "arm/slow", "arm/wick", "arm/new"], lambda _id: True)
        assert {name: (one.sweep_id, one.commit_id, one.outcome) for name, one in known.items()} == {
            "arm/holm": (2, COMMITS[2].commit_id, "built"),
            "arm/mere": (2, COMMITS[2].commit_id, "broken"),
            "arm/slow": (2, COMMITS[2].commit_id, "timed out"),
            "arm/wick": (2, COMMITS[2].commit_id, "outgrown"),
        }
        # The stores up to format 4 are of times that kept nothing else of what ran past its time limit.
        assert {name: one.evidence and name_outcome(one.evidence.outcome) for name, one in known.items()} == {
            "arm/holm": "built",
            "arm/mere": "broken",
            "arm/slow": "timed out" if stored == V5 else None,
            "arm/wick": "outgrown",
        }
        before = load_last_known(store, 2, ["arm/mere"], lambda _id: True)
        assert {name: (one.sweep_id, one.outcome) for name, one in before.items()} == {
            "arm/holm": (1, "broken"),
            "arm/mere": (1, "built"),
            "arm/slow": (1, "built"),
        }


@every_format_with_sweeps
def test_the_site_and_histories_show_what_an_older_format_kept(tmp_path: Path, stored: Path) -> None:
    path = tmp_path / "evidence.db"
    shutil.copy(stored, path)
    with SqliteStore(path) as store:
        points = load_timeline(store, "arm/mere", load_mainline(store))
        assert [(p.position, p.outcome, p.is_carried, p.warning_count, p.elapsed_s) for p in points] == [
            (0, "built", False, 1, 0.25),
            (1, "built", True, 1, 0.25),
            (2, "broken", False, 1, 0.25),
        ]
        assert [point.regions for point in points] == [FOOTPRINT.regions, FOOTPRINT.regions, ()]
        assert points[0].evidence_id == points[1].evidence_id
        standing = load_standing(store, COMMITS, ["arm/holm", "arm/mere", "arm/wick"])
        builds = load_evidence(
            store, frozenset(run.evidence_id for line in standing.runs.values() for run in line), whole=True
        )
        assert {
            target: [(run.first, run.last, name_outcome(builds[run.evidence_id].outcome)) for run in line]
            for target, line in standing.runs.items()
        } == {
            "arm/holm": [(0, 0, "broken"), (2, 2, "built")],
            "arm/mere": [(0, 1, "built"), (2, 2, "broken")],
            "arm/wick": [(2, 2, "outgrown")],
        }


@pytest.mark.parametrize("stored", [V1, V2, V3], ids=["1", "2", "3"])
def test_a_store_that_cannot_be_migrated_is_an_error_and_stays_as_it_was(tmp_path: Path, stored: Path) -> None:
    path = tmp_path / "evidence.db"
    shutil.copy(stored, path)
    connection = sqlite3.connect(path)
    # What each migration reads: the payload, the triggers' own table, the tree that was carried to.
    spoilt = {
        V1: ("UPDATE evidence SET payload = x'00' WHERE target = 'riscv64/b3'", "stored evidence is damaged"),
        V2: ("CREATE TRIGGER stamp_carried_delete AFTER DELETE ON carried BEGIN SELECT 1; END", "already exists"),
        V3: ("ALTER TABLE carried ADD COLUMN seal INTEGER", "duplicate column name"),
    }
    statement, message = spoilt[stored]
    connection.execute(statement)
    connection.commit()
    before = (schema_of(path), count_rows(path), connection.execute("PRAGMA user_version").fetchone())
    with pytest.raises(StoreError, match=message):
        SqliteStore(path)
    assert (schema_of(path), count_rows(path), connection.execute("PRAGMA user_version").fetchone()) == before
    connection.close()


@pytest.mark.parametrize("stored", [V1, V2, V3, V4], ids=["1", "2", "3", "4"])
def test_an_older_store_that_is_damaged_where_no_migration_reads_stays_as_it_was(tmp_path: Path, stored: Path) -> None:
    path = tmp_path / "evidence.db"
    shutil.copy(stored, path)
    connection = sqlite3.connect(path)
    # As those that were not packed into one file are.
    connection.execute("PRAGMA journal_mode = WAL")
    connection.close()
    spoil(path, "barred")
    before = path.read_bytes()
    with pytest.raises(StoreError, match=r"the store is damaged: .*; nothing was changed"):
        SqliteStore(path)
    assert path.read_bytes() == before


def test_a_format_that_was_never_written_is_an_error(tmp_path: Path) -> None:
    path = tmp_path / "evidence.db"
    SqliteStore(path).close()
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA user_version = 0")
    connection.close()
    with pytest.raises(StoreError, match="is of format 0, which no gatekeep has written"):
        SqliteStore(path)
