"""The store remembers sweeps and the main branch."""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import text

from gatekeep.errors import StoreError
from gatekeep.history.standing import load_evidence
from gatekeep.history.store import SqliteStore
from gatekeep.history.sweeps import SweepSink, begin_sweep, finish_sweep, list_sweeps, list_swept, load_last_known
from gatekeep.history.timeline import load_mainline, load_timeline, record_mainline
from gatekeep.model.change import Commit
from gatekeep.model.evidence import Built, Evidence, TimedOut
from gatekeep.model.history import SweepState, Turn, TurnRecord
from gatekeep.model.readset import Carried, ReadSet
from tests.unit.test_migrations import V3
from tests.unit.test_store import FOOTPRINT, OUTCOMES, make_evidence

START = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)
BUILT, BROKEN = OUTCOMES[0], OUTCOMES[1]


def object_id(text: str) -> str:
    return hashlib.sha1(text.encode()).hexdigest()


def make_commits(count: int, *, first: int = 0, salt: str = "") -> list[Commit]:
    return [
        Commit(
            commit_id=object_id(f"commit {number}{salt}"),
            tree_id=object_id(f"tree {number}{salt}"),
            parent_ids=(object_id(f"commit {number - 1}{salt}"),) if number else (),
            author_name="Isa Thorne",
            author_email="isa@skerry.example",
            subject=f"Step {number}",
            committed_at=START + timedelta(hours=number),
        )
        for number in range(first, first + count)
    ]


def built_at(commit: Commit, target: str = "riscv64/vale", **changes: object) -> Evidence:
    evidence = replace(
        make_evidence(BUILT, target),
        tree_id=commit.tree_id,
        commit_id=commit.commit_id,
        read_set=ReadSet(files=("Makefile",), folders=()),
    )
    return replace(evidence, **changes)  # type: ignore[arg-type]  # fields of Evidence, given by name


def carried_to(commit: Commit, evidence: Evidence) -> Evidence:
    source = Carried(tree_id=evidence.tree_id, commit_id=evidence.commit_id)
    return replace(evidence, tree_id=commit.tree_id, commit_id=commit.commit_id, carried=source)


def test_the_main_branch_comes_back_in_order_and_grows(tmp_path: Path) -> None:
    commits = make_commits(5)
    path = tmp_path / "evidence.db"
    with SqliteStore(path) as store:
        assert load_mainline(store) == ()
        record_mainline(store, commits[:3])
        record_mainline(store, commits)
        # What another process has recorded already, in part or whole.
        record_mainline(store, commits[:4])
        record_mainline(store, commits)
    with SqliteStore(path) as store:
        assert load_mainline(store) == tuple(commits)


def test_of_another_branch_what_is_not_on_it_is_forgotten(tmp_path: Path) -> None:
    commits = make_commits(4)
    side = [*commits[:2], *make_commits(2, first=2, salt=" of a side branch")]
    with SqliteStore(tmp_path / "evidence.db") as store:
        record_mainline(store, commits)
        record_mainline(store, side[:3])
        assert load_mainline(store) == tuple(side[:3])


def test_text_that_is_no_unicode_is_kept_visible(tmp_path: Path) -> None:
    commit = replace(make_commits(1)[0], subject="a \udcff b", author_name="\ud800")
    with SqliteStore(tmp_path / "evidence.db") as store:
        record_mainline(store, [commit])
        assert [(found.subject, found.author_name) for found in load_mainline(store)] == [("a \\udcff b", "\\ud800")]


def test_a_timeline_has_what_was_built_and_what_was_carried_in_order(tmp_path: Path) -> None:
    commits = make_commits(4)
    first = built_at(commits[0])
    last = built_at(commits[3], outcome=BROKEN, elapsed_s=9.0)
    with SqliteStore(tmp_path / "evidence.db") as store:
        store.add(first)
        store.add(last)
        store.add_carried([carried_to(commits[1], first)])
        store.add(built_at(commits[2], target="arm/mere"))
        points = load_timeline(store, "riscv64/vale", commits)
        assert [(p.position, p.commit, p.outcome, p.warning_count, p.elapsed_s, p.is_carried) for p in points] == [
            (0, commits[0], "built", 1, 0.25, False),
            (1, commits[1], "built", 1, 0.25, True),
            (3, commits[3], "broken", 1, 9.0, False),
        ]
        assert [point.regions for point in points] == [FOOTPRINT.regions, FOOTPRINT.regions, ()]
        assert len({point.evidence_id for point in points}) == 2


def test_a_clean_build_counts_before_what_was_carried_and_the_newer_key_before_the_older(tmp_path: Path) -> None:
    commits = make_commits(2)
    first = built_at(commits[0])
    with SqliteStore(tmp_path / "evidence.db") as store:
        store.add(first)
        store.add_carried([carried_to(commits[1], first)])
        store.add(built_at(commits[1], outcome=BROKEN))
        assert [(p.outcome, p.is_carried) for p in load_timeline(store, first.target, commits)] == [
            ("built", False),
            ("broken", False),
        ]
        store.add(built_at(commits[1], key="4" * 64))
        assert [p.outcome for p in load_timeline(store, first.target, commits)] == ["built", "built"]


