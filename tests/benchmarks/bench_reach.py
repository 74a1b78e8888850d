"""
What it costs to ask which of 300 targets, of 500 read files each, a difference reaches.

    python tests/benchmarks/bench_reach.py

A tree of 2,000 files of 5 KiB: 200 that every target reads, 200 that its port reads (six ports), 100 of its own board
(a hundred boards, three configurations each). No bound is ours alone; beside each figure stands the peer: `find_reach`
for one target after another, which gives the same answers.
"""

from __future__ import annotations

import hashlib
import random
import statistics
import time
import tracemalloc
from collections.abc import Callable, Iterable, Sequence
from typing import TypeVar

from gatekeep.model.readset import ReadSet
from gatekeep.runner.reach import TreeChange, find_reach, make_change
from gatekeep.runner.reach_book import WordBook
from gatekeep.runner.reach_index import ReachIndex
from gatekeep.runner.reach_trees import compare_entries
from gatekeep.tree.listing import FILE, Entry

_TARGETS, _PORTS, _BOARDS = 300, 6, 100
_SHARED, _OF_PORT, _OF_BOARD = 200, 200, 6
_FILE_BYTES = 5 * 1024
_T = TypeVar("_T")


class _Tree:
    """Files by path, their contents by object name."""

    def __init__(self) -> None:
        choose = random.Random(7)
        letters = "abcdefghijklmnopqrstuvwxyz"
        self._words = ["".join(choose.choices(letters, k=choose.randint(2, 10))) for _ in range(20_000)]
        self._choose = choose
        self.blobs: dict[str, bytes] = {}
        self.entries: dict[str, Entry] = {}
        for number in range(_SHARED):
            self._put(f"core/part{number % 20}/shared{number}.c")
        for port in range(_PORTS):
            for number in range(_OF_PORT):
                self._put(f"arch/port{port}/group{number % 10}/entry{number}.c")
        for board in range(_BOARDS):
            for number in range(_OF_BOARD):
                self._put(f"boards/board{board}x/{number}.c")

        self._put("docs/porting.md")

    def _put(self, path: str) -> None:
        text = " ".join(self._choose.choices(self._words, k=_FILE_BYTES // 7)).encode()
        blob_id = hashlib.sha1(text).hexdigest()
        self.blobs[blob_id] = text
        self.entries[path] = Entry(FILE, blob_id)

    def read(self, blob_ids: Sequence[str]) -> Iterable[bytes]:
        return [self.blobs[blob_id] for blob_id in blob_ids]

    def make_read_sets(self) -> dict[str, ReadSet]:
        shared = [path for path in self.entries if path.startswith("core/")]
        found = {}
        for number in range(_TARGETS):
            board, port = number % _BOARDS, number % _PORTS
            own = (f"boards/board{board}x/", f"arch/port{port}/")
            files = [*shared, *(path for path in self.entries if path.startswith(own))]
            # Made anew for each, as they come from the store.
            found[f"port{port}/board{board}/{number}"] = ReadSet(
                files=tuple(sorted("".join(path) for path in files)), folders=(".", "boards")
            )
        return found

    def change(self, *, modified: Sequence[str] = (), added: Sequence[str] = ()) -> TreeChange:
        new = dict(self.entries)
        for path in modified:
            new[path] = Entry(FILE, "0" * 40)
        for path in added:
            new[path] = Entry(FILE, "1" * 40)
        return make_change("old", "new", compare_entries(self.entries, new, unknown={}), old_entries=self.entries)


def _time(run: Callable[[], _T], count: int = 5) -> tuple[float, _T]:
    """Give the median in ms, and the last answer."""
    walls = []
    for _ in range(count):
        started_at = time.perf_counter()
        answer = run()
        walls.append(time.perf_counter() - started_at)
    return statistics.median(walls) * 1000, answer


def main() -> None:
    """Print the table."""
    tree = _Tree()
    read_sets = tree.make_read_sets()
    files = statistics.mean(len(read_set.files) for read_set in read_sets.values())
    print(f"{len(read_sets)} targets, {files:.0f} files each, {len(tree.entries)} files in the tree\n")
    book = WordBook(tree.read)
    build_ms, index = _time(lambda: ReachIndex(read_sets, book=book))
    print(f"{'index, built':58} {build_ms:9.2f} ms")
    tracemalloc.start()
    book.load(entry.object_id for entry in tree.entries.values())
    kept_mib = tracemalloc.get_traced_memory()[0] / 1024**2
    tracemalloc.stop()
    load_ms, _ = _time(lambda: WordBook(tree.read).load(entry.object_id for entry in tree.entries.values()), 3)
    print(f"{'words of all files, once a run and only where needed':58} {load_ms:9.2f} ms, {kept_mib:.1f} MiB kept")
    cases = {
        "one shared file modified": tree.change(modified=["core/part3/shared3.c"]),
        "one board's file modified": tree.change(modified=["boards/board7x/3.c"]),
        "one file of nobody added, words asked": tree.change(added=["docs/tide.md"]),
        "40 files of one board added, words asked": tree.change(
            added=[f"boards/board7x/deep/new{number}.h" for number in range(40)]
        ),
        "300 files modified": tree.change(modified=sorted(tree.entries)[-300:]),
    }
    print(f"\n{'':58} {'index':>9} {'one by one':>12}   reached")
    for label, change in cases.items():
        index_ms, reached = _time(lambda change=change: index.reached(change))  # type: ignore[misc]
        each_ms, found = _time(
            lambda change=change: {  # type: ignore[misc]
                target: cause
                for target, read_set in read_sets.items()
                if (cause := find_reach(read_set, change, book=book)) is not None
            },
            1,
        )
        if found != reached:
            raise SystemExit(f"{label}: the index and the rule disagree")
        print(f"{label:58} {index_ms:9.2f} {each_ms:12.2f}   {len(reached)}")


if __name__ == "__main__":
    main()
