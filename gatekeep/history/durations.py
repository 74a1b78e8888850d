"""
How long builds took.
"""

from __future__ import annotations

from collections.abc import Collection

from sqlalchemy import bindparam, select

from gatekeep.history.schema import evidence_table
from gatekeep.history.store import SqliteStore


def load_durations(store: SqliteStore, targets: Collection[str], *, most: int) -> dict[str, tuple[float, ...]]:
    """
    Give how long the newest builds of targets took, whatever came out, at gates and in sweeps.

    One question a target, answered by an index alone: the newest of each in one took a walk over all of it.

    Args:
        store: Where they are.
        targets: Names; one that was never built has no entry in the answer.
        most: Of each, so many at most.

    Returns:
        Seconds, the newest last, by target; what the machine did not let run at all is left out.

    Raises:
        StoreError: The store cannot be read.
    """
    columns = evidence_table.c
    # Made once: to put it together took longer than to answer it.
    query = select(columns.elapsed_s).where(columns.target == bindparam("name")).order_by(columns.id.desc()).limit(most)
    found: dict[str, tuple[float, ...]] = {}
    with store.reading() as connection:
        for target in targets:
            newest = [took_s for took_s in connection.execute(query, {"name": target}).scalars() if took_s > 0]
            if newest:
                found[target] = tuple(reversed(newest))
    return found
