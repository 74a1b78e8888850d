"""
Running the commands of a recipe: one at a time for the caller, any number at once for the process.

Every command runs below a keeper, a small process of ours (see `keeper`, which says why): it holds the time limit, the
log and the duty to end all that the command spawned. What happens here is only asking and waiting, so a thread that
runs a command costs no CPU meanwhile.

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
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from signal import SIGKILL, Signals
from types import TracebackType
from typing import Any, Self

from gatekeep.build import keeper
from gatekeep.build.command import (
    Cancelled,
    CancelToken,
    CommandEnd,
    CommandResult,
    CommandSpec,
    Exited,
    Heard,
    Hindrance,
    Lost,
    NotStarted,
    OverLimit,
    Resource,
    Signalled,
    TimedOutEnd,
)
from gatekeep.build.machine import read_oom_kills
from gatekeep.errors import RunnerError
from gatekeep.model.limits import Limits

#: How long past every limit of the keeper we wait for its answer, before we take it for stopped or hung.
_BACKSTOP_S = 15.0
#: From the end of a keeper's socket to its own.
_LAST_LOOK_S = 1.0
#: How often we look for processes whose keeper has gone; one that forks faster than we kill needs a sandbox.
_LAST_LOOKS = 20


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

    def let_go(self) -> None:
        """Have it end what runs below it, and itself."""
        with suppress(OSError):  # it is gone already
            self.control.shutdown(socket.SHUT_WR)

    def end(self) -> None:
        """Have it end what runs below it, and itself; waits for that."""
        self.let_go()
        poller = select.poll()
        poller.register(self.control, 0)
        # Its end of the socket goes with it; to wait for a process by itself is to look for it again and again.
        poller.poll((keeper.LAST_WAIT_S + _BACKSTOP_S) * 1000)
        self.control.close()
        try:
            self.process.wait(_LAST_LOOK_S)
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
# Left at once: there is nothing to flush, and whoever ends a keeper waits for it.
_KEEPER_CODE = (
    "import os, sys; sys.path.append(sys.argv[1]); from gatekeep.build.keeper import main; main(); os._exit(0)"
)


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
            keeper_.let_go()
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
