"""
The rule of reach.py for many targets at once.

Targets are bits of one number, and every path, folder, name and word leads to the number of those that it concerns:
300 targets of 500 files each share most of their files, so that what is asked of a path is asked once and not 300
times. A property test holds the answers equal to `find_reach`, causes included.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from posixpath import dirname
from typing import TypeVar

from gatekeep.model.readset import ReadSet
from gatekeep.runner.reach import ROOT, Event, PathChange, Reached, ReachRule, Spot, TreeChange
from gatekeep.runner.reach_book import WordBook
from gatekeep.runner.reach_guess import mask_guessing
from gatekeep.runner.reach_words import SIZE_WORDS, mask_knowing, split_name
from gatekeep.tree.listing import decode_path

_Key = TypeVar("_Key", str, bytes)


class ReachIndex:
    """
    Answers for targets that were all built at the old tree of the changes that it is asked about.

    Args:
        read_sets: By target.
        book: As for `find_reach`.
        own_words: By target, as for `find_reach`; a target may be missing.
    """

    def __init__(
        self,
        read_sets: Mapping[str, ReadSet],
        *,
        book: WordBook,
        own_words: Mapping[str, frozenset[bytes]] | None = None,
    ) -> None:
        self._targets = sorted(read_sets)
        self._everybody = (1 << len(self._targets)) - 1
        self._book = book
        self._by_file: dict[str, int] = {}
        self._by_listed: dict[str, int] = {}
        self._by_own_word: dict[bytes, int] = {}
        for number, target in enumerate(self._targets):
            bit = 1 << number
            _enter(self._by_file, read_sets[target].files, bit)
            _enter(self._by_listed, read_sets[target].folders, bit)
            _enter(self._by_own_word, (own_words or {}).get(target, ()), bit)
        self._by_folder: dict[str, int] = dict(self._by_listed)
        self._by_above: dict[str, int] = {ROOT: self._everybody}
        #: By the name of a folder on the way to a trace, in lower case.
        self._by_part: dict[str, int] = {}
        #: Read files of a base name (in lower case), sorted.
        self._named: dict[str, list[str]] = {}
        for path, mask in self._by_file.items():
            _enter(self._by_folder, (dirname(path) or ROOT,), mask)
            self._named.setdefault(path.rpartition("/")[2].lower(), []).append(path)
        for paths in self._named.values():
            paths.sort()
        # Folders instead of paths: 2,000 files lie in a few hundred.
        for folder, mask in self._by_folder.items():
            _enter(self._by_above, _iter_above(folder), mask)
        for folder, mask in self._by_above.items():
            _enter(self._by_part, (folder.rpartition("/")[2].lower(),), mask)

    def reached(self, change: TreeChange) -> dict[str, Reached]:
        """
        Give the targets that a difference reaches, each with the cause that `find_reach` gives; sorted by target.

        Raises:
            Whatever the book raises when it cannot read a file.
        """
        found: dict[int, Reached] = {}
        left = self._everybody
        words: _Words | None = None
        for item in change.paths:
            if not left:
                break
            for cause, mask in self._iter_traces(item):
                left = _settle(found, cause, mask & left, left)
            if left and item.needs_words:
                if words is None:
                    words = _Words(self._book, change, self._by_file, self._list_seen_words(change), left)
                for cause, mask in self._iter_words(item, words, left):
                    left = _settle(found, cause, mask & left, left)
        return {self._targets[number]: found[number] for number in sorted(found)}

    def _list_seen_words(self, change: TreeChange) -> dict[bytes, int]:
        """Add to the targets' own words those of the names that they have seen; as in reach.py."""
        found = dict(self._by_own_word)
        for path, mask in (*self._by_above.items(), *self._by_file.items()):
            _enter(found, split_name(path.rpartition("/")[2]), mask)
        for folder, mask in self._by_listed.items():
            _enter(found, change.words_in.get(folder, ()), mask)
        return found

    def _iter_traces(self, item: PathChange) -> Iterator[tuple[Reached, int]]:
        """Apply the rules that need the read sets alone, in the order of `find_reach`."""
        if item.event is Event.UNKNOWN:
            yield _cause(item, ReachRule.UNKNOWN), self._everybody
        yield _cause(item, ReachRule.READ), self._by_file.get(item.path, 0)
        if item.covers is not None:
            yield _cause(item, ReachRule.CONVERSION), self._readers_below(item.covers)
        for entry in item.entries:
            folders = self._by_folder if entry.is_searched else self._by_listed
            yield _cause(item, ReachRule.FOLDER), folders.get(entry.folder, 0)
        if item.link_name is not None:
            yield _cause(item, ReachRule.PASSAGE), self._by_part.get(item.link_name, 0)

    def _readers_below(self, folder: str) -> int:
        prefix = "" if folder == ROOT else f"{folder}/"
        return _join(readers for path, readers in self._by_file.items() if path.startswith(prefix))

    def _iter_words(self, item: PathChange, words: _Words, left: int) -> Iterator[tuple[Reached, int]]:
        """Apply the rules that need words, to the targets that are left."""
        for entry in item.entries:
            readers = self._by_folder.get(entry.folder, 0) & left
            guessing = words.guessing(entry.parts, readers)
            if entry.is_header and readers & ~guessing:
                guessing |= readers & words.including_unknown(self._named)
            yield _cause(item, ReachRule.WORDS), guessing
        for spot in item.spots:
            knowing = self._knowing_home(spot, words, left)
            for other in (path for name in spot.names for path in self._named.get(name, ())):
                yield _cause(item, ReachRule.NAMESAKE, other), knowing & self._by_file[other]
                knowing &= ~self._by_file[other]
            naming = knowing if spot.is_always_found else words.knowing(spot.name_parts, knowing)
            if spot.is_header and knowing & ~naming:
                naming |= knowing & words.including_unknown(self._named)
            yield _cause(item, ReachRule.WORDS), naming
        if item.size_parts is not None:
            askers = 0
            for word in SIZE_WORDS:
                askers |= words.having(word)
            yield _cause(item, ReachRule.SIZE), words.knowing(item.size_parts, askers & left)

    def _knowing_home(self, spot: Spot, words: _Words, mask: int) -> int:
        """Give those of the mask who know the folder of a spot."""
        knowing = self._by_above.get(spot.home, 0) | self._by_listed.get(dirname(spot.home) or ROOT, 0)
        return (knowing & mask) | words.knowing(spot.home_parts, mask & ~knowing)


