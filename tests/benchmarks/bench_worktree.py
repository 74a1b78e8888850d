"""
A worker's tree of 2,000 files: making it, moving it, looking through it after a job.

Run: python -m tests.benchmarks.bench_worktree
"""

from __future__ import annotations

import os
import statistics
import subprocess
import tempfile
import time
from pathlib import Path

from gatekeep.build.tree_files import walk_tree
from gatekeep.build.worktree import MaterialisedTree
from gatekeep.tree.repository import open_repository
from tests.benchmarks.bench_repository import make_history, milliseconds
from tests.repos import clean_environment, make_repository

#: The look at every path after a job; the bound that we set ourselves.
WALK_BOUND_MS = 8.0


def main() -> None:
    """Print each figure beside its bound or peer."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = make_repository(Path(scratch, "r"))
        trees = make_history(folder)
        with open_repository(folder.path) as repository:
            root = Path(scratch, "trees")
            with MaterialisedTree.open(root, repository, source_date=978307200) as tree:
                start = time.perf_counter()
                tree.move_to(trees[0])
                made_ms = milliseconds(start)
                moves = []
                for tree_id in trees[1:]:
                    start, own = time.perf_counter(), time.process_time()
                    tree.move_to(tree_id)
                    moves.append((milliseconds(start), (time.process_time() - own) * 1000))
                walks, restores = [], []
                for _ in range(40):
                    start = time.perf_counter()
                    walk_tree(os.fsencode(tree.root), lambda _path, _status: True)
                    walks.append(milliseconds(start))
                    start = time.perf_counter()
                    tree.restore()
                    restores.append(milliseconds(start))
                spoiled = sorted(path for path in tree.root.rglob("*.c"))[:20]
                for path in spoiled:
                    path.write_bytes(b"spoiled")
                start = time.perf_counter()
                touched = tree.restore()
                spoiled_ms = milliseconds(start)
            start = time.perf_counter()
            MaterialisedTree.open(root, repository, source_date=978307200).close()
            adopted_ms = milliseconds(start)
        peer = Path(scratch, "peer")
        peer.mkdir()
        start = time.perf_counter()
        subprocess.run(
            ["git", f"--work-tree={peer}", "checkout", "-q", trees[0], "--", "."],
            cwd=folder.path,
            env=clean_environment(),
            check=True,
        )
        peer_ms = milliseconds(start)
        walls, owns = [wall for wall, _ in moves], [own for _, own in moves]
        print(f"made from nothing: {made_ms:.0f} ms, git checkout {peer_ms:.0f} ms")
        print(f"moved by 3 files: median {statistics.median(walls):.1f} ms, own CPU {statistics.median(owns):.1f} ms")
        print(f"walk alone: median {statistics.median(walks):.2f} ms, bound {WALK_BOUND_MS} ms")
        print(f"restore of an untouched tree: median {statistics.median(restores):.2f} ms, bound {WALK_BOUND_MS} ms")
        print(f"restore of {len(touched)} spoiled files: {spoiled_ms:.1f} ms")
        print(f"taken over from an earlier process, every file read: {adopted_ms:.0f} ms")


if __name__ == "__main__":
    main()
