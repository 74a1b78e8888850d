"""What a pre-receive hook is told, line by line, and progress for those who see it behind `remote:`."""

from __future__ import annotations

import io

import pytest

from gatekeep.model.evidence import TimedOut
from gatekeep.model.push import RefUpdate, UpdateKind, parse_updates
from gatekeep.report.paced_progress import PacedProgress
from tests.judgements import make_evidence, make_job

ZEROS, ONE, TWO = "0" * 40, "1" * 40, "2" * 40


def test_lines_are_updates_of_three_kinds() -> None:
    text = f"{ZEROS} {ONE} refs/heads/a\n{ONE} {TWO} refs/heads/h\udce4fen\n{TWO} {ZEROS} refs/tags/t\n"
    updates = parse_updates(text)
    assert [update.kind for update in updates] == [UpdateKind.CREATED, UpdateKind.MOVED, UpdateKind.DELETED]
    assert updates[1] == RefUpdate(old_id=ONE, new_id=TWO, ref="refs/heads/h\udce4fen")
    assert parse_updates(f"{'0' * 64} {'a' * 64} refs/heads/sha256\n")[0].kind is UpdateKind.CREATED
    assert parse_updates("") == ()


@pytest.mark.parametrize(
    "line",
    [
        "hello",
        f"{ONE} {TWO}",
        f"{ONE} {TWO} main",
        f"{ONE} {TWO} refs/heads/a b",
        f"{ONE[:39]} {TWO} refs/heads/a",
        f"{ONE} {'g' * 40} refs/heads/a",
        f"{ONE}  {TWO} refs/heads/a",
        "",
    ],
)
def test_anything_else_is_refused(line: str) -> None:
    with pytest.raises(ValueError, match="wanted a line of"):
        parse_updates(f"{ONE} {TWO} refs/heads/good\n{line}\n")


def test_progress_speaks_at_the_start_in_intervals_and_at_the_end() -> None:
    stream, now_s = io.StringIO(), 0.0
    progress = PacedProgress(stream, clock=lambda: now_s, interval_s=15)
    progress.started(100, 7)
    for second in range(60):
        now_s = float(second)
        job = make_job()
        progress.job_started(job)
        outcome = TimedOut(limit_s=1.0, stopped_by="SIGKILL") if second == 20 else None
        progress.job_finished(job, make_evidence(outcome=outcome))
    progress.jobs_carried([make_evidence()] * 40)
    progress.message("a compiler cache\x1b[2J")
    progress.finished()
    assert stream.getvalue().splitlines() == [
        "100 to build or carry, 7 known before",
        "15 of 100 built",
        "30 of 100 built, 1 not well",
        "45 of 100 built, 1 not well",
        "a compiler cache\\x1b[2J",
        "60 of 60 built, 1 not well in 59 s",
    ]


def test_progress_of_nothing_says_nothing_more() -> None:
    stream = io.StringIO()
    progress = PacedProgress(stream, clock=lambda: 0.0)
    progress.started(3, 0)
    progress.jobs_carried([make_evidence()] * 3)
    progress.finished()
    progress.finished()
    assert stream.getvalue() == "3 to build or carry, 0 known before\n"
