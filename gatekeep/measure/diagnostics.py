"""
The warnings and errors of a build, found in its log.

A log is read once, line by line; each line is judged by its own words (`log_grammar`), and only four things look at
neighbours: the quoted source line, the place where a macro was used, the object that a linker named in the line
before, and the folder that make entered. A parallel build mixes lines, so none of the four may decide whether there is
a finding.

What the same file says in many compilations (a header's warning) is one diagnostic. What a macro does wrong is placed
where the macro was used, by the outermost of GCC's notes "in expansion of macro", as Clang does it and GCC's own JSON:
at the definition, the second wrong use could not be told from the first.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import islice
from typing import Final

from gatekeep.measure.log_grammar import (
    Cause,
    Header,
    is_assembler_title,
    is_caret,
    is_context,
    is_macro_use,
    read_directory,
    read_header,
    read_linked_object,
)
from gatekeep.measure.log_lines import iter_lines
from gatekeep.measure.log_paths import LogPaths
from gatekeep.measure.overflow import find_overflows, is_overflow
from gatekeep.model.evidence import Diagnostic, Overflow, Severity, Speaker

#: Distinct diagnostics that are kept of one log. Trees of some thousand warnings exist; one of more has a fault that
#: drowns all others, and comparing it line by line helps nobody. Errors have a limit of their own, so that warnings
#: cannot push them out.
WARNING_LIMIT: Final = 10_000
ERROR_LIMIT: Final = 1_000
#: Lines about regions that are kept: LLD writes one for every section past a region's end.
_OVERFLOW_LINE_LIMIT: Final = 1_000
_MESSAGE_LIMIT: Final = 1_000
_QUOTE_LIMIT: Final = 400
EXCERPT_LINE_LIMIT: Final = 12
#: How many lines before make's complaint are quoted: what the command itself said, in words that we do not know.
_LINES_BEFORE_MAKE: Final = 9

#: GCC writes ‘x’ where it was built with translations, 'x' where it was not (many cross compilers), and Clang 'x': one
#: fault of two ports is one.
_PLAIN_QUOTES: Final = str.maketrans("‘’", "''")

_SOURCE_LINE = re.compile(r" *([0-9]{1,9}) \| ?(.*)")
_REFERENCE = re.compile(
    r">>> (?:referenced by|defined at|defined in) (?:[^()]*\((.+):([0-9]{1,9})\)|(\S+):([0-9]{1,9}))"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LogFindings:
    """
    What a log says.

    `diagnostics` holds each distinct one once, in log order; of those that differ in the quoted source alone, the
    first with a quotation. `first_error` is the cause that a person should fix first: the first error of a compiler
    or assembler, else of a linker, else what make complained of; None when nothing complained. `excerpt` holds at most
    twelve lines of the log around it, the tree's paths relative and the output folder's as `<out>/…`; empty without
    `first_error`. `dropped_count` counts findings past the limit of distinct ones: above 0, a comparison with another
    log cannot be trusted to be complete.
    """

    diagnostics: tuple[Diagnostic, ...] = ()
    overflows: tuple[Overflow, ...] = ()
    first_error: Diagnostic | None = None
    excerpt: tuple[str, ...] = ()
    dropped_count: int = 0


def parse_log(log: bytes, *, tree: str, out: str, directory: str = ".") -> LogFindings:
    """
    Find the warnings and errors in a build's log.

    Args:
        log: Standard output and standard error together, in the order in which they were written; any bytes.
        tree: Absolute path that the tree had during the build.
        out: Absolute path of the output folder, likewise.
        directory: Where the recipe's commands ran, relative to the tree.

    Returns:
        Findings; empty for a silent log. Never fails: text that says nothing known is passed over.

    Source:
        GNU coding standards, "Formatting Error Messages"; wordings in `log_grammar`.
    """
    reader = _LogReader(LogPaths(tree=tree, out=out, directory=directory))
    for index, line in enumerate(iter_lines(log)):
        reader.read(index, line)
    return reader.finish(log)


class _Draft:
    """A diagnostic whose quoted source, or place, may still come."""

    __slots__ = ("column", "excerpt", "header", "index", "line", "message", "path", "plain", "seen")

    def __init__(self, index: int, header: Header, path: str | None, message: str) -> None:
        self.index = index
        self.header = header
        self.path = path
        self.line = header.line if path is not None else None
        self.column = header.column if path is not None else None
        self.message = message
        self.excerpt: str | None = None
        self.plain = ""
        self.seen = 0

    def move(self, path: str | None, note: Header) -> None:
        """Take the place of a note instead, and the source that it quotes."""
        if path is not None:
            self.path, self.line, self.column = path, note.line, note.column
            self.excerpt, self.plain, self.seen = None, "", 0


_DraftKey = tuple[Severity, Speaker, str | None, int | None, int | None, str | None, str]


class _LogReader:
    """Takes the lines of one log in order."""

    def __init__(self, paths: LogPaths) -> None:
        self._paths = paths
        self._draft: _Draft | None = None
        self._found: dict[_DraftKey, str | None] = {}
        self._counts = {Severity.WARNING: 0, Severity.ERROR: 0}
        self._dropped_count = 0
        self._first: dict[Cause, tuple[int, _DraftKey]] = {}
        self._overflow_lines: list[str] = []
        self._object: str | None = None
        self._assembling = False

    def read(self, index: int, line: str) -> None:
        if line[0] in " \t" or line.startswith(">>> ") or ":" not in line:
            self._follow(line)
            return
        header = read_header(line, assembling=self._assembling)
        if is_overflow(line):
            # Outgrown or broken hangs on this line, so it counts under whatever name the linker goes.
            if header is None:
                header = Header(Severity.ERROR, line.partition(": ")[2] or line, Speaker.LINKER, Cause.LINK)
            if len(self._overflow_lines) < _OVERFLOW_LINE_LIMIT:
                self._overflow_lines.append(line)
        if header is not None:
            self._open(index, header)
        elif (move := read_directory(line)) is not None:
            (self._paths.enter if move.enters else self._paths.leave)(move.level, move.name)
        elif (linked_object := read_linked_object(line)) is not None:
            self._object = linked_object
        elif is_assembler_title(line):
            self._assembling = True
        else:
            self._follow(line)

    def finish(self, log: bytes) -> LogFindings:
        """Give the findings; `log` is the log that was read, to quote from."""
        self._close()
        first_error: Diagnostic | None = None
        excerpt: tuple[str, ...] = ()
        if self._first:
            cause = min(self._first)
            index, key = self._first[cause]
            if cause is Cause.SUMMARY:
                # Nobody said why, so what make says about it is the only finding.
                self._found[key] = None
            first_error = _make_diagnostic(key, self._found.get(key))
            excerpt = _quote(log, index, cause, self._paths)
        return LogFindings(
            diagnostics=tuple(_make_diagnostic(key, quoted) for key, quoted in self._found.items()),
            overflows=find_overflows(self._overflow_lines),
            first_error=first_error,
            excerpt=excerpt,
            dropped_count=self._dropped_count,
        )

    def _open(self, index: int, header: Header) -> None:
        if self._draft is not None and is_macro_use(header):
            self._draft.move(self._paths.resolve(header.path or ""), header)
            return
        self._close()
        if header.severity is None:
            return
        name = header.path
        if header.in_object and name is None:
            name = self._object
        path = self._paths.resolve(name, header.level) if name is not None else None
        message = self._paths.relate(header.message).translate(_PLAIN_QUOTES)[:_MESSAGE_LIMIT]
        self._draft = _Draft(index, header, path, message)

    def _follow(self, line: str) -> None:
        """Take a line that may quote the source of the open diagnostic, or give its place."""
        draft = self._draft
        if draft is None:
            return
        draft.seen += 1
        if line.startswith(">>> "):
            if draft.path is None and (match := _REFERENCE.match(line)) is not None:
                draft.path = self._paths.resolve(match[1] or match[3])
                draft.line = int(match[2] or match[4]) or None
        elif draft.excerpt is not None or draft.line is None:
            return
        elif (match := _SOURCE_LINE.fullmatch(line)) is not None:
            if int(match[1]) == draft.line:
                draft.excerpt = match[2].strip()[:_QUOTE_LIMIT]
        elif draft.seen == 1:
            # Older compilers quote the line as it is; a caret below proves it.
            draft.plain = line
        elif draft.seen == 2 and draft.plain and is_caret(line):
            draft.excerpt = draft.plain.strip()[:_QUOTE_LIMIT]

    def _close(self) -> None:
        """Keep the open diagnostic."""
        self._assembling = False
        draft, self._draft = self._draft, None
        if draft is None:
            return
        header = draft.header
        severity = header.severity or Severity.ERROR
        key = (severity, header.speaker, draft.path, draft.line, draft.column, header.option, draft.message)
        if severity is Severity.ERROR and header.cause not in self._first:
            self._first[header.cause] = (draft.index, key)
        if header.cause is Cause.SUMMARY:
            return
        excerpt = draft.excerpt or None
        if key in self._found:
            if excerpt is not None and self._found[key] is None:
                self._found[key] = excerpt
        elif self._counts[severity] < (WARNING_LIMIT if severity is Severity.WARNING else ERROR_LIMIT):
            self._counts[severity] += 1
            self._found[key] = excerpt
        else:
            self._dropped_count += 1


def _make_diagnostic(key: _DraftKey, excerpt: str | None) -> Diagnostic:
    severity, speaker, path, line, column, option, message = key
    return Diagnostic(
        severity=severity,
        speaker=speaker,
        message=message,
        path=path,
        line=line,
        column=column,
        option=option,
        excerpt=excerpt,
    )


def _quote(log: bytes, index: int, cause: Cause, paths: LogPaths) -> tuple[str, ...]:
    """
    Give the lines of a log around the error at an index.

    Reads the log again from its start: what is worth quoting is known only at the end, and keeping every candidate's
    surroundings would cost each good build, too.
    """
    start = max(0, index - _LINES_BEFORE_MAKE)
    lines = list(islice(iter_lines(log), start, index + EXCERPT_LINE_LIMIT + 1))
    at = first = index - start
    if cause >= Cause.MAKE:
        first = 0
    else:
        while first > 0 and is_context(lines[first - 1]):
            first -= 1
    first = max(first, at - EXCERPT_LINE_LIMIT + 4)
    last = at + 1
    while last < len(lines) and last - first < EXCERPT_LINE_LIMIT and _belongs(lines, last, cause):
        last += 1
    return tuple(paths.relate(line)[:_QUOTE_LIMIT].rstrip() for line in lines[first:last])


def _belongs(lines: list[str], at: int, cause: Cause) -> bool:
    """Tell whether a line still speaks of the error before it: source, carets, notes, more from the linker."""
    line = lines[at]
    if line[0] in " \t" or line.startswith((">>> ", "compilation terminated")) or is_caret(line):
        return True
    if at + 1 < len(lines) and is_caret(lines[at + 1]):
        return True
    header = read_header(line)
    if cause is Cause.LINK:
        return (header is not None and header.cause is Cause.LINK) or read_linked_object(line) is not None
    if cause >= Cause.MAKE:
        return header is not None and header.cause >= Cause.MAKE
    return header is not None and header.severity is None and "note:" in line
