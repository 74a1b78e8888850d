"""
What a worker's tree has to hold: every path of a commit's tree, and the bytes that a checkout would write there.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from gatekeep.build.links import find_leaving_links
from gatekeep.errors import RepositoryError
from gatekeep.tree.conversion import Conversion, list_attribute_files, mentions_conversion
from gatekeep.tree.listing import EXECUTABLE, FILE, SYMLINK, Entry, encode_path
from gatekeep.tree.repository import ExpandedTree, GitRepository, Mount

#: One set of attribute files: where it stands, and each file's path and object name.
_AttributeKey = tuple[str, tuple[tuple[str, str], ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeContent:
    """A tree that may be written: its entries, and which files are converted and how."""

    expanded: ExpandedTree
    conversions: Mapping[str, Conversion]

    def list_changes(self, old: TreeContent | None) -> list[str]:
        """Give the paths of this tree that an old one lacks, or has with other bytes, another mode or another kind."""
        if old is None:
            return list(self.expanded.entries)
        had = old.expanded.entries
        changed = [path for path, entry in self.expanded.entries.items() if had.get(path) != entry]
        if self.conversions or old.conversions:
            converted = {path for path, _ in self.conversions.items() ^ old.conversions.items()}
            changed += sorted((converted & self.expanded.entries.keys()) - set(changed))
        return changed


class ContentReader:
    """Reads trees and contents for one worker; remembers what neighbouring commits have in common."""

    def __init__(self, repository: GitRepository) -> None:
        self._repository = repository
        self._mentions: dict[str, bool] = {}
        self._targets: dict[str, bytes] = {}
        # Only the last tree's: a path's attributes depend on nothing but these files and its name.
        self._checked: dict[_AttributeKey, dict[str, Conversion | None]] = {}

    def load_content(self, tree_id: str) -> TreeContent:
        """
        Read what a tree holds and make sure that it may be written.

        Raises:
            RepositoryError: Missing or damaged objects, a submodule that is not here, a symlink that leads out.
        """
        expanded = self._repository.expand_tree(tree_id)
        self._refuse_leaving_links(expanded)
        return TreeContent(expanded=expanded, conversions=self._find_conversions(expanded))

    def iter_contents(self, content: TreeContent, paths: Sequence[str]) -> Iterator[tuple[str, Entry, bytes]]:
        """
        Give the bytes of some paths of a tree; for a symlink its target. The order is not that of `paths`.

        Raises:
            RepositoryError: An object is missing or damaged.
        """
        entries = content.expanded.entries
        for mount, group in content.expanded.group_by_mount(paths):
            plain = [path for path in group if path not in content.conversions]
            ids = [entries[path].object_id for path in plain]
            for path, blob in zip(plain, mount.repository.iter_blobs(ids), strict=True):
                yield path, entries[path], blob.content
            if len(plain) < len(group):
                start = len(mount.prefix)
                own = _entries_of(content.expanded, mount)
                converted = mount.repository.make_converter(own).convert(
                    [path[start:] for path in group if path in content.conversions]
                )
                for path, data in converted.items():
                    yield mount.prefix + path, own[path], data

    def _refuse_leaving_links(self, expanded: ExpandedTree) -> None:
        paths = [path for path, entry in expanded.entries.items() if entry.mode == SYMLINK]
        unknown = [path for path in paths if expanded.entries[path].object_id not in self._targets]
        for mount, group in expanded.group_by_mount(unknown):
            ids = list(dict.fromkeys(expanded.entries[path].object_id for path in group))
            self._targets |= {blob.object_id: blob.content for blob in mount.repository.iter_blobs(ids)}
        links = {encode_path(path): self._targets[expanded.entries[path].object_id] for path in paths}
        broken = next((path for path, target in links.items() if not target or b"\0" in target), None)
        leaving = find_leaving_links(links) if broken is None else (broken,)
        if leaving:
            path = leaving[0]
            more = f" (and {len(leaving) - 1} more)" if len(leaving) > 1 else ""
            raise RepositoryError(
                f"{self._repository.place}: tree {expanded.tree_id[:10]}: symlink {path.decode('utf-8', 'replace')!r} "
                f"leads out of the tree, to {links[path].decode('utf-8', 'replace')!r}{more}; "
                "let it point to something in the tree, by a relative path"
            )

    def _find_conversions(self, expanded: ExpandedTree) -> dict[str, Conversion]:
        found: dict[str, Conversion] = {}
        checked: dict[_AttributeKey, dict[str, Conversion | None]] = {}
        for mount in expanded.mounts:
            own = _entries_of(expanded, mount)
            files = list_attribute_files(own)
            if not self._any_mentions(mount, [entry.object_id for entry in files.values()]):
                continue
            key = (mount.prefix, tuple(sorted((path, entry.object_id) for path, entry in files.items())))
            known = checked.setdefault(key, self._checked.get(key, {}))
            regular = [path for path, entry in own.items() if entry.mode in (FILE, EXECUTABLE)]
            unknown = [path for path in regular if path not in known]
            if unknown:
                fresh = mount.repository.make_converter(own).find_conversions(unknown)
                known |= {path: fresh.get(path) for path in unknown}
            found |= {mount.prefix + path: how for path in regular if (how := known[path]) is not None}
        self._checked = checked
        return found

    def _any_mentions(self, mount: Mount, blob_ids: Sequence[str]) -> bool:
        unknown = [blob_id for blob_id in dict.fromkeys(blob_ids) if blob_id not in self._mentions]
        for blob in mount.repository.iter_blobs(unknown):
            self._mentions[blob.object_id] = mentions_conversion(blob.content)
        return any(self._mentions[blob_id] for blob_id in blob_ids)


def _entries_of(expanded: ExpandedTree, mount: Mount) -> Mapping[str, Entry]:
    """Give a mount's own entries, by their paths in its own repository."""
    if len(expanded.mounts) == 1:
        return expanded.entries
    inner = tuple(
        other.prefix for other in expanded.mounts if other is not mount and other.prefix.startswith(mount.prefix)
    )
    start = len(mount.prefix)
    return {
        path[start:]: entry
        for path, entry in expanded.entries.items()
        if path.startswith(mount.prefix) and not path.startswith(inner)
    }
