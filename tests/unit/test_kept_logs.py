"""Logs stay readable, are kept once a content, and go by the rule."""

from __future__ import annotations

import hashlib
import os
import subprocess
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from gatekeep.errors import StoreError
from gatekeep.history.kept_logs import LogRule, Tidied, find_digest, find_log, read_log, tidy_logs
from gatekeep.history.log_lock import using_logs
from gatekeep.history.store import SqliteStore
from gatekeep.history.sweeps import begin_sweep
from gatekeep.history.timeline import record_mainline
from gatekeep.model.evidence import Evidence, Outcome, log_file_name
from tests.cases import broken
from tests.site_cases import image, make_line

NOW = datetime(2026, 11, 1, tzinfo=UTC)
#: As git's names are, unlike from the first digit on.
MAIN = tuple(
    replace(commit, tree_id=hashlib.sha1(commit.tree_id.encode(), usedforsecurity=False).hexdigest())
    for commit in make_line(400)
)
TEXT = b"cc drivers/uart.c\ndrivers/uart.c:41:7: error: \xff a pointer is cut\n"
DIGEST = hashlib.sha256(TEXT).hexdigest()


class Logs:
    """A store's folder with builds, each with its log, and a sweep a week up to some days ago."""

    def __init__(self, folder: Path, *, swept_until: int = 0) -> None:
        self.folder = folder
        with SqliteStore(folder / "evidence.db") as store:
            record_mainline(store, MAIN)
            for days in range(399, swept_until - 1, -7):
                begin_sweep(store, MAIN[0], NOW - timedelta(days=days))

    def add(
        self,
        *,
        days: int,
        outcome: Outcome | None = None,
        target: str = "arm/mere",
        text: bytes = TEXT,
        tree_id: str | None = None,
    ) -> str:
        """Add a build so many days ago; give the path of its log."""
        tree_id = tree_id or MAIN[-1 - days].tree_id[::-1]
        path = f"logs/{log_file_name(tree_id, target, 'k' * 64)}"
        (self.folder / path).parent.mkdir(parents=True, exist_ok=True)
        (self.folder / path).write_bytes(text)
        moment = (NOW - timedelta(days=days)).timestamp()
        os.utime(self.folder / path, (moment, moment))
        with SqliteStore(self.folder / "evidence.db") as store:
            store.add(
                Evidence(
                    target=target,
                    tree_id=tree_id,
                    commit_id="0" * 40,
                    key="k" * 64,
                    toolchain_version="1",
                    outcome=outcome or image(),
                    log_path=path,
                    log_sha256=hashlib.sha256(text).hexdigest(),
                )
            )
        return path

    def tidy(self, rule: LogRule | None = None) -> Tidied:
        done = tidy_logs(self.folder, rule or LogRule(), NOW)
        assert done is not None
        return done

    def has(self, path: str) -> bool:
        return read_log(self.folder, path) is not None


@pytest.fixture
def logs(tmp_path: Path) -> Logs:
    return Logs(tmp_path)


def test_a_log_is_plain_for_two_weeks_then_compressed_and_zcat_reads_it(logs: Logs):
    young, old = logs.add(days=14), logs.add(days=15)
    assert logs.tidy().packed == 1
    assert (logs.folder / young).read_bytes() == TEXT
    assert not (logs.folder / old).exists()
    assert read_log(logs.folder, old) == TEXT
    assert read_log(logs.folder, old, most_bytes=5) == TEXT[:5]
    # The independent reader: GNU gzip.
    shown = subprocess.run(["zcat", str(logs.folder / f"{old}.gz")], check=True, capture_output=True).stdout
    assert shown == TEXT
    assert logs.tidy().packed == 0


def test_equal_contents_are_on_the_disk_once(logs: Logs):
    paths = [logs.add(days=20 + number, text=os.urandom(1) * 3 if number == 3 else TEXT) for number in range(4)]
    logs.tidy()
    inodes = {(logs.folder / f"{path}.gz").stat().st_ino for path in paths}
    assert len(inodes) == 2
    assert len(list(logs.folder.glob("logs/content/*/*.gz"))) == 2


