"""
Listing and comparing trees: 2,000 files, 40 commits, against git's own commands.

Run: python -m tests.benchmarks.bench_repository
"""

from __future__ import annotations

import random
import statistics
import tempfile
import time
from itertools import pairwise
from pathlib import Path

from gatekeep.tree.repository import open_repository
from tests.repos import Content, GitFolder, make_repository

FILE_COUNT = 2000
COMMIT_COUNT = 40


def make_history(folder: GitFolder) -> list[str]:
    """A tree of boards, drivers and headers; each commit changes three files."""
    rng = random.Random(1)
    paths = [f"{('boards', 'drivers', 'include')[n % 3]}/d{n % 67}/f{n}.c" for n in range(FILE_COUNT)]
    first: dict[str | bytes, Content] = {
        path: b"".join(b"int value_%d_%d;\n" % (n, line) for line in range(100)) for n, path in enumerate(paths)
    }
    trees = [folder.tree_of(folder.commit(first))]
    for number in range(1, COMMIT_COUNT):
        change: dict[str | bytes, Content] = {rng.choice(paths): b"int changed_%d;\n" % number for _ in range(3)}
        trees.append(folder.tree_of(folder.commit(change)))
    return trees


def milliseconds(start: float) -> float:
    """Since `start`."""
    return (time.perf_counter() - start) * 1000


def main() -> None:
    """Print each figure beside git's own."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = make_repository(Path(scratch, "r"))
        trees = make_history(folder)
        with open_repository(folder.path) as repository:
            start = time.perf_counter()
            repository.list_tree(trees[0])
            print(f"first listing, git's start included: {milliseconds(start):.1f} ms")
            times = []
            for tree in trees[1:]:
                start = time.perf_counter()
                repository.list_tree(tree)
                times.append(milliseconds(start))
            start = time.perf_counter()
            for tree in trees[1:]:
                folder.git("ls-tree", "-r", "-z", tree)
            peer = milliseconds(start) / len(trees[1:])
            print(f"listing of a next commit: median {statistics.median(times):.2f} ms, git ls-tree {peer:.2f} ms")
            times = []
            for old, new in pairwise(trees):
                start = time.perf_counter()
                repository.diff_trees(old, new)
                times.append(milliseconds(start))
            start = time.perf_counter()
            for old, new in pairwise(trees):
                folder.git("diff-tree", "-r", "-z", "--raw", old, new)
            peer = milliseconds(start) / len(trees[1:])
            print(f"difference of two commits: median {statistics.median(times):.2f} ms, git diff-tree {peer:.2f} ms")
            start = time.perf_counter()
            change = repository.load_change("main~39", "main")
            print(f"change of {change.commit_count} commits: {milliseconds(start):.1f} ms")
            start = time.perf_counter()
            repository.load_line_map(trees[0], trees[-1])
            print(f"line map over all of them: {milliseconds(start):.1f} ms")


if __name__ == "__main__":
    main()
