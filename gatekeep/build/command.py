"""
Running the commands of a recipe: one at a time for the caller, any number at once for the process.

`CommandRunner` is the seam; `SubprocessRunner` is the machine behind it. Every command runs below a keeper, a small
process of ours (see `keeper`, which says why): it holds the time limit, the log and the duty to end all that the
command spawned. What happens here is only asking and waiting, so a thread that runs a command costs no CPU meanwhile.

A command gets a process group of its own in a session without a terminal, /dev/null as standard input, one capped log
for output and errors, exactly the environment that it is given, and no descriptor of ours but those that it is meant to
have. It is an argument list, never shell text.

The signals: at the time limit, or when cancelled, SIGTERM to everything below the keeper, some grace later SIGKILL.
What a command leaves running when it ends by itself gets SIGKILL at once, and is counted.
"""

from __future__ import annotations

import marshal
import os
import select
import socket
import subprocess
import sys
import threading
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from signal import SIGKILL, Signals
from types import TracebackType
from typing import Any, Literal, Protocol, Self

from gatekeep.build import keeper
from gatekeep.build.capped_log import MIN_LIMIT_BYTES
from gatekeep.build.confinement import Confinement
from gatekeep.build.machine import read_oom_kills
from gatekeep.errors import RunnerError
from gatekeep.model.limits import Limits

#: How long past every limit of the keeper we wait for its answer, before we take it for stopped or hung.
_BACKSTOP_S = 15.0
#: How often we look for processes whose keeper has gone; one that forks faster than we kill needs a sandbox.
_LAST_LOOKS = 20


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