def test_a_timeline_shows_what_a_first_gate_built_before_anything_was_swept_or_carried(tmp_path: Path) -> None:
    (commit,) = make_commits(1)
    with SqliteStore(tmp_path / "evidence.db") as store:
        store.add(built_at(commit))
        assert [(p.position, p.outcome) for p in load_timeline(store, "riscv64/vale", [commit])] == [(0, "built")]


def test_a_reverted_tree_is_one_result_at_two_commits(tmp_path: Path) -> None:
    commits = make_commits(3)
    commits[2] = replace(commits[2], tree_id=commits[0].tree_id)
    with SqliteStore(tmp_path / "evidence.db") as store:
        store.add(built_at(commits[0]))
        assert [point.position for point in load_timeline(store, "riscv64/vale", commits)] == [0, 2]


def test_equal_details_are_kept_once(tmp_path: Path) -> None:
    commits = make_commits(3)
    path = tmp_path / "evidence.db"
    with SqliteStore(path) as store:
        for commit in commits:
            store.add(built_at(commit))
        found = store.list_evidence([commits[2].tree_id], whole=True)
        assert isinstance(found[0].outcome, Built)
        assert found[0].outcome.footprint == FOOTPRINT
    assert sqlite3.connect(path).execute("SELECT count(*) FROM detail").fetchone() == (1,)


def test_a_sweep_comes_back_with_its_builds_and_its_turns(tmp_path: Path) -> None:
    commit = make_commits(1)[0]
    turn = TurnRecord(target="arm/mere", turn=Turn.BROKE, message="x \udcff", good_commit_id="a" * 40)
    path = tmp_path / "evidence.db"
    with SqliteStore(path) as store:
        sweep = begin_sweep(store, commit, START)
        SweepSink(store, sweep.sweep_id).add(built_at(commit))
        store.add(built_at(commit, target="arm/holm"))
    with SqliteStore(path) as store:
        assert list_sweeps(store) == (sweep,)
        assert sweep.state is SweepState.RUNNING
        assert list_swept(store, sweep.sweep_id) == (built_at(commit, outcome=without_detail(BUILT)),)
        finish_sweep(store, sweep.sweep_id, SweepState.FINISHED, [turn], START + timedelta(minutes=1))
        kept = replace(turn, message="x \\udcff")
        assert list_sweeps(store) == (
            replace(sweep, state=SweepState.FINISHED, finished_at=START + timedelta(minutes=1), turns=(kept,)),
        )


def everything(_commit_id: str) -> bool:
    return True


def without_detail(outcome: object) -> object:
    assert isinstance(outcome, Built)
    return replace(outcome, footprint=replace(outcome.footprint, sections=(), symbols=()))


def test_what_was_last_known_is_that_of_the_newest_sweep_that_ended_and_decided(tmp_path: Path) -> None:
    commits = make_commits(4)
    with SqliteStore(tmp_path / "evidence.db") as store:
        sweeps = [begin_sweep(store, commit, START) for commit in commits]
        sinks = [SweepSink(store, sweep.sweep_id) for sweep in sweeps]
        sinks[0].add(built_at(commits[0]))
        sinks[0].add(built_at(commits[0], target="arm/mere"))
        # Gone from the matrix for longer than since the last sweep: old news.
        sinks[0].add(built_at(commits[0], target="arm/sunk"))
        sinks[1].add(built_at(commits[1], outcome=BROKEN))
        sinks[1].add(built_at(commits[1], target="arm/slow", outcome=TimedOut(limit_s=1, stopped_by="SIGKILL")))
        sinks[2].add(built_at(commits[2]))
        for sweep, state in zip(sweeps[:2], (SweepState.FINISHED, SweepState.UNDECIDED), strict=True):
            finish_sweep(store, sweep.sweep_id, state, [], START)
        assert load_last_known(store, sweeps[0].sweep_id, ["riscv64/vale"], everything) == {}
        known = load_last_known(store, sweeps[3].sweep_id, ["riscv64/vale", "arm/mere", "arm/new"], everything)
        assert {name: (one.commit_id, one.outcome, one.evidence is None) for name, one in known.items()} == {
            "riscv64/vale": (commits[1].commit_id, "broken", False),
            "arm/mere": (commits[0].commit_id, "built", False),
            "arm/slow": (commits[1].commit_id, "timed out", False),
        }
        # Of another branch.
        aside = load_last_known(store, sweeps[3].sweep_id, ["arm/mere"], lambda one: one == commits[0].commit_id)
        assert {name: one.sweep_id for name, one in aside.items()} == dict.fromkeys(
            ("arm/mere", "arm/sunk", "riscv64/vale"), sweeps[0].sweep_id
        )
        assert load_last_known(store, sweeps[3].sweep_id, ["arm/mere"], lambda _: False) == {}
        # A later sweep of the same tree finds something else: the old outcome is still known, the build is not.
        sinks[3].add(built_at(commits[1]))
        again = load_last_known(store, sweeps[3].sweep_id, ["riscv64/vale"], everything)["riscv64/vale"]
        assert (again.outcome, again.evidence) == ("broken", None)


