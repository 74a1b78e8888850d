"""
Made v2.db: a store of format 2, written by gatekeep at commit a16db83, before trees had stamps.

Run at that commit, from the root of a checkout: python tests/data/stores/make_v2.py. Later versions write a later
format; the file stays as it is, for the test that a store of then can be used now.
"""

from __future__ import annotations

import sqlite3
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[3]))

from gatekeep.history.store import SqliteStore
from gatekeep.model.audit import Bar
from gatekeep.model.readset import Carried, ReadSet
from tests.unit.test_store import OUTCOMES, make_evidence

READ_SET = ReadSet(files=("Makefile", "drivers/uart.c"), folders=(".", "drivers"))


def main() -> None:
    """Write v2.db beside this file."""
    path = Path(__file__).with_name("v2.db")
    path.unlink(missing_ok=True)
    with SqliteStore(path) as store:
        for number, outcome in enumerate(OUTCOMES[:5]):
            built = replace(make_evidence(outcome, f"riscv64/b{number}"), read_set=READ_SET)
            store.add(built)
            source = Carried(tree_id=built.tree_id, commit_id=built.commit_id)
            store.add_carried([replace(built, tree_id="7" * 40, commit_id="8" * 40, carried=source)])
        store.bar(
            Bar(
                target="riscv64/b1",
                key="3" * 64,
                tree_id="7" * 40,
                commit_id="8" * 40,
                barred_at=datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC),
                what="out/vale.elf",
            )
        )
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA journal_mode = DELETE")
    connection.execute("VACUUM")
    connection.close()


if __name__ == "__main__":
    main()
