"""
Faults of one matrix file or file of waivers: collected, put in order, and raised together.
"""

from __future__ import annotations

from collections.abc import Iterable

from gatekeep.errors import MatrixError

FAULT_LIMIT = 100
"""Nobody reads further, and a hostile file must not make us word a million of them."""

_DISTANCE_LIMIT = 3
"""Edits up to which a known word counts as what was meant."""

_SHOWN_LENGTH = 60
"""Characters of a value that a message quotes."""

Mark = tuple[int, int]
"""1-based line and column."""


class Faults:
    """What is wrong with one file, so far."""

    def __init__(self, path: str) -> None:
        self.path = path
        self._found: dict[tuple[Mark, str], None] = {}
        self._more_count = 0

    @property
    def is_full(self) -> bool:
        """Whether further faults are only counted."""
        return len(self._found) >= FAULT_LIMIT

    def add(self, mark: Mark, problem: str) -> None:
        """Note a fault; the same one at the same place counts once."""
        if (mark, problem) in self._found:
            return
        if self.is_full:
            self._more_count += 1
        else:
            self._found[mark, problem] = None

    def raise_if_any(self) -> None:
        """
        Raise what was found.

        Raises:
            MatrixError: The first fault by line and column; the rest are its `others`.
        """
        if not self._found:
            return
        errors = [MatrixError(self.path, *mark, problem) for mark, problem in sorted(self._found)]
        if self._more_count:
            last = errors[-1]
            rest = f"{self._more_count} more faults were found and are not shown; mend these first"
            errors.append(MatrixError(self.path, last.line, last.column, rest))
        first = errors[0]
        raise MatrixError(self.path, first.line, first.column, first.problem, others=tuple(errors[1:]))


def quote(text: str) -> str:
    """Show a value in a message: in quotes, cut where it is long."""
    return f"'{text}'" if len(text) <= _SHOWN_LENGTH else f"'{text[:_SHOWN_LENGTH]}…'"


def find_nearest(word: str, known: Iterable[str]) -> str | None:
    """
    Give the known word that was most likely meant, None when none is near.

    Near is at most three edits (insert, remove, replace, swap neighbours) and at most one for every two letters of the
    word; letter case costs nothing. Ties go to the first known.
    """
    best: tuple[int, str] | None = None
    folded = word.casefold()
    for candidate in known:
        limit = min(_DISTANCE_LIMIT, len(word) // 2, (best[0] if best else _DISTANCE_LIMIT + 1) - 1)
        if abs(len(candidate) - len(word)) > limit and candidate.casefold() != folded:
            continue
        distance = _count_edits(folded, candidate.casefold())
        if distance == 0 or distance <= limit:
            best = (distance, candidate)
            if distance == 0:
                break
    return best[1] if best else None


def suggest(word: str, known: Iterable[str], *, none: str) -> str:
    """
    Word the way out for an unknown name: the nearest spelling, else all that is known, else `none`.

    Of names with slashes, as targets have, those count first that only lack a beginning or an end: somebody named a
    board that has configurations, or left its port away.
    """
    names = list(known)
    longer = [name for name in names if name.startswith(f"{word}/") or name.endswith(f"/{word}") or f"/{word}/" in name]
    if 0 < len(longer) <= _MEANT_COUNT:
        return f"did you mean {' or '.join(longer)}?"
    if nearest := find_nearest(word, names):
        return f"did you mean {nearest}?"
    if not names:
        return none
    shown = ", ".join(names[:_LISTED_COUNT])
    return f"known are {shown}" + (f" and {len(names) - _LISTED_COUNT} more" if len(names) > _LISTED_COUNT else "")


_MEANT_COUNT = 4
"""Names that somebody may have meant; of more nobody can say which."""
_LISTED_COUNT = 16
"""Names that a message lists before it says how many more there are."""


def _count_edits(one: str, other: str) -> int:
    """Optimal string alignment distance (Levenshtein with swaps of neighbours)."""
    before: list[int] = []
    row = list(range(len(other) + 1))
    for i, letter in enumerate(one, 1):
        before, last, row = row, before, [i]
        for j, facing in enumerate(other, 1):
            cost = min(before[j] + 1, row[j - 1] + 1, before[j - 1] + (letter != facing))
            if i > 1 and j > 1 and letter == other[j - 2] and one[i - 2] == facing:
                cost = min(cost, last[j - 2] + 1)
            row.append(cost)
    return row[-1]
