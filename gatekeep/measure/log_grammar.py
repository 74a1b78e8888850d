"""
What single lines of a log say: the wordings of GCC, Clang, GNU as and ld, LLD, GNU make and the shell.

Every function looks at one line and nothing else, so that lines which a parallel make has mixed are still read rightly.
Wordings were taken from the programs themselves (GCC 12.2, binutils 2.40, Clang and LLD 22, GNU make 4.3, dash, bash);
`tests/data/logs` has their output. The form of a place is the GNU coding standards', "Formatting Error Messages".

The patterns have no nested repetition, and lines are short (`log_lines`), so no text makes them slow.
"""

from __future__ import annotations

import re
from enum import IntEnum
from typing import Final, NamedTuple

from gatekeep.model.evidence import Severity, Speaker


class Cause(IntEnum):
    """Whose error a person should look at first, most telling first."""

    COMPILE = 0
    LINK = 1
    MAKE = 2
    """Make's own complaint: no rule, a syntax error."""
    SHELL = 3
    """A command that does not exist."""
    SUMMARY = 4
    """Make repeats that a command failed; says nothing new where the command said why."""


class Header(NamedTuple):
    """
    The line that begins a diagnostic.

    `severity` is None for what is no finding: a note (its message and place are given), or a tool that counts or
    repeats its findings. `path` is as the tool wrote it. `in_object` says that a linker named a section and no file:
    the object is in an earlier line. `level` is the make that speaks.
    """

    severity: Severity | None
    message: str = ""
    speaker: Speaker = Speaker.COMPILER
    cause: Cause = Cause.COMPILE
    path: str | None = None
    line: int | None = None
    column: int | None = None
    option: str | None = None
    in_object: bool = False
    level: int | None = None


class DirectoryMove(NamedTuple):
    """Make enters or leaves a folder."""

    enters: bool
    level: int
    name: str


_SEVERITY = re.compile(
    r"(?:^|:) ?(fatal error|error|warning|note|remark|internal compiler error|sorry, unimplemented"
    r"|Fatal error|Error|Warning|Info):"
)
_NOTES: Final = frozenset({"note", "remark", "Info"})
#: Severities whose words are part of what is said.
_TELLING: Final = frozenset({"internal compiler error", "sorry, unimplemented"})
_OPTION = re.compile(r" \[(-W[^\[\]]{1,300})\]$")
#: file:line, file:line:column, file:line.column, and the ranges file:line.column-line.column, file:line-line.
_PLACE = re.compile(r"(.+?):([0-9]{1,9})(?:[:.]([0-9]{1,9}))?(?:-[0-9]{1,9}(?:[:.][0-9]{1,9})?)?:?")
_PLACE_AND_MESSAGE = re.compile(r"([^\s:][^:]*):([0-9]{1,9}): (.+)")
_SECTION_PLACE = re.compile(r"(.+?):\([^()]*\)")
_OBJECT_FILE: Final = (".o", ".obj", ".lo", ".a", ".so", ".elf", ".bc", ")")
_OBJECT_AND_MESSAGE = re.compile(r"([^\s:]+\.(?:o|obj|lo|a|so|elf|bc)(?:\([^()\s]*\))?): (.+)")
#: Without a line number to prove it, "Compiling x.c" is a sentence and no name; an absolute path may have spaces.
_FILE_NAME = re.compile(r"(?:/[^\"]*|[^\s\"/][^\s\"]*)\.[A-Za-z][\w+-]*|[^\s\"]*(?:GNUm|M|m)akefile")
_PSEUDO_FILE = re.compile(r"<[^<>/]*>|\{[^{}/]*\}")
_MAKEFILE = re.compile(r"(?:.*/)?(?:(?:GNUm|M|m)akefile[\w.-]*|[^/]+\.(?:mk|mak|make))")
_PROGRAM = re.compile(r"[\w.+-]{1,100}(?:\[[0-9]{1,4}\])?", re.ASCII)
_LINKER = re.compile(r"(?:[\w.+-]*-)?(?:ld|ld\.(?:bfd|gold|lld)|ld64\.lld|lld|collect2)(?:\.exe)?", re.ASCII)
_ASSEMBLER = re.compile(r"(?:[\w.+-]*-)?as(?:\.exe)?", re.ASCII)
_MAKE = re.compile(r"(?:[\w.+-]*-)?g?make(?:\.exe)?(?:\[([0-9]{1,4})\])?|ninja", re.ASCII)
_SHELLS: Final = frozenset({"sh", "bash", "dash", "ash", "env"})

