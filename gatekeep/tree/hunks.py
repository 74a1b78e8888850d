"""
The line map of two trees, read from git's diff.

The text is that of `git diff --no-color --no-ext-diff --no-textconv -U0 -M -l0 --src-prefix=a/ --dst-prefix=b/
--full-index BASE HEAD`. Only headers and `@@` lines say anything; the lines of a hunk are counted and skipped by their
counts, so content that looks like a header (`--- a/x`, `@@ -1 +1 @@`) is never taken for one. A text that is not
exactly such a diff is refused: half a diff would be a wrong map, and a wrong map blames innocent people.

Source: git's documentation, "Generating patch text with -p" (extended headers, quoting of path names) and
"core.quotePath"; GNU diffutils manual, "Detailed Description of Unified Format" (a count left out is 1; with a count of
0 the start is the line before).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

from gatekeep.errors import RepositoryError
from gatekeep.model.change import FileLines, Hunk, LineMap

_HUNK = re.compile(rb"@@ -([0-9]{1,9})(?:,([0-9]{1,9}))? \+([0-9]{1,9})(?:,([0-9]{1,9}))? @@")
_QUOTED = re.compile(rb'"((?:[^"\\]|\\.)*)"')
_ESCAPE = re.compile(rb'\\([0-7]{3}|[abtnvfr"\\])')
_ESCAPES: Final = {
    b"a": b"\a",
    b"b": b"\b",
    b"t": b"\t",
    b"n": b"\n",
    b"v": b"\v",
    b"f": b"\f",
    b"r": b"\r",
    b'"': b'"',
    b"\\": b"\\",
}
#: Headers between `diff --git` and the content that name a file, and what stands before the name.
_NAME_PREFIXES: Final = {b"rename from ": b"", b"rename to ": b"", b"--- ": b"a/", b"+++ ": b"b/"}
_HEADERS: Final = (
    *_NAME_PREFIXES,
    b"new file mode ",
    b"deleted file mode ",
    b"index ",
    b"Binary files ",
    b"old mode ",
    b"new mode ",
    b"similarity index ",
    b"dissimilarity index ",
)
_NOTHING: Final = b"/dev/null"


def parse_line_map(diff: bytes) -> LineMap:
    """
    Read git's diff of two trees into a line map.

    Args:
        diff: Output of the command in the module's docstring; empty when the trees are equal. Other context sizes
            serve as well.

    Returns:
        One entry for every file whose content, path or mode changed, except new files; removed files by their path. A
        binary file (by git's or `.gitattributes`' word) has no hunks: its lines are taken as unmoved. Path bytes that
        are not UTF-8 are kept with surrogateescape.

    Raises:
        RepositoryError: Not such a diff, or one that is cut off; the message gives the line of the diff.
    """
    reader = _DiffReader(diff)
    while reader.has_line:
        reader.read_file()
    return LineMap(files=reader.files, removed=frozenset(reader.removed))


class _DiffReader:
    """Reads one `diff --git` section after the other."""

    def __init__(self, diff: bytes) -> None:
        self.files: dict[str, FileLines] = {}
        self.removed: set[str] = set()
        self._lines = _iter_lines(diff)
        self._number = 0
        self._line: bytes | None = b""
        self._advance()

    @property
    def has_line(self) -> bool:
        return self._line is not None

    def read_file(self) -> None:
        """Read one section: headers, then hunks."""
        line = self._line or b""
        if not line.startswith(b"diff --git "):
            raise self._fail("'diff --git a/… b/…'")
        title, title_number = line[len(b"diff --git ") :], self._number
        self._advance()
        headers = self._read_headers()
        self._check_headers(headers)
        old = headers.get(b"--- ") or headers.get(b"rename from ")
        new = headers.get(b"+++ ") or headers.get(b"rename to ")
        if old is None and new is None:
            old = new = self._split_title(title, title_number)
        hunks = tuple(self._read_hunks())
        if b"deleted file mode " in headers:
            self.removed.add(_to_path(old or new or b""))
        elif b"new file mode " not in headers:
            old, new = old or new or b"", new or old or b""
            lines = FileLines(old_path=_to_path(old), new_path=_to_path(new), hunks=hunks)
            self.files[lines.old_path] = lines

    def _read_headers(self) -> dict[bytes, bytes | None]:
        """Give what each header of a section says, names without quotes and prefix; None for /dev/null."""
        headers: dict[bytes, bytes | None] = {}
        while (line := self._line or b"") and not line.startswith((b"diff --git ", b"@@ ")):
            header = next((known for known in _HEADERS if line.startswith(known)), None)
            if header is None:
                raise self._fail("a header of git's diff or '@@ -… +… @@'")
            says = line[len(header) :]
            prefix = _NAME_PREFIXES.get(header)
            if prefix is not None:
                headers[header] = self._read_name(says.removesuffix(b"\t") if prefix else says, prefix)
            else:
                headers[header] = says
            self._advance()
        return headers

    def _check_headers(self, headers: dict[bytes, bytes | None]) -> None:
        """
        Refuse a section whose headers promise what does not follow: a diff that was cut there.

        Else it would say that no line of the file moved. Two contents differ in lines, or are binary; only an empty
        file comes and goes without either.
        """
        if not headers:
            raise self._fail("a header behind 'diff --git …', as every change has one")
        has_content = (self._line or b"").startswith(b"@@ ")
        if (b"+++ " in headers) != has_content:
            raise self._fail("'--- …', '+++ …' and '@@ -… +… @@' together")
        alone = {b"Binary files ", b"new file mode ", b"deleted file mode "}
        if b"index " in headers and not has_content and not alone & headers.keys():
            raise self._fail("'--- …' or 'Binary files … differ' after 'index …'")
        if headers.get(b"similarity index ", b"100%") != b"100%" and b"index " not in headers:
            raise self._fail("'index …' of a file that is not the same under its new name")
        for one, other in ((b"rename from ", b"rename to "), (b"old mode ", b"new mode ")):
            if (one in headers) != (other in headers):
                raise self._fail(f"'{one.decode()}…' and '{other.decode()}…' together")

    def _read_hunks(self) -> Iterator[Hunk]:
        old_end = new_end = 0
        while (line := self._line) is not None and line.startswith(b"@@ "):
            match = _HUNK.match(line)
            if match is None:
                raise self._fail("'@@ -… +… @@'")
            old_start, old_count, new_start, new_count = (int(group) for group in match.groups(default=b"1"))
            old_line = old_start if old_count else old_start + 1
            new_line = new_start if new_count else new_start + 1
            if old_line <= old_end or new_line <= new_end or old_line - old_end != new_line - new_end:
                raise self._fail("a hunk after, and in step with, the one before it")
            self._advance()
            yield from self._read_runs(old_line, old_count, new_line, new_count)
            old_end, new_end = old_line + old_count - 1, new_line + new_count - 1

    def _read_runs(self, old_line: int, old_left: int, new_line: int, new_left: int) -> Iterator[Hunk]:
        """Give the runs of replaced lines; `diff.interHunkContext` can put context between them in spite of -U0."""
        removed = added = 0
        while old_left or new_left or (self._line or b"").startswith(b"\\"):
            kind = (self._line or b"")[:1]
            if kind == b"-" and old_left:
                old_left -= 1
                removed += 1
            elif kind == b"+" and new_left:
                new_left -= 1
                added += 1
            elif kind == b" " and old_left and new_left:
                if removed or added:
                    yield _make_hunk(old_line, removed, new_line, added)
                old_line, new_line = old_line + removed + 1, new_line + added + 1
                old_left, new_left, removed, added = old_left - 1, new_left - 1, 0, 0
            elif kind != b"\\":  # "\ No newline at end of file", in whatever language git speaks
                raise self._fail(f"{old_left} more removed and {new_left} more added lines of a hunk")
            self._advance()
        if removed or added:
            yield _make_hunk(old_line, removed, new_line, added)

    def _read_name(self, name: bytes, prefix: bytes) -> bytes | None:
        """Give a path without quotes and prefix; None for /dev/null."""
        if prefix and name == _NOTHING:
            return None
        if name.startswith(b'"'):
            quoted = _QUOTED.fullmatch(name)
            if quoted is None:
                raise self._fail("a quoted path")
            name = _unquote(quoted[1])
        if not name.startswith(prefix) or len(name) == len(prefix):
            raise self._fail(f"a path that begins with '{prefix.decode()}'")
        return name[len(prefix) :]

    def _split_title(self, title: bytes, number: int) -> bytes:
        """
        Take the path from `a/… b/…` where no other header has it: an empty file, a mode change, a binary file.

        Both halves name the same path then (a rename has headers of its own), so spaces in it are no riddle.
        """
        if title.startswith(b'"'):
            names = [_unquote(match[1]) for match in _QUOTED.finditer(title)]
        else:
            middle = len(title) // 2
            names = [title[:middle], title[middle + 1 :]] if title[middle : middle + 1] == b" " else []
        if len(names) == 2 and names[0][:2] == b"a/" and names[1] == b"b/" + names[0][2:] and names[0][2:]:
            return names[0][2:]
        raise _make_error(number, b"diff --git " + title, "the same path twice, as 'a/… b/…'")

    def _advance(self) -> None:
        self._line = next(self._lines, None)
        self._number += 1

    def _fail(self, wanted: str) -> RepositoryError:
        return _make_error(self._number, self._line, wanted)


def _make_error(number: int, line: bytes | None, wanted: str) -> RepositoryError:
    got = "its end" if line is None else repr(line[:80].decode("utf-8", "backslashreplace"))
    return RepositoryError(
        f"git diff, line {number}: not a line map, got {got}, wanted {wanted}; run the command again"
    )


def _make_hunk(old_line: int, removed: int, new_line: int, added: int) -> Hunk:
    return Hunk(
        old_start=old_line if removed else old_line - 1,
        old_count=removed,
        new_start=new_line if added else new_line - 1,
        new_count=added,
    )


def _iter_lines(diff: bytes) -> Iterator[bytes]:
    """Yield lines without their newline; only `\\n` ends one, whatever else the content holds."""
    if diff and not diff.endswith(b"\n"):
        number = diff.count(b"\n") + 1
        raise _make_error(number, diff[diff.rfind(b"\n") + 1 :], "a line that ends")
    start = 0
    while (end := diff.find(b"\n", start)) >= 0:
        yield diff[start:end]
        start = end + 1


def _unquote(text: bytes) -> bytes:
    return _ESCAPE.sub(_unescape, text)


def _unescape(match: re.Match[bytes]) -> bytes:
    code = match[1]
    return _ESCAPES[code] if code in _ESCAPES else bytes([int(code, 8) & 0xFF])


def _to_path(name: bytes) -> str:
    return name.decode("utf-8", "surrogateescape")
