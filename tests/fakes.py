"""Fakes that need no machine: no git, no disk, no clock."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta

from gatekeep.errors import RepositoryError
from gatekeep.model.change import Change, Commit, FileLines, Hunk, LineMap
from gatekeep.tree.change import keep_first_of_each_tree
from gatekeep.tree.listing import FILE, Entry, Listing


class FakeRepository:
    """
    A line of commits, each given as its whole tree: paths to contents.

    Names are `main` for the last commit, `main~N` for an earlier one, and commit ids. Line maps know whole files only.
    """

    def __init__(self, trees: Sequence[Mapping[str, bytes]], place: str = "fake") -> None:
        self.place = place
        self._trees: dict[str, dict[str, bytes]] = {}
        self.commits: list[Commit] = []
        for number, files in enumerate(trees):
            tree_id = _digest(repr(sorted(files.items())))
            self._trees[tree_id] = dict(sorted(files.items()))
            parents = tuple(commit.commit_id for commit in self.commits[-1:])
            self.commits.append(
                Commit(
                    commit_id=_digest(f"{tree_id} {number}"),
                    tree_id=tree_id,
                    parent_ids=parents,
                    author_name="Isa Thorne",
                    author_email="isa@skerry.example",
                    subject=f"commit {number}",
                    committed_at=datetime(2001, 1, 1, tzinfo=UTC) + timedelta(minutes=number),
                )
            )

    def resolve(self, revision: str) -> Commit:
        """Find a commit."""
        return self.commits[self._index(revision)]

    def load_change(self, base: str, head: str) -> Change:
        """List the commits after BASE up to HEAD."""
        first, last = self._index(base), self._index(head)
        base_commit = self.commits[first]
        commits = self.commits[first + 1 : last + 1]
        return Change(
            base=base_commit,
            head=commits[-1] if commits else base_commit,
            commits=keep_first_of_each_tree(commits, base_commit.tree_id),
            commit_count=len(commits),
        )

    def list_tree(self, tree_id: str) -> Listing:
        """List a tree; everything is a plain file."""
        entries = {path: Entry(FILE, _digest(content)) for path, content in self._tree(tree_id).items()}
        return Listing(tree_id=tree_id, entries=entries)

    def load_line_map(self, old_tree_id: str, new_tree_id: str) -> LineMap:
        """Take every changed file for rewritten from its first line to its last."""
        old, new = self._tree(old_tree_id), self._tree(new_tree_id)
        files = {
            path: FileLines(old_path=path, new_path=path, hunks=(_replace_all(old[path], new[path]),))
            for path in old.keys() & new.keys()
            if old[path] != new[path]
        }
        return LineMap(files=files, removed=frozenset(old.keys() - new.keys()))

    def read_file(self, tree_id: str, path: str) -> bytes | None:
        """Give a file's content."""
        return self._tree(tree_id).get(path)

    def _index(self, revision: str) -> int:
        name, _, back = revision.partition("~")
        for index, commit in enumerate(self.commits):
            if commit.commit_id == revision:
                return index
        if name == "main" and int(back or 0) < len(self.commits):
            return len(self.commits) - 1 - int(back or 0)
        raise RepositoryError(
            f"{self.place}: there is no commit {revision!r} here; check its spelling, or run git fetch"
        )

    def _tree(self, tree_id: str) -> dict[str, bytes]:
        if tree_id not in self._trees:
            raise RepositoryError(
                f"{self.place}: the tree {tree_id} is missing here; "
                "in a partial clone run git fetch --refetch --no-filter, else git fsck"
            )
        return self._trees[tree_id]


def _replace_all(old: bytes, new: bytes) -> Hunk:
    old_count, new_count = len(old.splitlines()), len(new.splitlines())
    return Hunk(
        old_start=1 if old_count else 0,
        old_count=old_count,
        new_start=1 if new_count else 0,
        new_count=new_count,
    )


def _digest(data: bytes | str) -> str:
    raw = data.encode("utf-8", "surrogateescape") if isinstance(data, str) else data
    return hashlib.sha1(raw, usedforsecurity=False).hexdigest()