class _Words:
    """Who has which word, for one change's old tree and the targets that were left when words were first needed."""

    def __init__(
        self,
        book: WordBook,
        change: TreeChange,
        by_file: Mapping[str, int],
        by_own_word: Mapping[bytes, int],
        left: int,
    ) -> None:
        self._book = book
        self._by_file = by_file
        self._by_own_word = by_own_word
        readers: dict[str, int] = {}
        for path, mask in by_file.items():
            entry = change.old_entries.get(path)
            if entry is not None and mask & left:
                _enter(readers, (entry.object_id,), mask)
        book.load(readers)
        self._by_blob = {book.number(blob_id): mask for blob_id, mask in readers.items()}
        self._by_word: dict[bytes, int] = {}
        self._including_unknown: int | None = None

    def having(self, word: bytes) -> int:
        mask = self._by_word.get(word)
        if mask is None:
            mask = self._by_own_word.get(word, 0) | self._readers_of(self._book.find(word))
            self._by_word[word] = mask
        return mask

    def _having_within(self, letters: bytes) -> int:
        own = _join(mask for word, mask in self._by_own_word.items() if letters in word)
        return own | self._readers_of(self._book.find_within(letters))

    def _readers_of(self, numbers: Iterable[int]) -> int:
        return _join(self._by_blob.get(number, 0) for number in numbers)

    def guessing(self, parts: Iterable[bytes], mask: int) -> int:
        for part in parts:
            if not mask:
                break
            mask = mask_guessing(part, self.having, self._having_within, mask)
        return mask

    def including_unknown(self, named: Mapping[str, list[str]]) -> int:
        """Give those who include what they have not read; `named` are the read files by base name in lower case."""
        if self._including_unknown is None:
            includers: dict[bytes, int] = {}
            for number, mask in self._by_blob.items():
                _enter(includers, self._book.includes(number), mask)
            self._including_unknown = _join(
                mask & ~self._satisfied(decode_path(include), named) for include, mask in includers.items()
            )
        return self._including_unknown

    def _satisfied(self, include: str, named: Mapping[str, list[str]]) -> int:
        return _join(
            self._by_file[path]
            for path in named.get(include.rpartition("/")[2].lower(), ())
            if path == include or path.endswith(f"/{include}")
        )

    def knowing(self, parts: Iterable[bytes], mask: int) -> int:
        for part in parts:
            if not mask:
                break
            mask = mask_knowing(part, self.having, mask)
        return mask


def _cause(item: PathChange, rule: ReachRule, other: str | None = None) -> Reached:
    return Reached(path=item.path, rule=rule, event=item.event, other=other)


def _settle(found: dict[int, Reached], cause: Reached, mask: int, left: int) -> int:
    """Enter the cause for every target of the mask; give who is left."""
    left &= ~mask
    while mask:
        lowest = mask & -mask
        found[lowest.bit_length() - 1] = cause
        mask ^= lowest
    return left


def _enter(masks: dict[_Key, int], keys: Iterable[_Key], mask: int) -> None:
    for key in keys:
        masks[key] = masks.get(key, 0) | mask


def _join(masks: Iterable[int]) -> int:
    joined = 0
    for mask in masks:
        joined |= mask
    return joined


def _iter_above(folder: str) -> Iterator[str]:
    while folder != ROOT:
        yield folder
        folder = dirname(folder) or ROOT
