"""
A branch's commits in order, as the store remembers the one that was swept last, and each target over commits.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from functools import cache
from typing import Any, NamedTuple

from sqlalchemy import Connection, delete, select

from gatekeep.history.schema import (
    PAST_LIMIT,
    carried_table,
    evidence_table,
    figures_table,
    mainline_table,
    parse_regions,
    tree_table,
)
from gatekeep.history.sqlite import insert
from gatekeep.history.store import SqliteStore, keep_tree
from gatekeep.model.change import Commit
from gatekeep.model.history import TimelinePoint

_COMMIT_COLUMNS = (*mainline_table.c, tree_table.c.tree_id)
_BUILD_COLUMNS = (
    evidence_table.c.id,
    evidence_table.c.tree_id,
    evidence_table.c.key,
    evidence_table.c.outcome,
    evidence_table.c.elapsed_s,
    figures_table.c.warning_count,
    figures_table.c.regions,
)


def record_mainline(store: SqliteStore, commits: Sequence[Commit]) -> None:
    """
    Keep the commits of the main branch.

    Where another commit is recorded in a place, that one and all after it are forgotten.

    Args:
        store: Where.
        commits: From the first commit of all on, each the first parent of the next. What is recorded already is passed
            over.

    Raises:
        StoreError: The store cannot be written.
    """
    with store.writing() as connection:
        recorded = select(mainline_table.c.position, mainline_table.c.commit_id)
        known = dict(connection.execute(recorded).all())
        other = (at for at, commit in enumerate(commits) if known.get(at, commit.commit_id) != commit.commit_id)
        first = next(other, None)
        if first is not None:
            connection.execute(delete(mainline_table).where(mainline_table.c.position >= first))
            known = {position: name for position, name in known.items() if position < first}
        rows = [_make_row(connection, at, commit) for at, commit in enumerate(commits) if at not in known]
        if rows:
            connection.execute(insert(mainline_table), rows)


def _make_row(connection: Connection, position: int, commit: Commit) -> dict[str, Any]:
    return {
        "position": position,
        "commit_id": commit.commit_id,
        "tree": keep_tree(connection, commit.tree_id),
        "parent_ids": " ".join(commit.parent_ids),
        # Text from outside may hold lone surrogates, which SQLite does not take.
        "author_name": _storable(commit.author_name),
        "author_email": _storable(commit.author_email),
        "committed_s": int(commit.committed_at.timestamp()),
        "subject": _storable(commit.subject),
    }


def _storable(text: str) -> str:
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def load_mainline(store: SqliteStore) -> tuple[Commit, ...]:
    """
    Give every recorded commit of the main branch, oldest first; its index is its position.

    Raises:
        StoreError: The store cannot be read.
    """
    query = select(*_COMMIT_COLUMNS).join(tree_table, tree_table.c.id == mainline_table.c.tree)
    with store.reading() as connection:
        return tuple(map(_read_commit, connection.execute(query.order_by(mainline_table.c.position)).all()))


def load_timeline(store: SqliteStore, target: str, commits: Sequence[Commit]) -> tuple[TimelinePoint, ...]:
    """
    Give a target over the commits of a branch, oldest first; commits without a result are left out.

    Where a tree has several results of the target (another toolchain, another recipe), the newest counts; where one was
    carried and later built clean, the build.

    Raises:
        StoreError: The store cannot be read.
    """
    builds = select(*_BUILD_COLUMNS).join(figures_table, figures_table.c.evidence == evidence_table.c.id)
    numbers = select(evidence_table.c.id).where(evidence_table.c.target == target)
    trees = select(carried_table.c.evidence, tree_table.c.tree_id)
    trees = trees.join(tree_table, tree_table.c.id == carried_table.c.tree)
    with store.reading() as connection:
        built = [_Build(*row) for row in connection.execute(builds.where(evidence_table.c.target == target)).all()]
        carried = connection.execute(trees.where(carried_table.c.evidence.in_(numbers))).all()
    by_id = {build.evidence_id: build for build in built}
    chosen = _choose(built, [(by_id[evidence_id], tree_id) for evidence_id, tree_id in carried])
    read_regions = cache(lambda text: parse_regions([text])[0])
    return tuple(
        TimelinePoint(
            position=position,
            commit=commit,
            outcome=build.outcome,
            regions=read_regions(build.regions),
            warning_count=build.warning_count,
            elapsed_s=build.elapsed_s,
            is_carried=is_carried,
            evidence_id=build.evidence_id,
        )
        # A tree comes back when a change is reverted: one result, several commits.
        for position, commit in enumerate(commits)
        if commit.tree_id in chosen
        for build, is_carried in (chosen[commit.tree_id],)
    )


def list_targets(store: SqliteStore) -> tuple[str, ...]:
    """Give every target that was ever built, by name."""
    with store.reading() as connection:
        query = select(evidence_table.c.target).distinct().order_by(evidence_table.c.target)
        return tuple(connection.execute(query).scalars())


def _read_commit(row: Sequence[Any]) -> Commit:
    # Taken apart in one go: asking a row for each column by name took longer than the query.
    _, commit_id, _, parent_ids, author_name, author_email, committed_s, subject, tree_id = row
    return Commit(
        commit_id=commit_id,
        tree_id=tree_id,
        parent_ids=tuple(parent_ids.split()),
        author_name=author_name,
        author_email=author_email,
        subject=subject,
        committed_at=datetime.fromtimestamp(committed_s, UTC),
    )


class _Build(NamedTuple):
    """One build, in the order of `_BUILD_COLUMNS`."""

    evidence_id: int
    tree_id: str
    key: str
    outcome: str
    elapsed_s: float
    warning_count: int
    regions: str


def _choose(built: Iterable[_Build], carried: Iterable[tuple[_Build, str]]) -> dict[str, tuple[_Build, bool]]:
    """Choose for every tree the result that counts, and say whether it was carried."""
    chosen: dict[str, tuple[_Build, bool]] = {}
    for build in built:
        known = chosen.get(build.tree_id)
        if known is None or build.evidence_id > known[0].evidence_id:
            chosen[build.tree_id] = (build, False)
    for build, tree_id in carried:
        known = chosen.get(tree_id)
        if known is None or (
            build.evidence_id > known[0].evidence_id
            and (known[1] or build.key != known[0].key.removesuffix(PAST_LIMIT))
        ):
            chosen[tree_id] = (build, True)
    return chosen
