"""
Which names a tree has for a compiler that looks for headers.

A compiler's search for a header is decided by the names that exist, where symlinks lead, and the contents of what it
reads. ccache's direct mode sees the contents only; the digest of the names makes up for the rest (`compile_front`). It
takes in every folder, and every file whose name a header may have: a commit that adds a source changes nothing. In a
tree with symlinks it takes in all: a link may lead to any file, which may come and go.

Where there are no symlinks, each folder has a digest too, of what lies at any depth in it: a compilation that searches
three folders does not care about a header that comes in a fourth.

Source: GCC manual, "Search Path", "Using Precompiled Headers" (x.h.gch is taken for x.h, and may be a folder).
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field

from gatekeep.tree.listing import SYMLINK, Entry, encode_path

#: Endings of files that other files include; a name without a dot is one too (C++: <vector>).
HEADER_ENDINGS = ("h", "hh", "hpp", "hxx", "h++", "H", "inc", "inl", "ipp", "ixx", "tcc", "def", "tbl", "gch", "pch")
_ENDINGS = frozenset(HEADER_ENDINGS)
#: Above that there are none for single folders: the program in front of a compiler has them all in it, and is read at
#: each of its starts (300 of them take 0.3 ms).
MOST_FOLDERS = 400
#: 128 bits.
_DIGEST_LETTERS = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeNames:
    """
    The names of a worker's tree.

    `digest` is equal for trees in which every search for a header goes the same way, contents aside. `below` has for
    each folder, by its path, such a digest of what is in it; empty where only the whole tree tells, and where there are
    so many folders that it would be long. `folders` are relative to the tree, b"" for itself. A folder in which a name
    has come or gone since has a change time after `changed_ns`, in ns since 1970-01-01 UTC. `links` are its symlinks.
    """

    digest: str
    folders: tuple[bytes, ...]
    links: tuple[str, ...]
    changed_ns: int
    below: Mapping[bytes, str] = field(default_factory=dict)


def is_header(path: str) -> bool:
    """Whether a file of this name may be one that others include."""
    _, dot, ending = path.rpartition("/")[2].rpartition(".")
    return not dot or ending in _ENDINGS


def name_tree(entries: Mapping[str, Entry], folders: Collection[bytes], *, changed_ns: int) -> TreeNames:
    """Name a tree by its files and symlinks, by path, and its folders; see `TreeNames`."""
    return TreeNames(
        digest=digest_names(entries, folders),
        folders=tuple(folders),
        links=tuple(path for path, entry in entries.items() if entry.mode == SYMLINK),
        changed_ns=changed_ns,
        below=digest_below(entries, folders),
    )


def digest_names(entries: Mapping[str, Entry], folders: Iterable[bytes]) -> str:
    """Give `TreeNames.digest` of a tree: its files and symlinks by path, and its folders."""
    links = {path: entry.object_id for path, entry in entries.items() if entry.mode == SYMLINK}
    files = sorted(path for path in entries if links or is_header(path))
    sha256 = hashlib.sha256()
    for names in (sorted(folders), map(encode_path, files)):
        sha256.update(b"\0".join(names) + b"\0\0")
    sha256.update(repr(sorted(links.items())).encode())
    return sha256.hexdigest()


def digest_below(entries: Mapping[str, Entry], folders: Collection[bytes]) -> dict[bytes, str]:
    """Give `TreeNames.below` of a tree: as `digest_names`."""
    if len(folders) > MOST_FOLDERS or any(entry.mode == SYMLINK for entry in entries.values()):
        return {}
    names: dict[bytes, list[bytes]] = {folder: [] for folder in folders}
    for path in entries:
        if is_header(path):
            folder, _, name = encode_path(path).rpartition(b"/")
            names[folder].append(b"file " + name)
    digests: dict[bytes, str] = {}
    # Inner folders sort after outer ones.
    for folder in sorted(folders, reverse=True):
        digest = hashlib.sha256(b"\0".join(sorted(names[folder]))).hexdigest()
        digests[folder] = digest[:_DIGEST_LETTERS]
        if folder:
            outer, _, name = folder.rpartition(b"/")
            names[outer].append(b"folder " + name + b"/" + digest.encode())
    return digests
