"""
The store: evidence that outlives a run.

One SQLite file in WAL mode, spoken to through SQLAlchemy Core so that a server database can take its place: what is
SQLite's alone is gathered in `sqlite.py`, which says what another one needs, and in `integrity.py`. Every record is on
the disk before anybody is told of it: what was reported survives kill -9 and power loss. A store that is damaged,
foreign or newer than this program is an error, never a fresh start: every opening looks at what it is and, where it was
left open, whether it is whole; sweeps and the health site look each time. Every result has a digest, which is looked at
when it is read.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, Select, bindparam, delete, func, select, update
from sqlalchemy.exc import SQLAlchemyError

from gatekeep.errors import StoreError
from gatekeep.history.codec import decode_detail, decode_marked, encode_detail, encode_evidence, mark, seal_carried
from gatekeep.history.integrity import holding_open
from gatekeep.history.readset_codec import decode_read_set, encode_read_set
from gatekeep.history.schema import (
    PAST_LIMIT,
    barred_table,
    carried_table,
    check_or_create,
    detail_table,
    evidence_table,
    figures_table,
    keep_content,
    make_figures,
    read_set_table,
    sweep_build_table,
    tree_table,
)
from gatekeep.history.sqlite import insert, insert_or_replace, make_engine
from gatekeep.model.audit import Bar
from gatekeep.model.evidence import Built, Evidence, Outgrown, TimedOut, name_outcome
from gatekeep.model.readset import Carried

#: Of what is not decided, the store keeps nothing else.
_CONTRADICTED = "not decided"
_PAST_LIMIT = "timed out"

#: SQLite allows 32,766 variables in a statement (its default since 3.32).
_NAMES_A_QUERY = 500


class SqliteStore:
    """
    The store in one file. Use it from one thread.

    Raises:
        StoreError: Not a database, damaged, foreign, newer than this program, or not to be written.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._engine, self._writing = make_engine(path)
        with self._mapped_errors("opened"), ExitStack() as stack:
            path.parent.mkdir(parents=True, exist_ok=True)
            stack.enter_context(holding_open(path))
            stack.callback(self._engine.dispose)
            with self._writing.begin() as connection:
                check_or_create(connection, path)
            self._held = stack.pop_all()

    def list_evidence(self, tree_ids: Iterable[str], *, whole: bool = False) -> tuple[Evidence, ...]:
        """
        Give all that is known of these trees, built there or carried to them; what was built at the very tree goes
        before what was carried to it. A build that ran past its time limit is not known: it is tried again.

        Args:
            tree_ids: Full object names.
            whole: With the footprints' sections and symbols, which a verdict does not need.

        Raises:
            StoreError: The store cannot be read, or a record is damaged.
        """
        wanted = sorted(set(tree_ids))
        found: list[Evidence] = []
        built, carried, read = known_records(whole=whole), _carried_records(whole=whole), make_reader()
        with self.reading() as connection:
            # SQLite allows 32,766 variables in a statement (its default since 3.32); a change has far fewer trees.
            for start in range(0, len(wanted), 500):
                part = wanted[start : start + 500]
                here = [*map(read, connection.execute(built.where(evidence_table.c.tree_id.in_(part))))]
                known = {(entry.tree_id, entry.target, entry.key) for entry in here}
                there = map(read, connection.execute(carried.where(tree_table.c.tree_id.in_(part))))
                found += here
                found += (entry for entry in there if (entry.tree_id, entry.target, entry.key) not in known)
        return tuple(found)

    def load_carried(self, tree_id: str, target: str, key: str) -> Evidence | None:
        """
        Give a whole result as it was carried to a tree, whatever was built there since; None when none was.

        Raises:
            StoreError: The store cannot be read, or the record is damaged.
        """
        query = _carried_records(whole=True).where(
            tree_table.c.tree_id == tree_id, evidence_table.c.target == target, evidence_table.c.key == key
        )
        with self.reading() as connection:
            row = connection.execute(query).first()
            return None if row is None else make_reader()(row)

    def list_newest(self) -> tuple[Evidence, ...]:
        """
        Give the newest build of every target under every key, of those that have a read set.

        Raises:
            StoreError: The store cannot be read, or a record is damaged.
        """
        newest = select(func.max(evidence_table.c.id)).where(evidence_table.c.read_set.is_not(None))
        # In the order of the index that has no other rows: with the target first SQLite goes by another, to and fro.
        newest = newest.group_by(evidence_table.c.key, evidence_table.c.target)
        query = records(whole=False).where(evidence_table.c.id.in_(newest.scalar_subquery()))
        with self.reading() as connection:
            return tuple(map(make_reader(), connection.execute(query)))

    def add(self, evidence: Evidence) -> None:
        """
        Keep one result that was built; a newer one for the same tree, target and key takes the old one's place.

        Raises:
            StoreError: It could not be written (disk full, locked for too long).
        """
        with self.writing() as connection:
            keep_evidence(connection, evidence)

    def add_carried(self, evidence: Sequence[Evidence]) -> None:
        """
        Keep that results were taken over from builds which the store has.

        Args:
            evidence: Each with `carried`; the build is found by `carried.tree_id`, target and key.

        Raises:
            StoreError: It could not be written, or a build that was carried from is not there.
        """
        with self.writing() as connection:
            trees = {tree_id: keep_tree(connection, tree_id) for tree_id in {entry.tree_id for entry in evidence}}
            origins = _find_builds(connection, evidence)
            rows = []
            for entry in evidence:
                if entry.carried is None:
                    raise StoreError(f"{entry.target}: was not carried; keep it with add")
                found = origins.get((entry.carried.tree_id, entry.target, entry.key))
                if found is None:
                    raise StoreError(f"{self._path}: the build of {entry.target} that was carried from is not there")
                seal = seal_carried(entry.tree_id, tree_id=entry.carried.tree_id, target=entry.target, key=entry.key)
                rows.append({"tree": trees[entry.tree_id], "evidence": found, "seal": seal})
            if rows:
                connection.execute(insert(carried_table).on_conflict_do_nothing(), rows)

    def load_durations(self) -> dict[str, float]:
        """Give the newest build time of every target, in seconds."""
        newest = select(func.max(evidence_table.c.id)).group_by(evidence_table.c.target).scalar_subquery()
        query = select(evidence_table.c.target, evidence_table.c.elapsed_s).where(evidence_table.c.id.in_(newest))
        with self.reading() as connection:
            return {row.target: row.elapsed_s for row in connection.execute(query)}

    def list_barred(self) -> tuple[Bar, ...]:
        """
        Give the targets that are not carried, each with what an audit found; sorted by target, then oldest first.

        Raises:
            StoreError: The store cannot be read.
        """
        query = select(barred_table).order_by(barred_table.c.target, barred_table.c.id)
        with self.reading() as connection:
            return tuple(map(_read_bar, connection.execute(query)))

    def bar(self, bar: Bar) -> None:
        """
        Keep that a target is not to be carried, until `clear_bar`; on return it is on the disk.

        Raises:
            StoreError: It could not be written.
        """
        values = {
            "target": bar.target,
            "key": bar.key,
            "tree_id": bar.tree_id,
            "commit_id": bar.commit_id,
            "barred_at": bar.barred_at.isoformat(),
            # Text from outside may hold lone surrogates, which SQLite does not take.
            "what": bar.what.encode("utf-8", "backslashreplace").decode("utf-8"),
        }
        with self.writing() as connection:
            connection.execute(insert(barred_table).values(values).on_conflict_do_nothing())

    def clear_bar(self, target: str) -> tuple[Bar, ...]:
        """
        Let a target be carried again.

        What was carried of it so far is dropped: some of it is wrong, and nobody knows which. What was built stays.

        Returns:
            What was barred; empty when nothing was.

        Raises:
            StoreError: It could not be written.
        """
        with self.writing() as connection:
            query = select(barred_table).where(barred_table.c.target == target).order_by(barred_table.c.id)
            found = tuple(map(_read_bar, connection.execute(query)))
            if found:
                builds = select(evidence_table.c.id).where(evidence_table.c.target == target)
                connection.execute(delete(carried_table).where(carried_table.c.evidence.in_(builds)))
                connection.execute(delete(barred_table).where(barred_table.c.target == target))
            return found

    def clear_contradictions(self, target: str) -> int:
        """
        Forget that builds of the same inputs of a target contradicted each other, so that it is built again.

        Returns:
            At how many trees they did.

        Raises:
            StoreError: It could not be written.
        """
        with self.writing() as connection:
            chosen = (evidence_table.c.target == target, evidence_table.c.outcome == _CONTRADICTED)
            found = list(connection.execute(select(evidence_table.c.id).where(*chosen)).scalars())
            _drop_builds(connection, found)
            return len(found)

    def close(self) -> None:
        """Let go of the file."""
        self._held.close()

    def __enter__(self) -> SqliteStore:
        return self

    def __exit__(self, *_exc: object) -> None:
        self.close()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Give the other modules of this room a connection to read from; its errors become StoreError."""
        with self._mapped_errors("read"), self._engine.connect() as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Give a transaction that holds the write lock; on leaving it is on the disk, or undone."""
        with self._mapped_errors("written"), self._writing.begin() as connection:
            yield connection

    @contextmanager
    def _mapped_errors(self, verb: str) -> Iterator[None]:
        # In a damaged file SQLite's own message, or a text column, may be no text, and what is read no time or word of
        # ours.
        damage = ValueError if verb == "read" else UnicodeError
        try:
            yield
        except (SQLAlchemyError, OSError, damage) as error:
            cause = getattr(error, "orig", None) or error
            raise StoreError(
                f"{self._path}: the store cannot be {verb}: {cause}; free the disk or restore the file from a copy, "
                "it is never replaced by an empty one"
            ) from error


