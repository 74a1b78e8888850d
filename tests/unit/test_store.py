"""The store keeps every field, notices damage, and is never replaced by an empty one."""

from __future__ import annotations

import hashlib
import json
import sqlite3
import subprocess
import sys
import zlib
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from gatekeep.errors import StoreError
from gatekeep.history.codec import decode_detail, decode_evidence, encode_detail, encode_evidence
from gatekeep.history.sink import is_final, is_kept, is_reusable
from gatekeep.history.store import SqliteStore
from gatekeep.model.audit import Bar
from gatekeep.model.evidence import (
    Artifact,
    Broken,
    Built,
    Diagnostic,
    Evidence,
    Footprint,
    NotDecided,
    Outcome,
    Outgrown,
    Overflow,
    RegionUse,
    Severity,
    Speaker,
    TimedOut,
    Try,
)
from gatekeep.model.readset import Carried, ReadSet

WARNING = Diagnostic(
    severity=Severity.WARNING,
    speaker=Speaker.COMPILER,
    message="unused variable 'i' \udcff\x1b[31m",
    path="drivers/uart.c",
    line=41,
    column=7,
    option="unused-variable",
    excerpt="int i;",
)
FOOTPRINT = Footprint(
    regions=(RegionUse(name="main", used_bytes=10, capacity_bytes=20, reserve_bytes=1),),
    sections=((".text", 7), (".data", 3)),
    symbols=(("start", 4),),
)
OUTCOMES: tuple[Outcome, ...] = (
    Built(footprint=FOOTPRINT, artifacts=(Artifact(kind="elf", name="vale.elf", size_bytes=99, sha256="ab"),)),
    Broken(message="make ended with exit code 2", first_error=WARNING, excerpt=("a", "b")),
    Broken(message="make ended with exit code 2", first_error=None),
    Outgrown(overflows=(Overflow(region="FLASH", over_bytes=None),), footprint=None, message="ld.lld", excerpt=("x",)),
    Outgrown(overflows=(Overflow(region="main", over_bytes=5),), footprint=FOOTPRINT, message="measured"),
    TimedOut(limit_s=1.5, stopped_by="SIGKILL", excerpt=("last words",)),
    NotDecided(message="the disk is full", hint="free it"),
)


def make_evidence(outcome: Outcome, target: str = "riscv64/vale") -> Evidence:
    return Evidence(
        target=target,
        tree_id="1" * 40,
        commit_id="2" * 40,
        key="3" * 64,
        toolchain_version="0.17.1",
        outcome=outcome,
        diagnostics=(WARNING,),
        elapsed_s=0.25,
        started_at=datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC),
        log_path="logs/x.log",
        log_cut=True,
        touched=("Makefile", "a\udcff"),
    )


@pytest.mark.parametrize("outcome", OUTCOMES, ids=lambda outcome: type(outcome).__name__)
def test_codec_gives_back_every_field(outcome: Outcome) -> None:
    evidence = make_evidence(outcome)
    found = decode_evidence(encode_evidence(evidence))
    if evidence.footprint is not None:
        assert found.footprint is not None
        whole = decode_detail(found.footprint, encode_detail(evidence.footprint))
        assert isinstance(found.outcome, Built | Outgrown)
        found = replace(found, outcome=replace(found.outcome, footprint=whole))
    assert found == evidence


def test_codec_notices_every_flipped_byte_and_every_cut() -> None:
    payload = encode_evidence(make_evidence(OUTCOMES[0]))
    for index in range(len(payload)):
        damaged = payload[:index] + bytes([payload[index] ^ 0x40]) + payload[index + 1 :]
        with pytest.raises(StoreError):
            decode_evidence(damaged)
        with pytest.raises(StoreError):
            decode_evidence(payload[:index])


