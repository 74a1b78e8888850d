"""
What a tree holds: entries by path, and the difference of two trees.

Trees are read as raw objects through one long-lived `git cat-file --batch` and kept, so that the next commit's listing
reads only the folders that differ. The difference of two trees leaves out equal folders by their object name, as git's
own does, and needs no process: measured over 2,000 files and 40 commits, see tests/benchmarks/bench_repository.py.

Everything here is pure: bytes in, values out. A tree may be made by hand to do harm, so each entry is checked before it
is believed.
"""

from __future__ import annotations

import re
import stat
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple

FILE = 0o100644
EXECUTABLE = 0o100755
SYMLINK = 0o120000
FOLDER = 0o040000
SUBMODULE = 0o160000

#: Far above any firmware tree. A few hundred bytes of tree objects can name billions of paths, each folder holding the
#: same one ten times.
MAX_ENTRIES = 250_000
#: Every level of a path holds a file descriptor while it is written.
MAX_DEPTH = 100
#: Leaves room for the worker tree's own path under Linux' PATH_MAX of 4096.
MAX_PATH_BYTES = 2048
#: NAME_MAX of every file system in use on Linux.
MAX_NAME_BYTES = 255
_OCTAL = re.compile(rb"[0-7]{1,7}")

_KINDS = {FILE: "file", EXECUTABLE: "file", SYMLINK: "symlink", SUBMODULE: "submodule"}


class Entry(NamedTuple):
    """
    One file, symlink or submodule of a tree: its mode as git writes it, and its full object name.

    A named tuple and not a dataclass: listings of 2,000 entries are built and compared for every commit, and this is
    four times faster at both.
    """

    mode: int
    object_id: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """
    Everything in one tree.

    `entries` by path (with `/`, never leading; bytes that are not UTF-8 are surrogate escapes), in the order of the
    paths' bytes; folders have no entry of their own.
    """

    tree_id: str
    entries: Mapping[str, Entry]


class DeltaKind(Enum):
    """How a path differs: the first that applies, in the order removed, added, type, content, mode."""

    ADDED = "added"
    REMOVED = "removed"
    TYPE = "type"
    CONTENT = "content"
    MODE = "mode"


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeDelta:
    """
    One path that differs between two trees.

    `old` is None for an added path, `new` for a removed one. A rename is a removed and an added path.
    """

    path: str
    old: Entry | None
    new: Entry | None

    @property
    def kind(self) -> DeltaKind:
        """How it differs; a new content outranks a new mode."""
        if self.old is None:
            return DeltaKind.ADDED
        if self.new is None:
            return DeltaKind.REMOVED
        if _KINDS[self.old.mode] != _KINDS[self.new.mode]:
            return DeltaKind.TYPE
        return DeltaKind.CONTENT if self.old.object_id != self.new.object_id else DeltaKind.MODE


#: One folder as it stands in its tree object: name to entry, folders included.
Folder = Mapping[str, Entry]
#: Gives the folders of some object names, in their order; several at once, so that a pipe is waited for once.
ReadFolders = Callable[[Sequence[str]], Sequence[Folder]]


def parse_folder(data: bytes, id_bytes: int) -> Folder:
    """
    Read one tree object.

    Args:
        data: Its content, without the header.
        id_bytes: 20 for SHA-1, 32 for SHA-256.

    Returns:
        Entries by name, in the object's order; modes are one of the five above.

    Raises:
        ValueError: Cut, damaged or out of order, or a name that no work tree may hold.

    Source:
        git's own reader, tree-walk.c: `<octal mode> SP <name> NUL <raw object name>`, repeated; git-fsck(1), messages
        `treeNotSorted`, `duplicateEntries`, `hasDot`, `hasDotdot`, `hasDotgit`, `fullPathname`, `emptyName`.
    """
    entries: dict[str, Entry] = {}
    position = 0
    last = b""
    while position < len(data):
        space = data.find(b" ", position, position + 8)
        end = data.find(b"\0", space + 1)
        if space < 0 or end < 0 or end + 1 + id_bytes > len(data):
            raise ValueError("the tree object is cut or damaged")
        raw_name = data[space + 1 : end]
        _check_name(raw_name)
        name = raw_name.decode("utf-8", "surrogateescape")
        mode = _parse_mode(data[position:space], name)
        # A folder sorts as if its name ended in a slash.
        order = raw_name + b"/" if mode == FOLDER else raw_name
        if order <= last or name in entries:
            raise ValueError(f"its entry {name!r} is out of order or there twice")
        last = order
        position = end + 1 + id_bytes
        entries[name] = Entry(mode, data[end + 1 : position].hex())
    return entries


#: Windows drops blanks and dots at a name's end and what follows a colon, and a backslash separates there.
_DOT_GIT_ON_NTFS = re.compile(rb"(?:^|\\)(?:\.git|git~1)[ .]*(?:\Z|[\\:])", re.IGNORECASE)
#: Code points that HFS+ passes over in a name: U+200C to U+200F, U+202A to U+202E, U+206A to U+206F, U+FEFF.
_IGNORED_ON_HFS = re.compile(rb"\xe2\x80[\x8c-\x8f\xaa-\xae]|\xe2\x81[\xaa-\xaf]|\xef\xbb\xbf")