def records(*, whole: bool, read_sets: bool = True) -> Select[Any]:
    """Give the query whose rows `make_reader` reads; whole means with sections and symbols."""
    columns: list[ColumnElement[Any]] = [evidence_table.c.payload]
    if read_sets:
        columns.append(read_set_table.c.payload.label("read_set_payload"))
    if whole:
        columns.append(detail_table.c.payload.label("detail_payload"))
    query = select(*columns).select_from(evidence_table)
    if read_sets:
        query = query.join(read_set_table, read_set_table.c.id == evidence_table.c.read_set, isouter=True)
    return query.join(detail_table, detail_table.c.id == evidence_table.c.detail, isouter=True) if whole else query


def known_records(*, whole: bool) -> Select[Any]:
    """Give the query of `records` for what nobody builds again: all but what ran past its time limit."""
    return records(whole=whole).where(evidence_table.c.outcome != _PAST_LIMIT)


def _carried_records(*, whole: bool) -> Select[Any]:
    query = records(whole=whole).add_columns(tree_table.c.tree_id.label("carried_to"), carried_table.c.seal)
    query = query.join(carried_table, carried_table.c.evidence == evidence_table.c.id)
    return query.join(tree_table, tree_table.c.id == carried_table.c.tree)


def make_reader() -> Callable[[Row[Any]], Evidence]:
    """Give what reads the rows of one query: most share their read sets, and each is unpacked once."""
    unpack = cache(decode_read_set)

    read_mark = cache(mark)

    def check(wanted: str | None, found: bytes | None, what: str) -> None:
        if wanted is not None and wanted != (read_mark(found) if found else ""):
            raise StoreError(f"the store is damaged: the {what} is not that of its result; restore it from a copy")

    def read(row: Row[Any]) -> Evidence:
        evidence, read_set_mark, detail_mark = decode_marked(row.payload)
        read_set = getattr(row, "read_set_payload", None)
        if hasattr(row, "read_set_payload"):
            check(read_set_mark, read_set, "read set")
        if read_set is not None:
            evidence = replace(evidence, read_set=unpack(read_set))
        detail = getattr(row, "detail_payload", None)
        if hasattr(row, "detail_payload"):
            check(detail_mark, detail, "detail")
        if detail and isinstance(evidence.outcome, Built | Outgrown) and evidence.outcome.footprint is not None:
            footprint = decode_detail(evidence.outcome.footprint, detail)
            evidence = replace(evidence, outcome=replace(evidence.outcome, footprint=footprint))
        carried_to = getattr(row, "carried_to", None)
        if carried_to is None:
            return evidence
        if row.seal != seal_carried(carried_to, tree_id=evidence.tree_id, target=evidence.target, key=evidence.key):
            raise StoreError(
                f"the store is damaged: what it says was carried to tree {carried_to[:10]} does not belong there; "
                "restore it from a copy"
            )
        source = Carried(tree_id=evidence.tree_id, commit_id=evidence.commit_id)
        return replace(evidence, tree_id=carried_to, carried=source)

    return read