def test_old_logs_go_red_ones_of_main_four_times_as_late(logs: Logs):
    on_main = [
        logs.add(days=days, outcome=broken(), target=f"arm/mere/at-{days}", tree_id=MAIN[-1 - days].tree_id)
        for days in (91, 359, 361)
    ]
    aside = [logs.add(days=days, outcome=broken()) for days in (89, 91)]
    warned = [logs.add(days=days, tree_id=MAIN[-1 - days].tree_id) for days in (88, 92)]
    # A newer result of each target, so that none is the last word.
    for target in ("arm/mere", "arm/mere/at-91", "arm/mere/at-359", "arm/mere/at-361"):
        logs.add(days=2, target=target, tree_id=MAIN[-1].tree_id)
    assert logs.tidy().removed == 3
    assert [logs.has(path) for path in (*on_main, *aside, *warned)] == [True, True, False, True, False, True, False]


def test_the_log_of_a_newest_result_is_never_removed(logs: Logs):
    shown = logs.add(days=390, outcome=broken(), tree_id=MAIN[-1].tree_id)
    # Of a change, newer than what main has: both are somebody's last word.
    newest = logs.add(days=380, outcome=broken())
    other = logs.add(days=390, outcome=broken(), target="arm/holm")
    logs.tidy(LogRule(plain_days=1, keep_days=1, most_bytes=0))
    assert [logs.has(path) for path in (shown, newest, other)] == [True, True, True]


def test_above_the_size_the_oldest_go_first_and_red_ones_of_main_last(logs: Logs):
    red = logs.add(days=80, outcome=broken(), tree_id=MAIN[-81].tree_id, text=os.urandom(1000))
    old, new = (logs.add(days=days, text=os.urandom(1000)) for days in (70, 60))
    fresh = logs.add(days=0, text=os.urandom(5000))
    logs.add(days=1, text=b"", tree_id=MAIN[-1].tree_id)
    logs.tidy(LogRule(most_bytes=7200))
    assert [logs.has(path) for path in (red, old, new, fresh)] == [True, False, True, True]
    logs.tidy(LogRule(most_bytes=100))
    assert [logs.has(path) for path in (red, old, new, fresh)] == [False, False, False, True]
    assert list(logs.folder.glob("logs/content/*/*.gz")) == []


def test_a_clock_that_jumps_ahead_by_years_takes_no_log_with_it(tmp_path: Path):
    logs = Logs(tmp_path)
    young, old = logs.add(days=80), logs.add(days=92)
    logs.add(days=0, tree_id=MAIN[-1].tree_id)
    for days_ahead in (3000, 3001):
        with SqliteStore(tmp_path / "evidence.db") as store:
            ahead = NOW + timedelta(days=days_ahead)
            begin_sweep(store, MAIN[0], ahead)
        tidy_logs(tmp_path, LogRule(), ahead)
        assert [logs.has(path) for path in (young, old)] == [True, False]
    # Set right again, what was seen in the years to come counts for nothing.
    logs.tidy()
    assert logs.has(young)


def test_where_nobody_swept_for_long_a_week_has_passed(tmp_path: Path):
    logs = Logs(tmp_path, swept_until=60)
    kept, gone = logs.add(days=139), logs.add(days=150)
    logs.add(days=0, tree_id=MAIN[-1].tree_id)
    logs.tidy()
    assert [logs.has(path) for path in (kept, gone)] == [True, False]


def test_a_log_from_before_the_clock_was_set_back_is_dated_now(logs: Logs):
    path = logs.add(days=-1000, tree_id=MAIN[7].tree_id)
    logs.add(days=0, tree_id=MAIN[-1].tree_id)
    logs.tidy()
    assert (logs.folder / path).stat().st_mtime == NOW.timestamp()
    with SqliteStore(logs.folder / "evidence.db") as store:
        for days in range(0, 98, 7):
            begin_sweep(store, MAIN[0], NOW + timedelta(days=days))
    tidy_logs(logs.folder, LogRule(), NOW + timedelta(days=91))
    assert not logs.has(path)


