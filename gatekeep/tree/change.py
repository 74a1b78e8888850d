"""
Names to commits, and the commits of a change.

What a user types goes through `rev-parse --verify --end-of-options` before anything else sees it; from there on only
full object names are used. A name that is both a branch and a tag is refused: git would quietly take the tag, and
whoever can push a tag could choose the base that a change is judged from.

A shallow clone is no fault in itself (CI makes them all the time), but the commits of a change must all be there: when
one of them is a boundary of the clone, its parents are cut off and commits of the change may be missing.

Source: gitrevisions(7); git-rev-list(1), "PRETTY FORMATS"; git's Documentation/technical/shallow.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path

from gatekeep.errors import RepositoryError
from gatekeep.model.change import Change, Commit
from gatekeep.tree.git_command import GitCommand, split_lines

_FIELDS = ("%H", "%T", "%P", "%an", "%ae", "%ct", "%s")
#: Fields cannot hold NUL: git ends a commit's header and subject there.
_FORMAT = "--format=" + "".join(f"{field}%x00" for field in _FIELDS)
#: The last second that `datetime` can hold; a commit made by hand may claim any number.
_LATEST_S = 253402300799
_UNSHALLOW = "run git fetch --unshallow, or let CI clone the whole history"


def resolve_commit(command: GitCommand, revision: str) -> Commit:
    """
    Find the commit that a revision names.

    Args:
        revision: Anything of gitrevisions(7) that names one commit, typed by a user and so hostile.

    Raises:
        RepositoryError: No such commit, or a name with two meanings.
    """
    return load_commits(command, [_resolve_id(command, revision)])[0]


def load_commits(command: GitCommand, commit_ids: Sequence[str]) -> list[Commit]:
    """
    Read commits by their full object names, in their order.

    Raises:
        RepositoryError: One is missing or damaged.
    """
    if not commit_ids:
        return []
    listed = b"".join(b"%s\n" % commit_id.encode("ascii") for commit_id in commit_ids)
    doing = f"reading commit {commit_ids[0][:10]}"
    return _parse_commits(command.ask("rev-list", "--no-walk=unsorted", *_LISTING, "--stdin", doing=doing, feed=listed))


_LISTING = ("--no-commit-header", "--encoding=UTF-8", _FORMAT)


def _resolve_id(command: GitCommand, revision: str) -> str:
    if not revision or revision.startswith(("-", "^")) or not revision.isprintable():
        raise RepositoryError(
            f"{command.place}: {revision!r} is no revision; name a commit, a branch or a tag, such as main or HEAD~3"
        )
    answer = command.run("rev-parse", "--verify", "--end-of-options", f"{revision}^{{commit}}")
    if answer.exit_code != 0:
        raise _unknown_revision(command, revision, answer.complaint)
    # Only asked with LC_ALL=C and core.warnAmbiguousRefs, so the words are git's own and always there.
    if "is ambiguous" in answer.complaint:
        raise RepositoryError(
            f"{command.place}: {revision!r} is the name of several things; "
            f"write refs/heads/{revision} for the branch or refs/tags/{revision} for the tag"
        )
    return answer.output.decode("ascii").strip()


def _unknown_revision(command: GitCommand, revision: str, complaint: str) -> RepositoryError:
    if "expected commit type" in complaint:
        return RepositoryError(
            f"{command.place}: {revision!r} does not name a commit; name a commit, a branch or a tag"
        )
    if "is ambiguous" in complaint and "short" in complaint:
        return RepositoryError(
            f"{command.place}: {revision!r} is the beginning of several object names; write more digits"
        )
    message = f"{command.place}: there is no commit {revision!r} here"
    names = command.ask(
        "for-each-ref", "--format=%(refname:lstrip=2)", "refs/heads", "refs/tags", "refs/remotes", doing="listing names"
    )
    nearest = difflib.get_close_matches(revision, split_lines(names, "replace"), n=1)
    if nearest:
        return RepositoryError(f"{message}; the nearest name is {nearest[0]!r}")
    if _is_shallow(command):
        return RepositoryError(f"{message}, and the clone is shallow; {_UNSHALLOW}")
    return RepositoryError(f"{message}; check its spelling, or run git fetch")


def load_change(command: GitCommand, base: str, head: str, *, common_dir: Path) -> Change:
    """
    List the commits of BASE..HEAD, merges and what they bring included.

    BASE need not be an ancestor of HEAD; it stays what the change is compared with. When HEAD is BASE or an ancestor
    of it, it has landed already: the change is empty and its head is the base. So the tree of the change's head is
    always the base's or that of one of its commits.

    Raises:
        RepositoryError: An unknown name, a shallow clone that lacks commits of the change, or histories without a
            common commit.
    """
    base_commit = resolve_commit(command, base)
    head_commit = resolve_commit(command, head)
    return make_change(base_commit, head_commit, list_commits(command, base_commit, head_commit, common_dir=common_dir))


def make_change(base: Commit, head: Commit, commits: Sequence[Commit]) -> Change:
    """Make a change of all commits of BASE..HEAD; one that has landed already ends at the base."""
    if not commits:
        return Change(base=base, head=base, commits=(), commit_count=0)
    return Change(
        base=base, head=head, commits=keep_first_of_each_tree(commits, base.tree_id), commit_count=len(commits)
    )


def list_commits(command: GitCommand, base: Commit, head: Commit, *, common_dir: Path) -> tuple[Commit, ...]:
    """
    List every commit that HEAD contains and BASE does not, parents before children.

    Raises:
        RepositoryError: A shallow clone that lacks some of them, or histories without a common commit.
    """
    fork_id = _find_common(command, base, head)
    output = command.ask(
        "rev-list",
        "--topo-order",
        "--reverse",
        *_LISTING,
        head.commit_id,
        f"^{base.commit_id}",
        doing=f"listing the commits from {base.short_id} to {head.short_id}",
    )
    commits = _leave_out_contained(command, _parse_commits(output), base, fork_id)
    boundaries = _list_boundaries(command, common_dir) if commits else frozenset()
    cut = next((commit for commit in commits if commit.commit_id in boundaries), None)
    if cut is not None:
        raise RepositoryError(
            f"{command.place}: the clone is shallow and cuts the change off at commit {cut.short_id}, "
            f"wanted every commit from {base.short_id} to {head.short_id}; {_UNSHALLOW}"
        )
    return tuple(commits)


def _leave_out_contained(command: GitCommand, commits: list[Commit], base: Commit, fork_id: str) -> list[Commit]:
    """
    Leave out what the base contains after all, where clocks were wrong.

    git-rev-list walks by dates, and stops looking a few commits after only excluded ones are left: where commits of the
    base are dated long before those that they follow, some of these are listed as if the base had them not. Then the
    base contains one of the listed that follow none of the listed; git-merge-base, which answers that, asks no dates.
    """
    listed = {commit.commit_id for commit in commits}
    first = [commit for commit in commits if listed.isdisjoint(commit.parent_ids)]
    # What follows the newest common commit cannot be common itself, and that is nearly every change.
    if not any(fork_id not in one.parent_ids and is_ancestor(command, one.commit_id, base.commit_id) for one in first):
        return commits
    known = command.ask("rev-list", base.commit_id, doing=f"listing what {base.short_id} contains")
    contained = set(known.decode("ascii").split())
    return [commit for commit in commits if commit.commit_id not in contained]


def is_ancestor(command: GitCommand, old_id: str, new_id: str) -> bool:
    """
    Say whether a commit contains another.

    Raises:
        RepositoryError: One of them cannot be read.
    """
    answer = command.run("merge-base", "--is-ancestor", old_id, new_id)
    if answer.exit_code not in (0, 1):
        raise command.failure(f"comparing {old_id[:10]} with {new_id[:10]}", answer.complaint)
    return answer.exit_code == 0


def keep_first_of_each_tree(commits: Iterable[Commit], base_tree_id: str) -> tuple[Commit, ...]:
    """Leave out commits whose tree is the base's or an earlier one's; the order stays."""
    seen = {base_tree_id}
    kept: list[Commit] = []
    for commit in commits:
        if commit.tree_id not in seen:
            seen.add(commit.tree_id)
            kept.append(commit)
    return tuple(kept)


def _find_common(command: GitCommand, base: Commit, head: Commit) -> str:
    """Give the newest commit that both contain, or one of the newest."""
    answer = command.run("merge-base", base.commit_id, head.commit_id)
    if answer.exit_code == 0:
        return answer.output.decode("ascii").split()[0]
    if answer.exit_code != 1:
        raise command.failure(f"comparing {base.short_id} with {head.short_id}", answer.complaint)
    if _is_shallow(command):
        raise RepositoryError(
            f"{command.place}: the clone is shallow, and {base.short_id} and {head.short_id} have no common commit "
            f"in it; {_UNSHALLOW}"
        )
    raise RepositoryError(
        f"{command.place}: {base.short_id} and {head.short_id} have no common commit: the histories are unrelated; "
        "name the base that the change started from"
    )


def _is_shallow(command: GitCommand) -> bool:
    return command.ask("rev-parse", "--is-shallow-repository", doing="asking whether it is shallow").strip() == b"true"


def _list_boundaries(command: GitCommand, common_dir: Path) -> frozenset[str]:
    """Commits whose parents a shallow clone has cut off."""
    try:
        return frozenset((common_dir / "shallow").read_text(encoding="ascii").split())
    except FileNotFoundError:
        return frozenset()
    except (OSError, UnicodeDecodeError) as error:
        raise RepositoryError(f"{command.place}: its list of shallow commits cannot be read: {error}") from error


def _parse_commits(output: bytes) -> list[Commit]:
    commits: list[Commit] = []
    # At once: no character of UTF-8 holds a zero byte, so it is the same as each field by itself.
    for record in output.decode("utf-8", "replace").split("\0\n")[:-1]:
        commit_id, tree_id, parents, author_name, author_email, seconds, subject = record.split("\0")
        commits.append(
            Commit(
                commit_id=commit_id,
                tree_id=tree_id,
                parent_ids=tuple(parents.split()),
                author_name=author_name,
                author_email=author_email,
                subject=subject,
                committed_at=_parse_instant(seconds),
            )
        )
    return commits


def _parse_instant(seconds: str) -> datetime:
    """A commit made by hand may have no date, or one that no calendar holds."""
    try:
        return datetime.fromtimestamp(min(max(int(seconds), 0), _LATEST_S), UTC)
    except ValueError:
        return datetime.fromtimestamp(0, UTC)
