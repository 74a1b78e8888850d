"""
How long builds took.
"""

from __future__ import annotations

from collections.abc import Collection

from sqlalchemy import select

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
    found: dict[str, tuple[float, ...]] = {}
    with store.reading() as connection:
        for target in targets:
            query = select(columns.elapsed_s).where(columns.target == target).order_by(columns.id.desc()).limit(most)
            newest = [elapsed_s for elapsed_s in connection.execute(query).scalars() if elapsed_s > 0]
            if newest:
                found[target] = tuple(reversed(newest))
    return found
