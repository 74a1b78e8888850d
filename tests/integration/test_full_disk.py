"""
A full disk, on a small file system of the test's own: nothing is half, what was told is there, the next run works.

The file system is a tmpfs with a size (Linux kernel, Documentation/filesystems/tmpfs.rst): beyond it a write fails with
ENOSPC, as on a disk.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from gatekeep.errors import StoreError
from gatekeep.history.kept_logs import LogRule, read_log, tidy_logs
from gatekeep.history.log_lock import using_logs
from gatekeep.history.store import SqliteStore
from gatekeep.history.sweeps import begin_sweep
from gatekeep.model.evidence import Evidence
from gatekeep.model.health import Health
from gatekeep.report.site.files import iter_files
from gatekeep.report.site.write import write_site
from tests.cases import broken
from tests.site_cases import image, make_health, make_line
from tests.small_disk import fill, mount_small_disk

_SIZE = 1024**2
LINE = make_line(2000)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    with mount_small_disk(tmp_path / "small", size_bytes=_SIZE) as place:
        yield place


def usual(*, is_broken: bool) -> Health:
    tail = [(4, 5, broken())] if is_broken else [(4, 5, image(600))]
    return make_health({"arm/mere": [(0, 5, image())], "loongarch64/ness": [(0, 3, image()), *tail]})


def expected(health: Health) -> dict[str, bytes]:
    return {file.path: file.render().encode() for file in iter_files(health)}


def read_site(out: Path) -> dict[str, bytes]:
    return {
        path.relative_to(out).as_posix(): path.read_bytes()
        for path in out.rglob("*")
        if path.is_file() and not path.name.startswith(".")
    }


@pytest.mark.parametrize("leave_kib", [0, 4, 8])
def test_a_disk_that_fills_during_a_render_leaves_every_page_whole(small_disk: Path, leave_kib: int) -> None:
    out = small_disk / "site"
    write_site(usual(is_broken=False), out)
    old, new = expected(usual(is_broken=False)), expected(usual(is_broken=True))
    ballast = fill(small_disk, leave_bytes=leave_kib * 1024)
    with pytest.raises(StoreError) as caught:
        write_site(usual(is_broken=True), out)
    assert "the health site cannot be written: No space left on device; free the disk" in str(caught.value)
    found = read_site(out)
    assert found.keys() >= old.keys()
    for path, content in found.items():
        assert content in (old.get(path), new.get(path)), path
    assert list(out.rglob(".part-*")) == []
    ballast.unlink()
    write_site(usual(is_broken=True), out)
    assert read_site(out) == new


def evidence(number: int) -> Evidence:
    commit = LINE[number]
    return Evidence(
        target="arm/mere",
        tree_id=commit.tree_id,
        commit_id=commit.commit_id,
        key="k",
        toolchain_version="1",
        outcome=image(500 + number),
    )


def add_until_it_fails(store: SqliteStore, told: list[Evidence]) -> None:
    for number in range(len(LINE)):
        store.add(evidence(number))
        told.append(evidence(number))


def test_a_disk_that_fills_during_store_writes_loses_nothing_that_was_told(small_disk: Path) -> None:
    path = small_disk / "evidence.db"
    told: list[Evidence] = []
    with SqliteStore(path) as store:
        ballast = fill(small_disk, leave_bytes=96 * 1024)
        with pytest.raises(StoreError, match=r"the store cannot be written: .*full.*; free the disk"):
            add_until_it_fails(store, told)
    assert told
    ballast.unlink()
    with SqliteStore(path) as store:
        assert set(store.list_evidence((entry.tree_id for entry in told), whole=True)) == set(told)
        # The one that failed was not told, and can be written now.
        store.add(evidence(len(told)))
        assert store.list_evidence([evidence(len(told)).tree_id], whole=True) == (evidence(len(told)),)


def test_a_store_on_a_full_disk_is_an_error_and_the_next_run_works(small_disk: Path) -> None:
    ballast = fill(small_disk, leave_bytes=0)
    with pytest.raises(StoreError, match="free the disk"):
        SqliteStore(small_disk / "evidence.db")
    ballast.unlink()
    with SqliteStore(small_disk / "evidence.db") as store:
        store.add(evidence(0))


def test_a_store_that_cannot_be_written_is_an_error_with_a_way_out(tmp_path: Path) -> None:
    (tmp_path / "logs.lock").mkdir()
    with (
        pytest.raises(StoreError, match=r"the store cannot be written: Is a directory; .* name another with --store"),
        using_logs(tmp_path),
    ):
        pass


def test_a_disk_that_fills_while_logs_are_compressed_loses_none(small_disk: Path) -> None:
    log = small_disk / "logs" / "0" / "arm.mere-1.log"
    log.parent.mkdir(parents=True)
    text = os.urandom(100_000)
    log.write_bytes(text)
    os.utime(log, (0, 0))
    rule, now = LogRule(keep_days=100_000), datetime(2026, 11, 1, tzinfo=UTC)
    with SqliteStore(small_disk / "evidence.db") as store:
        for days in (14, 7):
            begin_sweep(store, make_line(1)[0], now - timedelta(days=days))
    ballast = fill(small_disk, leave_bytes=50_000)
    with pytest.raises(StoreError, match="logs cannot be tidied: No space left on device; free the disk, none is lost"):
        tidy_logs(small_disk, rule, now)
    assert log.read_bytes() == text
    ballast.unlink()
    assert tidy_logs(small_disk, rule, now) is not None
    assert read_log(small_disk, "logs/0/arm.mere-1.log") == text
    assert not log.exists()


_RENDER = """
import sys
from pathlib import Path
from gatekeep.report.site.notes import PageNotes
from gatekeep.report.site.write import renew_site
from tests.integration.test_full_disk import wide
print("begun", flush=True)
renew_site(wide(int(sys.argv[2])), Path(sys.argv[1]), "", PageNotes(), workers=2)
"""


def wide(size: int) -> Health:
    """A site of some hundred files, every page of which says the size: enough for two processes."""
    line = make_line(230)
    return make_health(
        {
            f"arm/board-{number}": [(at, at, image(size + number + at)) for at in range(len(line))]
            for number in range(4)
        },
        commits=tuple(replace(commit, subject=f"Of size {size}") for commit in line),
    )


def render(out: Path, size: int) -> subprocess.Popen[str]:
    root = Path(__file__).parents[2]
    return subprocess.Popen(
        [sys.executable, "-c", _RENDER, str(out), str(size)],
        cwd=root,
        env={**os.environ, "PYTHONPATH": str(root)},
        stdout=subprocess.PIPE,
        text=True,
    )


def test_two_renders_at_once_write_one_after_the_other(tmp_path: Path) -> None:
    out = tmp_path / "site"
    with render(out, 300) as first, render(out, 500) as second:
        assert (first.wait(), second.wait()) == (0, 0)
    assert read_site(out) in (expected(wide(300)), expected(wide(500)))
    assert list(out.rglob(".part-*")) == []


@pytest.mark.parametrize("file_count", [0, 40, 120])
def test_a_render_that_is_killed_leaves_whole_pages_and_the_next_run_works(tmp_path: Path, file_count: int) -> None:
    out = tmp_path / "site"
    write_site(wide(300), out)
    old, new = expected(wide(300)), expected(wide(500))
    begun = out.stat().st_mtime_ns
    with render(out, 500) as child:
        # Killed when so many pages are new: whenever that is, the test holds.
        limit = time.monotonic() + 60
        while time.monotonic() < limit and child.poll() is None:
            if sum(path.stat().st_mtime_ns > begun for path in out.glob("commits/*.html")) >= file_count:
                break
        child.send_signal(signal.SIGKILL)
    found = read_site(out)
    assert found.keys() == old.keys()
    for path, content in found.items():
        assert content in (old[path], new[path]), path
    write_site(wide(500), out)
    assert read_site(out) == new
    assert list(out.rglob(".part-*")) == []
