"""
Which matrix holds at which commit.

A matrix that lies in the tree is read from each commit: rules, claims and the target list that must not shrink are the
base's, new targets are the commit's own. A matrix beside the tree (another repository, a release engineer's file) is
one for all commits.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from gatekeep.errors import MatrixError, UsageError
from gatekeep.model.change import Change
from gatekeep.model.matrix import Matrix


class TreeFiles(Protocol):
    """Reads files of a tree."""

    def read_file(self, tree_id: str, path: str) -> bytes | None:
        """Give the content of a file, None when the tree has no file of that path."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Matrices:
    """
    The matrices of a change.

    `by_tree` always has the base's tree. A tree whose matrix is missing or wrong is absent there and has its message in
    `errors`. `in_tree` is the path in the tree, None for a matrix beside it. `digest` is the SHA-256, in hexadecimal,
    of the file that judges.
    """

    by_tree: dict[str, Matrix]
    errors: dict[str, str]
    in_tree: str | None
    digest: str


def load_matrices(
    change: Change,
    *,
    named: Path | None,
    work_tree: Path | None,
    files: TreeFiles,
    parse: Callable[[bytes, str], Matrix],
    default_name: str = "matrix.yml",
) -> Matrices:
    """
    Find and read the matrix of every judged tree.

    Args:
        change: Says which trees.
        named: What the user named; None means `default_name` at the root of the tree.
        work_tree: The checkout's root, None in a bare repository.
        files: Reads from trees.
        parse: (bytes, shown path) to a matrix.
        default_name: Where a tree keeps its matrix.

    Raises:
        MatrixError: The base's matrix (or the one beside the tree) is wrong.
        UsageError: There is none.
    """
    in_tree = default_name if named is None else _path_in_tree(named, work_tree)
    base_text = files.read_file(change.base.tree_id, in_tree) if in_tree is not None else None
    if in_tree is None or base_text is None:
        return _one_for_all(change, named, default_name, parse)
    cache: dict[bytes, Matrix] = {base_text: parse(base_text, in_tree)}
    by_tree = {change.base.tree_id: cache[base_text]}
    errors: dict[str, str] = {}
    for commit in change.iter_trees():
        text = files.read_file(commit.tree_id, in_tree)
        if text is None:
            errors[commit.tree_id] = f"{in_tree} is gone; a change cannot remove what judges it"
            continue
        try:
            by_tree[commit.tree_id] = cache[text] = cache.get(text) or parse(text, in_tree)
        except MatrixError as error:
            errors[commit.tree_id] = str(error)
    # What left the base's history before that had a matrix is judged by the base's, and removes nothing; the same tree
    # held against one that has a matrix does.
    before = {commit.tree_id for commit in change.forks.values() if commit.tree_id in errors}
    removing = {commit.tree_id for commit in change.judged if change.base_of(commit).tree_id not in before}
    for commit in change.judged:
        if commit.tree_id not in removing and files.read_file(commit.tree_id, in_tree) is None:
            errors.pop(commit.tree_id, None)
    return Matrices(by_tree=by_tree, errors=errors, in_tree=in_tree, digest=_digest(base_text))


def _digest(text: bytes) -> str:
    return hashlib.sha256(text).hexdigest()


def _path_in_tree(named: Path, work_tree: Path | None) -> str | None:
    """Give the path in the tree that a name on the command line means; None when it leads elsewhere."""
    if work_tree is None:
        return None if named.is_absolute() or named.exists() else named.as_posix()
    # Links on the way to the tree are followed, and none within it: where those lead is the change's own affair, and
    # a file that only the change has would judge in the place of the base's.
    place, root = Path(os.path.abspath(named)), work_tree.resolve()  # noqa: PTH100 - Path.resolve would follow them
    outermost = next((parent for parent in reversed(place.parents) if parent.resolve() == root), None)
    return place.relative_to(outermost).as_posix() if outermost is not None else None


def _one_for_all(
    change: Change, named: Path | None, default_name: str, parse: Callable[[bytes, str], Matrix]
) -> Matrices:
    if named is None:
        raise UsageError(
            f"the base {change.base.short_id} has no {default_name}; name a matrix with --matrix FILE, "
            "in the tree or beside it"
        )
    try:
        text = named.read_bytes()
    except OSError as error:
        raise UsageError(
            f"{named}: the matrix cannot be read: {error.strerror or error}; "
            "name a file with --matrix, or one that the base has in its tree"
        ) from error
    matrix = parse(text, str(named))
    trees = (commit.tree_id for commit in change.iter_trees())
    return Matrices(by_tree=dict.fromkeys(trees, matrix), errors={}, in_tree=None, digest=_digest(text))