@dataclass(slots=True)
class _Keeper:
    """A keeper process, and our end of its socket."""

    process: subprocess.Popen[bytes]
    control: socket.socket

    @classmethod
    def start(cls) -> _Keeper:
        """Start one; takes about 25 ms, all of it in the new process."""
        ours, theirs = socket.socketpair()
        with theirs:
            try:
                process = subprocess.Popen(
                    # -I -S: nothing of the user's environment, no site packages but ours, at the end of the path.
                    [sys.executable, "-I", "-S", "-c", _KEEPER_CODE, str(Path(__file__).parents[2])],
                    stdin=theirs.fileno(),
                    stdout=subprocess.DEVNULL,
                    cwd="/",
                    env={},
                    start_new_session=True,
                )
            except BaseException:
                ours.close()
                raise
        return cls(process, ours)

    def end(self) -> None:
        """Have it end what runs below it, and itself; waits for that."""
        self.control.close()
        try:
            self.process.wait(keeper.LAST_WAIT_S + _BACKSTOP_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()

    def kill(self) -> None:
        """End one that does not answer, and what is left in its session, which nobody watches any more."""
        self.control.close()
        self.process.kill()
        self.process.wait()
        # More than one look: what is forked between a look and its kill is missed by it.
        for _look in range(_LAST_LOOKS):
            left = keeper.list_session(self.process.pid)
            if not left:
                return
            for pid in left:
                with suppress(ProcessLookupError, PermissionError):
                    os.kill(pid, SIGKILL)

    def ask(self, spec: CommandSpec, grace_s: float) -> None:
        """
        Send a command.

        Raises:
            OSError: The keeper is gone.
        """
        request = marshal.dumps(
            {
                "argv": [os.fsencode(text) for text in spec.argv],
                "directory": os.fsencode(spec.directory),
                "environment": {os.fsencode(name): os.fsencode(text) for name, text in spec.environment.items()},
                "time_limit_s": float(spec.time_limit_s),
                "grace_s": grace_s,
                "log_path": os.fsencode(spec.log_path.absolute()),
                "log_limit_bytes": spec.log_limit_bytes,
                "listen_for": list(spec.listen_for),
                "fds": list(spec.pass_fds),
                "confinement": None if spec.confinement is None else spec.confinement.as_request(),
            }
        )
        head = b"R" + keeper.LENGTH.pack(len(request))
        if spec.pass_fds:
            socket.send_fds(self.control, [head], spec.pass_fds)
            head = b""
        self.control.sendall(head + request)

    def wait(self, cancel: CancelToken, time_limit_s: float, grace_s: float) -> dict[str, Any]:
        """
        Wait for the end of the command, and hand a cancellation on.

        Raises:
            OSError: The keeper is gone (ConnectionResetError) or does not answer (TimeoutError).
        """
        poller = select.poll()
        poller.register(self.control, select.POLLIN)
        poller.register(cancel, select.POLLIN)
        left_s = time_limit_s + grace_s + keeper.LAST_WAIT_S + _BACKSTOP_S
        while True:
            ready = {fd for fd, _events in poller.poll(min(left_s * 1000, _LONGEST_POLL_MS))}
            if not ready:
                raise TimeoutError
            if self.control.fileno() in ready:
                (length,) = keeper.LENGTH.unpack(keeper.receive_exactly(self.control, keeper.LENGTH.size))
                answer: dict[str, Any] = marshal.loads(  # noqa: S302 - from our own keeper, over a private socket
                    keeper.receive_exactly(self.control, length)
                )
                if "end" in answer:
                    return answer
            else:
                poller.unregister(cancel)
                self.control.sendall(b"S")
                left_s = grace_s + keeper.LAST_WAIT_S + _BACKSTOP_S


_LONGEST_POLL_MS = 2**31 - 1
_KEEPER_CODE = "import sys; sys.path.append(sys.argv[1]); from gatekeep.build.keeper import main; main()"


class SubprocessRunner:
    """
    The real runner.

    Keepers are started when they are needed, as many as commands run at once, and are used again. Close the runner when
    no command runs any more; a context manager.
    """

    def __init__(self, *, grace_s: float = keeper.GRACE_S) -> None:
        """Make one; `grace_s` is how long a command that is ended has between SIGTERM and SIGKILL."""
        self._grace_s = grace_s
        self._lock = threading.Lock()
        self._idle: list[_Keeper] = []

    def warm_up(self) -> None:
        """Start a keeper, which then is ready when the first command comes; where it cannot be, that one says so."""
        with suppress(OSError):
            self._give_back(_Keeper.start())

    def run(self, spec: CommandSpec, cancel: CancelToken) -> CommandResult:
        """Run one command; see `CommandRunner.run`."""
        if cancel.is_cancelled:
            return CommandResult(end=Cancelled())
        try:
            keeper_ = self._take()
        except OSError as error:
            problem = f"no process can be started: {error.strerror}"
            return CommandResult(end=NotStarted(message=problem, kind=Hindrance.MACHINE))
        oom_kills_before = read_oom_kills()
        try:
            keeper_.ask(spec, self._grace_s)
            answer = keeper_.wait(cancel, spec.time_limit_s, self._grace_s)
        except OSError as error:
            keeper_.kill()
            silent = "does not answer" if isinstance(error, TimeoutError) else "was ended from outside"
            return CommandResult(end=Lost(message=f"the process that watches over '{spec.argv[0]}' {silent}"))
        except BaseException:  # KeyboardInterrupt: leave nothing behind
            keeper_.end()
            raise
        oom_kills_after = read_oom_kills()
        if answer.get("left"):
            keeper_.end()
        else:
            self._give_back(keeper_)
        is_told = oom_kills_before is not None and oom_kills_after is not None
        oom_kills = max(0, (oom_kills_after or 0) - (oom_kills_before or 0)) if is_told else None
        return _read_answer(answer, oom_kills, spec)

    def _take(self) -> _Keeper:
        with self._lock:
            while self._idle:
                candidate = self._idle.pop()
                if candidate.process.poll() is None:
                    return candidate
                candidate.control.close()
        return _Keeper.start()

    def _give_back(self, keeper_: _Keeper) -> None:
        with self._lock:
            self._idle.append(keeper_)

    def close(self) -> None:
        """End all keepers."""
        with self._lock:
            idle, self._idle = self._idle, []
        for keeper_ in idle:
            keeper_.end()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _get_signal(number: int) -> Signals:
    return Signals(number) if number in _NAMED_SIGNALS else Signals.SIGRTMIN


_NAMED_SIGNALS = frozenset(Signals)


def _get_limit(resource: Resource, limits: Limits) -> int:
    return {
        Resource.MEMORY: limits.memory_bytes,
        Resource.PROCESSES: limits.process_count,
        Resource.DISK: limits.disk_bytes,
    }[resource]


def _read_answer(answer: dict[str, Any], oom_kills: int | None, spec: CommandSpec) -> CommandResult:
    """Make a value of what a keeper says."""
    end: CommandEnd
    match answer["end"]:
        case "ended" | "limit" if answer.get("exceeded"):
            exceeded = Resource(answer["exceeded"])
            held = spec.limits if spec.confinement is None else spec.confinement.limits
            end = OverLimit(resource=exceeded, most=_get_limit(exceeded, held))
        case "not-started":
            return CommandResult(end=NotStarted(message=answer["message"], kind=Hindrance(answer["kind"])))
        case "lost":
            count = answer["left"]
            end = Lost(message=f"{count} process{'es' if count > 1 else ''} of the command could not be ended")
        case "timed-out":
            end = TimedOutEnd(stopped_by=answer["stopped_by"])
        case "cancelled":
            end = Cancelled()
        case "heard":
            end = Heard()
        case "ended":
            code = os.waitstatus_to_exitcode(answer["status"])
            end = Exited(code=code) if code >= 0 else Signalled(signal=_get_signal(-code))
        case other:
            raise RunnerError(f"the keeper gave an answer that this version does not know: {other}")
    return CommandResult(
        end=end,
        elapsed_s=answer["elapsed_s"],
        cpu_s=answer["cpu_s"],
        max_rss_bytes=answer["max_rss_bytes"],
        log_bytes=answer["log_bytes"],
        log_cut=answer["log_cut"],
        log_fault=answer["log_fault"],
        survivor_count=answer["survivor_count"],
        oom_kills=oom_kills if answer["memory_kills"] is None else answer["memory_kills"],
        heard_count=answer["heard_count"],
        least_free_bytes=answer["least_free_bytes"],
        file_limit_bytes=spec.confinement.limits.file_bytes if spec.confinement is not None else None,
    )
