"""
What would land: a head merged onto the base's tip, without a checkout and without moving a branch.

Git computes the merge in the bare stand-in (see git_command.py): no attribute, driver or setting has a say in it, so
the same two commits give the same tree everywhere. What it writes is gone with the stand-in, unless the merge is kept
because it lands; then git computes it once more, into the repository.

Source: git-merge-tree(1), "OUTPUT" and "EXIT STATUS"; git-commit-tree(1), "COMMIT INFORMATION".
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from gatekeep.errors import RepositoryError
from gatekeep.model.change import Change, Commit, Conflict
from gatekeep.tree.change import is_ancestor, list_commits, load_commits, make_change, resolve_commit
from gatekeep.tree.git_command import GitCommand
from gatekeep.tree.listing import decode_path
from gatekeep.tree.repository import GitRepository

#: The first git whose merge-tree does a real merge.
_NEEDED = (2, 38)
_OBJECT = re.compile(rb"[0-9a-f]{40}(?:[0-9a-f]{24})?", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """An author or committer; `at` is git's own form, `@SECONDS +ZONE`."""

    name: str
    email: str
    at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """Who makes a merge, and what its message is."""

    author: Person
    committer: Person
    message: str


def load_landing(repository: GitRepository, base: str, head: str, *, signature: Signature | None = None) -> Change:
    """
    List the commits of BASE..HEAD, where each left the base's history, and what would land.

    Args:
        repository: Where they are.
        base: What the change lands on; its tip.
        head: The last commit of the change.
        signature: Of the merge; None where it is only judged, and the same two commits give the same merge.

    Raises:
        RepositoryError: As `GitRepository.load_change`, or git is too old to merge without a checkout.
    """
    command = repository._command
    base_commit, head_commit = resolve_commit(command, base), resolve_commit(command, head)
    commits = list_commits(command, base_commit, head_commit, common_dir=repository.git_common_dir)
    if not commits:
        return make_change(base_commit, head_commit, commits)
    forks = _find_forks(command, base_commit, commits)
    kept = _choose_judged(base_commit, head_commit, commits, forks)
    descends = is_ancestor(command, base_commit.commit_id, head_commit.commit_id)
    return Change(
        base=base_commit,
        head=head_commit,
        commits=kept,
        commit_count=len(commits),
        forks={commit.commit_id: forks[commit.commit_id] for commit in kept if commit.commit_id in forks},
        merge=_merge(command, base_commit, head_commit, signature) if not descends else None,
    )


def _choose_judged(
    base: Commit, head: Commit, commits: Sequence[Commit], forks: Mapping[str, Commit]
) -> tuple[Commit, ...]:
    """
    Leave out what changes nothing, and what has been held against the same tree already.

    A merge of the base and an old commit may carry the old one's tree: nothing new where that left the base's history,
    and held against the base it takes back all that the base has gained. So a tree alone decides nothing.
    """
    seen: set[tuple[str, str]] = set()
    kept: list[Commit] = []
    for commit in commits:
        before = forks.get(commit.commit_id, base).tree_id
        pair = (commit.tree_id, before)
        # What is mended on the way and back at the end is there at the end.
        if commit.tree_id != before and (pair not in seen or commit.commit_id == head.commit_id):
            seen.add(pair)
            kept.append(commit)
    return tuple(kept)


def _find_forks(command: GitCommand, base: Commit, commits: Sequence[Commit]) -> dict[str, Commit]:
    """Give, by commit id, the newest commit of the base's history that each contains, where that is not the base."""
    # None where a history of its own begins: what it is held against then is the base.
    found: dict[str, str | None] = {}
    for commit in commits:
        before = dict.fromkeys(found.get(parent_id, parent_id) for parent_id in commit.parent_ids)
        before.pop(None, None)
        if len(before) > 1 and base.commit_id not in before:
            answer = command.run("merge-base", base.commit_id, commit.commit_id)
            if answer.exit_code != 0:
                raise command.failure(f"comparing {base.short_id} with {commit.short_id}", answer.complaint)
            before = dict.fromkeys(answer.output.decode("ascii").split()[:1])
        found[commit.commit_id] = base.commit_id if base.commit_id in before else next(iter(before), None)
    wanted = [fork_id for fork_id in dict.fromkeys(found.values()) if fork_id not in (None, base.commit_id)]
    loaded = {fork.commit_id: fork for fork in load_commits(command, [one for one in wanted if one is not None])}
    return {commit_id: loaded[fork_id] for commit_id, fork_id in found.items() if fork_id in loaded}


