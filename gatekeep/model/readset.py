"""
What a build read of its tree.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadSet:
    """
    The files that a build read, and the folders that it listed.

    `files` holds paths of files and symlinks whose content (or target) was read, executed or mapped; `folders` those
    whose entries were listed, "." for the root. Both relative to the tree, sorted, each path once.
    """

    files: tuple[str, ...]
    folders: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Carried:
    """Where a result was taken over from: the tree that was really built, and the first commit that had it."""

    tree_id: str
    commit_id: str
