"""
Which program a failed build could not find on this machine.

A makefile that calls a program which is not installed ends like one that calls a compiler which refuses: with an exit
code. What tells them apart is in the log: a shell's exit status 127, and the line in which the shell, make or env names
the program. It counts only where the name is on no folder of the build's PATH; a path with a slash in it is the tree's
own affair.

Source:
    POSIX.1-2017, Shell Command Language, 2.8.2 "Exit Status for Commands" (127: not found); the lines are those of
    dash 0.5.12, bash 5.2, GNU make 4.3 and GNU coreutils 9.1, as they were seen.
"""

from __future__ import annotations

import re
import shutil

_STATUS = re.compile(rb"\bError 127\b")
_NAME = rb"(?P<name>[A-Za-z0-9][A-Za-z0-9._+-]{0,79})"
_QUOTE = rb"(?:'|\"|\xe2\x80\x98|\xe2\x80\x99)"
_LINES = (
    re.compile(rb"^[^\s:]*sh: (?:line )?\d+: " + _NAME + rb": (?:command )?not found\r?$", re.MULTILINE),
    re.compile(rb"^make(?:\[\d+\])?: " + _NAME + rb": No such file or directory\r?$", re.MULTILINE),
    re.compile(
        rb"^[^\s:]*env: " + _QUOTE + rb"?" + _NAME + _QUOTE + rb"?: No such file or directory\r?$", re.MULTILINE
    ),
)


def find_missing_program(log: bytes, *, exit_code: int, path: str) -> str | None:
    """
    Name the program that a build missed.

    Args:
        log: What it wrote.
        exit_code: Of the command that failed.
        path: The build's PATH.

    Returns:
        A plain name without a slash, ASCII; None when the log does not say so.
    """
    if exit_code != 127 and _STATUS.search(log) is None:
        return None
    for line in _LINES:
        # Each once: a log may say the same of a program that is there a million times.
        for name in dict.fromkeys(found["name"].decode("ascii") for found in line.finditer(log)):
            if shutil.which(name, path=path) is None:
                return name
    return None
