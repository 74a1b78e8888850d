"""
Every target over the commits of a branch, all at once: what the health site is made from.

One pass over the small rows of what was carried and built; a number for each commit and target is kept on the way, not
an object: 300 targets at 5,000 commits are 6 MB as numbers, and 300 MB as anything else.
"""

from __future__ import annotations

import json
from array import array
from bisect import bisect_left
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from itertools import chain, groupby
from typing import Any, NamedTuple

from sqlalchemy import Connection, ScalarSelect, or_, select

from gatekeep.errors import StoreError
from gatekeep.history.schema import (
    PAST_LIMIT,
    carried_table,
    evidence_table,
    figures_table,
    parse_regions,
    stamp_table,
    tree_table,
)
from gatekeep.history.sqlite import list_groups
from gatekeep.history.store import SqliteStore, make_reader, records
from gatekeep.model.change import Commit
from gatekeep.model.evidence import Evidence, RegionUse
from gatekeep.model.health import Run, State, state_of

#: SQLite allows 32,766 variables in a statement (its default since 3.32).
_ASKED_AT_ONCE = 500
#: Rows that are taken from a question at once: one at a time, its reader takes longer than SQLite.
_ROWS_AT_ONCE = 500
#: Of a commit: its name and its tree's stamp, None for a tree that had no result yet.
Mark = tuple[str, int | None]


#: Does a step beside all else, in a thread.
Beside = Callable[[Callable[[], list[str] | None]], Future[list[str] | None]]
#: What a build shows; equal ones are one value, told by where it lies.
_Shown = tuple[State, tuple[RegionUse, ...], int]


class _Builds:
    """
    What is kept of builds while runs are found, by their numbers, which run without many gaps.

    `lines` are those of their targets, None for a build that is not looked at; `shown_at` says where what a build shows
    stands among all that builds show.
    """

    __slots__ = ("keys", "lines", "shown_at")

    def __init__(self) -> None:
        # Lists by number: of some hundred thousand builds, dictionaries and tuples took ten times the memory, and that
        # is what the time goes by.
        self.lines: list[array[int] | None] = []
        self.keys: list[str] = []
        self.shown_at: list[int] = []

    def fill_up_to(self, number: int) -> None:
        """Have no builds from the last one on up to a number, which comes next."""
        gap = number - len(self.lines)
        self.lines.extend([None] * gap)
        self.keys.extend([""] * gap)
        self.shown_at.extend([0] * gap)


class _Span(NamedTuple):
    """
    Where the trees of a build stand, from `first` up to `end`.

    `nothing` is what stands there in a line as long as no other build says anything, where they stand in a row, as
    nearly all do; else None.
    """

    held: Sequence[int]
    first: int
    end: int
    nothing: array[int] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """
    Every target over a branch.

    `runs` by target. `marks` by position: while they stay the same, so do the runs up to there. `known_count` says of
    how many first commits nothing was read, because an earlier standing still holds.
    """

    runs: dict[str, tuple[Run, ...]]
    marks: tuple[Mark, ...]
    known_count: int = 0


def load_runs(store: SqliteStore, commits: Sequence[Commit], targets: Collection[str]) -> dict[str, tuple[Run, ...]]:
    """Give every target over the commits, as `load_standing` does."""
    return load_standing(store, commits, targets).runs


def load_standing(
    store: SqliteStore,
    commits: Sequence[Commit],
    targets: Collection[str],
    before: Standing | None = None,
    beside: Beside | None = None,
) -> Standing:
    """
    Give every target over the commits.

    Where a tree has several results of a target (another toolchain, another recipe), the newest counts; where one was
    carried and later built, the build. Neighbours that show the same are one run, however many builds they had: nights
    build everything, and most of it is as it was.

    Args:
        store: Where the results are.
        commits: The branch, oldest first.
        targets: Names; every one has an entry in the answer, and may have no runs.
        before: An earlier answer, of this branch or another: only what is different now is read. The answer is the same
            with and without it.
        beside: Does a step in a thread: where all is read, SQLite can look for what was carried while Python reads what
            was built. The answer is the same with and without it.

    Raises:
        StoreError: The store cannot be read.
    """
    with store.reading() as connection:
        stamps = _read_stamps(connection)
        marks = tuple((commit.commit_id, stamps.get(commit.tree_id)) for commit in commits)
        known = _count_known(before, marks, targets)
        # The last that is known is read again: where a run goes on behind it, its newest build is found there.
        start = max(known - 1, 0)
        positions: dict[str, list[int]] = {}
        for position, commit in enumerate(commits[start:], start):
            positions.setdefault(commit.tree_id, []).append(position)
        standing = {target: _zeros(len(commits) - start) for target in targets}
        # A question for each of many trees takes longer than one for all.
        few = list(positions) if start and len(positions) <= _ASKED_AT_ONCE else None
        asked = beside(lambda: _ask_carried_at(store, stamps)) if beside is not None and few is None else None
        builds, shown = _read_builds(connection, standing, positions, start, few)
        carried = asked.result() if asked is not None else None
        if carried is None:
            carried = _ask_carried(connection, few)
        _add_carried(connection, carried, positions, builds, start)
        fresh = {target: tuple(_iter_runs(line, builds.shown_at, shown, start)) for target, line in standing.items()}
    if before is not None and start:
        fresh = {target: _join(before.runs[target], runs, start) for target, runs in fresh.items()}
    return Standing(runs=fresh, marks=marks, known_count=known)


