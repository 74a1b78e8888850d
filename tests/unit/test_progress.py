"""How far a run is: estimates as pure functions, lines as CI shows them, the foot of a terminal, and gone readers."""

import heapq
import io
import os
from dataclasses import dataclass
from typing import TextIO

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from gatekeep.model.evidence import Broken, NotDecided, Outgrown, Overflow, RegionUse, TimedOut
from gatekeep.report.estimate import estimate_left_s, say_duration, say_time_left
from gatekeep.report.plain import plain
from gatekeep.report.progress import LineProgress, LiveProgress, NoProgress, Progress, say_result
from tests.judgements import (
    HEAD,
    HOSTILE,
    POINTER,
    RING,
    make_built,
    make_evidence,
    make_job,
)

BROKEN = Broken(message="make ended with exit code 2", first_error=POINTER)


@dataclass(slots=True)
class FakeClock:
    """Seconds that pass only when told."""

    now_s: float = 1000.0

    def __call__(self) -> float:
        return self.now_s


class BrokenStream(io.StringIO):
    """Fails after the first write, as a pipe without a reader does."""

    writes = 0

    def write(self, text: str) -> int:
        self.writes += 1
        if self.writes > 1:
            raise BrokenPipeError
        return super().write(text)


def test_nothing_left_takes_no_time():
    assert estimate_left_s([], [], [3.0], workers=2) == 0.0


def test_nothing_known_gives_no_estimate():
    assert estimate_left_s([(None, 4.0)], [None, None], [], workers=2) is None


def test_work_is_shared_out_over_the_workers():
    assert estimate_left_s([(10.0, 4.0), (10.0, 6.0)], [10.0, 10.0], [], workers=2) == 15.0


def test_longest_job_left_is_the_least():
    assert estimate_left_s([(100.0, 10.0)], [1.0], [], workers=8) == 90.0
    assert estimate_left_s([(1.0, 0.0)], [70.0], [], workers=8) == 70.0


def test_unknown_job_takes_the_median_of_the_known():
    assert estimate_left_s([(None, 1.0)], [None], [2.0, 4.0, 90.0], workers=1) == 3.0 + 4.0


def test_late_job_counts_as_about_to_end():
    assert estimate_left_s([(5.0, 60.0)], [], [], workers=1) == 0.0


@given(st.lists(st.floats(0.1, 100), min_size=1, max_size=30), st.integers(1, 8))
def test_estimate_keeps_to_grahams_bound(durations, workers):
    # Outside check: a list schedule, simulated. Source: Graham 1969, within a factor of 2 - 1/workers of the best.
    free = [0.0] * workers
    for duration in durations:
        heapq.heappush(free, heapq.heappop(free) + duration)
    estimate = estimate_left_s([], durations, [], workers=workers)
    assert estimate is not None
    assert estimate <= max(free) * (1 + 1e-9)
    assert max(free) <= estimate * (2 - 1 / workers) * (1 + 1e-9)


@pytest.mark.parametrize(
    ("left_s", "words"),
    [
        (None, "time left not known yet"),
        (0.4, "nearly done"),
        (1.0, "about 5 s left"),
        (55.0, "about 55 s left"),
        (55.1, "about 1 min left"),
        (181.0, "about 4 min left"),
        (3541.0, "about 1 h left"),
        (3700.0, "about 1 h 10 min left"),
    ],
)
def test_time_left_is_worded_no_finer_than_it_is(left_s, words):
    assert say_time_left(left_s) == words


@pytest.mark.parametrize(
    ("duration_s", "words"),
    [(0.414, "0.41 s"), (43.4, "43 s"), (59.6, "1 min 0 s"), (200.0, "3 min 20 s"), (3840.0, "1 h 4 min")],
)
def test_duration_is_worded(duration_s, words):
    assert say_duration(duration_s) == words


RAM_FULL = RegionUse(name="ram", used_bytes=8000, capacity_bytes=8192, flash=False)
MAIN = RegionUse(name="main", used_bytes=841, capacity_bytes=1000)
SPARE = RegionUse(name="spare", used_bytes=1, capacity_bytes=1000)


@pytest.mark.parametrize(
    ("outcome", "line"),
    [
        (make_built(1, SPARE, MAIN, RAM_FULL), "2222222222 riscv64/vale: built in 0.41 s, main 84.1 %"),
        (make_built(1, RAM_FULL), "2222222222 riscv64/vale: built in 0.41 s"),
        (
            BROKEN,
            "2222222222 riscv64/vale: broken in 0.41 s, drivers/uart.c:41: "
            "cast to smaller integer type 'uint32_t' from 'struct ring *'",
        ),
        (
            Broken(message="make ended with exit code 2", first_error=None),
            "2222222222 riscv64/vale: broken in 0.41 s, make ended with exit code 2",
        ),
        (
            Outgrown(
                overflows=(Overflow(region="flash", over_bytes=568), Overflow(region="FLASH", over_bytes=None)),
                footprint=None,
                message="the linker refused",
            ),
            "2222222222 riscv64/vale: outgrown in 0.41 s, flash over by 568 B, FLASH over",
        ),
        (
            TimedOut(limit_s=120.0, stopped_by="SIGKILL"),
            "2222222222 riscv64/vale: timed out after 120 s, stopped by SIGKILL",
        ),
        (NotDecided(message="disk full"), "2222222222 riscv64/vale: not decided, disk full"),
    ],
)
def test_result_is_worded(outcome, line):
    assert say_result(make_job(), make_evidence(outcome=outcome)) == line