def test_only_what_says_something_about_the_target_is_reused() -> None:
    assert [is_reusable(make_evidence(outcome)) for outcome in OUTCOMES] == [True] * 5 + [False] * 2
    contradicted = NotDecided(message="two builds", tries=(Try(outcome="built"), Try(outcome="broken")))
    shown = [*OUTCOMES, contradicted]
    assert [is_final(make_evidence(outcome)) for outcome in shown] == [True] * 5 + [False, False, True]
    assert [is_kept(make_evidence(outcome)) for outcome in shown] == [True] * 6 + [False, True]


def test_codec_keeps_how_long_a_boot_took_and_reads_what_was_stored_before_boots() -> None:
    """Equality passes over it: how long a boot took says nothing about the build."""
    booted = Built(footprint=FOOTPRINT, artifacts=(), booted_s=0.25)
    found = decode_evidence(encode_evidence(make_evidence(booted))).outcome
    assert isinstance(found, Built)
    assert found.booted_s == 0.25
    document = json.loads(zlib.decompress(encode_evidence(make_evidence(OUTCOMES[0]))[32:]))
    del document["outcome"]["booted_s"]
    body = zlib.compress(json.dumps(document).encode())
    old = decode_evidence(hashlib.sha256(body).digest() + body).outcome
    assert isinstance(old, Built)
    assert old.booted_s is None


def test_store_gives_back_what_was_added_after_reopening(tmp_path: Path) -> None:
    path = tmp_path / "new" / "evidence.db"
    evidence = make_evidence(OUTCOMES[0])
    with SqliteStore(path) as store:
        store.add(evidence)
        store.add(replace(evidence, target="arm/mere", tree_id="9" * 40, elapsed_s=2.0))
    with SqliteStore(path) as store:
        assert store.list_evidence(["1" * 40, "1" * 40], whole=True) == (evidence,)
        assert store.load_durations() == {"riscv64/vale": 0.25, "arm/mere": 2.0}


def test_read_sets_come_back_and_equal_ones_are_kept_once(tmp_path: Path) -> None:
    read_set = ReadSet(files=("Makefile", "a \udcff\n.h"), folders=(".", "boards"))
    evidence = replace(make_evidence(OUTCOMES[1]), read_set=read_set)
    path = tmp_path / "evidence.db"
    with SqliteStore(path) as store:
        store.add(evidence)
        store.add(replace(evidence, target="arm/mere"))
        assert [entry.read_set for entry in store.list_evidence(["1" * 40])] == [read_set, read_set]
        assert len(store.list_newest()) == 2
    assert sqlite3.connect(path).execute("SELECT count(*) FROM read_set").fetchone() == (1,)


def test_carried_results_are_found_at_their_own_tree_and_say_where_they_are_from(tmp_path: Path) -> None:
    evidence = replace(make_evidence(OUTCOMES[1]), read_set=ReadSet(files=(), folders=()))
    source = Carried(tree_id=evidence.tree_id, commit_id=evidence.commit_id)
    carried = replace(evidence, tree_id="7" * 40, commit_id="8" * 40, carried=source)
    with SqliteStore(tmp_path / "evidence.db") as store:
        store.add(evidence)
        store.add_carried([carried, carried])
        assert store.list_evidence(["7" * 40]) == (replace(carried, commit_id=evidence.commit_id),)
        assert store.list_evidence(["1" * 40]) == (evidence,)
        nowhere = replace(carried, carried=Carried(tree_id="5" * 40, commit_id="5" * 40))
        with pytest.raises(StoreError, match="the build of riscv64/vale that was carried from is not there"):
            store.add_carried([nowhere])


def test_a_newer_result_takes_the_place_of_the_old(tmp_path: Path) -> None:
    with SqliteStore(tmp_path / "evidence.db") as store:
        store.add(make_evidence(OUTCOMES[0]))
        newer = replace(make_evidence(OUTCOMES[1]), elapsed_s=7.0)
        store.add(newer)
        assert store.list_evidence(["1" * 40]) == (newer,)
        assert store.load_durations() == {"riscv64/vale": 7.0}


