"""
Approvals in the repository: each a blob under a ref of its own, named by the digest of the text that it signs.

A ref can be pushed and fetched as any other, and is no branch: `git push REMOTE REF`. Whoever can push can put one
there, so a ref proves nothing; the signature in it does.

Source: git-update-ref(1); git-hash-object(1); git-for-each-ref(1).
"""

from __future__ import annotations

import hashlib

from gatekeep.errors import RepositoryError
from gatekeep.tree.git_command import split_lines
from gatekeep.tree.repository import GitRepository

PREFIX = "refs/gatekeep/approvals"


def list_approval_refs(repository: GitRepository, digest: str) -> tuple[tuple[str, str], ...]:
    """
    List the approvals of one text.

    Args:
        repository: Where they are looked for.
        digest: SHA-256 of the text, in hexadecimal.

    Returns:
        (ref, object id), sorted by ref.

    Raises:
        RepositoryError: Git cannot list them.
    """
    command = repository._command
    output = command.ask(
        "for-each-ref", "--format=%(refname) %(objectname)", f"{PREFIX}/{digest}/", doing="listing approvals"
    )
    pairs = (line.rpartition(" ") for line in split_lines(output, "replace"))
    return tuple((ref, object_id) for ref, _, object_id in pairs)


def is_named_by_content(ref: str, content: bytes) -> bool:
    """Say whether a ref has the name that `keep_approval` gives."""
    return ref.endswith(f"/{_digest(content)}")


def keep_approval(repository: GitRepository, digest: str, content: bytes) -> str:
    """
    Put an approval into the repository.

    Returns:
        Its ref; one for each content, so that several people may approve the same.

    Raises:
        RepositoryError: Git cannot write it.
    """
    command = repository._command
    doing = "keeping the approval"
    object_id = command.ask("hash-object", "-w", "--stdin", doing=doing, feed=content).decode("ascii").strip()
    if not object_id:
        raise RepositoryError(f"{repository.place}: {doing} gave no object; run git fsck there, and try again")
    ref = f"{PREFIX}/{digest}/{_digest(content)}"
    command.ask("update-ref", ref, object_id, doing=doing)
    return ref


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()[:16]
