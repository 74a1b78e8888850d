"""
How far a run is, told to the people who wait: on standard error, so that standard output stays the report's.

A terminal shows what is running and how long it may still take, and keeps one line for each build that did not
succeed; a CI log gets one line for every finished build. Neither can stop a run: a reader that has gone away is not the
builds' concern. Imported by the command line only; the runner speaks to the protocol.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Protocol, TextIO, assert_never, cast

from gatekeep.model.evidence import Broken, Built, Evidence, NotDecided, Outgrown, TimedOut
from gatekeep.model.plan import Job
from gatekeep.model.quantity import render_bytes
from gatekeep.report.estimate import estimate_left_s, say_duration, say_time_left
from gatekeep.report.layout import shorten
from gatekeep.report.plain import plain
from gatekeep.report.wording import say_share

if TYPE_CHECKING:
    from rich.console import RenderableType

# Often enough for a clock in seconds, and too seldom to be felt beside compilers.
_REFRESHES_PER_SECOND = 4
_BAR_CELLS = 30
_MESSAGE_CELLS = 200


class Progress(Protocol):
    """Who is told how far a run is."""

    def started(self, total: int, known: int) -> None:
        """A run begins: `total` jobs to build, besides `known` results that need no build."""

    def jobs_carried(self, carried: Sequence[Evidence]) -> None:
        """These need no build after all."""

    def job_started(self, job: Job) -> None:
        """A worker has taken up a job."""

    def job_finished(self, job: Job, evidence: Evidence) -> None:
        """A job has ended."""

    def message(self, text: str) -> None:
        """Something that people should read now; one line, may be hostile."""

    def finished(self) -> None:
        """The run has ended, in whatever way. May be called without `started`."""


class NoProgress:
    """Tells nobody."""

    def started(self, total: int, known: int) -> None:
        """Say nothing."""

    def jobs_carried(self, carried: Sequence[Evidence]) -> None:
        """Say nothing."""

    def job_started(self, job: Job) -> None:
        """Say nothing."""

    def job_finished(self, job: Job, evidence: Evidence) -> None:
        """Say nothing."""

    def message(self, text: str) -> None:
        """Say nothing."""

    def finished(self) -> None:
        """Say nothing."""


class LineProgress:
    """One plain line for every finished job, for logs; safe to be called from several threads."""

    def __init__(self, stream: TextIO | None = None, *, clock: Callable[[], float] = time.monotonic) -> None:
        """
        Args:
            stream: Where to write; standard error by default.
            clock: Seconds that only go forward.
        """
        self._stream = PatientStream(stream or sys.stderr)
        self._clock = clock
        self._lock = threading.Lock()
        self._total = 0
        self._done = 0
        self._carried = 0
        self._started_s: float | None = None

    def started(self, total: int, known: int) -> None:
        """Say how much there is to build."""
        with self._lock:
            self._total, self._done, self._carried, self._started_s = total, 0, 0, self._clock()
            self._say(f"{total} to build or carry, {known} known before")

    def jobs_carried(self, carried: Sequence[Evidence]) -> None:
        """Count them out: said in one line at the end, they may be thousands."""
        with self._lock:
            self._total -= len(carried)
            self._carried += len(carried)

    def job_started(self, job: Job) -> None:
        """Say nothing: in a log only ends matter."""

    def job_finished(self, job: Job, evidence: Evidence) -> None:
        """Write the job's line."""
        with self._lock:
            self._done += 1
            total = str(self._total)
            self._say(f"{self._done:>{len(total)}} of {total}  {say_result(job, evidence)}")

    def message(self, text: str) -> None:
        """Write a line."""
        with self._lock:
            self._say(plain(text))

    def finished(self) -> None:
        """Say how long it took."""
        with self._lock:
            if self._started_s is not None:
                took = say_duration(self._clock() - self._started_s)
                self._say(f"{self._done} of {self._total} built in {took}, {self._carried} carried")
                self._started_s = None

    def _say(self, line: str) -> None:
        self._stream.write(f"{line}\n")
        self._stream.flush()


