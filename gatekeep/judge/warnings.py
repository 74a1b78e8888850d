"""
Which diagnostics of head are new, and which were there at the base.

A warning that only moved is not new; one that was really added is always reported. Each diagnostic of the base can
answer for one of head and no more, so that n + 1 in place of n leave one that is new, whatever the passes below think.
The passes go from certain to likely, each over what the earlier ones left, and every one compares severity and option:

1. same place, column and message, the base's line carried over by the line map;
2. same place and message: the columns shift when somebody touches the line before the spot, or reindents it;
3. same place, and messages that differ in numbers only: "the frame size of 1040 bytes" was 1032 before. The source line
   is untouched, so it is the old warning with a new figure;
4. the base's line was rewritten, and head has the same message among the lines of the same hunk;
5. the same message about an equal source line anywhere: code that moved within its file, or to another.

What a place is:

- A file of the tree: its path in head and its line there. No place when the line is gone.
- A file outside the tree (a compiler's header) or generated into the output folder: the path alone. The diff of the
  tree says nothing about its lines.
- No path at all (linkers, command lines): nothing, so message and option decide alone.

Messages are compared with the parts made equal that a move changes: `x.c:12:5` and `line 12` lose their numbers, and
paths that the change renames are carried over. Pass 3, which also serves what has no line, drops every number that
stands alone and addresses (`0x8004`, `00008000`). Digits inside a word stay: `uart0.o` and `uart1.o` are two files.

Known weakness: a warning fixed in one place and an equal one about an equal line added in another cancel out in pass 5.
A compiler's text cannot tell that from code that moved.
"""

from __future__ import annotations

import re
from collections import defaultdict, deque
from collections.abc import Callable, Hashable, Sequence

from gatekeep.model.change import FileLines, LineMap
from gatekeep.model.evidence import Diagnostic, Severity

_Key = Hashable
_KeyMaker = Callable[[Diagnostic], _Key | None]

_OUT = "<out>/"
_OUTSIDE = re.compile(r"/|[A-Za-z]:[\\/]")
_LINE_IN_MESSAGE = re.compile(r"(?<=[\w>)\]]):[0-9]+(?::[0-9]+)?(?![\w.])|(?<=\bline )[0-9]+\b", re.ASCII)
_WORD_IN_MESSAGE = re.compile(r"[^\s'\"`‘’();,:\[\]]+")
_NUMBER = re.compile(
    r"(?<![\w.])(?:0x[0-9a-fA-F]+|[0-9]+(?:\.[0-9]+)?|(?=[a-f]*[0-9])[0-9a-f]{8,16})(?!\w)",
    re.ASCII,
)


def list_new_warnings(
    base: Sequence[Diagnostic], head: Sequence[Diagnostic], line_map: LineMap
) -> tuple[Diagnostic, ...]:
    """
    Give the warnings that head has and the base does not.

    Args:
        base: Diagnostics of the base; errors among them are passed over.
        head: Diagnostics of head; errors likewise.
        line_map: From the lines of the base's tree to those of head's.

    Returns:
        Warnings of head in their order; empty when none is new. At least as many as head has more than the base.
    """
    return _list_unmatched(_of(Severity.WARNING, base), _of(Severity.WARNING, head), line_map)


def is_worse(base: Sequence[Diagnostic], head: Sequence[Diagnostic], line_map: LineMap) -> tuple[Diagnostic, ...]:
    """
    Give the errors that make a target worse which was broken before: those that head has and the base does not.

    Args:
        base: Diagnostics of the base; warnings among them are passed over.
        head: Diagnostics of head; warnings likewise.
        line_map: From the lines of the base's tree to those of head's.

    Returns:
        Errors of head in their order; empty, hence false, when the target is no worse than it was.
    """
    return _list_unmatched(_of(Severity.ERROR, base), _of(Severity.ERROR, head), line_map)


def _of(severity: Severity, diagnostics: Sequence[Diagnostic]) -> list[Diagnostic]:
    return [entry for entry in diagnostics if entry.severity is severity]


def _list_unmatched(base: list[Diagnostic], head: list[Diagnostic], line_map: LineMap) -> tuple[Diagnostic, ...]:
    if not base:
        return tuple(head)
    keys = _Keys(line_map)
    left = list(range(len(head)))
    for of_base, of_head in keys.passes:
        base, left = _match(base, head, left, of_base, of_head)
        if not base or not left:
            break
    return tuple(head[index] for index in left)


def _match(
    base: list[Diagnostic], head: list[Diagnostic], left: list[int], of_base: _KeyMaker, of_head: _KeyMaker
) -> tuple[list[Diagnostic], list[int]]:
    """Pair off equal keys, each entry once; give what of the base and which indices of head are left, in order."""
    waiting: dict[_Key, deque[int]] = defaultdict(deque)
    for index, entry in enumerate(base):
        if (key := of_base(entry)) is not None:
            waiting[key].append(index)
    taken: set[int] = set()
    unmatched: list[int] = []
    for index in left:
        key = of_head(head[index])
        if key is not None and (candidates := waiting.get(key)):
            taken.add(candidates.popleft())
        else:
            unmatched.append(index)
    return [entry for index, entry in enumerate(base) if index not in taken], unmatched