def _count_known(before: Standing | None, marks: Sequence[Mark], targets: Collection[str]) -> int:
    if before is None or not before.runs.keys() >= set(targets):
        return 0
    pairs = zip(before.marks, marks, strict=False)
    return next((at for at, (old, new) in enumerate(pairs) if old != new), min(len(before.marks), len(marks)))


def _join(before: Sequence[Run], after: Sequence[Run], at: int) -> tuple[Run, ...]:
    """
    Put runs of the commits from `at` on behind those of an earlier time, which hold up to `at` itself.

    So one that had gone on to `at` goes on now, and what was its newest build before does not matter.
    """
    kept = before[: bisect_left(before, at, key=lambda run: run.first)]
    if kept and after and after[0].first <= kept[-1].last + 1 and after[0].stood_as(kept[-1]):
        joined = kept[-1]._replace(last=after[0].last, evidence_id=after[0].evidence_id)
        return (*kept[:-1], joined, *after[1:])
    return (*kept, *after)


def load_evidence(store: SqliteStore, ids: Collection[int], *, whole: bool) -> dict[int, Evidence]:
    """
    Give results by their numbers, without their read sets, which no page shows.

    Args:
        store: Where they are.
        ids: From `Run.evidence_id`.
        whole: With the footprints' sections and symbols.

    Raises:
        StoreError: The store cannot be read, or a record is damaged.
    """
    wanted = sorted(ids)
    found: dict[int, Evidence] = {}
    query, read = records(whole=whole, read_sets=False).add_columns(evidence_table.c.id), make_reader()
    with store.reading() as connection:
        for start in range(0, len(wanted), _ASKED_AT_ONCE):
            part = query.where(evidence_table.c.id.in_(wanted[start : start + _ASKED_AT_ONCE]))
            found |= {row.id: read(row) for row in connection.execute(part)}
    return found


def _read_builds(
    connection: Connection,
    standing: dict[str, array[int]],
    positions: dict[str, list[int]],
    start: int,
    few: list[str] | None,
) -> tuple[_Builds, list[_Shown]]:
    """Put builds in their places; give all of them, or those of few trees, by number, and what they show."""
    columns = evidence_table.c
    query = select(
        columns.id,
        columns.target,
        columns.tree_id,
        columns.key,
        columns.outcome,
        figures_table.c.warning_count,
        figures_table.c.regions,
    ).join(figures_table, figures_table.c.evidence == columns.id)
    if few is not None:
        query = query.where(or_(columns.tree_id.in_(few), columns.id.in_(_carried_to(few))))
    builds = _Builds()
    lines, keys, shown_at = builds.lines, builds.keys, builds.shown_at
    # Each once: few differ, and a text for each of some hundred thousand builds takes memory.
    known_keys: dict[str, str] = {}
    shown: dict[tuple[str, int, str], int] = {}
    # Taken apart in one go: asking a row for each column by name took longer than the query.
    for part in connection.execute(query.order_by(columns.id)).partitions(_ROWS_AT_ONCE):
        for number, target, tree_id, key, outcome, warning_count, regions in part:
            line = standing.get(target)
            if line is None:
                continue
            if number != len(lines):
                builds.fill_up_to(number)
            lines.append(line)
            keys.append(known_keys.setdefault(key, key))
            shown_at.append(shown.setdefault((outcome, warning_count, regions), len(shown)))
            for position in positions.get(tree_id, ()):
                line[position - start] = number
    return builds, _read_shown(list(shown))


def _read_shown(texts: Sequence[tuple[str, int, str]]) -> list[_Shown]:
    """Read what builds show; equal ones, however they were written, are one value."""
    alike: dict[_Shown, _Shown] = {}
    # One text for many: the reader of JSON is called at a fifth of what each by itself would take.
    found: list[_Shown] = []
    for start in range(0, len(texts), _ROWS_AT_ONCE):
        part = texts[start : start + _ROWS_AT_ONCE]
        for (outcome, warning_count, _), uses in zip(part, parse_regions([text for _, _, text in part]), strict=True):
            one = (_read_state(outcome, uses), uses, warning_count)
            found.append(alike.setdefault(one, one))
    return found