_LINK_ERROR = re.compile(
    r": (?=undefined reference|multiple definition of|relocation truncated to fit|dangerous relocation"
    r"|file not recognized|file in wrong format|unresolvable |unsupported reloc|unrecognized reloc)"
)
_LINK_CHATTER = re.compile(
    r"skipping incompatible |NOTE: |more undefined references to |use the --help option"
    r"|supported (?:targets|emulations)"
)
_IN_FUNCTION = re.compile(r"(.+?): [Ii]n function [`'‘\"].*:")
_REPEATS = re.compile(
    r"(?:all|some) warnings being treated as errors$"
    r"|(?:\S+ )?ld returned -?[0-9]+ exit status"
    r"|.{1,200} returned -?[0-9]+ exit status$"
    r"|too many errors emitted, stopping now"
    r"|linker command failed with exit code"
    r"|\S+ command failed (?:with exit code|due to signal)"
)
#: The machine's clock, not the code: the figures are others in every build.
_CLOCK = re.compile(r" ?Clock skew detected|File .{1,1000} has modification time ")
_STARS = re.compile(
    r"(?:([^\s:][^:]*):([0-9]{1,9})|(?:[^\s:]*/)?[\w.+-]*make(?:\.exe)?(?:\[([0-9]{1,4})\])?): \*\*\* (.+)", re.ASCII
)
_FAILED_RULE = re.compile(r"\[(?:([^\[\]:]+):([0-9]{1,9}): |<[^<>]*>: )?(.+)\] ([^\]]+)")
_STARS_CHATTER: Final = ("Waiting for unfinished jobs", "Deleting ")
_SHELL_ENDS: Final = (
    ": not found",
    ": command not found",
    ": Command not found",
    ": No such file or directory",
    ": Permission denied",
    ": Exec format error",
)
_SHELL_LINE = re.compile(r"(?:line )?[0-9]{1,9}: ")
_DIRECTORY = re.compile(r"(?:[^\s:]*/)?[\w.+-]+?(?:\[([0-9]{1,4})\])?: (Entering|Leaving) directory [`'‘\"](.+)['’\"]")
_CARET_SIGNS: Final = " \t^~|-<"


def read_header(line: str, *, assembling: bool = False) -> Header | None:
    """
    Read the first line of a diagnostic.

    Args:
        line: Without colours.
        assembling: Whether the line before was the assembler's title, "Assembler messages:".

    Returns:
        None for every other line: commands, quoted source, context.
    """
    if ":" not in line:
        return None
    if ("rror:" in line or "arning:" in line or "note:" in line or "remark:" in line or "unimplemented:" in line) and (
        match := _SEVERITY.search(line)
    ):
        header = _read_severity(line[: match.start()], match[1], line[match.end() :].strip(), assembling)
        if header is not None:
            return header
    name, rest = _split_program(line)
    if _LINKER.fullmatch(name):
        return _read_linker(rest)
    if (match := _LINK_ERROR.search(line)) is not None:
        return _read_link_error(line[: match.start()], line[match.end() :])
    if "*** " in line and (match := _STARS.match(line)) is not None:
        return _read_stars(match)
    if name in _SHELLS or _MAKE.fullmatch(name):
        return _read_shell(name, rest)
    return None


def read_directory(line: str) -> DirectoryMove | None:
    """Read make's "Entering directory" or "Leaving directory"; None for every other line."""
    if "directory" not in line or (match := _DIRECTORY.match(line)) is None:
        return None
    return DirectoryMove(match[2] == "Entering", int(match[1] or 0), match[3])