class _Keys:
    """Makes the keys of every pass; None keeps an entry out of a pass."""

    def __init__(self, line_map: LineMap) -> None:
        self._map = line_map
        self._by_new_path = {lines.new_path: lines for lines in line_map.files.values()}
        self._renamed = {old: lines.new_path for old, lines in line_map.files.items() if old != lines.new_path}
        self._carried: dict[str, str] = {}
        self._without_lines: dict[str, str] = {}
        self.passes: tuple[tuple[_KeyMaker, _KeyMaker], ...] = (
            (self._exact_of_base, self._exact_of_head),
            (self._moved_of_base, self._moved_of_head),
            (self._figure_of_base, self._figure_of_head),
            (self._hunk_of_base, self._hunk_of_head),
            (self._code_of_base, self._code_of_head),
        )

    # Pass 1: the raw message, since nearly every warning of a change ends here and needs no regular expression.

    def _exact_of_base(self, entry: Diagnostic) -> _Key | None:
        place = self._place_of_base(entry)
        return None if place is None else (place, entry.column, entry.option, entry.message)

    def _exact_of_head(self, entry: Diagnostic) -> _Key | None:
        return (_place_of_head(entry), entry.column, entry.option, entry.message)

    # Pass 2.

    def _moved_of_base(self, entry: Diagnostic) -> _Key | None:
        place = self._place_of_base(entry)
        return None if place is None else (place, entry.option, self._message_of_base(entry))

    def _moved_of_head(self, entry: Diagnostic) -> _Key | None:
        return (_place_of_head(entry), entry.option, self._strip_lines(entry.message))

    # Pass 3.

    def _figure_of_base(self, entry: Diagnostic) -> _Key | None:
        place = self._place_of_base(entry)
        return None if place is None else (place, entry.option, _NUMBER.sub("#", self._message_of_base(entry)))

    def _figure_of_head(self, entry: Diagnostic) -> _Key | None:
        return (_place_of_head(entry), entry.option, _NUMBER.sub("#", self._strip_lines(entry.message)))

    # Pass 4.

    def _hunk_of_base(self, entry: Diagnostic) -> _Key | None:
        lines = self._map.files.get(entry.path or "")
        return self._hunk_key(entry, lines, FileLines.find_hunk_of_old, self._message_of_base(entry))

    def _hunk_of_head(self, entry: Diagnostic) -> _Key | None:
        lines = self._by_new_path.get(entry.path or "")
        return self._hunk_key(entry, lines, FileLines.find_hunk_of_new, self._strip_lines(entry.message))

    @staticmethod
    def _hunk_key(
        entry: Diagnostic, lines: FileLines | None, find: Callable[[FileLines, int], int | None], message: str
    ) -> _Key | None:
        if lines is None or entry.line is None or (hunk := find(lines, entry.line)) is None:
            return None
        return (lines.new_path, hunk, entry.option, message)

    # Pass 5.

    def _code_of_base(self, entry: Diagnostic) -> _Key | None:
        return (entry.option, self._message_of_base(entry), entry.excerpt) if entry.excerpt else None

    def _code_of_head(self, entry: Diagnostic) -> _Key | None:
        return (entry.option, self._strip_lines(entry.message), entry.excerpt) if entry.excerpt else None

    # What the passes compare.

    def _place_of_base(self, entry: Diagnostic) -> _Key | None:
        """Give where an entry of the base would be in head; None when its line or file is gone."""
        path = entry.path
        if path is None or _has_no_lines(path):
            return (path, None)
        if entry.line is not None:
            return self._map.map_place(path, entry.line)
        return None if path in self._map.removed else (self._renamed.get(path, path), None)

    def _message_of_base(self, entry: Diagnostic) -> str:
        """Give a message of the base as head would say it, lines left out."""
        message = entry.message
        if not self._renamed:
            return self._strip_lines(message)
        carried = self._carried.get(message)
        if carried is None:
            words = _WORD_IN_MESSAGE.sub(lambda match: self._renamed.get(match[0], match[0]), message)
            carried = self._carried[message] = self._strip_lines(words)
        return carried

    def _strip_lines(self, message: str) -> str:
        stripped = self._without_lines.get(message)
        if stripped is None:
            stripped = self._without_lines[message] = _LINE_IN_MESSAGE.sub("#", message)
        return stripped


def _place_of_head(entry: Diagnostic) -> _Key:
    path = entry.path
    return (path, None) if path is None or _has_no_lines(path) else (path, entry.line)


def _has_no_lines(path: str) -> bool:
    """Tell whether the diff of the tree knows nothing about a path: it is generated, or outside."""
    return path.startswith(_OUT) or _OUTSIDE.match(path) is not None