def _read_bar(row: Row[Any]) -> Bar:
    return Bar(
        target=row.target,
        key=row.key,
        tree_id=row.tree_id,
        commit_id=row.commit_id,
        barred_at=datetime.fromisoformat(row.barred_at),
        what=row.what,
    )


# Made once: to put a statement together for each result took as long as all else that keeping it takes.
_PUT_EVIDENCE = insert_or_replace(evidence_table, "tree_id", "target", "key").returning(evidence_table.c.id)
_PUT_FIGURES = insert_or_replace(figures_table, "evidence")
_PAST_LIMIT_OF = select(evidence_table.c.id).where(
    evidence_table.c.tree_id == bindparam("tree"),
    evidence_table.c.target == bindparam("name"),
    evidence_table.c.outcome == _PAST_LIMIT,
)


def keep_evidence(connection: Connection, evidence: Evidence) -> int:
    """
    Keep one built result inside a transaction, and give its number.

    One that ran past its time limit takes the place of nothing that is known, and is never carried from; any other
    result of the same tree ends it.
    """
    is_past_limit = isinstance(evidence.outcome, TimedOut)
    read_set = encode_read_set(evidence.read_set) if evidence.read_set is not None and not is_past_limit else None
    detail = encode_detail(evidence.footprint)
    values = make_record(evidence, read_set=read_set, detail=detail) | {
        "detail": keep_content(connection, detail_table, detail) if detail else None,
        "read_set": keep_content(connection, read_set_table, read_set) if read_set is not None else None,
    }
    found = int(connection.execute(_PUT_EVIDENCE, values).scalar_one())
    connection.execute(_PUT_FIGURES, make_figures(found, evidence))
    if not is_past_limit:
        past = connection.execute(_PAST_LIMIT_OF, {"tree": evidence.tree_id, "name": evidence.target})
        _drop_builds(connection, past.scalars().all())
    return found


