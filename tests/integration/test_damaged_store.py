"""A store whose file is damaged where nobody reads: real sweeps and pages say so, and what is there stays."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.integration.test_sweep import Kelp
from tests.unit.test_integrity import spoil


@pytest.fixture
def kelp(tmp_path: Path) -> Kelp:
    return Kelp(tmp_path)


def test_damage_where_nobody_reads_stops_a_night_and_a_site_before_anything_is_written(kelp: Kelp) -> None:
    assert kelp.sweep()[0] == 0
    old = kelp.folder / "old"
    assert kelp.run("health", "--out", str(old))[0] == 0
    kelp.append("lib/ring.c", b"/* a ring holds one less */\n", "ring: Say how many it holds")
    database, site = kelp.store / "evidence.db", kelp.folder / "site"
    written = {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in old.rglob("*") if path.is_file()}
    copy = Path(shutil.copy(database, kelp.folder / "copy.db"))
    spoil(database, "sqlite_autoindex_detail_1")
    damaged = database.read_bytes()
    # Who does not look for it does not meet it.
    assert kelp.run("history", "riscv/float")[0] == 0
    said = f"gatekeep: {database}: the store is damaged: "
    for command in (("sweep", "main"), *(("health", "--out", str(out)) for out in (site, old))):
        code, output, errors = kelp.run(*command)
        assert (code, output) == (3, ""), errors
        assert errors.startswith(said)
        assert "nothing was changed. Move the file and evidence.db-wal aside and put a copy in their place" in errors
    assert not site.exists()
    assert {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in old.rglob("*") if path.is_file()} == written
    assert database.read_bytes() == damaged
    assert not database.with_name("evidence.db-wal").exists()

    shutil.copy(copy, database)
    assert kelp.sweep()[0] == 0
    for out in (site, old):
        assert kelp.run("health", "--out", str(out))[0] == 0
