"""
The command `gatekeep`: its subcommands, and how errors become messages and exit codes.
"""

from __future__ import annotations

import contextlib
import errno
import gc
import os
import signal
import sys
import traceback
from importlib import import_module
from io import TextIOWrapper
from typing import TextIO

import click

from gatekeep import __version__
from gatekeep.errors import GatekeepError, MatrixError, UsageError
from gatekeep.report.plain import plain, plain_lines

#: The contract with scripts and hooks; shown by --help.
EXIT_PASS = 0
EXIT_BLOCKED = 1
EXIT_USAGE = 2
EXIT_UNDECIDED = 3
EXIT_INTERRUPTED = 130

#: Commands by name: module and one-line help, so that --help and completion import none of them.
_COMMANDS = {
    "gate": ("gatekeep.cli.gate", "Judge a change: build every target at every commit, say pass or block."),
    "land": ("gatekeep.cli.land", "Gate a change and, where it passes, move the branch to what was judged."),
    "receive": ("gatekeep.cli.receive", "Gate a push on the server: what the pre-receive hook runs."),
    "targets": ("gatekeep.cli.targets", "List and check the targets of a matrix."),
    "approve": ("gatekeep.cli.approve", "Sign what a change loosens of the gate, as somebody whom the base trusts."),
    "sweep": (
        "gatekeep.cli.sweep",
        "Build every target of a commit clean: what is new since the last sweep, and who did it.",
    ),
    "health": ("gatekeep.cli.health", "Write the health site: pages, feeds and badges of every port and target."),
    "history": ("gatekeep.cli.history", "Show a target over the commits of main: sizes, warnings, what broke when."),
    "log": ("gatekeep.cli.log", "Print the log of a build, also when it is compressed by now."),
    "audit": ("gatekeep.cli.audit", "Hold carried results against clean builds."),
    "culprit": ("gatekeep.cli.culprit", "Find the first commit at which a target broke."),
    "demo": ("gatekeep.cli.demo", "Make the demonstration's firmware repository."),
}


#: What a write fails with that nothing in gatekeep can be blamed for, wherever it was tried.
_OF_THE_MACHINE = frozenset((errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EIO))
#: Python looks for garbage after so many new objects; its own 700 are a tenth of a start, which makes 200,000 to stay.
_COLLECT_AFTER = 100_000


class _ReaderGoneError(Exception):
    """Nobody reads standard output any more."""


class _LazyGroup(click.Group):
    """Imports a command's module when it is called: starting stays fast."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        command = getattr(import_module(_COMMANDS[cmd_name][0]), cmd_name)
        if not isinstance(command, click.Command):
            raise TypeError(f"{cmd_name} is no command")
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and self.get_command(ctx, args[0]) is None and not args[0].startswith("-"):
            from gatekeep.matrix.faults import suggest

            ctx.fail(f"there is no command '{plain(args[0])}'; {suggest(args[0], _COMMANDS, none='')}")
        return super().resolve_command(ctx, args)

    def invoke(self, ctx: click.Context) -> object:
        # click ends with 1 where a reader goes away (`gatekeep targets | head`), which says "blocked" to our callers.
        try:
            return super().invoke(ctx)
        except BrokenPipeError as error:
            raise _ReaderGoneError from error

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in _COMMANDS.items()])


@click.command(cls=_LazyGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.version_option(__version__, prog_name="gatekeep")
def cli() -> None:
    """
    Keep a firmware tree alive: no change lands that breaks a target or outgrows its flash.

    \b
    A first run, in a checkout that has a matrix.yml:
      gatekeep targets                  is the matrix right, which targets does it list?
      gatekeep gate main HEAD           may these commits land on main?

    \b
    Exit codes:
      0  pass
      1  blocked
      2  the command line or the matrix is wrong
      3  undecided: the machine's fault, not the code's; never taken for a pass
      130  interrupted
    """


def main() -> None:
    """Run the command line and leave the process with its exit code."""
    settle_process()
    for stream in (sys.stdout, sys.stderr):
        # A terminal of ISO 8859-1 shows what it has no sign for as an escape; the verdict is no less certain for that.
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    # Schedulers and CI stop what they started by SIGTERM: that is to keep what had ended, as Ctrl-C does.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    code = run(sys.argv[1:])
    # What cannot be flushed Python would try again while it shuts down, and end with 120, which means nothing here.
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except OSError:
            _forget(stream)
    # The process ends: its memory goes as a whole, and looking for garbage in it once more takes 80 ms.
    gc.freeze()
    sys.exit(code)


def settle_process() -> None:
    """Set what holds for the whole process; where somebody else's process runs our commands, that is theirs to say."""
    gc.set_threshold(_COLLECT_AFTER, *gc.get_threshold()[1:])


def run(arguments: list[str]) -> int:
    """Run one command; give its exit code, with every error of ours printed to standard error."""
    try:
        result = cli.main(arguments, prog_name="gatekeep", standalone_mode=False)
        return result if isinstance(result, int) else EXIT_PASS
    except click.exceptions.Exit as stop:
        return stop.exit_code
    except click.ClickException as error:
        error.show()
        return EXIT_USAGE
    except (KeyboardInterrupt, click.Abort):
        _say("gatekeep: stopped; what had ended is kept, the same command goes on from there")
        return EXIT_INTERRUPTED
    except MatrixError as error:
        for fault in (error, *error.others):
            _say(str(fault))
        return EXIT_USAGE
    except UsageError as error:
        _say(f"gatekeep: {error}")
        return EXIT_USAGE
    except GatekeepError as error:
        _say(f"gatekeep: {error}")
        _say("verdict: undecided; this is never a pass")
        return EXIT_UNDECIDED
    except _ReaderGoneError:
        _forget(sys.stdout)
        return EXIT_UNDECIDED
    except Exception as error:
        if isinstance(error, OSError) and error.errno in _OF_THE_MACHINE:
            place = error.filename or "standard output, or a file"
            _say(f"gatekeep: {place}: {error.strerror}; free the disk or have it writable, and run again")
            _say("verdict: undecided; this is never a pass")
            return EXIT_UNDECIDED
        # Python's own exit code for this is 1, which says "blocked" to whoever called us.
        _say_lines(traceback.format_exc())
        _say("gatekeep: this is a fault of gatekeep itself; report it with the lines above")
        _say("verdict: undecided; this is never a pass")
        return EXIT_UNDECIDED


def _say(text: str) -> None:
    """Say it to whoever still listens: an error that cannot be told must not become another exit code."""
    with contextlib.suppress(OSError):
        click.echo(plain(text), err=True)


def _say_lines(text: str) -> None:
    with contextlib.suppress(OSError):
        for line in plain_lines(text):
            click.echo(line, err=True)


def _forget(stream: TextIO) -> None:
    """Lead what is left in a stream's buffer nowhere."""
    with contextlib.suppress(OSError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
