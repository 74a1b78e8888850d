"""
When a workplace's jobs may use a compiler cache, and when one has to be built again.

Direct mode is right as long as no name comes or goes in the tree while the job runs (`compile_front`). No lookup could
see that at once, so it is seen afterwards, by the look through the tree that every job ends with: a job that wrote
anywhere in its tree is built again with preprocessor mode alone, and so are all later ones of its recipe.

A compiler that looks for a header follows symlinks also where it finds nothing, and so reads them. A hit opens what was
found, no more. So all symlinks of the tree belong to what such a job has read.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from gatekeep.build.compile_cache import FOLDER, CompileCache
from gatekeep.build.tree_files import Accesses
from gatekeep.build.tree_names import TreeNames
from gatekeep.build.worktree import MaterialisedTree
from gatekeep.logs import log_event
from gatekeep.model.matrix import Recipe, Target, Toolchain
from gatekeep.model.readset import ReadSet

_logger = logging.getLogger(__name__)


class CacheUse:
    """
    The caches of one workplace; its jobs come one after the other.

    Args:
        caches: By toolchain; builds of the others are clean.
        tree: The worker's copy of the tree.
        folder: The workplace's own, with its `out` and `tmp`.
    """

    def __init__(self, caches: Mapping[Toolchain, CompileCache], *, tree: MaterialisedTree, folder: Path) -> None:
        self._caches = caches
        self._tree = tree
        self._folder = folder
        self._writers: set[Recipe] = set()
        self._names: TreeNames | None = None

    def put_in_front(self, target: Target, environment: dict[str, str]) -> dict[str, str]:
        """Give the environment of a job's commands; as it was where no cache may be used."""
        self._names = None
        cache, recipe = self._caches.get(target.toolchain), target.recipe
        # A recipe with a PATH of its own may mean other compilers by the same names.
        if cache is None or any(name == "PATH" for name, _ in recipe.environment):
            return environment
        if not recipe.builds_in_tree and recipe not in self._writers:
            self._names = self._tree.list_names()
        try:
            return cache.stand_in_front(
                environment,
                folder=self._folder / FOLDER,
                tree=self._tree.root,
                out=self._folder / "out",
                tmp=self._folder / "tmp",
                names=self._names,
            )
        except OSError as error:
            log_event(_logger, logging.WARNING, "compile_cache", target=target.name, error=str(error))
            self._names = None
            return environment

    def is_in_doubt(self, target: Target, accesses: Accesses | None) -> bool:
        """
        Tell whether the last job has to be built again, since what it found in the cache may be wrong.

        Args:
            target: Of the job; its recipe gets no direct mode any more where that is so.
            accesses: What the job did to the tree; None where that is not known.
        """
        if self._names is None or not (accesses is None or accesses.wrote_tracked or accesses.wrote_folders):
            return False
        self._writers.add(target.recipe)
        log_event(_logger, logging.INFO, "compile_cache", target=target.name, error="the build wrote into its tree")
        return True

    def complete(self, read_set: ReadSet | None) -> ReadSet | None:
        """Add to what the last job was seen to read what a compiler may have read beyond that."""
        if self._names is None or read_set is None:
            return read_set
        return replace(read_set, files=tuple(sorted({*read_set.files, *self._names.links})))
