"""
Branches: where they are, who has them checked out, and moving one by compare-and-swap.

No hook runs and no work tree is touched. Who signs is asked of git as its user has configured it; all else keeps to the
environment of git_command.py.

Source: git-update-ref(1), `--stdin`; git-for-each-ref(1), `worktreepath`; git-var(1), GIT_AUTHOR_IDENT.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

from gatekeep.errors import RepositoryError, UsageError
from gatekeep.tree.git_command import split_lines
from gatekeep.tree.merge import Person, Signature
from gatekeep.tree.repository import GitRepository

_HEADS = "refs/heads/"
_IDENTITY = re.compile(r"(?P<name>.*) <(?P<email>[^<>]*)> (?P<seconds>[0-9]+) (?P<zone>[+-][0-9]{4})", re.DOTALL)


def find_branch(repository: GitRepository, name: str) -> str:
    """
    Give the full name of an existing branch; one that is a symbolic name leads to the branch that it names.

    Args:
        repository: Where it is.
        name: `main`, or `refs/heads/main`.

    Raises:
        RepositoryError: There is no such branch.
    """
    ref = name if name.startswith(_HEADS) else f"{_HEADS}{name}"
    repository.resolve(ref)
    answer = repository._command.run("symbolic-ref", "--quiet", ref)
    if answer.exit_code != 0:
        return ref
    target = "".join(split_lines(answer.output)[:1])
    if not target.startswith(_HEADS):
        raise RepositoryError(f"{repository.place}: {ref} leads to {target}, which is no branch; name a branch")
    return target


def find_checkout(repository: GitRepository, ref: str) -> Path | None:
    """Give a work tree in which a branch is checked out; None where it is in none."""
    output = repository._command.ask(
        "for-each-ref", "--format=%(refname)%00%(worktreepath)", ref, doing=f"asking who has {ref} checked out"
    )
    for line in split_lines(output):
        name, _, path = line.partition("\0")
        # The pattern also finds what lies below a name.
        if name == ref and path:
            return Path(path)
    return None


def move_branch(
    repository: GitRepository, ref: str, *, old_id: str, new_id: str, committer: Person | None, why: str
) -> str:
    """
    Move a branch, if it still is where it is thought to be.

    Args:
        repository: Where it is.
        ref: Its full name.
        old_id: The commit that it must be at.
        new_id: The commit that it then is at.
        committer: Who is written into the branch's log; None for nobody.
        why: What is written there, one line.

    Returns:
        "" when it was moved; else what git said, for somebody else has moved it or is at it.
    """
    who = committer or Person(name="gatekeep", email="", at="")
    answer = repository._command.run(
        "update-ref",
        "-m",
        why,
        "--stdin",
        "-z",
        feed=b"update %s\0%s\0%s\0"
        % (ref.encode("utf-8", "surrogateescape"), new_id.encode("ascii"), old_id.encode("ascii")),
        more={"GIT_COMMITTER_NAME": who.name, "GIT_COMMITTER_EMAIL": who.email},
    )
    return "" if answer.exit_code == 0 else answer.complaint or f"exit code {answer.exit_code} and no word"


def load_signature(repository: GitRepository, message: str, own: Mapping[str, str]) -> Signature:
    """
    Ask git who the user is.

    Args:
        repository: Whose configuration counts besides the user's.
        message: Of the merge that they sign.
        own: Our own environment, with HOME and whatever names the author.

    Raises:
        UsageError: Git does not know.
    """
    people: list[Person] = []
    for role in ("AUTHOR", "COMMITTER"):
        answer = repository._command.run_as_user(own, "var", f"GIT_{role}_IDENT")
        found = _IDENTITY.fullmatch(answer.output.decode("utf-8", "replace").strip())
        if answer.exit_code != 0 or found is None:
            raise UsageError(
                f"{repository.place}: git does not know who makes the merge; run git config user.name and "
                "git config user.email there"
            )
        people.append(Person(name=found["name"], email=found["email"], at=f"@{found['seconds']} {found['zone']}"))
    author, committer = people
    return Signature(author=author, committer=committer, message=message)
