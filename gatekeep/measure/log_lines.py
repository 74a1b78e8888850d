"""
A build's log as lines of text, fit to be read by programs.

Compilers colour their messages and link their options when they think that a person looks on; progress displays
overwrite their line with a carriage return. Both are undone here, and no line is longer than a limit, so that whoever
reads the lines needs time and memory in proportion to the log and no more.

Source: ECMA-48, 5.4 (control sequences: CSI, parameter bytes 03/00 to 03/15, intermediate bytes 02/00 to 02/15, final
bytes 04/00 to 07/14) and 5.6 (command strings, ended by ST); ending them by BEL and OSC 8 for links are xterm's and
the terminals' common practice, and what GCC 12 writes.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

#: What is past this many bytes of a line is not looked at. C++ messages reach some thousands.
LINE_LIMIT_BYTES: Final = 8192

_LINE = re.compile(rb"[^\r\n]+")
_ESCAPE = re.compile(
    r"\x1b(?:\[[0-?]*[ -/]*[@-~]"  # CSI: colours, erase to the end of the line
    r"|[\]PX^_][^\x07\x1b]*(?:\x07|\x1b\\)"  # OSC and its like: links
    r"|[ -/]*[0-Z\\^-~])"  # the rest: character sets, resets
)
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]")


def iter_lines(log: bytes) -> Iterator[str]:
    """
    Yield the lines of a log without colours, links and other control characters.

    Lines end with CR, LF or both; what a carriage return would overwrite is a line of its own, since a tool did say it.
    Blank lines are left out. Bytes that are not UTF-8 are kept with surrogateescape.
    """
    for match in _LINE.finditer(log):
        start, end = match.span()
        text = log[start : min(end, start + LINE_LIMIT_BYTES)].decode("utf-8", "surrogateescape")
        if not text.isprintable():
            if "\x1b" in text:
                text = _ESCAPE.sub("", text)
            text = _CONTROL.sub("", text)
        if text and not text.isspace():
            yield text