def test_a_build_past_its_limit_is_kept_for_people_and_known_to_nobody(tmp_path: Path) -> None:
    commit = make_commits(1)[0]
    slow = built_at(commit, outcome=TimedOut(limit_s=1, stopped_by="SIGKILL", excerpt=("last words",)))
    with SqliteStore(tmp_path / "evidence.db") as store:
        sweep = begin_sweep(store, commit, START)
        SweepSink(store, sweep.sweep_id).add(slow)
        assert store.list_evidence([commit.tree_id]) == ()
        assert store.list_newest() == ()
        # The sweep goes on with it, and builds it again.
        assert list_swept(store, sweep.sweep_id) == ()
        (point,) = load_timeline(store, slow.target, [commit])
        assert load_evidence(store, [point.evidence_id], whole=True)[point.evidence_id] == replace(slow, read_set=None)
        with pytest.raises(StoreError, match="the build of riscv64/vale that was carried from is not there"):
            store.add_carried([carried_to(make_commits(1, salt="other")[0], slow)])
        # Under another toolchain: the tree came out all the same.
        store.add(built_at(commit, key="4" * 64))
        assert [point.outcome for point in load_timeline(store, slow.target, [commit])] == ["built"]
        assert load_last_known(store, sweep.sweep_id + 1, [], everything) == {}
        finish_sweep(store, sweep.sweep_id, SweepState.FINISHED, [], START)
        last = load_last_known(store, sweep.sweep_id + 1, [], everything)[slow.target]
        assert (last.outcome, last.evidence) == ("timed out", None)


def test_a_sweep_refuses_what_was_carried(tmp_path: Path) -> None:
    commits = make_commits(2)
    with SqliteStore(tmp_path / "evidence.db") as store:
        sink = SweepSink(store, begin_sweep(store, commits[0], START).sweep_id)
        with pytest.raises(StoreError, match="a sweep carries nothing, got 1 carried results"):
            sink.add_carried([carried_to(commits[1], built_at(commits[0]))])


def test_a_carried_result_that_now_stands_at_another_tree_is_noticed(tmp_path: Path) -> None:
    path = tmp_path / "evidence.db"
    shutil.copy(V3, path)
    with SqliteStore(path) as store:
        store.list_evidence(["7" * 40])
    connection = sqlite3.connect(path)
    connection.execute("INSERT INTO tree (id, tree_id) VALUES (99, ?)", ("9" * 40,))
    connection.execute("UPDATE carried SET tree = 99")
    connection.commit()
    connection.close()
    with (
        SqliteStore(path) as store,
        pytest.raises(StoreError, match="carried to tree 9999999999 does not belong there"),
    ):
        store.list_evidence(["9" * 40])


def test_a_result_that_now_has_the_read_set_of_another_is_noticed(tmp_path: Path) -> None:
    path = tmp_path / "evidence.db"
    first, second = (built_at(commit) for commit in make_commits(2))
    with SqliteStore(path) as store:
        store.add(replace(first, read_set=ReadSet(files=("Makefile",), folders=(".",))))
        store.add(replace(second, read_set=ReadSet(files=("Makefile", "main.c"), folders=(".",))))
        assert len(store.list_evidence([first.tree_id, second.tree_id])) == 2
    connection = sqlite3.connect(path)
    connection.execute("UPDATE evidence SET read_set = 1")
    connection.commit()
    connection.close()
    with SqliteStore(path) as store:
        assert len(store.list_evidence([first.tree_id])) == 1
        with pytest.raises(StoreError, match="the read set is not that of its result"):
            store.list_evidence([second.tree_id])


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE sweep SET state = 'finishee'",
        "UPDATE sweep SET started_at = '2026-13-01'",
        "UPDATE sweep SET finished_at = '?'",
        "UPDATE turn SET turn = 'brokf'",
    ],
)
def test_what_is_no_word_or_time_of_ours_is_an_error_of_the_store(tmp_path: Path, change: str) -> None:
    with SqliteStore(tmp_path / "evidence.db") as store:
        sweep = begin_sweep(store, make_commits(1)[0], START)
        turns = [TurnRecord(target="arm/mere", turn=Turn.BROKE)]
        finish_sweep(store, sweep.sweep_id, SweepState.FINISHED, turns, START)
        with store.writing() as connection:
            connection.execute(text(change))
        with pytest.raises(StoreError, match=r"the store cannot be read: .*; free the disk or restore the file"):
            list_sweeps(store)
