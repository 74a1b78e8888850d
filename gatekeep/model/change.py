"""
What the gate judges: commits, and the lines that moved between two trees.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Commit:
    """
    One commit.

    `commit_id` and `tree_id` are full hexadecimal object names; `subject` is the first line of the message and, like
    the author's name, hostile text. `committed_at` is aware, in UTC.
    """

    commit_id: str
    tree_id: str
    parent_ids: tuple[str, ...]
    author_name: str
    author_email: str
    subject: str
    committed_at: datetime

    @property
    def short_id(self) -> str:
        """The first ten digits, for people."""
        return self.commit_id[:10]


@dataclass(frozen=True, slots=True, kw_only=True)
class Conflict:
    """A head that cannot be merged onto the base without a person; `paths` are the files in conflict, sorted."""

    paths: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """
    The commits from base to head, and what would land.

    `commits` are those to be judged, oldest first (parents before children): the first of each pair of a tree and what
    it is compared with, where these differ. A tree may stand there twice, compared with two commits: what was so at the
    one need not have been so at the other. The head, where its tree is not that of what it is compared with, is always
    the last. Empty when the change leaves every tree as it was. `commit_count` counts all commits of BASE..HEAD.

    `forks` gives, by commit id, where a commit left the base's history; a commit that is missing there stands on the
    base itself. A commit is compared with its fork, since what the base has gained meanwhile is not of its making.

    `merge` is what would land where head does not descend from base: the merge of both, a commit that no author made
    and that is in no repository until it lands, or their conflict. None where head would land as it is.
    """

    base: Commit
    head: Commit
    commits: tuple[Commit, ...]
    commit_count: int
    forks: Mapping[str, Commit] = field(default_factory=dict)
    merge: Commit | Conflict | None = None

    @property
    def merged(self) -> Commit | None:
        """The merge of head onto base, where one would land."""
        return self.merge if isinstance(self.merge, Commit) else None

    @property
    def judged(self) -> tuple[Commit, ...]:
        """The change's commits, and then the merge; its tree may be one of theirs. Without a merge that gives base."""
        merged = self.merged
        return self.commits if merged is None or merged.tree_id == self.base.tree_id else (*self.commits, merged)

    @property
    def landing(self) -> Commit:
        """What the branch would be at, were it to land: the merge, or head."""
        return self.merged or self.head

    def base_of(self, commit: Commit) -> Commit:
        """What a commit is compared with: the base, or where it left the base's history."""
        return self.forks.get(commit.commit_id, self.base)

    def iter_trees(self) -> Iterator[Commit]:
        """Give the first commit that has each tree: the base, the forks, the commits in their order, the merge."""
        seen: set[str] = set()
        for commit in (self.base, *self.forks.values(), *self.judged):
            if commit.tree_id not in seen:
                seen.add(commit.tree_id)
                yield commit


@dataclass(frozen=True, slots=True, kw_only=True)
class Hunk:
    """
    One run of replaced lines: `old_count` lines from `old_start` became `new_count` lines from `new_start`.

    1-based, as a unified diff without context writes them: with a count of 0 the start is the line *before* the place.
    """

    old_start: int
    old_count: int
    new_start: int
    new_count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FileLines:
    """
    What happened to the lines of one file that exists in both trees.

    `hunks` run in file order and do not overlap.
    """

    old_path: str
    new_path: str
    hunks: tuple[Hunk, ...]

    def map_line(self, line: int) -> int | None:
        """Give the new number of an old line; None when the line was removed or rewritten."""
        # Hunks are few per file but a log can hold thousands of warnings: one bisection each.
        index = bisect_right(self.hunks, line, key=_first_old_line) - 1
        if index < 0:
            return line
        hunk = self.hunks[index]
        first = _first_old_line(hunk)
        if hunk.old_count and line < first + hunk.old_count:
            return None
        new_end = hunk.new_start + hunk.new_count if hunk.new_count else hunk.new_start + 1
        old_end = hunk.old_start + hunk.old_count if hunk.old_count else hunk.old_start + 1
        return line - old_end + new_end

    def find_hunk_of_old(self, line: int) -> int | None:
        """Give the index of the hunk that removed or rewrote an old line; None when the line lives on."""
        index = bisect_right(self.hunks, line, key=_first_old_line) - 1
        if index < 0:
            return None
        hunk = self.hunks[index]
        return index if hunk.old_count and line < hunk.old_start + hunk.old_count else None

    def find_hunk_of_new(self, line: int) -> int | None:
        """Give the index of the hunk that brought a new line; None when the line was there before."""
        index = bisect_right(self.hunks, line, key=_first_new_line) - 1
        if index < 0:
            return None
        hunk = self.hunks[index]
        return index if hunk.new_count and line < hunk.new_start + hunk.new_count else None


def _first_old_line(hunk: Hunk) -> int:
    return hunk.old_start if hunk.old_count else hunk.old_start + 1


def _first_new_line(hunk: Hunk) -> int:
    return hunk.new_start if hunk.new_count else hunk.new_start + 1


@dataclass(frozen=True, slots=True, kw_only=True)
class LineMap:
    """
    The way from the lines of one tree to the lines of another.

    `files` holds only files whose content or path changed, keyed by their old path; `removed` the old paths that are
    gone. A path in neither is unchanged.
    """

    files: dict[str, FileLines] = field(default_factory=dict)
    removed: frozenset[str] = frozenset()

    def map_place(self, path: str, line: int) -> tuple[str, int] | None:
        """Give the new path and line of an old place; None when the line or the whole file is gone."""
        if path in self.removed:
            return None
        lines = self.files.get(path)
        if lines is None:
            return path, line
        new_line = lines.map_line(line)
        return None if new_line is None else (lines.new_path, new_line)