def read_linked_object(line: str) -> str | None:
    """Read the object that the linker's "in function" line names; None for every other line, GCC's too."""
    if "n function" not in line or (match := _IN_FUNCTION.fullmatch(_strip_linker(line))) is None:
        return None
    return match[1] if match[1].endswith(_OBJECT_FILE) else None


def is_context(line: str) -> bool:
    """Tell whether a line leads up to a diagnostic: the chain of includes, the function it is in."""
    if line.startswith(("In file included from ", "In module ")) or line.lstrip().startswith("from "):
        return True
    return line.endswith(":") and (
        ": In " in line or ": At " in line or ": in function " in line or line.endswith("Assembler messages:")
    )


def is_assembler_title(line: str) -> bool:
    """Tell whether a line is the assembler's title, after which it may leave the file out."""
    return line.endswith("Assembler messages:")


def is_macro_use(header: Header) -> bool:
    """Tell whether a note says where the macro was used whose definition the finding before it points at."""
    return header.severity is None and header.message.startswith("in expansion of macro ") and header.line is not None


def is_caret(line: str) -> bool:
    """Tell whether a line points at the source line above it."""
    return ("^" in line or "~" in line) and not line.strip(_CARET_SIGNS)


def _split_program(text: str) -> tuple[str, str]:
    """Split `/usr/bin/ld: rest` into `ld` and `rest`; GNU ld leaves the space out before a script's name."""
    head, _, rest = text.partition(":")
    return head[head.rfind("/") + 1 :], rest.lstrip()


def _strip_linker(line: str) -> str:
    name, rest = _split_program(line)
    return rest if _LINKER.fullmatch(name) else line


def _read_severity(where: str, word: str, message: str, assembling: bool) -> Header | None:
    if not message:
        return None
    name, rest = _split_program(where)
    level = None
    if _LINKER.fullmatch(name):
        speaker: Speaker | None = Speaker.LINKER
    elif (make := _MAKE.fullmatch(name)) is not None:
        speaker, level = Speaker.MAKE, int(make[1] or 0)
    elif _ASSEMBLER.fullmatch(name):
        speaker = Speaker.ASSEMBLER
    else:
        speaker, rest = None, where
    place = _read_place(rest)
    if place is None:
        return None
    path, line, column, in_object = place
    if speaker is None:
        speaker = _guess_speaker(place, word, assembling)
        if speaker is None:
            return None
    if word in _NOTES:
        return Header(None, message, path=path, line=line, column=column)
    if _REPEATS.match(message) or (speaker is Speaker.MAKE and _CLOCK.match(message)):
        return Header(None)
    if speaker is Speaker.LINKER and not rest and (match := _PLACE_AND_MESSAGE.fullmatch(message)):
        path, line, message = match[1], int(match[2]) or None, match[3]
    message, option = _split_option(message)
    return Header(
        severity=Severity.WARNING if word in ("warning", "Warning") else Severity.ERROR,
        message=f"{word}: {message}" if word in _TELLING else message,
        speaker=speaker,
        cause=_CAUSES[speaker],
        path=path,
        line=line,
        column=column,
        option=option,
        in_object=in_object,
        level=level,
    )


_CAUSES: Final = {
    Speaker.COMPILER: Cause.COMPILE,
    Speaker.ASSEMBLER: Cause.COMPILE,
    Speaker.LINKER: Cause.LINK,
    Speaker.MAKE: Cause.MAKE,
}

_Place = tuple[str | None, int | None, int | None, bool]


def _read_place(where: str) -> _Place | None:
    """Give path, line, column and `in_object`; None where text before a severity is no place and no program."""
    if not where:
        return (None, None, None, False)
    if '"' in where or where[0] in " \t-`'":
        # An echoed command or a sentence, not a place.
        return None
    if match := _PLACE.fullmatch(where):
        if _PSEUDO_FILE.fullmatch(match[1]):
            return (None, int(match[2]) or None, None, False)
        return (match[1], int(match[2]) or None, int(match[3] or 0) or None, False)
    if match := _SECTION_PLACE.fullmatch(where):
        name = match[1].split(":", 1)[0]
        return (name, None, None, False) if name.endswith(_OBJECT_FILE) else (None, None, None, True)
    if _FILE_NAME.fullmatch(where):
        return (where, None, None, False)
    if _PSEUDO_FILE.fullmatch(where) or _PROGRAM.fullmatch(where[where.rfind("/") + 1 :]):
        return (None, None, None, False)
    return None