def _is_dot_git(name: bytes) -> bool:
    """
    Say whether some file system takes a name for `.git`: a checkout there would overwrite the repository.

    Source:
        git's path.c, is_ntfs_dotgit, and utf8.c, is_hfs_dotgit, which git-fsck(1) asks for `hasDotgit`.
    """
    if b"git" not in name.lower() and b"\xe2" not in name and b"\xef" not in name:
        return False
    return _DOT_GIT_ON_NTFS.search(name) is not None or _IGNORED_ON_HFS.sub(b"", name).lower() == b".git"


def _check_name(name: bytes) -> None:
    if name in (b"", b".", b"..") or b"/" in name or _is_dot_git(name):
        raise ValueError(f"it holds an entry named {name.decode('utf-8', 'replace')!r}, which no work tree may hold")
    if len(name) > MAX_NAME_BYTES:
        raise ValueError(f"it holds a name of {len(name)} bytes, {MAX_NAME_BYTES} are possible")


def _parse_mode(text: bytes, name: str) -> int:
    # int() would take signs, blanks and underscores too.
    mode = int(text, 8) if _OCTAL.fullmatch(text) else 0
    if stat.S_ISREG(mode):
        # Old trees hold 100664 and the like; git reads them as one of the two.
        return EXECUTABLE if mode & 0o100 else FILE
    if mode in (FOLDER, SYMLINK, SUBMODULE):
        return mode
    raise ValueError(f"its entry {name!r} has the unknown mode {text.decode('ascii', 'replace')!r}")


def flatten_tree(tree_id: str, read_folders: ReadFolders) -> dict[str, Entry]:
    """
    List a tree with everything in its folders.

    Returns:
        Entries by path, in the order of the paths' bytes; no folders.

    Raises:
        ValueError: Deeper, longer or larger than any tree that is built; or whatever `read_folders` raises.
    """
    entries: dict[str, Entry] = {}
    (root,) = read_folders([tree_id])
    folder_count = 1
    # An own stack: a tree made to do harm is deeper than Python's.
    stack = [("", iter(root.items()), _read_subfolders(root, read_folders))]
    while stack:
        prefix, items, subfolders = stack[-1]
        for name, entry in items:
            if entry.mode == FOLDER:
                path = f"{prefix}{name}/"
                _check_path(path, len(stack))
                folder_count += 1
                folder = subfolders[entry.object_id]
                stack.append((path, iter(folder.items()), _read_subfolders(folder, read_folders)))
                break
            entries[prefix + name] = entry
        else:
            stack.pop()
        # Folders count too, for they may all be empty.
        if len(entries) + folder_count > MAX_ENTRIES:
            raise ValueError(f"it lists more than {MAX_ENTRIES} paths")
    return entries


def _read_subfolders(folder: Folder, read_folders: ReadFolders) -> dict[str, Folder]:
    ids = [entry.object_id for entry in folder.values() if entry.mode == FOLDER]
    return dict(zip(ids, read_folders(ids), strict=True)) if ids else {}


def _check_path(path: str, depth: int) -> None:
    if depth >= MAX_DEPTH:
        raise ValueError(f"its folders are nested more than {MAX_DEPTH} deep")
    # A name adds up to MAX_NAME_BYTES: the longest path stays below Linux' limit.
    if len(path) > MAX_PATH_BYTES:
        raise ValueError(f"it holds a path of more than {MAX_PATH_BYTES} bytes")


def diff_trees(old_tree_id: str, new_tree_id: str, read_folders: ReadFolders) -> tuple[TreeDelta, ...]:
    """
    Find every path that differs between two trees.

    Returns:
        Deltas in the order of the paths' bytes; empty for equal trees.

    Raises:
        ValueError: As `flatten_tree`.
    """
    deltas: list[TreeDelta] = []
    folder_count = 0
    stack: list[tuple[str, int, str | None, str | None]] = []
    if old_tree_id != new_tree_id:
        stack.append(("", 0, old_tree_id, new_tree_id))
    while stack:
        prefix, depth, old_id, new_id = stack.pop()
        _check_path(prefix, depth)
        folder_count += 1
        folders = iter(read_folders([folder_id for folder_id in (old_id, new_id) if folder_id is not None]))
        old = next(folders) if old_id is not None else {}
        new = next(folders) if new_id is not None else {}
        for name in old.keys() | new.keys():
            before, after = old.get(name), new.get(name)
            if before == after:
                continue
            old_folder = before.object_id if before is not None and before.mode == FOLDER else None
            new_folder = after.object_id if after is not None and after.mode == FOLDER else None
            if old_folder is not None or new_folder is not None:
                stack.append((f"{prefix}{name}/", depth + 1, old_folder, new_folder))
            old_leaf = before if old_folder is None else None
            new_leaf = after if new_folder is None else None
            if old_leaf is not None or new_leaf is not None:
                deltas.append(TreeDelta(path=prefix + name, old=old_leaf, new=new_leaf))
        if len(deltas) + folder_count + len(stack) > MAX_ENTRIES:
            raise ValueError(f"more than {MAX_ENTRIES} paths differ")
    return tuple(sorted(deltas, key=_path_bytes))


def _path_bytes(delta: TreeDelta) -> bytes:
    return encode_path(delta.path)


def encode_path(path: str) -> bytes:
    """Give the bytes that git and the file system call a path by."""
    return path.encode("utf-8", "surrogateescape")


def decode_path(path: bytes) -> str:
    """Give a path of git or of the file system as text; bytes that are not UTF-8 become surrogate escapes."""
    return path.decode("utf-8", "surrogateescape")