def test_log_gets_one_line_for_every_finished_job():
    stream, clock = io.StringIO(), FakeClock()
    progress = LineProgress(stream, clock=clock)
    progress.started(12, 84)
    for target in ("arm/alpha", "riscv64/vale"):
        progress.job_started(make_job(target))
    progress.message("the store is\nslow\x1b[2J")
    clock.now_s += 63
    progress.job_finished(make_job("arm/alpha"), make_evidence("arm/alpha"))
    progress.job_finished(make_job("riscv64/vale", HEAD), make_evidence(outcome=BROKEN, elapsed_s=61.0))
    progress.finished()
    progress.finished()
    assert stream.getvalue() == (
        "12 to build or carry, 84 known before\n"
        "the store is\\nslow\\x1b[2J\n"
        " 1 of 12  2222222222 arm/alpha: built in 0.41 s, flash 84.1 %\n"
        " 2 of 12  5555555555 riscv64/vale: broken in 1 min 1 s, drivers/uart.c:41: "
        "cast to smaller integer type 'uint32_t' from 'struct ring *'\n"
        "2 of 12 built in 1 min 3 s, 0 carried\n"
    )


def show(progress: LiveProgress, width: int = 90) -> str:
    stream = io.StringIO()
    Console(file=stream, width=width, color_system=None, legacy_windows=False).print(progress.render())
    return "".join(f"{line.rstrip()}\n" for line in stream.getvalue().splitlines())


def test_terminal_shows_what_runs_and_how_long_it_may_take():
    clock = FakeClock()
    jobs = [make_job(name, expected_s=30.0) for name in ("arm/alpha", "riscv64/vale", "mips/stack", "aarch64/skaw")]
    progress = LiveProgress(workers=2, jobs=jobs, stream=io.StringIO(), clock=clock)
    progress.started(4, 84)
    try:
        progress.job_started(jobs[0])
        clock.now_s += 10
        progress.job_started(jobs[1])
        clock.now_s += 10
        assert show(progress) == (
            f"{' ' * 30}  0 of 4 done, about 45 s left\n"
            "20 s  arm/alpha     2222222222 Add a ring buffer to the serial driver\n"
            "10 s  riscv64/vale  2222222222 Add a ring buffer to the serial driver\n"
        )
        progress.job_finished(jobs[0], make_evidence("arm/alpha", outcome=BROKEN, elapsed_s=20.0))
        shown = show(progress).splitlines()
        assert shown[0] == f"{'━' * 7}╸{' ' * 22}  1 of 4 done, 1 not well, about 40 s left"
        assert shown[1:] == ["10 s  riscv64/vale  2222222222 Add a ring buffer to the serial driver"]
    finally:
        progress.finished()


def test_terminal_keeps_a_line_for_what_did_not_succeed_only():
    stream, clock = io.StringIO(), FakeClock()
    progress = LiveProgress(workers=2, stream=stream, clock=clock)
    progress.started(2, 0)
    for target, outcome in (("arm/alpha", None), ("riscv64/vale", NotDecided(message=HOSTILE))):
        progress.job_started(make_job(target))
        progress.job_finished(make_job(target), make_evidence(target, outcome=outcome))
    progress.message("[bold]not markup[/bold] :smile:")
    progress.finished()
    kept = stream.getvalue()
    assert kept.startswith(
        "2 to build or carry, 0 known before\n2222222222 riscv64/vale: not decided, \\x1b[2J\\u202e<b onload=x>"
    )
    assert "arm/alpha" not in kept
    assert kept.endswith("[bold]not markup[/bold] :smile:\n2 of 2 built in 0.00 s, 0 carried\n")
    assert [line for line in kept.split("\n") if plain(line) != line] == []


def test_terminal_counts_jobs_that_it_was_not_told_of():
    clock = FakeClock()
    progress = LiveProgress(workers=1, stream=io.StringIO(), clock=clock)
    progress.started(11, 0)
    assert show(progress).endswith("  0 of 11 done, time left not known yet\n")
    progress.job_started(make_job())
    progress.job_finished(make_job(), make_evidence(elapsed_s=5.0))
    assert show(progress).endswith("  1 of 11 done, about 50 s left\n")
    progress.finished()


def make_every_progress(stream: TextIO) -> list[Progress]:
    return [LineProgress(stream), LiveProgress(workers=1, stream=stream), NoProgress()]


@pytest.mark.parametrize("kind", range(3))
def test_reader_that_went_away_stops_nothing(kind):
    # A real pipe whose reader is closed: the kernel answers with EPIPE.
    reader, writer = os.pipe()
    os.close(reader)
    stream = os.fdopen(writer, "w", buffering=1)
    progress: Progress = make_every_progress(stream)[kind]
    run_through(progress)
    with pytest.raises(BrokenPipeError) if kind < 2 else stream:
        stream.close()


@pytest.mark.parametrize("kind", range(2))
def test_stream_that_fails_once_is_left_alone(kind):
    stream = BrokenStream()
    run_through(make_every_progress(stream)[kind])
    assert stream.writes == 2
    closed = io.StringIO()
    closed.close()
    run_through(make_every_progress(closed)[kind])


def run_through(progress: Progress) -> None:
    progress.started(1, 0)
    progress.job_started(make_job())
    progress.message("still here")
    progress.job_finished(make_job(), make_evidence(commit=RING, outcome=BROKEN))
    progress.finished()


@pytest.mark.parametrize("kind", range(2))
def test_stream_that_cannot_encode_gets_escapes(kind):
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding="ascii", newline="\n")
    progress = make_every_progress(stream)[kind]
    progress.message("Grüße")
    progress.finished()
    stream.flush()
    assert raw.getvalue() == b"Gr\\xfc\\xdfe\n"