def test_a_log_that_the_store_does_not_know_of_is_kept_as_others_are(logs: Logs):
    path = logs.folder / "logs" / "0" / "arm.mere-1.log"
    path.parent.mkdir(parents=True)
    path.write_bytes(TEXT)
    os.utime(path, (NOW.timestamp() - 89 * 86400,) * 2)
    logs.tidy()
    assert read_log(logs.folder, "logs/0/arm.mere-1.log") == TEXT


def test_nothing_is_tidied_while_another_process_uses_the_store(logs: Logs):
    path = logs.add(days=100)
    with using_logs(logs.folder):
        assert tidy_logs(logs.folder, LogRule(), NOW) is None
    assert (logs.folder / path).exists()


def test_a_build_that_was_built_again_has_its_new_log(logs: Logs):
    path = logs.add(days=20)
    logs.tidy()
    (logs.folder / path).write_bytes(b"again\n")
    assert read_log(logs.folder, path) == b"again\n"
    moment = (NOW - timedelta(days=15)).timestamp()
    os.utime(logs.folder / path, (moment, moment))
    logs.tidy()
    assert read_log(logs.folder, path) == b"again\n"
    assert not (logs.folder / path).exists()


def test_a_damaged_log_is_an_error_and_never_a_shorter_log(logs: Logs):
    path = logs.add(days=20, text=os.urandom(200))
    logs.tidy()
    packed = logs.folder / f"{path}.gz"
    whole = packed.read_bytes()
    for place in range(10, len(whole)):
        packed.write_bytes(bytes([*whole[:place], whole[place] ^ 1, *whole[place + 1 :]]))
        with pytest.raises(StoreError, match="the stored log is damaged"):
            read_log(logs.folder, path)
    for length in range(1, len(whole)):
        packed.write_bytes(whole[:length])
        with pytest.raises(StoreError, match="the stored log is damaged"):
            read_log(logs.folder, path)


def test_a_damaged_content_takes_in_no_further_log(logs: Logs):
    first = logs.add(days=20)
    logs.tidy()
    packed = logs.folder / f"{first}.gz"
    packed.write_bytes(packed.read_bytes()[:-1])
    second = logs.add(days=21)
    logs.tidy()
    assert read_log(logs.folder, second) == TEXT


def test_the_newest_log_of_a_target_is_found(logs: Logs):
    tree_id = MAIN[3].tree_id
    old, new = logs.add(days=20, tree_id=tree_id), logs.add(days=10)
    with SqliteStore(logs.folder / "evidence.db") as store:
        assert find_log(store, "arm/mere") == (new, DIGEST)
        assert find_log(store, "arm/mere", tree_id) == (old, DIGEST)
        assert find_log(store, "arm/holm") is None


@pytest.mark.parametrize("days", [1, 20], ids=["plain", "compressed"])
def test_a_log_that_was_changed_is_told_whatever_was_changed(tmp_path: Path, days: int) -> None:
    """Source: FIPS 180-4, whose SHA-256 is asked of hashlib, not of us."""
    logs = Logs(tmp_path)
    path = logs.add(days=days)
    logs.tidy()
    place = next(place for place in (tmp_path / path, tmp_path / f"{path}.gz") if place.exists())
    whole = place.read_bytes()
    with SqliteStore(tmp_path / "evidence.db") as store:
        digest = find_digest(store, path)
        assert find_digest(store, path.replace("mere", "holm")) is None
        assert find_digest(store, "logs/%/x.log") is None
    assert digest == DIGEST
    assert read_log(tmp_path, path, sha256=digest) == TEXT
    for changed in (whole[:-1], whole + b"x", b"", *(_flip(whole, at) for at in range(10, len(whole), 7))):
        place.write_bytes(changed)
        with pytest.raises(
            StoreError, match=r"(not the log that its result was stored with|the stored log is damaged)"
        ):
            read_log(tmp_path, path, sha256=digest, most_bytes=4)
    # Nothing is known of what an earlier gatekeep has stored.
    if days == 1:
        assert read_log(tmp_path, path) is not None


def _flip(data: bytes, at: int) -> bytes:
    return data[:at] + bytes((data[at] ^ 1,)) + data[at + 1 :]