class LiveProgress:
    """What is running, how far the run is and how long it may take, kept up to date at the foot of a terminal."""

    def __init__(
        self,
        *,
        workers: int,
        jobs: Sequence[Job] = (),
        stream: TextIO | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """
        Args:
            workers: How many jobs run at once, at least 1.
            jobs: All jobs of the run, for what they are expected to take; without them every waiting job counts as
                unknown.
            stream: A terminal; standard error by default.
            clock: Seconds that only go forward.
        """
        # Here and not above: only a terminal needs rich, and it takes 35 ms.
        from rich.console import Console
        from rich.live import Live

        self._workers = workers
        self._clock = clock
        self._lock = threading.RLock()
        self._waiting = {_job_key(job): job.expected_s for job in jobs}
        self._running: dict[tuple[str, str], tuple[Job, float]] = {}
        self._finished_s: list[float] = []
        self._total = 0
        self._carried = 0
        self._troubled = 0
        self._started_s: float | None = None
        # It has all of TextIO that rich uses.
        file = cast(TextIO, PatientStream(stream or sys.stderr))
        self._console = Console(file=file, markup=False, highlight=False, emoji=False)
        self._live = Live(
            console=self._console,
            get_renderable=self.render,
            refresh_per_second=_REFRESHES_PER_SECOND,
            transient=True,
            redirect_stdout=False,
            redirect_stderr=False,
        )

    def started(self, total: int, known: int) -> None:
        """Begin to show."""
        with self._lock:
            self._total, self._started_s = total, self._clock()
            self._print(f"{total} to build or carry, {known} known before")
        self._live.start()

    def jobs_carried(self, carried: Sequence[Evidence]) -> None:
        """Take them off what waits."""
        with self._lock:
            self._total -= len(carried)
            self._carried += len(carried)
            for evidence in carried:
                self._waiting.pop((evidence.tree_id, evidence.target), None)

    def job_started(self, job: Job) -> None:
        """Show the job as running."""
        with self._lock:
            self._waiting.pop(_job_key(job), None)
            self._running[_job_key(job)] = (job, self._clock())

    def job_finished(self, job: Job, evidence: Evidence) -> None:
        """Take the job off; leave a line where it did not succeed."""
        with self._lock:
            self._running.pop(_job_key(job), None)
            self._finished_s.append(evidence.elapsed_s)
            if not isinstance(evidence.outcome, Built):
                self._troubled += 1
                self._print(say_result(job, evidence))

    def message(self, text: str) -> None:
        """Leave a line above what is shown."""
        with self._lock:
            self._print(plain(text))

    def finished(self) -> None:
        """Clear what was shown, and say how long it took."""
        self._live.stop()
        with self._lock:
            if self._started_s is not None:
                took = say_duration(self._clock() - self._started_s)
                self._print(f"{len(self._finished_s)} of {self._total} built in {took}, {self._carried} carried")
                self._started_s = None

    def render(self) -> RenderableType:
        """Give what the foot of the terminal shows now; longest running first."""
        from rich.console import Group
        from rich.progress_bar import ProgressBar
        from rich.table import Table
        from rich.text import Text

        with self._lock:
            now_s = self._clock()
            running = [(job, now_s - since_s) for job, since_s in self._running.values()]
            running.sort(key=lambda entry: (-entry[1], entry[0].target.name))
            done, total, troubled = len(self._finished_s), self._total, self._troubled
            # Jobs that nobody told us about take what the others take.
            untold = total - done - len(running) - len(self._waiting)
            waiting = [*self._waiting.values(), *[None] * max(0, untold)]
            left_s = estimate_left_s(
                [(job.expected_s, elapsed_s) for job, elapsed_s in running],
                waiting,
                self._finished_s,
                workers=self._workers,
            )
        head = Table.grid(padding=(0, 2))
        trouble = f", {troubled} not well" if troubled else ""
        head.add_row(
            ProgressBar(
                total=max(total, 1),
                completed=done,
                width=_BAR_CELLS,
                style="dim",
                complete_style="bold",
                finished_style="bold",
            ),
            Text(f"{done} of {total} done{trouble}, {say_time_left(left_s)}"),
        )
        rows = Table.grid(padding=(0, 2))
        rows.add_column(justify="right")
        for job, elapsed_s in running:
            rows.add_row(
                Text(f"{elapsed_s:.0f} s"),
                Text(plain(job.target.name)),
                Text(f"{job.commit.short_id} {plain(job.commit.subject)}", overflow="ellipsis", no_wrap=True),
            )
        return Group(head, rows)

    def _print(self, line: str) -> None:
        from rich.text import Text

        self._console.print(Text(line))


def say_result(job: Job, evidence: Evidence) -> str:
    """
    Word how a job ended, in one plain line.

    `4f1c2ab901 riscv64/vale: built in 0.41 s, main 84.1 %`.
    """
    outcome = evidence.outcome
    took = say_duration(evidence.elapsed_s)
    match outcome:
        case Built():
            flash = [use for use in outcome.footprint.regions if use.flash and use.capacity_bytes > 0]
            fullest = max(flash, key=lambda use: use.used_bytes / use.capacity_bytes, default=None)
            how = f"built in {took}"
            if fullest is not None:
                how += f", {fullest.name} {say_share(fullest.used_bytes, fullest.capacity_bytes)}"
        case Broken():
            first = outcome.first_error
            place = f"{first.place}: " if first is not None and first.place else ""
            how = f"broken in {took}, {place}{first.message if first is not None else outcome.message}"
        case Outgrown():
            overs = (
                f"{over.region} over" + (f" by {render_bytes(over.over_bytes)}" if over.over_bytes is not None else "")
                for over in outcome.overflows
            )
            how = f"outgrown in {took}, {', '.join(overs)}"
        case TimedOut():
            how = f"timed out after {outcome.limit_s:g} s, stopped by {outcome.stopped_by}"
        case NotDecided():
            how = f"not decided, {outcome.message}"
        case _:
            assert_never(outcome)
    return f"{job.commit.short_id} {plain(job.target.name)}: {shorten(plain(how), _MESSAGE_CELLS)}"


def _job_key(job: Job) -> tuple[str, str]:
    return job.commit.tree_id, job.target.name


class PatientStream:
    """A text stream that goes quiet, and stays so, when its reader has gone away."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._gone = False

    def write(self, text: str) -> int:
        """Write, or nothing when nobody reads any more."""
        if not self._gone:
            try:
                self._stream.write(text)
            except UnicodeEncodeError:
                encoding = getattr(self._stream, "encoding", None) or "ascii"
                self.write(text.encode(encoding, "backslashreplace").decode(encoding))
            except (OSError, ValueError):  # a broken pipe, a full disk, a closed stream
                self._gone = True
        return len(text)

    def flush(self) -> None:
        """Flush, or nothing when nobody reads any more."""
        if not self._gone:
            try:
                self._stream.flush()
            except (OSError, ValueError):
                self._gone = True

    def isatty(self) -> bool:
        """Say whether a terminal is behind it."""
        try:
            return self._stream.isatty()
        except ValueError:
            return False

    def fileno(self) -> int:
        """Give the descriptor, by which the terminal's size is found."""
        return self._stream.fileno()

    @property
    def encoding(self) -> str:
        """The encoding of the stream, by which rich chooses its characters."""
        return getattr(self._stream, "encoding", None) or "utf-8"
