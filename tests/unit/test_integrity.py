"""A store that is damaged where nobody reads is found: when it was left open, each night and before each site."""

from __future__ import annotations

import fcntl
import os
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from gatekeep.errors import StoreError
from gatekeep.history.integrity import check_contents, check_structure
from gatekeep.history.store import SqliteStore
from gatekeep.model.evidence import Built, Footprint
from gatekeep.model.readset import ReadSet
from tests.unit.test_store import OUTCOMES, make_evidence

ROOT = Path(__file__).parents[2]
_COUNT = 60
_PAGE_BYTES = 4096


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Sixty results in more than sixty pages, closed."""
    path = tmp_path_factory.mktemp("filled") / "evidence.db"
    symbols = tuple((os.urandom(8).hex(), number) for number in range(800))
    footprint = Footprint(regions=(), sections=((".text", 7),), symbols=symbols)
    read_set = ReadSet(files=tuple(os.urandom(8).hex() for _ in range(800)), folders=(".",))
    with SqliteStore(path) as store:
        for number in range(_COUNT):
            outcome = Built(footprint=footprint, artifacts=()) if number % 7 == 0 else OUTCOMES[1]
            store.add(replace(make_evidence(outcome, f"riscv64/board-{number:02}"), read_set=read_set))
    return path


@pytest.fixture
def stored(tmp_path: Path, filled: Path) -> Path:
    return Path(shutil.copy(filled, tmp_path))


def find_root(path: Path, name: str) -> int:
    """Give where the first page of a table or index begins, without bringing a write-ahead log home."""
    connection = sqlite3.connect(f"file:{path}?immutable=1", uri=True)
    (root,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (name,)).fetchone()
    connection.close()
    return int((root - 1) * _PAGE_BYTES)


def spoil(path: Path, name: str) -> None:
    """Write into a table or index what is no page of one."""
    with path.open("r+b") as file:
        file.seek(find_root(path, name))
        file.write(b"\xff" * 64)


def swap_in_index(path: Path) -> None:
    """Let an index say another board for one row: every page is as SQLite writes pages, and what they say differs."""
    text = bytearray(path.read_bytes())
    root = find_root(path, "evidence_newest")
    place = text.index(b"riscv64/board-31", root, root + _PAGE_BYTES)
    text[place : place + 16] = b"riscv64/board-3!"
    path.write_bytes(text)


def spoil_payload(table: str) -> Callable[[Path], None]:
    """Give what changes the last byte of a record that is longer than a page: no page has less than it should."""

    def do(path: Path) -> None:
        connection = sqlite3.connect(path)
        (payload,) = connection.execute(f"SELECT payload FROM {table}").fetchone()
        connection.close()
        assert len(payload) > _PAGE_BYTES
        text = bytearray(path.read_bytes())
        text[text.index(payload[-32:]) + 31] ^= 1
        path.write_bytes(text)

    return do


def fails_with(check: Callable[[Path], None], path: Path) -> str:
    """Give what a check says, and see that it has written nothing."""
    before = {entry.name: entry.read_bytes() for entry in path.parent.iterdir() if not entry.name.endswith("-shm")}
    with pytest.raises(StoreError) as caught:
        check(path)
    after = {entry.name: entry.read_bytes() for entry in path.parent.iterdir() if not entry.name.endswith("-shm")}
    assert after.items() >= before.items()
    return str(caught.value)


def test_a_store_that_is_whole_passes_also_while_it_is_written(stored: Path) -> None:
    check_structure(stored)
    check_contents(stored)
    with SqliteStore(stored) as store:
        store.add(make_evidence(OUTCOMES[0]))
        with store.writing():
            check_structure(stored)
            check_contents(stored)


def test_no_store_is_no_damaged_store_and_is_not_made(tmp_path: Path) -> None:
    check_structure(tmp_path / "evidence.db")
    check_contents(tmp_path / "evidence.db")
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_none_of_ours_is_left_to_the_opening(tmp_path: Path) -> None:
    path = tmp_path / "evidence.db"
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE evidence (height REAL)")
    connection.close()
    check_contents(path)
    path.write_bytes(b"not a database at all, but of some length" * 30)
    for check in (check_structure, check_contents):
        assert "the store is damaged: file is not a database" in fails_with(check, path)


@pytest.mark.parametrize("name", ["figures", "stamp", "evidence_newest", "sqlite_autoindex_barred_1"])
def test_a_page_that_is_none_is_found_by_either_check(stored: Path, name: str) -> None:
    spoil(stored, name)
    for check in (check_structure, check_contents):
        said = fails_with(check, stored)
        assert said.startswith(f"{stored}: the store is damaged: ")
        assert "; nothing was changed. Move the file and evidence.db-wal aside" in said


@pytest.mark.parametrize(
    ("damage", "wanted"),
    [
        (swap_in_index, "row 32 missing from index evidence_newest"),
        (spoil_payload("detail"), "the digest of detail 1 does not fit"),
        (spoil_payload("read_set"), "the digest of read set 1 does not fit"),
    ],
)
def test_what_pages_say_is_held_against_indexes_and_digests(
    stored: Path, damage: Callable[[Path], None], wanted: str
) -> None:
    damage(stored)
    check_structure(stored)
    assert wanted in fails_with(check_contents, stored)


def test_a_result_whose_bytes_differ_is_named(stored: Path) -> None:
    with sqlite3.connect(stored) as connection:
        connection.execute("UPDATE evidence SET payload = substr(payload, 1, 40) || x'00' || substr(payload, 42)")
    connection.close()
    assert "the digest of evidence 1 does not fit" in fails_with(check_contents, stored)


def test_a_file_that_is_cut_is_damaged(stored: Path) -> None:
    os.truncate(stored, stored.stat().st_size - 3 * 4096)
    assert "the store is damaged" in fails_with(check_structure, stored)


_HOLD = """
import os, sys
from pathlib import Path
from gatekeep.history.store import SqliteStore
from tests.unit.test_store import OUTCOMES, make_evidence
store = SqliteStore(Path(sys.argv[1]))
store.add(make_evidence(OUTCOMES[0], "arm/last"))
print("told", flush=True)
sys.stdin.read()
"""


def begin_holding(path: Path) -> subprocess.Popen[str]:
    """Start a process that has the store open and has written to it."""
    child = subprocess.Popen(
        [sys.executable, "-c", _HOLD, str(path)],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert child.stdout is not None
    assert child.stdout.readline() == "told\n"
    return child


def kill(child: subprocess.Popen[str]) -> None:
    child.send_signal(signal.SIGKILL)
    child.communicate()


def open_store(path: Path) -> None:
    SqliteStore(path).close()


@pytest.mark.parametrize("lost", [(), ("-shm",)], ids=["killed", "cut off"])
def test_a_store_that_was_left_open_is_looked_at_before_it_is_used(stored: Path, lost: tuple[str, ...]) -> None:
    kill(begin_holding(stored))
    for suffix in lost:  # In memory until then, on most file systems.
        stored.with_name(f"evidence.db{suffix}").unlink()
    copy = stored.parent.parent / "whole"
    copy.mkdir(exist_ok=True)
    for suffix in ("", "-wal"):
        (copy / f"evidence.db{suffix}").write_bytes(stored.with_name(f"evidence.db{suffix}").read_bytes())
    spoil(stored, "sqlite_autoindex_barred_1")
    wal = stored.with_name("evidence.db-wal").read_bytes()
    assert "the store is damaged" in fails_with(open_store, stored)
    # And again: nobody has taken it for looked at, and what the dead process wrote last is still there.
    assert "the store is damaged" in fails_with(open_store, stored)
    assert stored.with_name("evidence.db-wal").read_bytes() == wal
    # The same without the damage: all that was told is there.
    with SqliteStore(copy / "evidence.db") as store:
        assert len(store.list_evidence(["1" * 40])) == _COUNT + 1
    assert not (copy / "evidence.db-wal").exists()


def test_a_store_that_others_have_open_was_not_left_open(stored: Path) -> None:
    child = begin_holding(stored)
    spoil(stored, "sqlite_autoindex_barred_1")
    # Who has it open has looked, when it was opened; a whole look for each gate beside a sweep would cost them half a
    # second. The next that is alone finds it.
    SqliteStore(stored).close()
    kill(child)
    with pytest.raises(StoreError, match="the store is damaged"):
        SqliteStore(stored)


def test_who_comes_while_a_store_is_looked_at_waits_for_that(stored: Path) -> None:
    with stored.with_name("evidence.db.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        child = subprocess.Popen([sys.executable, "-c", _HOLD, str(stored)], cwd=ROOT, stdin=subprocess.PIPE)
        wait_until_blocked(child, lock.fileno())
        assert not stored.with_name("evidence.db-wal").exists()
        fcntl.flock(lock, fcntl.LOCK_UN)
    child.communicate(b"")
    assert child.returncode == 0


def wait_until_blocked(child: subprocess.Popen[bytes], descriptor: int) -> None:
    """Wait until the kernel lists the child as waiting for a lock of the file (proc(5), /proc/locks: "->")."""
    inode = os.fstat(descriptor).st_ino
    waits = re.compile(rf"-> FLOCK +ADVISORY +READ +{child.pid} \S+:{inode} ")
    while child.poll() is None and not waits.search(Path("/proc/locks").read_text()):
        os.sched_yield()
