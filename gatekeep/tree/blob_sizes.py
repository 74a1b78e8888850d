"""
How large files of a tree are, without reading them.

Source: git-cat-file(1), "BATCH OUTPUT".
"""

from __future__ import annotations

from collections.abc import Iterable

from gatekeep.tree.git_command import split_lines
from gatekeep.tree.repository import GitRepository


def load_blob_sizes(repository: GitRepository, blob_ids: Iterable[str]) -> dict[str, int]:
    """
    Give the sizes of blobs in bytes, by object id; those that are missing here, or no blobs, are left out.

    Raises:
        RepositoryError: Git cannot tell.
    """
    feed = "".join(f"{blob_id}\n" for blob_id in blob_ids).encode("ascii")
    if not feed:
        return {}
    output = repository._command.ask_content(
        "cat-file",
        "--batch-check=%(objectname) %(objecttype) %(objectsize)",
        doing="asking for the sizes of files",
        feed=feed,
    )
    answers = (line.split(" ") for line in split_lines(output))
    return {answer[0]: int(answer[2]) for answer in answers if len(answer) == 3 and answer[1] == "blob"}
