"""
Approvals: what somebody whom the base trusts has signed for one exact change.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from gatekeep.model.change import Change

#: Begins the text; raised when the same words would mean something else.
_FIRST_LINE = "gatekeep approval 1"


@dataclass(frozen=True, slots=True, kw_only=True)
class ApprovalRequest:
    """
    What is to be approved, in the one text that is signed.

    It names base and head by commit and tree, and a commit's name holds every byte of the tree and the history behind
    it; the matrix that judges by its digest; and every line that the change loosens. So it fits one change, and no
    other: not the same commits on another base, nor the same tree by other commits.
    """

    tree: str
    base: str
    head: str
    matrix: str
    statements: tuple[str, ...]

    @property
    def text(self) -> str:
        """Lines ended by a line feed: a word, a blank, its value; the loosenings sorted, behind all else."""
        lines = [
            _FIRST_LINE,
            f"tree {self.tree}",
            f"base {self.base}",
            f"head {self.head}",
            f"matrix {self.matrix}",
            *(f"loosens {_on_one_line(statement)}" for statement in self.statements),
        ]
        return "".join(f"{line}\n" for line in lines)

    @property
    def digest(self) -> str:
        """SHA-256 of the text, in hexadecimal."""
        return hashlib.sha256(self.text.encode("utf-8")).hexdigest()


def make_request(change: Change, tree: str, matrix_digest: str, statements: tuple[str, ...]) -> ApprovalRequest:
    """
    Make the text for a change.

    Args:
        change: Gives base and head.
        tree: The firmware tree's name.
        matrix_digest: SHA-256 of the base's matrix file, in hexadecimal.
        statements: Each loosening in one line.
    """
    return ApprovalRequest(
        tree=tree,
        base=f"{change.base.commit_id} {change.base.tree_id}",
        head=f"{change.head.commit_id} {change.head.tree_id}",
        matrix=f"sha256:{matrix_digest}",
        statements=tuple(sorted(set(statements))),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ApprovalCheck:
    """
    What became of one approval that was found.

    `source` is the file or ref that it came from. `approver` is the name in the base's matrix, None where it does not
    count; then `why` says it in one sentence, and is empty otherwise. `fingerprint` is the key's, empty where none is
    known.
    """

    source: str
    approver: str | None
    fingerprint: str = ""
    why: str = ""


def _on_one_line(text: str) -> str:
    """A probe's words may hold a line break; two lines in one would be another text."""
    return text.replace("\\", "\\\\").replace("\n", "\\n").replace("\r", "\\r")