def make_record(evidence: Evidence, *, read_set: bytes | None, detail: bytes) -> dict[str, Any]:
    """Give the row of `evidence` of one build, but for the numbers of its read set and detail, given as stored."""
    return {
        "target": evidence.target,
        "tree_id": evidence.tree_id,
        "key": f"{evidence.key}{PAST_LIMIT}" if isinstance(evidence.outcome, TimedOut) else evidence.key,
        "commit_id": evidence.commit_id,
        "outcome": name_outcome(evidence.outcome),
        "elapsed_s": evidence.elapsed_s,
        "payload": encode_evidence(evidence, read_set=read_set, detail=detail),
    }


def _drop_builds(connection: Connection, numbers: Sequence[int]) -> None:
    """Forget results; which sweeps have made them, and what these found, stays."""
    if not numbers:
        return
    for table in (carried_table, figures_table):
        connection.execute(delete(table).where(table.c.evidence.in_(numbers)))
    connection.execute(update(sweep_build_table).where(sweep_build_table.c.evidence.in_(numbers)).values(evidence=None))
    connection.execute(delete(evidence_table).where(evidence_table.c.id.in_(numbers)))


def _find_builds(connection: Connection, evidence: Sequence[Evidence]) -> dict[tuple[str, str, str], int]:
    """
    Find what was carried from; gives the number of each build by tree, target and key.

    One query for many targets: asking for each of 300 by itself took 60 ms, all of them Python's.
    """
    targets: dict[str, list[str]] = {}
    for entry in evidence:
        if entry.carried is not None:
            targets.setdefault(entry.carried.tree_id, []).append(entry.target)
    found: dict[tuple[str, str, str], int] = {}
    for tree_id, names in targets.items():
        for start in range(0, len(names), _NAMES_A_QUERY):
            query = select(evidence_table.c.target, evidence_table.c.key, evidence_table.c.id).where(
                evidence_table.c.tree_id == tree_id, evidence_table.c.target.in_(names[start : start + _NAMES_A_QUERY])
            )
            found |= {(tree_id, row.target, row.key): row.id for row in connection.execute(query)}
    return found


def keep_tree(connection: Connection, tree_id: str) -> int:
    """Give the number of a tree inside a transaction."""
    connection.execute(insert(tree_table).values(tree_id=tree_id).on_conflict_do_nothing())
    return int(connection.execute(select(tree_table.c.id).where(tree_table.c.tree_id == tree_id)).scalar_one())
