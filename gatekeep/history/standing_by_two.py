"""
Every target over the commits of a branch, read by two processes.
"""

from __future__ import annotations

import json
import os
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import IO, Any, NamedTuple, Protocol

from gatekeep.history.standing import Place, Standing, load_standing
from gatekeep.history.standing_codec import decode_standing, encode_standing
from gatekeep.history.store import SqliteStore


class Reader(Protocol):
    """A `SideReader`."""

    def ask(self, request: Mapping[str, Any]) -> None:
        """Ask what `answer` answers."""

    def get_answer(self) -> Any:  # noqa: ANN401 - as a SideReader's
        """Wait for it; anything may come."""


class _Place(NamedTuple):
    """What there is to know of a commit."""

    commit_id: str
    tree_id: str


def load_standing_by_two(
    store: SqliteStore, reader: Reader, commits: Sequence[Place], targets: Collection[str]
) -> Standing:
    """
    Give what `load_standing` gives from nothing.

    Where the other process has not answered, for whatever reason, or has seen another state of the store than this one,
    everything is read here.

    Args:
        store: Where the results are.
        reader: Not asked before.
        commits: The branch, oldest first.
        targets: Names.

    Raises:
        StoreError: The store cannot be read.
    """
    names = list(targets)
    ours, theirs = names[::2], names[1::2]
    places = [(commit.commit_id, commit.tree_id) for commit in commits]
    reader.ask({"path": os.fspath(store.path), "commits": places, "targets": theirs})
    own = load_standing(store, commits, ours)
    try:
        other = decode_standing(reader.get_answer(), at_once=True)
    except (KeyError, TypeError, ValueError, IndexError):
        return load_standing(store, commits, names)
    # With the same marks both have seen every result of the branch as it was at one moment.
    if other.marks != own.marks or list(other.runs) != theirs:
        return load_standing(store, commits, names)
    runs = own.runs | other.runs
    return Standing(runs={name: runs[name] for name in names}, marks=own.marks)


def answer(asked: IO[bytes], answering: IO[str]) -> None:
    """Be the other process: read the store that is asked of, and answer as `encode_standing` writes."""
    request = json.load(asked)
    commits = [_Place(commit_id, tree_id) for commit_id, tree_id in request["commits"]]
    with SqliteStore(Path(request["path"])) as store:
        standing = load_standing(store, commits, request["targets"])
    json.dump(encode_standing(standing), answering)
