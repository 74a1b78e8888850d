"""
How far a run is, for a pusher who sees every line behind `remote:`: seldom, and counted out.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable, Sequence
from typing import TextIO

from gatekeep.model.evidence import Built, Evidence
from gatekeep.model.plan import Job
from gatekeep.report.estimate import say_duration
from gatekeep.report.plain import plain
from gatekeep.report.progress import PatientStream

#: So long nobody minds not to hear anything, and a build of an hour stays below 250 lines.
INTERVAL_S = 15.0


class PacedProgress:
    """One line at the start, at most one in every interval, and one at the end where anything was built."""

    def __init__(
        self,
        stream: TextIO | None = None,
        *,
        clock: Callable[[], float] = time.monotonic,
        interval_s: float = INTERVAL_S,
    ) -> None:
        """
        Args:
            stream: Where to write; standard error by default.
            clock: Seconds that only go forward.
            interval_s: The least time between two lines.
        """
        self._stream = PatientStream(stream or sys.stderr)
        self._clock = clock
        self._interval_s = interval_s
        self._lock = threading.Lock()
        self._total = self._done = self._troubled = 0
        self._started_s: float | None = None
        self._said_s = 0.0

    def started(self, total: int, known: int) -> None:
        """Say how much there is to build."""
        with self._lock:
            self._total, self._done, self._troubled = total, 0, 0
            self._started_s = self._said_s = self._clock()
            self._say(f"{total} to build or carry, {known} known before")

    def jobs_carried(self, carried: Sequence[Evidence]) -> None:
        """Count them out."""
        with self._lock:
            self._total -= len(carried)

    def job_started(self, job: Job) -> None:
        """Say how far it is, if it is time."""
        with self._lock:
            self._say_in_time()

    def job_finished(self, job: Job, evidence: Evidence) -> None:
        """Say how far it is, if it is time."""
        with self._lock:
            self._done += 1
            self._troubled += not isinstance(evidence.outcome, Built)
            self._say_in_time()

    def message(self, text: str) -> None:
        """Write a line."""
        with self._lock:
            self._say(plain(text))

    def finished(self) -> None:
        """Say how long it took."""
        with self._lock:
            if self._started_s is not None and self._done:
                self._say(f"{self._say_count()} in {say_duration(self._clock() - self._started_s)}")
            self._started_s = None

    def _say_in_time(self) -> None:
        if self._clock() - self._said_s >= self._interval_s:
            self._said_s = self._clock()
            self._say(self._say_count())

    def _say_count(self) -> str:
        trouble = f", {self._troubled} not well" if self._troubled else ""
        return f"{self._done} of {self._total} built{trouble}"

    def _say(self, line: str) -> None:
        self._stream.write(f"{line}\n")
        self._stream.flush()
