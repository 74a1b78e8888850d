"""
Made v1.db to v5.db beside it: stores of formats 1 to 5, each written by the gatekeep of its time, with rows in every
table that this one had.

v1.db at commit 69b40aa, before there were sweeps; v2.db at a16db83, before trees had stamps; v3.db at 0d3d461, before
what was carried had seals; v4.db at 0f1f62e, before builds past their time limit were kept; v5.db by the one that made
format 5, with an index of what is carried from. Made from today's checkout, in which STORES stands for this folder:

    git worktree add /tmp/then 0d3d461
    cp STORES/make_store.py /tmp/then/tests/data/stores/ && cd /tmp/then && python tests/data/stores/make_store.py v3.db

The files stay as they are, for the test that a store of then can be used now. Whoever raises the format adds the last
one of the old.
"""

from __future__ import annotations

import importlib.util
import sqlite3
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[3]))

from gatekeep.history.store import SqliteStore
from gatekeep.model.audit import Bar
from gatekeep.model.change import Commit
from gatekeep.model.evidence import Evidence, Outcome, TimedOut
from gatekeep.model.readset import Carried, ReadSet
from tests.unit.test_store import OUTCOMES, make_evidence

READ_SET = ReadSet(files=("Makefile", "drivers/uart.c"), folders=(".", "drivers"))
START = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)


def main() -> None:
    """Write the file that is named, beside this one."""
    path = Path(__file__).with_name(sys.argv[1])
    path.unlink(missing_ok=True)
    with SqliteStore(path) as store:
        for number, outcome in enumerate(OUTCOMES[:5]):
            built = replace(make_evidence(outcome, f"riscv64/b{number}"), read_set=READ_SET)
            store.add(built)
            store.add_carried([carry(built, "7" * 40, "8" * 40)])
        store.bar(
            Bar(
                target="riscv64/b1",
                key="3" * 64,
                tree_id="7" * 40,
                commit_id="8" * 40,
                barred_at=START,
                what="out/vale.elf",
            )
        )
        if importlib.util.find_spec("gatekeep.history.sweeps") is not None:
            sweep_thrice(store)
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA journal_mode = DELETE")
    connection.execute("VACUUM")
    connection.close()


def carry(built: Evidence, tree_id: str, commit_id: str) -> Evidence:
    """Give a result as it was carried to another tree."""
    source = Carried(tree_id=built.tree_id, commit_id=built.commit_id)
    return replace(built, tree_id=tree_id, commit_id=commit_id, carried=source)


def sweep_thrice(store: SqliteStore) -> None:
    """Record three commits, a gate between two sweeps that ended, and a third one that was interrupted."""
    from gatekeep.history.sweeps import SweepSink, begin_sweep, finish_sweep, mark_sweep
    from gatekeep.history.timeline import record_mainline
    from gatekeep.model.history import SweepState, Turn, TurnRecord

    commits = [
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
    ]
    built, broken, grown = OUTCOMES[0], OUTCOMES[1], OUTCOMES[4]

    def at(number: int, target: str, outcome: Outcome) -> Evidence:
        commit = commits[number]
        evidence = replace(make_evidence(built, target), outcome=outcome, read_set=READ_SET)
        return replace(evidence, tree_id=commit.tree_id, commit_id=commit.commit_id)

    record_mainline(store, commits[:2])
    record_mainline(store, commits)
    first = begin_sweep(store, commits[0], START)
    sink = SweepSink(store, first.sweep_id)
    for target, outcome in (("arm/holm", broken), ("arm/mere", built), ("arm/slow", built)):
        sink.add(at(0, target, outcome))
    finish_sweep(store, first.sweep_id, SweepState.FINISHED, [], START + timedelta(minutes=5))
    store.add_carried([carry(at(0, "arm/mere", built), commits[1].tree_id, commits[1].commit_id)])
    second = begin_sweep(store, commits[2], START + timedelta(days=1))
    sink = SweepSink(store, second.sweep_id)
    slow = TimedOut(limit_s=1.5, stopped_by="SIGKILL", excerpt=("last words",))
    for target, outcome in (("arm/holm", built), ("arm/mere", broken), ("arm/slow", slow), ("arm/wick", grown)):
        sink.add(at(2, target, outcome))
    turns = [
        TurnRecord(target="arm/holm", turn=Turn.MENDED, good_commit_id=commits[0].commit_id),
        TurnRecord(
            target="arm/mere",
            turn=Turn.BROKE,
            message="make ended with exit code 2 \x1b[31m",
            good_commit_id=commits[0].commit_id,
            culprit_commit_id=commits[1].commit_id,
        ),
        TurnRecord(target="arm/slow", turn=Turn.TIMED_OUT, message="1.5 s", good_commit_id=commits[0].commit_id),
        TurnRecord(target="arm/wick", turn=Turn.OUTGREW, message="measured"),
    ]
    finish_sweep(store, second.sweep_id, SweepState.UNDECIDED, turns, START + timedelta(days=1, minutes=5))
    third = begin_sweep(store, commits[2], START + timedelta(days=2))
    SweepSink(store, third.sweep_id).add(at(2, "arm/mere", broken))
    mark_sweep(store, third.sweep_id, SweepState.INTERRUPTED)


if __name__ == "__main__":
    main()
