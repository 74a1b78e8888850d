"""
Boards that the tree has and the matrix does not.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from dataclasses import dataclass

from gatekeep.model.matrix import Claim, Matrix


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class UnclaimedBoard:
    """A board of the tree that no target builds; `path` says so, `port` is None where the claim names none."""

    board: str
    port: str | None
    path: str


def list_unclaimed(paths: Collection[str], claims: Iterable[Claim], matrix: Matrix) -> tuple[UnclaimedBoard, ...]:
    """
    Compare the boards of a tree with the targets of a matrix.

    Returns:
        Each board once (its first path), sorted by board.
    """
    boards = {target.board for target in matrix.targets}
    boards_by_port = {(target.port, target.board) for target in matrix.targets}
    found: dict[tuple[str | None, str], UnclaimedBoard] = {}
    for claim in claims:
        pattern = _compile(claim.pattern)
        for path in sorted(paths):
            match = pattern.fullmatch(path)
            if match is None:
                continue
            board, port = match["board"], match.groupdict().get("port")
            is_known = board in boards if port is None else (port, board) in boards_by_port
            if not is_known:
                found.setdefault((port, board), UnclaimedBoard(board=board, port=port, path=path))
    return tuple(sorted(found.values(), key=lambda entry: (entry.board, entry.port or "", entry.path)))


def _compile(pattern: str) -> re.Pattern[str]:
    text = re.escape(pattern)
    text = text.replace(re.escape("{board}"), r"(?P<board>[^/]+)").replace(re.escape("{port}"), r"(?P<port>[^/]+)")
    return re.compile(text.replace(re.escape("*"), r"[^/]*"))