def _merge(command: GitCommand, base: Commit, head: Commit, signature: Signature | None) -> Commit | Conflict:
    tree = _merge_trees(command, base, head, keep=False)
    if isinstance(tree, Conflict):
        return tree
    return _commit(command, tree, base, head, signature or _anonymous(base, head), keep=False)


def keep_merge(repository: GitRepository, change: Change, signature: Signature) -> Commit:
    """
    Write a judged merge into the repository, which it is about to land in. No branch is moved.

    Raises:
        RepositoryError: Git failed, or gave another tree than was judged.
    """
    merged = change.merged
    if merged is None:
        raise ValueError("the change has no merge")
    tree = _merge_trees(repository._command, change.base, change.head, keep=True)
    if tree != merged.tree_id:
        raise RepositoryError(
            f"{repository.place}: the merge of {change.head.short_id} onto {change.base.short_id} came out differently "
            "the second time, and nothing was landed; run git fsck there"
        )
    return _commit(repository._command, merged.tree_id, change.base, change.head, signature, keep=True)


def _merge_trees(command: GitCommand, base: Commit, head: Commit, *, keep: bool) -> str | Conflict:
    doing = f"merging {head.short_id} onto {base.short_id}"
    answer = command.run_content(
        "merge-tree", "--write-tree", "-z", "--name-only", "--no-messages", base.commit_id, head.commit_id, keep=keep
    )
    tree_id, *paths = answer.output.split(b"\0")
    # Exit code 1 means a conflict, and a commit that cannot be read; only the former names a tree.
    if answer.exit_code in (0, 1) and _OBJECT.fullmatch(tree_id):
        if answer.exit_code == 0:
            return tree_id.decode("ascii")
        return Conflict(paths=tuple(sorted({decode_path(path) for path in paths if path})))
    version = _load_version(command)
    if version < _NEEDED:
        raise RepositoryError(
            f"{command.place}: {doing} needs git {_say(_NEEDED)} or later, got {_say(version)}; install a newer "
            "git, or rebase the change so that nothing has to be merged"
        )
    raise command.failure(doing, answer.complaint or f"exit code {answer.exit_code} and no word")


def _load_version(command: GitCommand) -> tuple[int, ...]:
    found = re.search(rb"([0-9]+)\.([0-9]+)", command.run("version").output)
    return (int(found[1]), int(found[2])) if found else (0, 0)


def _say(version: tuple[int, ...]) -> str:
    return ".".join(map(str, version))


def _anonymous(base: Commit, head: Commit) -> Signature:
    """Sign a merge that is only judged: by nobody, at a time that the commits decide."""
    at = max(base.committed_at, head.committed_at)
    nobody = Person(name="gatekeep", email="", at=f"@{int(at.timestamp())} +0000")
    message = f"{head.short_id} merged onto {base.short_id}\n"
    return Signature(author=nobody, committer=nobody, message=message)


def _commit(
    command: GitCommand, tree_id: str, base: Commit, head: Commit, signature: Signature, *, keep: bool
) -> Commit:
    answer = command.run_content(
        "commit-tree",
        "-p",
        base.commit_id,
        "-p",
        head.commit_id,
        tree_id,
        feed=signature.message.encode("utf-8", "surrogateescape"),
        keep=keep,
        more=_identity(signature),
    )
    if answer.exit_code != 0:
        raise command.failure(f"making the merge of {head.short_id} onto {base.short_id}", answer.complaint)
    seconds = int(signature.committer.at.removeprefix("@").split()[0])
    return Commit(
        commit_id=answer.output.decode("ascii").strip(),
        tree_id=tree_id,
        parent_ids=(base.commit_id, head.commit_id),
        author_name=signature.author.name,
        author_email=signature.author.email,
        subject=signature.message.strip().partition("\n")[0],
        committed_at=datetime.fromtimestamp(seconds, UTC),
    )


def _identity(signature: Signature) -> Mapping[str, str]:
    people = {"AUTHOR": signature.author, "COMMITTER": signature.committer}
    return {
        f"GIT_{role}_{field}": value
        for role, person in people.items()
        for field, value in (("NAME", person.name), ("EMAIL", person.email), ("DATE", person.at))
    }
