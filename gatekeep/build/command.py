"""
What a command of a recipe is, what became of it, and who runs it: `CommandRunner` is the seam, `SubprocessRunner` the
machine behind it.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from signal import Signals
from types import TracebackType
from typing import Literal, Protocol, Self

from gatekeep.build import keeper
from gatekeep.build.capped_log import MIN_LIMIT_BYTES
from gatekeep.build.confinement import Confinement
from gatekeep.model.limits import Limits

#: For what is no build of a recipe: probes, and tests of compilers.
_DEFAULT_LIMITS = Limits(memory_bytes=2 * 1024**3, process_count=512, disk_bytes=1024**3)


class CancelToken:
    """
    One switch for all commands of a run: off, then on for ever.

    `cancel` may be called from any thread and from a signal handler. Close it when no command runs any more.
    """

    def __init__(self) -> None:
        # Never read, so that it stays readable and wakes every waiting thread.
        self._event = os.eventfd(0, os.EFD_CLOEXEC | os.EFD_NONBLOCK)
        self._is_cancelled = False

    @property
    def is_cancelled(self) -> bool:
        """Whether `cancel` was called."""
        return self._is_cancelled

    def cancel(self) -> None:
        """Have running commands ended and no further one started."""
        if not self._is_cancelled and self._event >= 0:
            self._is_cancelled = True
            os.eventfd_write(self._event, 1)

    def fileno(self) -> int:
        """Give a descriptor that becomes readable when cancelled."""
        return self._event

    def close(self) -> None:
        """Give the descriptor back."""
        event, self._event = self._event, -1
        if event >= 0:
            os.close(event)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandSpec:
    """
    One command.

    `directory` is where it starts; `argv[0]` is a path (from there) or looked up on the PATH of `environment`, which is
    all the environment that it gets. `log_path` is appended to, in a folder that exists; `log_limit_bytes` is for the
    whole file, and what is past it is cut out of the middle. `pass_fds` keep their numbers. `confinement` is the
    sandbox around it, None for none; a confined command gets PWD as well, and is held to `limits`. With texts to
    `listen_for`, none of them empty, it is ended as soon as it has printed all of them, each after the one before.
    """

    argv: tuple[str, ...]
    directory: Path
    environment: Mapping[str, str]
    time_limit_s: float
    log_path: Path
    log_limit_bytes: int
    pass_fds: tuple[int, ...] = ()
    limits: Limits = _DEFAULT_LIMITS
    confinement: Confinement | None = None
    listen_for: tuple[bytes, ...] = ()

    def __post_init__(self) -> None:
        if not self.argv or not self.argv[0]:
            raise ValueError("argv must name a program")
        if any("\0" in text for text in self.argv):
            raise ValueError("argv must not hold NUL")
        if any("\0" in text or "=" in text[1:] or not text for text in self.environment):
            raise ValueError("environment must not hold names that are empty or have '=' or NUL in them")
        if any("\0" in text for text in self.environment.values()):
            raise ValueError("environment must not hold NUL")
        if not self.time_limit_s > 0:
            raise ValueError(f"time_limit_s must be above 0, got {self.time_limit_s}")
        if self.log_limit_bytes < MIN_LIMIT_BYTES:
            raise ValueError(f"log_limit_bytes must be {MIN_LIMIT_BYTES} or more, got {self.log_limit_bytes}")
        if not all(self.listen_for):
            raise ValueError("listen_for must not hold an empty text")
        if len(self.pass_fds) > keeper.MAX_FDS or any(fd <= 2 for fd in self.pass_fds):
            raise ValueError(f"pass_fds must be {keeper.MAX_FDS} at most and above 2, got {self.pass_fds}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Exited:
    """It ended by itself; `code` is 0 to 255."""

    code: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Signalled:
    """
    A signal ended it that was not from us: a crash, or SIGKILL for lack of memory (see `oom_kills`).

    All real-time signals but the last count as SIGRTMIN; the others have no names.
    """

    signal: Signals


@dataclass(frozen=True, slots=True, kw_only=True)
class TimedOutEnd:
    """It ran past its time limit and was ended; `stopped_by` is the signal that did it."""

    stopped_by: Literal["SIGTERM", "SIGKILL"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """It had printed all that was listened for, and was ended by us."""


class Hindrance(Enum):
    """Why a command did not start. `MACHINE` and `HIDDEN` (in the sandbox) say nothing about the code or the matrix."""

    MISSING_PROGRAM = "missing-program"
    NOT_EXECUTABLE = "not-executable"
    MISSING_INTERPRETER = "missing-interpreter"
    MISSING_DIRECTORY = "missing-directory"
    TOO_LONG = "too-long"
    HIDDEN = "hidden"
    MACHINE = "machine"


@dataclass(frozen=True, slots=True, kw_only=True)
class NotStarted:
    """Nothing ran; `message` is one sentence for people."""

    message: str
    kind: Hindrance


@dataclass(frozen=True, slots=True, kw_only=True)
class Cancelled:
    """The token was switched: it was ended by us, or never started."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lost:
    """Our watch over it broke off, or something of it could not be ended: the machine's fault, never the code's."""

    message: str


class Resource(Enum):
    """What a build can use too much of."""

    MEMORY = "memory"
    PROCESSES = "processes"
    DISK = "disk"


@dataclass(frozen=True, slots=True, kw_only=True)
class OverLimit:
    """
    It used more than its limits allow, and was ended or failed by that; only a confined command has limits.

    `most` is the limit that held, in bytes or processes: the command's own, or what this machine can give where that
    is less.
    """

    resource: Resource
    most: int


CommandEnd = Exited | Signalled | TimedOutEnd | OverLimit | Heard | NotStarted | Cancelled | Lost


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandResult:
    """
    How a command ended and what it took.

    `elapsed_s` runs until the command itself ended. `cpu_s` is user and system time of all its processes that were
    waited for, orphans included. `max_rss_bytes` is the largest single process; below about 12 MB it shows the keeper
    that forked it. `log_bytes` counts what it printed, cut or not; `log_cut` says whether the file is cut, by this or
    an earlier command of the job. `log_fault` says why output was lost on a machine's fault (a full disk), else None.
    `survivor_count` is how many processes it left running. `oom_kills` is how many the kernel ended meanwhile for lack
    of memory: of this command's, where a control group counts them, else whosever; None where it does not tell.
    `heard_count` is how many of the texts that were listened for it printed, however it ended. `least_free_bytes` is
    the least seen to be free where it may write, `file_limit_bytes` the largest file that it could; None: not known.
    """

    end: CommandEnd
    elapsed_s: float = 0.0
    cpu_s: float = 0.0
    max_rss_bytes: int = 0
    log_bytes: int = 0
    log_cut: bool = False
    log_fault: str | None = None
    survivor_count: int = 0
    oom_kills: int | None = None
    heard_count: int = 0
    least_free_bytes: int | None = None
    file_limit_bytes: int | None = None


class CommandRunner(Protocol):
    """Runs commands; safe to be used by many threads at once."""

    def run(self, spec: CommandSpec, cancel: CancelToken) -> CommandResult:
        """
        Run one command to its end, and to the end of all that it spawned.

        Never raises for what a command or the machine does: each has its `CommandEnd`.
        """
        ...
