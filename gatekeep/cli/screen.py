"""
Where reports go: standard output, as people read it or as JSON, and files.
"""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

import click

from gatekeep.report.write import write_text

_WIDTH_WITHOUT_TERMINAL = 100
_MOST_WIDTH = 120


@dataclass(frozen=True, slots=True, kw_only=True)
class Screen:
    """What standard output can show; `width` is in columns."""

    is_terminal: bool
    colour: bool
    width: int


def obeys_escapes(stream: TextIO) -> bool:
    """
    Say whether a stream leads to a terminal that obeys escape codes.

    Source: one of the kind "dumb" obeys none (common practice, no source).
    """
    return stream.isatty() and os.environ.get("TERM", "dumb") != "dumb"


def find_screen(colour: str = "auto") -> Screen:
    """
    Look at standard output; `colour` is the option's value.

    Source: no-color.org, which asks for a value that is not empty.
    """
    is_terminal = sys.stdout.isatty()
    wanted = colour == "always" or (colour == "auto" and obeys_escapes(sys.stdout) and not os.environ.get("NO_COLOR"))
    width = min(shutil.get_terminal_size().columns, _MOST_WIDTH) if is_terminal else _WIDTH_WITHOUT_TERMINAL
    return Screen(is_terminal=is_terminal, colour=wanted, width=width)


def write_reports(
    files: Sequence[tuple[Path | None, Callable[[], str]]], *, colour: str, render: Callable[[Screen], str]
) -> None:
    """
    Write a report to the files that were asked for, and show it.

    Args:
        files: Each with what goes into it; None was not asked for. `-` is standard output, which then shows nothing
            else.
        colour: The option's value.
        render: Gives what people read.
    """
    to_stdout: list[str] = []
    for path, text in files:
        if path is None:
            continue
        if str(path) == "-":
            to_stdout.append(text())
        else:
            write_text(path, text())
    if to_stdout:
        click.echo("\n".join(to_stdout), nl=False)
        return
    screen = find_screen(colour)
    click.echo(render(screen), nl=False, color=screen.colour)