def _read_state(outcome: str, uses: tuple[RegionUse, ...]) -> State:
    try:
        return state_of(outcome, uses)
    except KeyError as error:
        raise StoreError(
            f"the store is damaged: a build is said to be {outcome!r}, which no build is; restore it from a copy"
        ) from error


def _carried_to(trees: list[str]) -> ScalarSelect[Any]:
    """Ask for the numbers of the results that were carried to trees."""
    query = select(carried_table.c.evidence).join(tree_table, tree_table.c.id == carried_table.c.tree)
    return query.where(tree_table.c.tree_id.in_(trees)).scalar_subquery()


def _read_stamps(connection: Connection) -> dict[str, int]:
    return dict(connection.execute(select(stamp_table.c.tree_id, stamp_table.c.stamp)).all())


def _ask_carried_at(store: SqliteStore, stamps: Mapping[str, int]) -> list[str] | None:
    """Ask where builds were carried to; None where somebody has changed since the stamps what trees show."""
    with store.reading() as connection:
        return _ask_carried(connection, None) if _read_stamps(connection) == stamps else None


def _ask_carried(connection: Connection, few: Collection[str] | None) -> list[str]:
    """Ask to which trees builds were carried, all or few of them, in the words of `list_groups`."""
    query = select(carried_table.c.evidence, carried_table.c.tree)
    if few is not None:
        query = query.join(tree_table, tree_table.c.id == carried_table.c.tree).where(tree_table.c.tree_id.in_(few))
    return list(connection.execute(list_groups(query)).scalars())


def _add_carried(
    connection: Connection, carried: Sequence[str], positions: dict[str, list[int]], builds: _Builds, start: int
) -> None:
    places: dict[int, int] = {}
    # A tree comes back when a change is reverted.
    further: dict[int, list[int]] = {}
    trees_query = select(tree_table.c.id, tree_table.c.tree_id)
    if len(positions) <= _ASKED_AT_ONCE:
        trees_query = trees_query.where(tree_table.c.tree_id.in_(list(positions)))
    for number, tree_id in connection.execute(trees_query):
        found = positions.get(tree_id)
        if found:
            places[number] = found[0] - start
            if len(found) > 1:
                further[places[number]] = [position - start for position in found[1:]]
    # One text is that of many builds: what a night has built holds for the same commits.
    spans: dict[str, _Span] = {}
    lines, keys = builds.lines, builds.keys
    for evidence_id, trees in chain.from_iterable(sorted(json.loads(part)) for part in carried):
        line = lines[evidence_id] if evidence_id < len(lines) else None
        if line is None:
            continue
        span = spans.get(trees)
        if span is None:
            span = spans[trees] = _find_span(trees, places, further)
        held, first, end, nothing = span
        if nothing is not None and line[first:end] == nothing:
            line[first:end] = array("q", (evidence_id,)) * len(nothing)
            continue
        for place in held:
            known = line[place]
            # A build of the very tree outweighs what was carried to it under the same key.
            if known == 0 or (known < evidence_id and keys[known].removesuffix(PAST_LIMIT) != keys[evidence_id]):
                line[place] = evidence_id


def _find_span(trees: str, places: dict[int, int], further: dict[int, list[int]]) -> _Span:
    """Find where trees stand on the branch; one of a change, or of another branch, stands nowhere."""
    held = [place for tree in map(int, trees.split(",")) if (place := places.get(tree)) is not None]
    held = sorted(chain(held, *(further.get(place, ()) for place in held)) if further else held)
    first, end = (held[0], held[-1] + 1) if held else (0, 0)
    return _Span(held, first, end, _zeros(len(held)) if held and end - first == len(held) else None)


def _zeros(count: int) -> array[int]:
    return array("q", bytes(8 * count))


def _iter_runs(line: array[int], shown_at: Sequence[int], each: Sequence[_Shown], position: int) -> Iterator[Run]:
    first = last = position
    first_id = last_id = 0
    shown: _Shown | None = None
    for evidence_id, group in groupby(line):
        now = each[shown_at[evidence_id]] if evidence_id else None
        if now is not shown:
            if shown is not None:
                yield _make_run(first, last, first_id, last_id, shown)
            first, first_id, shown = position, evidence_id, now
        position += len(list(group))
        last, last_id = position - 1, evidence_id
    if shown is not None:
        yield _make_run(first, last, first_id, last_id, shown)


def _make_run(first: int, last: int, first_id: int, last_id: int, shown: _Shown) -> Run:
    state, regions, warning_count = shown
    return Run(
        first=first,
        last=last,
        first_evidence_id=first_id,
        evidence_id=last_id,
        state=state,
        regions=regions,
        warning_count=warning_count,
    )
