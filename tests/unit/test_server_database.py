"""
What a server database would be asked, in its own words: PostgreSQL's, by SQLAlchemy's dialect, without a server.

Source: PostgreSQL 16, 8.1 "Numeric Types": integer has 31 bits and a sign, bigint 63.
"""

from __future__ import annotations

import pytest
from sqlalchemy import Select, Table
from sqlalchemy.dialects import postgresql
from sqlalchemy.schema import CreateTable

from gatekeep.history.schema import metadata
from gatekeep.history.store import known_records, records

SERVER = postgresql.dialect()  # type: ignore[no-untyped-call]  # SQLAlchemy's own


@pytest.mark.parametrize("table", metadata.sorted_tables, ids=lambda table: table.name)
def test_tables_are_a_servers_too(table: Table) -> None:
    text = str(CreateTable(table).compile(dialect=SERVER))
    assert text.strip().startswith(f"CREATE TABLE {table.name} (")
    assert "sqlite" not in text.lower()


@pytest.mark.parametrize("column", ["carried.seal", "stamp.stamp", "mainline.committed_s"])
def test_numbers_of_more_than_31_bits_have_room(column: str) -> None:
    table, _, name = column.partition(".")
    assert metadata.tables[table].c[name].type.compile(dialect=SERVER) == "BIGINT"


@pytest.mark.parametrize("query", [records(whole=True), known_records(whole=False)], ids=["records", "known_records"])
def test_questions_for_results_are_a_servers_too(query: Select[tuple[object, ...]]) -> None:
    assert str(query.compile(dialect=SERVER)).startswith("SELECT evidence.payload")
