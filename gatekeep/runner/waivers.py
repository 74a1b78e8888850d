"""
Which waivers hold at which commit.

They lie in `waivers.yml` beside the matrix: in the tree, from each commit's own; beside a matrix out of the tree, one
file for all commits. A tree without the file waives nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from gatekeep.errors import MatrixError, UsageError
from gatekeep.model.change import Change
from gatekeep.model.matrix import Matrix
from gatekeep.model.waiver import Waiver
from gatekeep.runner.matrices import Matrices, TreeFiles

FILE_NAME = "waivers.yml"
Parser = Callable[[bytes, str, Matrix], tuple[Waiver, ...]]
"""(bytes, shown path, matrix) to waivers."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WaiverFiles:
    """
    The waivers of a change.

    `by_tree` always has the base's tree. A tree whose file is wrong is absent there and has its message in `errors`;
    one whose matrix is wrong is absent in both, since nothing says which targets there are.
    """

    by_tree: dict[str, tuple[Waiver, ...]]
    errors: dict[str, str]


def load_waivers(
    change: Change,
    matrices: Matrices,
    *,
    files: TreeFiles,
    parse: Parser,
) -> WaiverFiles:
    """
    Find and read the waivers of every judged tree.

    Args:
        change: Says which trees.
        matrices: Theirs, which say where the file lies, and which targets there are.
        files: Reads from trees.
        parse: Reads a file's bytes.

    Raises:
        MatrixError: The base's file (or the one beside the matrix) is wrong.
        UsageError: The file beside the matrix cannot be read.
    """
    base = matrices.by_tree[change.base.tree_id]
    if matrices.in_tree is None:
        return WaiverFiles(by_tree=dict.fromkeys(matrices.by_tree, read_waivers_beside(base, parse)), errors={})
    path = str(PurePosixPath(matrices.in_tree).parent / FILE_NAME)
    known: dict[tuple[bytes | None, int], tuple[Waiver, ...]] = {}
    by_tree: dict[str, tuple[Waiver, ...]] = {}
    errors: dict[str, str] = {}
    for tree_id in (commit.tree_id for commit in change.iter_trees()):
        matrix = matrices.by_tree.get(tree_id)
        if matrix is None:
            continue
        text = files.read_file(tree_id, path)
        try:
            # Most commits leave both files as they are.
            if (text, id(matrix)) not in known:
                known[text, id(matrix)] = parse(text, path, matrix) if text is not None else ()
            by_tree[tree_id] = known[text, id(matrix)]
        except MatrixError as error:
            if tree_id == change.base.tree_id:
                raise
            errors[tree_id] = str(error)
    return WaiverFiles(by_tree=by_tree, errors=errors)


def read_waivers_beside(matrix: Matrix, parse: Parser) -> tuple[Waiver, ...]:
    """
    Read the file beside a matrix that lies outside any tree, or in a checkout.

    Raises:
        MatrixError: It is wrong.
        UsageError: It cannot be read.
    """
    place = Path(matrix.path).parent / FILE_NAME
    text = _read(place)
    return parse(text, str(place), matrix) if text is not None else ()


def _read(place: Path) -> bytes | None:
    try:
        return place.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise UsageError(
            f"{place}: the waivers cannot be read: {error.strerror or error}; mend or remove it"
        ) from error
