"""
What an audit asks of trees and kept files, for `gatekeep audit` and `gatekeep sweep`.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from gatekeep.build.kept import find_first_difference, forget_artifacts, holds_bytes, kept_folder
from gatekeep.cli.edges import Edges
from gatekeep.model.plan import Job
from gatekeep.runner.reach_trees import TreeComparer

#: Where second builds are made: another path, so that one in an image shows, of the same length, so that sizes stay.
SECOND_PLACE = "again"
_PREFIX_HINT = "it holds the path of the worker's folder; compile with -ffile-prefix-map={tree}=. or use relative paths"
_OTHER_HINT = "look for the time of day, random numbers, names of temporary files and the order of folders"


class KeptWitness:
    """
    Looks at trees and kept files.

    Args:
        edges: What the run holds open.
        comparer: Compares trees.
        keep: Artifacts of the first builds lie in `first`, of the second ones in `second`.
    """

    def __init__(self, edges: Edges, comparer: TreeComparer, keep: Path) -> None:
        self._comparer = comparer
        self._first, self._second = keep / "first", keep / "second"
        self._folder = os.fsencode(edges.folder)

    def list_changed_paths(self, old_tree_id: str, new_tree_id: str) -> tuple[str, ...]:
        """Say what happened to each path."""
        change = self._comparer.compare(old_tree_id, new_tree_id)
        return tuple(f"{item.path} {item.event.value}" for item in change.paths)

    def explain_files(self, job: Job, names: Sequence[tuple[int, str]]) -> tuple[str, ...]:
        """Say where they differ first, and whether they hold paths of ours."""
        found: list[str] = []
        for index, name in names:
            one, other = (kept_folder(keep, job) / str(index) for keep in (self._first, self._second))
            # A file that could not be kept, or is gone, costs the explanation and nothing else.
            with suppress(OSError):
                offset = find_first_difference(one, other)
                hint = _PREFIX_HINT if holds_bytes(one, self._folder) else _OTHER_HINT
                if offset is not None:
                    found.append(f"{name}: two clean builds differ first at byte {offset} (0x{offset:x}); {hint}")
        return tuple(found)

    def forget(self, job: Job) -> None:
        """Let go of the files of the first build."""
        forget_artifacts(self._first, job)