def test_a_file_that_is_no_database_is_an_error_and_stays(tmp_path: Path) -> None:
    path = tmp_path / "evidence.db"
    path.write_bytes(b"not a database at all, but of some length" * 30)
    before = path.read_bytes()
    with pytest.raises(StoreError, match="cannot be opened: file is not a database"):
        SqliteStore(path)
    assert path.read_bytes() == before


def test_somebody_elses_database_is_an_error(tmp_path: Path) -> None:
    path = tmp_path / "evidence.db"
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE tides (height REAL)")
    connection.close()
    with pytest.raises(StoreError, match="is a database, but not gatekeep's"):
        SqliteStore(path)


def test_a_store_of_a_newer_version_is_an_error(tmp_path: Path) -> None:
    path = tmp_path / "evidence.db"
    SqliteStore(path).close()
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    with pytest.raises(StoreError, match="written by a newer gatekeep"):
        SqliteStore(path)


def test_four_processes_open_and_fill_one_new_store(tmp_path: Path) -> None:
    path = tmp_path / "evidence.db"
    program = (
        "import sys; from pathlib import Path; from dataclasses import replace\n"
        "from gatekeep.history.store import SqliteStore\n"
        "from tests.unit.test_store import make_evidence, OUTCOMES\n"
        "with SqliteStore(Path(sys.argv[1])) as store:\n"
        "    for n in range(20): store.add(make_evidence(OUTCOMES[0], f'arm/b{sys.argv[2]}-{n}'))\n"
    )
    children = [subprocess.Popen([sys.executable, "-c", program, str(path), str(number)]) for number in range(4)]
    assert [child.wait(timeout=60) for child in children] == [0] * 4
    with SqliteStore(path) as store:
        assert len(store.list_evidence(["1" * 40])) == 80


def make_carried(evidence: Evidence, tree_id: str) -> Evidence:
    return replace(evidence, tree_id=tree_id, carried=Carried(tree_id=evidence.tree_id, commit_id=evidence.commit_id))


def test_what_was_built_goes_before_what_was_carried_to_the_same_tree(tmp_path: Path) -> None:
    origin = replace(make_evidence(OUTCOMES[0]), read_set=ReadSet(files=("Makefile",), folders=()))
    carried = make_carried(origin, "7" * 40)
    built = replace(make_evidence(OUTCOMES[1]), tree_id="7" * 40, read_set=origin.read_set)
    with SqliteStore(tmp_path / "evidence.db") as store:
        store.add(origin)
        store.add_carried([carried])
        assert store.load_carried("7" * 40, origin.target, origin.key) == carried
        store.add(built)
        assert store.list_evidence(["7" * 40]) == (built,)
        # The audit still sees what was carried, with sections and symbols.
        assert store.load_carried("7" * 40, origin.target, origin.key) == carried
        assert store.load_carried("7" * 40, origin.target, "another key") is None


def test_bars_are_kept_listed_and_cleared_with_all_that_was_carried(tmp_path: Path) -> None:
    origin = replace(make_evidence(OUTCOMES[1]), read_set=ReadSet(files=(), folders=()))
    other = replace(origin, target="arm/mere")
    bar = Bar(
        target=origin.target,
        key=origin.key,
        tree_id="7" * 40,
        commit_id="8" * 40,
        barred_at=datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC),
        what="out/vale.elf \udcff\x1b[31m",
    )
    path = tmp_path / "evidence.db"
    with SqliteStore(path) as store:
        for evidence in (origin, other):
            store.add(evidence)
            store.add_carried([make_carried(evidence, "7" * 40)])
        store.bar(bar)
        store.bar(bar)
    kept = replace(bar, what="out/vale.elf \\udcff\x1b[31m")
    with SqliteStore(path) as store:
        assert store.list_barred() == (kept,)
        assert store.clear_bar("arm/mere") == ()
        assert store.clear_bar(origin.target) == (kept,)
        assert store.list_barred() == store.clear_bar(origin.target) == ()
        # Some of what was carried is wrong, and nobody knows which; what was built is not.
        assert [entry.target for entry in store.list_evidence(["7" * 40])] == ["arm/mere"]
        assert len(store.list_evidence(["1" * 40])) == 2
