"""
A branch's commits in order, as the store remembers the one that was swept last, and each target over commits.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from functools import cache
from typing import Any, NamedTuple

from sqlalchemy import Connection, delete, select

from gatekeep.errors import StoreError
from gatekeep.history.schema import PAST_LIMIT, carried_table, evidence_table, figures_table, mainline_table, tree_table
from gatekeep.history.sqlite import insert
from gatekeep.history.store import SqliteStore, keep_tree
from gatekeep.model.change import Commit
from gatekeep.model.evidence import RegionUse
from gatekeep.model.history import TimelinePoint

#: Below so many trees their numbers go into the question; SQLite allows 32,766 variables (its default since 3.32).
_ASKED_BY_NUMBER = 100
_COMMIT_COLUMNS = (*mainline_table.c, tree_table.c.tree_id)
_BUILD_COLUMNS = (
    evidence_table.c.id,
    evidence_table.c.target,
    evidence_table.c.key,
    evidence_table.c.outcome,
    evidence_table.c.elapsed_s,
    figures_table.c.warning_count,
    figures_table.c.regions,
)


def record_mainline(
    store: SqliteStore, commits: Sequence[Commit], *, after: str | None = None, rewritten: bool = False
) -> bool:
    """
    Keep commits of the main branch.

    Args:
        store: Where.
        commits: Each the first parent of the next. What is recorded already is passed over.
        after: The recorded commit that they follow; None when they begin with the first commit of all.
        rewritten: Where another commit is recorded in a place, forget that one and all after it.

    Returns:
        Whether they are recorded now; False, and nothing done, when another commit stands in one of their places.

    Raises:
        StoreError: `after` is not recorded, or the store cannot be written.
    """
    with store.writing() as connection:
        first = 0
        if after is not None:
            query = select(mainline_table.c.position).where(mainline_table.c.commit_id == after)
            found = connection.execute(query).scalar()
            if found is None:
                raise StoreError(
                    f"the store does not know commit {after[:10]} of the main branch; record the whole of it"
                )
            first = int(found) + 1
        known = dict(
            connection.execute(
                select(mainline_table.c.position, mainline_table.c.commit_id).where(mainline_table.c.position >= first)
            ).all()
        )
        for at, commit in enumerate(commits, first):
            if known.get(at, commit.commit_id) != commit.commit_id:
                if not rewritten:
                    return False
                connection.execute(delete(mainline_table).where(mainline_table.c.position >= at))
                known = {position: name for position, name in known.items() if position < at}
                break
        rows = [_make_row(connection, at, commit) for at, commit in enumerate(commits, first) if at not in known]
        if rows:
            connection.execute(insert(mainline_table), rows)
    return True


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
    with store.reading() as connection:
        return tuple(map(_read_commit, connection.execute(_select_commits().order_by(mainline_table.c.position)).all()))


def load_timeline(
    store: SqliteStore, target: str, commits: Sequence[Commit] | None = None
) -> tuple[TimelinePoint, ...]:
    """
    Give a target over the commits of a branch, oldest first; commits without a result are left out.

    Where a tree has several results of the target (another toolchain, another recipe), the newest counts; where one was
    carried and later built clean, the build.

    Raises:
        StoreError: The store cannot be read.
    """
    with store.reading() as connection:
        builds = select(evidence_table.c.id).where(evidence_table.c.target == target)
        wanted, carried = evidence_table.c.target == target, carried_table.c.evidence.in_(builds)
        points = _list_points(connection, wanted, carried, commits)
        return tuple(point for _, point in sorted(points, key=lambda entry: entry[1].position))


def list_targets(store: SqliteStore) -> tuple[str, ...]:
    """Give every target that was ever built, by name."""
    with store.reading() as connection:
        query = select(evidence_table.c.target).distinct().order_by(evidence_table.c.target)
        return tuple(connection.execute(query).scalars())


def _select_commits() -> Any:  # noqa: ANN401 - SQLAlchemy's type of a query says nothing that a reader could use
    return select(*_COMMIT_COLUMNS).join(tree_table, tree_table.c.id == mainline_table.c.tree)


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


def _list_points(
    connection: Connection,
    wanted: Any,  # noqa: ANN401 - a condition, see above
    carried: Any,  # noqa: ANN401 - another
    commits: Sequence[Commit] | None = None,
) -> list[tuple[str, TimelinePoint]]:
    """Give (target, point) of the builds that are wanted, at their own trees and at those that `carried` gives."""
    builds = select(*_BUILD_COLUMNS, tree_table.c.id.label("tree")).select_from(evidence_table)
    builds = builds.join(figures_table, figures_table.c.evidence == evidence_table.c.id)
    builds = builds.join(tree_table, tree_table.c.tree_id == evidence_table.c.tree_id, isouter=True).where(wanted)
    built = [_Build(*row) for row in connection.execute(builds).all()]
    by_id = {build.evidence_id: build for build in built}
    pairs = connection.execute(select(carried_table.c.evidence, carried_table.c.tree).where(carried)).all()
    chosen = _choose(built, [(by_id[evidence_id], tree) for evidence_id, tree in pairs])
    by_tree = _place(connection, {tree for tree, _ in chosen}, commits)
    read_regions = cache(_read_regions)
    return [
        (
            target,
            TimelinePoint(
                position=position,
                commit=commit,
                outcome=build.outcome,
                regions=read_regions(build.regions),
                warning_count=build.warning_count,
                elapsed_s=build.elapsed_s,
                is_carried=is_carried,
                evidence_id=build.evidence_id,
            ),
        )
        for (tree, target), (build, is_carried) in chosen.items()
        # A tree comes back when a change is reverted: one result, several commits.
        for position, commit in by_tree.get(tree, ())
    ]


def _place(
    connection: Connection, trees: set[int], commits: Sequence[Commit] | None
) -> dict[int, list[tuple[int, Commit]]]:
    """Give (position, commit) of each commit that has one of the trees, by the tree's number."""
    found: dict[int, list[tuple[int, Commit]]] = {}
    if commits is None:
        for row in connection.execute(_commits_of(trees)).all():
            found.setdefault(row[2], []).append((row[0], _read_commit(row)))
        return found
    numbers = {tree_id: number for number, tree_id in connection.execute(select(tree_table)) if number in trees}
    for position, commit in enumerate(commits):
        number = numbers.get(commit.tree_id)
        if number is not None:
            found.setdefault(number, []).append((position, commit))
    return found


