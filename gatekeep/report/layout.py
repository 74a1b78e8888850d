"""
Text in columns of a terminal: how wide it is, where it breaks, what is cut.

A terminal shows East Asian wide characters in two cells and combining marks in none, so length in characters is not
width. All text here is already plain (`gatekeep.report.plain`).

Source: Unicode UAX #11, "East Asian Width", classes W and F; ambiguous characters count as narrow, as UAX #11 section
5 advises where the context is not East Asian.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence

_NO_WIDTH_CATEGORIES = frozenset({"Mn", "Me"})


def cell_width(text: str) -> int:
    """Count the terminal cells that a plain text takes."""
    return len(text) if text.isascii() else sum(map(_width_of, text))


def shorten(text: str, width: int) -> str:
    """Cut a text to this many cells; `…` stands for what went. A width of 1 or less gives `…` for any longer text."""
    if cell_width(text) <= width:
        return text
    head, _ = _split_at(text, width - 1)
    return f"{head.rstrip()}…"


def fold(text: str, width: int) -> list[str]:
    """
    Break a text after every `width` cells, wherever that falls, so that columns within it stay aligned.

    Returns:
        At least one line; for quoted log lines, which word wrapping would spoil.
    """
    lines = []
    while cell_width(text) > width:
        head, rest = _split_at(text, width)
        if not head:
            # One character that is wider than the line: it goes alone, or this would not end.
            head, rest = text[:1], text[1:]
        lines.append(head)
        text = rest
    return [*lines, text]


def pad_left(text: str, width: int) -> str:
    """Fill with blanks on the left up to this many cells."""
    return " " * (width - cell_width(text)) + text


def pad_right(text: str, width: int) -> str:
    """Fill with blanks on the right up to this many cells."""
    return text + " " * (width - cell_width(text))


def wrap_words(words: Sequence[str], width: int) -> list[list[str]]:
    """
    Share words out over lines of at most `width` cells, one blank between two words.

    A word that is longer than a line gets a line of its own and is left whole: a path that is cut cannot be opened.

    Returns:
        The words of each line; empty for no words.
    """
    lines: list[list[str]] = []
    used = 0
    for word in words:
        needed = cell_width(word)
        if lines and used + 1 + needed <= width:
            lines[-1].append(word)
            used += 1 + needed
        else:
            lines.append([word])
            used = needed
    return lines


def _width_of(character: str) -> int:
    if unicodedata.category(character) in _NO_WIDTH_CATEGORIES:
        return 0
    return 2 if unicodedata.east_asian_width(character) in ("W", "F") else 1


def _split_at(text: str, width: int) -> tuple[str, str]:
    """Split before the character that would pass `width` cells."""
    used = 0
    for index, character in enumerate(text):
        used += _width_of(character)
        if used > width:
            return text[:index], text[index:]
    return text, ""
