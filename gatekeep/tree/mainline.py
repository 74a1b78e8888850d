"""
The commits of a branch by first parents, and the tags on them.

Source: git-rev-list(1), "--first-parent"; git-for-each-ref(1), "FIELD NAMES".
"""

from __future__ import annotations

from gatekeep.errors import RepositoryError
from gatekeep.model.change import Commit
from gatekeep.tree.change import _LISTING, _list_boundaries, _parse_commits, is_ancestor
from gatekeep.tree.git_command import split_lines
from gatekeep.tree.repository import GitRepository

_UNSHALLOW = "run git fetch --unshallow, or let CI clone the whole history"


def list_first_parents(repository: GitRepository, revision: str) -> tuple[Commit, ...]:
    """
    List the commits that a revision leads back to by first parents, oldest first.

    Raises:
        RepositoryError: No such commit, or a shallow clone that cuts the line off.
    """
    head = repository.resolve(revision)
    command = repository._command
    output = command.ask(
        "rev-list", "--first-parent", "--reverse", *_LISTING, head.commit_id, doing=f"listing the line of {revision}"
    )
    commits = tuple(_parse_commits(output))
    if commits[0].commit_id in _list_boundaries(command, repository.git_common_dir):
        raise RepositoryError(
            f"{repository.place}: the clone is shallow and ends at commit {commits[0].short_id}, wanted the whole "
            f"history of {revision}; {_UNSHALLOW}"
        )
    return commits


def contains_commit(repository: GitRepository, head: Commit, commit_id: str) -> bool:
    """Say whether a commit is another or contains it; one that is not in the repository now is contained by none."""
    try:
        return is_ancestor(repository._command, commit_id, head.commit_id)
    except RepositoryError:
        return False


def name_branch(repository: GitRepository, revision: str) -> str:
    """
    Give the name of a branch for people, one that stays the same from commit to commit.

    HEAD is told by the branch that is checked out; where none is, it is HEAD.
    """
    if revision != "HEAD":
        return revision
    answer = repository._command.run("symbolic-ref", "--quiet", "--short", "HEAD")
    return answer.output.decode("utf-8", "replace").strip() or revision


def list_tags(repository: GitRepository) -> tuple[tuple[str, str], ...]:
    """Give (name, commit id) of every tag that leads to a commit, by name."""
    output = repository._command.ask(
        "for-each-ref",
        "--format=%(refname:lstrip=2)%00%(objecttype)%00%(objectname)%00%(*objecttype)%00%(*objectname)",
        "refs/tags",
        doing="listing tags",
    )
    found: list[tuple[str, str]] = []
    for line in split_lines(output, "replace"):
        name, kind, object_id, peeled_kind, peeled_id = line.split("\0")
        if kind == "commit":
            found.append((name, object_id))
        elif peeled_kind == "commit":
            found.append((name, peeled_id))
    return tuple(sorted(found))
