"""
The way into the room: a matrix file, or its bytes, to a `Matrix`.
"""

from __future__ import annotations

from pathlib import Path

from gatekeep.errors import UsageError
from gatekeep.matrix.entries import MatrixEntry
from gatekeep.matrix.faults import Faults
from gatekeep.matrix.nodes import MATRIX_LIMIT_BYTES, decode, read_nodes
from gatekeep.matrix.resolve import resolve
from gatekeep.matrix.shape import read_entry
from gatekeep.model.matrix import Matrix


def parse_matrix(text: bytes, *, path: str) -> Matrix:
    """
    Read a matrix from the bytes of its file, for instance as git stores it.

    Args:
        text: The whole file.
        path: Its name, for places in messages and in the matrix.

    Returns:
        Every target whole, with nothing left to inherit.

    Raises:
        MatrixError: The first fault by line; all others that could be told are its `others`.
    """
    faults = Faults(path)
    root = read_nodes(decode(text, faults), faults)
    return resolve(read_entry(root, faults, MatrixEntry), faults)


def load_matrix(path: Path) -> Matrix:
    """
    Read a matrix file.

    Raises:
        MatrixError: As `parse_matrix`.
        UsageError: The file cannot be read.
    """
    try:
        with path.open("rb") as stream:
            # One byte more than is allowed is enough to be refused, however large the file or endless the device.
            text = stream.read(MATRIX_LIMIT_BYTES + 1)
    except OSError as error:
        raise UsageError(f"{path}: the matrix cannot be read: {error.strerror}; name the file with --matrix") from error
    return parse_matrix(text, path=str(path))
