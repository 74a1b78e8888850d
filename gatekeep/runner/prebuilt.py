"""
Images that nobody built: what a build left and the gate measured, byte for byte a file of the tree.

A recipe, or a makefile, may copy a file that somebody has committed, whatever the sources say: the gate would measure
it and call the target built. How an image comes about is the change's own affair, and cannot be proved from outside;
but that the tree itself holds the very bytes can be seen. One byte more hides it: this is a net, and no proof.

Looked for is what a change brings: a new image among all files, and a new file among all images. So it costs nothing
where nothing is built, and a file that equals an image is seen when it is added, before a recipe copies it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping

from gatekeep.model.change import Change, Commit
from gatekeep.model.evidence import Built, Evidence
from gatekeep.tree.blob_sizes import load_blob_sizes
from gatekeep.tree.listing import EXECUTABLE, FILE
from gatekeep.tree.repository import GitRepository

_Bytes = tuple[int, str]
"""Size and SHA-256."""


def find_prebuilt(
    repository: GitRepository, change: Change, evidence: Mapping[tuple[str, str], Evidence]
) -> dict[tuple[str, str], str]:
    """
    Find the targets whose measured file is one of the tree's.

    Args:
        repository: Has the trees.
        change: Whose commits are looked at, each against what it is compared with.
        evidence: By tree id and target.

    Returns:
        The path of the file, by tree id and target. One that was so before the change, too, is left out.

    Raises:
        RepositoryError: Git cannot give a tree or a file.
    """
    images = _list_images(evidence)
    found: dict[tuple[str, str], str] = {}
    for commit in change.judged:
        before = change.base_of(commit)
        for target, path in _compare(repository, commit, before, images).items():
            was_so = _find_file(repository, before, images.get(before.tree_id, {}).get(target, frozenset()))
            if was_so is None:
                found[commit.tree_id, target] = path
    return found


def _list_images(evidence: Mapping[tuple[str, str], Evidence]) -> dict[str, dict[str, frozenset[_Bytes]]]:
    """Give what was measured by tree and target."""
    images: dict[str, dict[str, frozenset[_Bytes]]] = {}
    for (tree_id, target), entry in evidence.items():
        if isinstance(entry.outcome, Built):
            made = frozenset((artifact.size_bytes, artifact.sha256) for artifact in entry.outcome.artifacts)
            images.setdefault(tree_id, {})[target] = made
    return images


def _compare(
    repository: GitRepository, commit: Commit, before: Commit, images: Mapping[str, Mapping[str, frozenset[_Bytes]]]
) -> dict[str, str]:
    here = images.get(commit.tree_id, {})
    old = frozenset().union(*images.get(before.tree_id, {}).values())
    files, files_before = _list_files(repository, commit), _list_files(repository, before)
    fresh = {blob_id for blob_id in files if blob_id not in files_before}
    every = frozenset().union(*here.values())
    known = _hash(repository, files if every - old else fresh, {size for size, _ in every})
    found: dict[str, str] = {}
    for target, made in here.items():
        hits = [
            files[blob_id] for blob_id, what in known.items() if what in made and (blob_id in fresh or what not in old)
        ]
        if hits:
            found[target] = min(hits)
    return found


def _find_file(repository: GitRepository, commit: Commit, made: frozenset[_Bytes]) -> str | None:
    files = _list_files(repository, commit)
    known = _hash(repository, files, {size for size, _ in made})
    return next((files[blob_id] for blob_id, what in known.items() if what in made), None)


def _list_files(repository: GitRepository, commit: Commit) -> dict[str, str]:
    """Give a path by blob id."""
    entries = repository.list_tree(commit.tree_id).entries
    return {entry.object_id: path for path, entry in entries.items() if entry.mode in (FILE, EXECUTABLE)}


def _hash(repository: GitRepository, blob_ids: Mapping[str, str] | set[str], sizes: set[int]) -> dict[str, _Bytes]:
    """Give size and digest of the blobs that have one of these sizes."""
    if not sizes:
        return {}
    fitting = {
        blob_id: size
        for blob_id, size in load_blob_sizes(repository, sorted(blob_ids)).items()
        if size in sizes and size
    }
    contents = repository.iter_blobs(list(fitting))
    return {
        blob_id: (size, hashlib.sha256(found.content).hexdigest())
        for (blob_id, size), found in zip(fitting.items(), contents, strict=True)
    }
