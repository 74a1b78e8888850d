"""
One boot: the emulator is run, its console is listened to, and what it did not say is the code's fault.

The emulator is a command like those of a recipe: in the same sandbox, under the same limits of memory and disk, without
input. Its output, errors included, is the console: raw bytes of strangers, of which the beginning and the end are kept.
As soon as the expected texts have come, each after the one before it, the emulator is ended, since a firmware never
ends by itself. One that prints without end is ended by its time limit.

A program that is not there, or an emulator that the machine ended, says nothing about the image. A command that stands
in front of the emulator says by its exit code that it did not find it: 127, or 126 where it could not be run.

Source: POSIX.1-2017, Shell Command Language, 2.8.2 "Exit Status for Commands": 126 and 127.
"""

from __future__ import annotations

from dataclasses import replace

from gatekeep.build.command import (
    CancelToken,
    CommandResult,
    CommandRunner,
    CommandSpec,
    Exited,
    Heard,
    Hindrance,
    NotStarted,
    OverLimit,
    Signalled,
    TimedOutEnd,
)
from gatekeep.build.ending import outcome_of_command
from gatekeep.build.job import BootResult
from gatekeep.model.evidence import Broken, NotDecided, Outcome
from gatekeep.model.matrix import Boot, Recipe

_NOT_RUN = frozenset((126, 127))
#: As many lines of a console as of any other log.
_EXCERPT_LINES = 8
_EXCERPT_BYTES = 4096


def try_boot(
    boot: Boot, spec: CommandSpec, *, recipe: Recipe, runner: CommandRunner, cancel: CancelToken
) -> BootResult:
    """
    Boot an image.

    Args:
        boot: What its console has to say.
        spec: The emulator, all of it filled in; its log is the console, and holds nothing yet.
        recipe: The target's, for its limits.
        runner: Starts the emulator.
        cancel: Ends it.

    Returns:
        None as the outcome where every text came; `Broken` where the emulator ended or ran out of time without; and
        not decided where the machine failed.
    """
    texts = tuple(text.encode("utf-8") for text in boot.expect)
    result = runner.run(replace(spec, listen_for=texts), cancel)
    try:
        console = spec.log_path.read_bytes()
    except FileNotFoundError:
        console = b""
    return BootResult(outcome=_judge(boot, recipe, result, console), elapsed_s=result.elapsed_s, console=console)


def _judge(boot: Boot, recipe: Recipe, result: CommandResult, console: bytes) -> Outcome | None:
    # As the matrix writes it: a worker's folder in a message would make one fault look like many.
    program = boot.command[0]
    match result.end:
        case Heard():
            return None
        case Exited() | Signalled() | TimedOutEnd() if result.heard_count == len(boot.expect):
            return None  # it had said all before it could be ended
        case TimedOutEnd():
            return _did_not_say(boot, result, f" within {boot.time_limit_s:g} s", console)
        case Exited(code=code) if code in _NOT_RUN:
            said = next(reversed(_last_lines(console)), "what it calls cannot be run here")
            return _not_run("what it calls", f"{program} ended with exit code {code}: {said}")
        case NotStarted(kind=Hindrance.MISSING_PROGRAM, message=message) if not _is_the_trees(program):
            return _not_run(program, message)
        case _:
            pass
    outcome = outcome_of_command(program, result, recipe)
    match result.end:
        case Exited() | Signalled() if not isinstance(outcome, NotDecided):
            end = outcome.message if isinstance(outcome, Broken) else "the emulator ended"
            return _did_not_say(boot, result, f": {end}", console)
        case OverLimit() if isinstance(outcome, Broken):
            return replace(outcome, message=f"while it booted, {outcome.message}", excerpt=_last_lines(console))
    return outcome


def _did_not_say(boot: Boot, result: CommandResult, how: str, console: bytes) -> Broken:
    message = f"booted and did not say '{boot.expect[result.heard_count]}'{how}"
    return Broken(message=message, first_error=None, excerpt=_last_lines(console))


def _is_the_trees(program: str) -> bool:
    """Tell a program that the tree or the build has to bring from one that the machine has to have."""
    return "/" in program and not program.startswith("/")


def _not_run(program: str, message: str) -> NotDecided:
    return NotDecided(message=message, hint=f"install {program} on this machine, or correct the boot's command")


def _last_lines(console: bytes) -> tuple[str, ...]:
    """Give the end of a console, cut to what a report can show; a firmware's line may have no end."""
    lines = console[-_EXCERPT_BYTES:].decode("utf-8", "surrogateescape").splitlines()
    return tuple(lines[-_EXCERPT_LINES:])