class _Build(NamedTuple):
    """One build, in the order of `_BUILD_COLUMNS`; `tree` is None for one that no commit or carried result has."""

    evidence_id: int
    target: str
    key: str
    outcome: str
    elapsed_s: float
    warning_count: int
    regions: str
    tree: int | None


def _commits_of(trees: set[int]) -> Any:  # noqa: ANN401 - see above
    """Few trees are asked for by number, many are cheaper to take out of all."""
    query = _select_commits()
    return query.where(mainline_table.c.tree.in_(sorted(trees))) if len(trees) <= _ASKED_BY_NUMBER else query


def _choose(
    built: Iterable[_Build], carried: Iterable[tuple[_Build, int]]
) -> dict[tuple[int, str], tuple[_Build, bool]]:
    """Choose for every tree and target the result that counts, and say whether it was carried."""
    chosen: dict[tuple[int, str], tuple[_Build, bool]] = {}
    for build in built:
        if build.tree is not None:
            known = chosen.get((build.tree, build.target))
            if known is None or build.evidence_id > known[0].evidence_id:
                chosen[build.tree, build.target] = (build, False)
    for build, tree in carried:
        known = chosen.get((tree, build.target))
        if known is None or (
            build.evidence_id > known[0].evidence_id
            and (known[1] or build.key != known[0].key.removesuffix(PAST_LIMIT))
        ):
            chosen[tree, build.target] = (build, True)
    return chosen


def _read_regions(text: str) -> tuple[RegionUse, ...]:
    try:
        return tuple(
            RegionUse(name=name, used_bytes=used, capacity_bytes=capacity, reserve_bytes=reserve, flash=flash)
            for name, used, capacity, reserve, flash in json.loads(text)
        )
    except (ValueError, TypeError) as error:
        raise StoreError(f"stored figures cannot be read: {error}; restore the store from a copy") from error
