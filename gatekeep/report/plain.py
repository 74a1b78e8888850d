"""
Hostile text made harmless: what a build, a path or a commit message says is never a command to what shows it.

A terminal obeys control characters, and any renderer obeys the invisible ones that reorder or hide text. Both become
visible escapes in Python's spelling (`\\x1b`, `\\u202e`, `\\udc80`), so that a reader sees that something was there. A
backslash that stands in the text stays as it is: paths and log lines are full of them, and nothing reads the text back.

Sources:
    ECMA-48 (5th edition), clauses 5.2 and 5.3: the C0 and C1 sets of control functions.
    Unicode TR #36, "Unicode Security Considerations", section 2.6, and UAX #9, table 4: overrides, embeddings,
    isolates and marks change the order in which neighbouring text is shown.
    Unicode Character Database, DerivedCoreProperties.txt: Default_Ignorable_Code_Point, what is shown as nothing.
    XML 1.0 (5th edition), section 2.2, production [2] Char and the note under it.
"""

from __future__ import annotations

import re
import unicodedata

# General categories that are never shown as themselves: controls, format characters, surrogates, private use,
# unassigned (a later Unicode may give them any effect; noncharacters are among them), line and paragraph separators.
_HIDDEN_CATEGORIES = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})

# Default_Ignorable_Code_Point that have another general category (letters and marks) and yet are shown as nothing.
_INVISIBLE = re.compile("[\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u3164\ufe00-\ufe0f\uffa0\U000e0100-\U000e01ef]")

# Everything outside XML's Char, and what the note under it asks authors to avoid.
_NOT_XML = re.compile(
    "[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]"
    "|[\x7f-\x84\x86-\x9f\ufdd0-\ufdef"
    + "".join(chr(plane << 16 | low) for plane in range(1, 17) for low in (0xFFFE, 0xFFFF))
    + "]"
)

_SHORT_ESCAPES = {"\t": "\\t", "\n": "\\n", "\r": "\\r"}


def plain(text: str, *, keep_tabs: bool = False) -> str:
    """
    Make one line of text that no terminal and no viewer obeys.

    Args:
        text: Anything, lone surrogates included (undecodable bytes read with `surrogateescape`).
        keep_tabs: Leave tabs as they are; everything else that moves a cursor goes.

    Returns:
        The text with control, format, bidirectional, zero-width, private-use and unassigned characters, surrogates and
        line separators as visible escapes. Holds no line break, and encodes as UTF-8.
    """
    # Nearly all text is printable as it is: one C call, and one search for the few that isprintable() lets through.
    if text.isprintable() and not _INVISIBLE.search(text):
        return text
    return "".join(
        character if _is_shown(character) or (keep_tabs and character == "\t") else _escape(character)
        for character in text
    )


def plain_lines(text: str, *, keep_tabs: bool = False) -> tuple[str, ...]:
    """
    Make each line of a text plain.

    Args:
        text: Lines ended by LF or CR LF; any other line separator is escaped within its line.
        keep_tabs: As for `plain`.

    Returns:
        One entry a line, in order; a line break at the end starts no further line. Empty for an empty text.
    """
    if not text:
        return ()
    lines = text.removesuffix("\n").split("\n")
    return tuple(plain(line.removesuffix("\r"), keep_tabs=keep_tabs) for line in lines)


def xml_text(text: str) -> str:
    """
    Make what XML 1.0 forbids, or asks to avoid, visible escapes.

    Markup (`<`, `&`) is left to the writer's own escaping; tabs, line feeds and carriage returns stay. Writers of the
    standard library do not check this and would write a file that no parser reads.

    Source:
        XML 1.0 (5th edition), section 2.2, production [2] and the note on discouraged characters.
    """
    return _NOT_XML.sub(lambda match: _escape(match[0]), text)


def _is_shown(character: str) -> bool:
    return unicodedata.category(character) not in _HIDDEN_CATEGORIES and not _INVISIBLE.match(character)


def _escape(character: str) -> str:
    if character in _SHORT_ESCAPES:
        return _SHORT_ESCAPES[character]
    number = ord(character)
    if number < 0x100:
        return f"\\x{number:02x}"
    return f"\\u{number:04x}" if number < 0x10000 else f"\\U{number:08x}"
