"""
A runner that starts nothing: commands are acts, and time is a number that moves when they run.

It keeps the promises of `CommandRunner` that callers rely on; tests/integration/test_command.py holds it and the real
runner to the same ones.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

from gatekeep.build.capped_log import CappedLog
from gatekeep.build.command import (
    Cancelled,
    CancelToken,
    CommandEnd,
    CommandResult,
    CommandSpec,
    Exited,
    Heard,
    Hindrance,
    NotStarted,
    TimedOutEnd,
)
from gatekeep.build.keeper import GRACE_S
from gatekeep.build.listener import Listener

_SUCCESS = Exited(code=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """
    What a fake command does: print `output`, take `takes_s`, have `effect` (write its files), end as `end` says.

    With a time limit below `takes_s` it times out and has no effect; `stopped_by` SIGKILL means that it does not heed
    SIGTERM. One whose output is all that is listened for ends by that, at once. `effect` may switch the token off, as a
    Ctrl-C during the command would: it then ends as cancelled.
    """

    output: bytes = b""
    end: CommandEnd = _SUCCESS
    takes_s: float = 0.1
    effect: Callable[[CommandSpec], None] | None = None
    stopped_by: Literal["SIGTERM", "SIGKILL"] = "SIGTERM"
    survivor_count: int = 0
    oom_kills: int | None = 0
    log_fault: str | None = None


class FakeRunner:
    """
    Plays acts by the command's program (`argv[0]`), or by what a function says.

    A program without an act is missing. `ran` holds every spec that was run, in order; `now_s` the time that passed.
    """

    def __init__(
        self, acts: Mapping[str, Act] | Callable[[CommandSpec], Act | None], *, grace_s: float = GRACE_S
    ) -> None:
        self._grace_s = grace_s
        self._acts = acts
        self._lock = threading.Lock()
        self.ran: list[CommandSpec] = []
        self.now_s = 0.0

    def run(self, spec: CommandSpec, cancel: CancelToken) -> CommandResult:
        """Play the act of a command."""
        if cancel.is_cancelled:
            return CommandResult(end=Cancelled())
        with self._lock:
            self.ran.append(spec)
        act = self._acts(spec) if callable(self._acts) else self._acts.get(spec.argv[0])
        if act is None:
            problem = "does not exist" if "/" in spec.argv[0] else "is not on PATH"
            return CommandResult(end=NotStarted(message=f"'{spec.argv[0]}' {problem}", kind=Hindrance.MISSING_PROGRAM))
        try:
            log = CappedLog(os.fsencode(spec.log_path), spec.log_limit_bytes)
        except OSError as error:
            message = f"{spec.log_path}: the log cannot be opened: {error.strerror}"
            return CommandResult(end=NotStarted(message=message, kind=Hindrance.MACHINE))
        if isinstance(act.end, NotStarted):
            log.finish()
            return CommandResult(end=act.end)
        log.write(act.output)
        is_cut = log.finish()
        listener = Listener(spec.listen_for)
        listener.take(act.output)
        end, elapsed_s = act.end, act.takes_s
        if spec.listen_for and listener.has_all:
            end, elapsed_s = Heard(), 0.0
        elif act.takes_s > spec.time_limit_s:
            end = TimedOutEnd(stopped_by=act.stopped_by)
            elapsed_s = spec.time_limit_s + (self._grace_s if act.stopped_by == "SIGKILL" else 0.0)
        elif act.effect is not None:
            act.effect(spec)
            if cancel.is_cancelled:
                end = Cancelled()
        with self._lock:
            self.now_s += elapsed_s
        return CommandResult(
            end=end,
            elapsed_s=elapsed_s,
            cpu_s=elapsed_s,
            max_rss_bytes=1024**2,
            log_bytes=log.printed_bytes,
            log_cut=is_cut,
            log_fault=act.log_fault or log.fault,
            survivor_count=act.survivor_count,
            oom_kills=act.oom_kills,
            heard_count=listener.heard_count,
        )
