"""
The words of the files of a run's trees, each file read once.

The words of a file are kept as one text, each once, and searched: of 2,000 files of 5 KiB that is 4 MB and takes a
third of the time that sets or an inverted index take to fill (tests/benchmarks/bench_reach.py), for only a handful of
words is ever asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from gatekeep.runner.reach_includes import list_outside_includes
from gatekeep.runner.reach_words import MAX_BLOB_BYTES, find_words

#: Gives contents by object names, in their order.
ReadBlobs = Callable[[Sequence[str]], Iterable[bytes]]
#: Blobs that are read and taken apart at once; bounds what waits in memory.
_BATCH = 64


class WordBook:
    """
    The words of files, each file read once, by its object name, and only when somebody asks.

    Args:
        read_blobs: Reads contents; what it raises comes through, and nothing is remembered of that batch.
    """

    def __init__(self, read_blobs: ReadBlobs) -> None:
        self._read_blobs = read_blobs
        self._numbers: dict[str, int] = {}
        self._texts: list[bytes] = []
        #: What each file includes of headers that are nobody knows whose.
        self._includes: list[tuple[bytes, ...]] = []
        #: By what stands in a text: answers for the first so many texts.
        self._found: dict[bytes, tuple[int, list[int]]] = {}

    def load(self, blob_ids: Iterable[str]) -> frozenset[int]:
        """Read what was not read yet; give the numbers by which `find` calls these blobs."""
        wanted = list(dict.fromkeys(blob_ids))
        missing = [blob_id for blob_id in wanted if blob_id not in self._numbers]
        for start in range(0, len(missing), _BATCH):
            batch = missing[start : start + _BATCH]
            read = [
                (b" %b " % b" ".join(find_words(content)), list_outside_includes(content[:MAX_BLOB_BYTES]))
                for content in self._read_blobs(batch)
            ]
            for blob_id, (text, includes) in zip(batch, read, strict=True):
                self._numbers[blob_id] = len(self._texts)
                self._texts.append(text)
                self._includes.append(includes)
        return frozenset(self._numbers[blob_id] for blob_id in wanted)

    def number(self, blob_id: str) -> int:
        """Give the number of a loaded blob."""
        return self._numbers[blob_id]

    def includes(self, number: int) -> tuple[bytes, ...]:
        """Give what a loaded blob includes, as `list_outside_includes` does."""
        return self._includes[number]

    def find(self, word: bytes) -> Sequence[int]:
        """Give the loaded blobs that hold a word, in the order of loading."""
        return self._search(b" %b " % word)

    def find_within(self, letters: bytes) -> Sequence[int]:
        """Give the loaded blobs that hold a word in which these letters stand, in the order of loading."""
        return self._search(letters)

    def _search(self, needle: bytes) -> Sequence[int]:
        known_count, found = self._found.get(needle, (0, []))
        if known_count < len(self._texts):
            found += [number for number, text in enumerate(self._texts[known_count:], known_count) if needle in text]
            self._found[needle] = len(self._texts), found
        return found
