"""
Compares trees of a repository for the rule of reach.py: submodules from within, attributes, sizes.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from gatekeep.errors import RepositoryError
from gatekeep.runner.reach import TreeChange, make_change
from gatekeep.runner.reach_book import WordBook
from gatekeep.runner.reach_words import is_binary
from gatekeep.tree.conversion import ATTRIBUTES_FILE, list_attribute_files, mentions_conversion
from gatekeep.tree.listing import EXECUTABLE, FILE, SUBMODULE, Entry, TreeDelta, encode_path
from gatekeep.tree.repository import GitRepository

_PLAIN = frozenset({FILE, EXECUTABLE})
#: Sources, scripts and documents are read or left alone; what is measured without being read is a payload. Leaving
#: these out spares nearly every run the words of all files, which the question for sizes needs.
# fmt: off
_HAND_WRITTEN = frozenset({
    "adoc", "asm", "c", "cc", "cmake", "cpp", "cxx", "dts", "dtsi", "h", "hh", "hpp", "inc", "ld", "lds",
    "md", "mk", "patch", "pl", "py", "rst", "s", "sh", "sx", "tcl", "txt", "yaml", "yml"
})
# fmt: on
#: A run goes from tree to tree; of 2,000 files one takes half a megabyte.
_KEPT_SIDES = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class _Side:
    """A tree with the content of its submodules in place, as far as they are here; `unknown` are those that are not."""

    entries: Mapping[str, Entry]
    has_submodules: bool
    unknown: Mapping[str, Entry]


class TreeComparer:
    """
    Gives the differences that a run asks for.

    Attributes:
        book: The words of files of all trees compared here.
    """

    def __init__(self, repository: GitRepository) -> None:
        self._repository = repository
        self._sides: dict[str, _Side] = {}
        # Blobs of submodules; all others are the repository's own.
        self._homes: dict[str, GitRepository] = {}
        self._converting: dict[str, bool] = {}
        self.book = WordBook(self._read_blobs)

    def compare(self, old_tree_id: str, new_tree_id: str) -> TreeChange:
        """
        Compare the tree that was built with the one in question.

        A submodule whose content is not on this machine reaches every target.

        Raises:
            RepositoryError: A tree or a file's content is missing or damaged.
        """
        old, new = self._load_side(old_tree_id), self._load_side(new_tree_id)
        if old.has_submodules or new.has_submodules:
            deltas = compare_entries(old.entries, new.entries, unknown={**old.unknown, **new.unknown})
        else:
            deltas = self._repository.diff_trees(old_tree_id, new_tree_id)
        attributes_matter = any(
            delta.path == ATTRIBUTES_FILE or delta.path.endswith(f"/{ATTRIBUTES_FILE}") for delta in deltas
        ) and (self._converts(old.entries) or self._converts(new.entries))
        return make_change(
            old_tree_id,
            new_tree_id,
            deltas,
            old_entries=old.entries,
            attributes_matter=attributes_matter,
            resized=frozenset(self._iter_resized(deltas)),
        )

    def _load_side(self, tree_id: str) -> _Side:
        side = self._sides.pop(tree_id, None) or self._expand(tree_id)
        self._sides[tree_id] = side
        if len(self._sides) > _KEPT_SIDES:
            del self._sides[next(iter(self._sides))]
        return side

    def _expand(self, tree_id: str) -> _Side:
        listed = self._repository.list_tree(tree_id).entries
        submodules = {path: entry for path, entry in listed.items() if entry.mode == SUBMODULE}
        if not submodules:
            return _Side(entries=listed, has_submodules=False, unknown={})
        try:
            expanded = self._repository.expand_tree(tree_id)
        except RepositoryError:
            # Such a tree cannot be built on this machine either, and the build will say why.
            return _Side(entries=listed, has_submodules=True, unknown=submodules)
        for mount, paths in expanded.group_by_mount(list(expanded.entries)):
            if mount.prefix:
                self._homes.update((expanded.entries[path].object_id, mount.repository) for path in paths)
        return _Side(entries=expanded.entries, has_submodules=True, unknown={})

    def _read_blobs(self, blob_ids: Sequence[str]) -> Iterator[bytes]:
        if not self._homes:
            return (found.content for found in self._repository.iter_blobs(blob_ids))
        homes = (self._homes.get(blob_id, self._repository) for blob_id in blob_ids)
        return (next(home.iter_blobs([blob_id])).content for home, blob_id in zip(homes, blob_ids, strict=True))

    def _converts(self, entries: Mapping[str, Entry]) -> bool:
        found = {entry.object_id for entry in list_attribute_files(entries).values()}
        fresh = [blob_id for blob_id in found if blob_id not in self._converting]
        self._converting.update(zip(fresh, map(mentions_conversion, self._read_blobs(fresh)), strict=True))
        return any(self._converting[blob_id] for blob_id in found)

    def _iter_resized(self, deltas: Iterable[TreeDelta]) -> Iterator[str]:
        for delta in deltas:
            old, new = delta.old, delta.new
            if old is None or new is None or old.object_id == new.object_id or not {old.mode, new.mode} <= _PLAIN:
                continue
            before, after = self._read_blobs([old.object_id, new.object_id])
            if len(before) != len(after) and (
                not _is_written_by_hand(delta.path) or is_binary(before) or is_binary(after)
            ):
                yield delta.path


def _is_written_by_hand(path: str) -> bool:
    base = path.rpartition("/")[2].lower()
    return base.rpartition(".")[2] in _HAND_WRITTEN or base.startswith(("makefile", "kconfig"))


def compare_entries(
    old: Mapping[str, Entry], new: Mapping[str, Entry], *, unknown: Mapping[str, Entry]
) -> tuple[TreeDelta, ...]:
    """
    Compare two expanded trees.

    Args:
        old: Entries by path.
        new: Entries by path.
        unknown: Submodules that are listed as such because their content is not here: they differ even where both name
            the same commit, for nothing is known of what a target read in them.

    Returns:
        Deltas in the order of the paths' bytes.
    """
    differing = {path for path in old.keys() | new.keys() if old.get(path) != new.get(path)} | unknown.keys()
    return tuple(
        TreeDelta(path=path, old=old.get(path), new=new.get(path)) for path in sorted(differing, key=encode_path)
    )