def _guess_speaker(place: _Place, word: str, assembling: bool) -> Speaker | None:
    """Tell who speaks without a program's name; None for a capital "Error:" that no tool of ours wrote."""
    path, line, _, in_object = place
    if in_object or (path is not None and line is None and path.endswith(_OBJECT_FILE)):
        return Speaker.LINKER
    if path is not None and _MAKEFILE.fullmatch(path):
        return Speaker.MAKE
    if word[0].isupper():
        return Speaker.ASSEMBLER if line is not None or assembling else None
    return Speaker.COMPILER


def _split_option(message: str) -> tuple[str, str | None]:
    """Take `[-Wx]`, `[-Werror=x]`, `[-Werror,-Wx]`, `[-Wx,-Wy]` or `[-Wx,Category]` off the end."""
    if not message.endswith("]") or (match := _OPTION.search(message)) is None:
        return message, None
    names = [part.strip().removeprefix("-Werror=").removeprefix("-W") for part in match[1].split(",") if "-W" in part]
    telling = [name for name in names if name and name != "error"]
    return message[: match.start()], ",".join(telling) or None


def _read_linker(rest: str) -> Header | None:
    """Read what follows a linker's name when it gives no severity: GNU ld's errors."""
    if not rest or _IN_FUNCTION.fullmatch(rest):
        return None
    if _LINK_CHATTER.search(rest):
        return Header(None)
    if match := _LINK_ERROR.search(rest):
        return _read_link_error(rest[: match.start()], rest[match.end() :])
    if match := _PLACE_AND_MESSAGE.fullmatch(rest):
        return _make_link_error(match[3], path=match[1], line=int(match[2]) or None)
    if match := _OBJECT_AND_MESSAGE.fullmatch(rest):
        return _make_link_error(match[2], path=match[1])
    return _make_link_error(rest)


def _read_link_error(where: str, message: str) -> Header | None:
    if _LINK_CHATTER.match(message):
        return Header(None)
    place = _read_place(where)
    if place is None:
        return None
    path, line, _, in_object = place
    return _make_link_error(message, path=path, line=line, in_object=in_object or path is None)


def _make_link_error(
    message: str, *, path: str | None = None, line: int | None = None, in_object: bool = False
) -> Header:
    return Header(Severity.ERROR, message, Speaker.LINKER, Cause.LINK, path=path, line=line, in_object=in_object)


def _read_stars(match: re.Match[str]) -> Header | None:
    """Read make's `*** …`: a complaint of its own, or that a command failed."""
    path, line, level, message = match.groups()
    message = message.strip().removesuffix("Stop.").rstrip().removesuffix(".")
    if not message or message.startswith(_STARS_CHATTER):
        return Header(None)
    cause = Cause.MAKE
    if failed := _FAILED_RULE.fullmatch(message):
        path, line, message, cause = failed[1], failed[2], f"{failed[3]}: {failed[4]}", Cause.SUMMARY
    return Header(
        Severity.ERROR,
        message,
        Speaker.MAKE,
        cause,
        path=path,
        line=int(line) or None if line else None,
        level=int(level or 0) if path is None or cause is Cause.SUMMARY else None,
    )


def _read_shell(name: str, rest: str) -> Header | None:
    """Read a command that could not be started, or make's word about a circle."""
    if rest.endswith(_SHELL_ENDS):
        rest = _SHELL_LINE.sub("", rest, count=1) if _SHELL_LINE.match(rest) else rest
        return Header(Severity.ERROR, rest, Speaker.MAKE, Cause.SHELL)
    if name not in _SHELLS and rest.startswith("Circular ") and rest.endswith(" dependency dropped."):
        return Header(Severity.WARNING, rest, Speaker.MAKE, Cause.MAKE)
    return None
