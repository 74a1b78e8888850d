"""Boards that the tree has and the matrix does not."""

from __future__ import annotations

import pytest

from gatekeep.judge.claims import UnclaimedBoard, list_unclaimed
from tests.cases import make_matrix


@pytest.mark.parametrize(
    ("claim", "paths", "found"),
    [
        ("boards/{board}/board.mk", ["boards/mere/board.mk"], []),
        ("boards/{board}/board.mk", ["boards/firth/board.mk"], [("firth", None, "boards/firth/board.mk")]),
        ("boards/{board}/board.mk", ["boards/firth/other.mk", "x/boards/firth/board.mk"], []),
        ("boards/{board}/board.mk", ["boards/a/firth/board.mk"], []),
        ("{port}/{board}.mk", ["mips/mere.mk"], [("mere", "mips", "mips/mere.mk")]),
        ("{port}/{board}.mk", ["arm/mere.mk"], []),
        ("*/{board}/board.mk", ["anything/firth/board.mk"], [("firth", None, "anything/firth/board.mk")]),
        ("boards/{board}/board.mk", ["boards/\n\udcff/board.mk"], [("\n\udcff", None, "boards/\n\udcff/board.mk")]),
        ("board.{board}", ["boardXfirth"], []),
    ],
)
def test_unclaimed(claim: str, paths: list[str], found: list[tuple[str, str | None, str]]) -> None:
    matrix = make_matrix(claims=(claim,))
    expected = tuple(UnclaimedBoard(board=board, port=port, path=path) for board, port, path in found)
    assert list_unclaimed(paths, matrix.claims, matrix) == expected


def test_two_files_of_one_board_are_one_board() -> None:
    matrix = make_matrix(claims=("boards/{board}/*.mk",))
    found = list_unclaimed(["boards/firth/b.mk", "boards/firth/a.mk"], matrix.claims, matrix)
    assert [entry.path for entry in found] == ["boards/firth/a.mk"]
