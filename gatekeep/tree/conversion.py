"""
Files whose bytes in a work tree are not those of the blob.

`.gitattributes` can ask for CR LF, for another encoding, and for `$Id$` to be filled in. A compiler sees the
difference, so the worker's tree must hold what a checkout holds. Git itself converts: an index of ours with the
attribute files and the paths in question, `git check-attr --cached` to learn which are affected, `git checkout-index`
to write them. Measured on 2.39, `git cat-file --batch --filters` is no substitute: it announces the size before the
conversion.

Only attributes in the tree count, not the user's `info/attributes`, and with the fixed settings `core.autocrlf=false`
and `core.eol=lf`: results depend on the tree alone. A `filter=` driver never runs, whether this machine has one or not:
such a file stays as git stores it (for large-file pointers: the pointer), as in a checkout on a machine that never
heard of the driver.

Most trees ask for nothing of the kind, which costs a look at each distinct `.gitattributes` once.

Source: gitattributes(5), "Effects"; git-config(1), "core.eol".
"""

from __future__ import annotations

import tempfile
from collections.abc import Collection, Mapping
from pathlib import Path

from gatekeep.tree.git_command import GitCommand
from gatekeep.tree.listing import EXECUTABLE, FILE, Entry, decode_path, encode_path

ATTRIBUTES_FILE = ".gitattributes"
#: Without one of these words no attribute file can make a checkout differ from the blob when core.eol is lf.
_WORDS = (b"eol=crlf", b"ident", b"working-tree-encoding")
_ATTRIBUTES = ("text", "eol", "ident", "working-tree-encoding")

#: What the attributes above say of one path, in their order.
Conversion = tuple[str, ...]


def mentions_conversion(attributes: bytes) -> bool:
    """Say whether an attribute file can make any file differ from its blob."""
    return any(word in attributes for word in _WORDS)


def list_attribute_files(entries: Mapping[str, Entry]) -> dict[str, Entry]:
    """Give the attribute files of a tree; git does not follow one that is a symlink."""
    return {
        path: entry
        for path, entry in entries.items()
        if path.endswith(ATTRIBUTES_FILE)
        and entry.mode in (FILE, EXECUTABLE)
        and (path == ATTRIBUTES_FILE or path.endswith(f"/{ATTRIBUTES_FILE}"))
    }


class Converter:
    """Asks git which files of one tree are converted, and for their bytes."""

    def __init__(self, command: GitCommand, entries: Mapping[str, Entry]) -> None:
        self._command = command
        self._entries = entries

    def find_conversions(self, paths: Collection[str]) -> dict[str, Conversion]:
        """
        Learn which of some files are converted.

        Returns:
            By path; a file whose bytes are its blob's is not in it.

        Raises:
            RepositoryError: Git failed.
        """
        with tempfile.TemporaryDirectory(dir=self._command.make_stand_in()) as scratch:
            index = self._fill_index(Path(scratch), paths)
            output = self._command.ask_content(
                "check-attr",
                "--cached",
                "--stdin",
                "-z",
                *_ATTRIBUTES,
                doing="reading attributes",
                feed=b"".join(encode_path(path) + b"\0" for path in paths),
                work_tree=Path(scratch),
                index=index,
            )
        fields = output.split(b"\0")
        values = [decode_path(value) for value in fields[2::3]]
        step = len(_ATTRIBUTES)
        found: dict[str, Conversion] = {}
        for position, path in enumerate(paths):
            conversion = tuple(values[position * step : (position + 1) * step])
            _, eol, ident, encoding = conversion
            if eol == "crlf" or ident == "set" or encoding not in ("unspecified", "unset", "set"):
                found[path] = conversion
        return found

    def convert(self, paths: Collection[str]) -> dict[str, bytes]:
        """
        Give the bytes that a checkout writes for some files.

        Raises:
            RepositoryError: Git failed.
        """
        with tempfile.TemporaryDirectory(dir=self._command.make_stand_in()) as scratch:
            index = self._fill_index(Path(scratch), paths)
            target = Path(scratch, "converted")
            empty = Path(scratch, "empty")
            empty.mkdir()
            self._command.ask_content(
                "checkout-index",
                "--stdin",
                "-z",
                f"--prefix={target}/",
                doing="converting files as .gitattributes asks",
                feed=b"".join(encode_path(path) + b"\0" for path in paths),
                work_tree=empty,
                index=index,
            )
            return {path: (target / path).read_bytes() for path in paths}

    def _fill_index(self, scratch: Path, paths: Collection[str]) -> Path:
        index = scratch / "index"
        wanted = {path: self._entries[path] for path in paths} | list_attribute_files(self._entries)
        lines = [b"%o %s\t%s\0" % (e.mode, e.object_id.encode("ascii"), encode_path(p)) for p, e in wanted.items()]
        self._command.ask_content(
            "update-index", "-z", "--index-info", doing="preparing an index", feed=b"".join(lines), index=index
        )
        return index
