"""
Made v1.db, v2.db and v3.db beside it: stores of formats 1 to 3, each written by the gatekeep of its time.

v1.db at commit 69b40aa, before there were sweeps; v2.db at a16db83, before trees had stamps; v3.db at 0d3d461, before
what was carried had seals. Run at that commit, from the root of a checkout:

    python tests/data/stores/make_store.py v3.db

The files stay as they are, for the test that a store of then can be used now.
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
    """Write the file that is named, beside this one."""
    path = Path(__file__).with_name(sys.argv[1])
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
