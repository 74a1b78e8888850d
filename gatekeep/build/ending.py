"""
What the end of one command makes of a job: the code's fault, or the machine's.
"""

from __future__ import annotations

from signal import SIGKILL, SIGXFSZ
from typing import assert_never

from gatekeep.build.command import (
    Cancelled,
    CommandResult,
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
from gatekeep.model.evidence import Broken, NotDecided, Outcome, TimedOut
from gatekeep.model.limits import Limits
from gatekeep.model.matrix import Recipe
from gatekeep.model.quantity import render_bytes


def outcome_of_command(program: str, result: CommandResult, recipe: Recipe) -> Outcome | None:
    """
    Say what the end of a command makes of the whole job.

    Args:
        program: By its name or path, for messages.
        result: How it ended.
        recipe: The job's, for its limits.

    Returns:
        None for success; `Broken` and `TimedOut` without an excerpt, which is in the log.
    """
    end = result.end
    match end:
        case Exited(code=0) | Heard():
            return _say_log_lost(result.log_fault) if result.log_fault is not None else None
        case Exited() | Signalled() if result.log_fault is not None:
            # Where there is no room for a log, there was none for what it wrote; and why it failed nobody knows.
            return _say_log_lost(result.log_fault)
        case Exited():
            if result.oom_kills:
                return _out_of_memory()
            return Broken(message=f"{program} ended with exit code {end.code}", first_error=None)
        case Signalled():
            if result.oom_kills and end.signal is SIGKILL:
                return _out_of_memory()
            if end.signal is SIGXFSZ:
                if was_file_limit_lowered(result, recipe):
                    return say_disk_short()
                most = render_bytes(recipe.limits.file_bytes)
                message = f"{program} wrote a file larger than {most}, a third of its disk limit"
                return Broken(message=message, first_error=None)
            return Broken(message=f"{program} was ended by {end.signal.name}", first_error=None)
        case TimedOutEnd():
            return TimedOut(limit_s=recipe.time_limit_s, stopped_by=end.stopped_by)
        case OverLimit():
            return _outcome_of_limit(end, recipe.limits)
        case NotStarted():
            if end.kind is Hindrance.HIDDEN:
                return NotDecided(message=end.message)
            if end.kind is Hindrance.MACHINE or (end.kind is Hindrance.MISSING_PROGRAM and "/" not in program):
                return NotDecided(message=end.message, hint=f"install {program} on this machine, or correct the recipe")
            return Broken(message=end.message, first_error=None)
        case Cancelled():
            return NotDecided(message="the run was stopped")
        case Lost():
            return NotDecided(message=end.message, passing=True)
        case _:
            assert_never(end)


def _say_log_lost(fault: str) -> NotDecided:
    return NotDecided(message=f"the log could not be written: {fault}", passing=True)


def was_file_limit_lowered(result: CommandResult, recipe: Recipe) -> bool:
    """Tell whether a full disk has left less room for a file than the recipe's own limit."""
    return result.file_limit_bytes is not None and result.file_limit_bytes < recipe.limits.file_bytes


def say_disk_short() -> NotDecided:
    """Say that the machine had no room for what a build wrote: of the code that says nothing."""
    return NotDecided(message="the disk is full", hint="free some space and run again", passing=True)


def _outcome_of_limit(end: OverLimit, limits: Limits) -> Outcome:
    """A limit of the recipe is the code's fault; that the machine has less to give is not."""
    match end.resource:
        case Resource.MEMORY:
            what, own = f"{render_bytes(end.most)} of memory", limits.memory_bytes
        case Resource.PROCESSES:
            what, own = f"{end.most} processes at once", limits.process_count
        case Resource.DISK:
            what, own = f"{render_bytes(end.most)} of the disk", limits.disk_bytes
        case _:
            assert_never(end.resource)
    if end.most >= own:
        return Broken(message=f"the build used more than {what}, its limit", first_error=None)
    return NotDecided(
        message=f"the build used more than {what}, which is all that this machine gives to one build",
        hint="build where there is more, or have the recipe's limit say that less must do",
    )


def _out_of_memory() -> NotDecided:
    return NotDecided(
        message="the machine ran out of memory",
        hint="run with fewer workers (--workers), and again",
        passing=True,
    )
