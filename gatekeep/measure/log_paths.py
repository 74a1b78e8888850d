"""
Where the files are that a log names.

A compiler names a file as it was given the name: relative to the folder it ran in. GNU make says which folder that is
("Entering directory", "Leaving directory"), one nesting level inside another. With a parallel make two folders of one
level can be entered at a time and the log does not tell whose line is whose; then the one entered last is taken.

Names are compared as text. The disk is not asked: the log may be judged on another machine, and a symbolic link in a
hostile tree must not lead anywhere.

Source: GNU make manual, "The '--print-directory' Option".
"""

from __future__ import annotations

import re
from posixpath import join, normpath
from typing import Final

#: Folders entered and not left that are remembered; a real tree nests a handful.
_DIRECTORY_LIMIT: Final = 64
_CACHE_LIMIT: Final = 10_000
_DRIVE = re.compile(r"[A-Za-z]:[\\/]")
_PSEUDO = re.compile(r"<[^>/]*>|\{[^}/]*\}")
#: Names that a compiler makes up for its own passes; new ones in every build.
_TEMPORARY = re.compile(
    r"/(?:cc[A-Za-z0-9]{6}|[^/]+-[0-9a-f]{6})\.(?:s|o|res|bc|lto\.o|ltrans[0-9]+\.(?:s|o|ltrans\.o))$"
)
_TEMPORARY_IN_TEXT = re.compile(r"/cc[A-Za-z0-9]{6}(?=\.(?:s|o|res|lto|ltrans))", re.ASCII)


class LogPaths:
    """
    Resolves names in one log. Feed it the "Entering" and "Leaving" lines in order.

    Attributes:
        directory: The folder where the recipe starts, absolute.
    """

    def __init__(self, *, tree: str, out: str, directory: str = ".") -> None:
        self._tree = _normalise(tree)
        self._out = _normalise(out)
        self.directory = _normalise(join(self._tree, directory))
        self._entered: list[tuple[int, str]] = []
        self._here = self.directory
        self._cache: dict[tuple[str, str], str | None] = {}
        # The longer root first: one may lie inside the other.
        roots = sorted({root for root in (self._tree, self._out) if root not in ("", "/", ".")}, key=len, reverse=True)
        self._roots = roots
        # A root counts where a path can begin: not in the middle of one, but also straight after -I and its like.
        self._root = re.compile(
            rf"(?:(?<![\w./-])|(?<=-[A-Za-z]))({'|'.join(map(re.escape, roots))})(?:(/)|(?![\w.-]))"
            if roots
            else r"(?!)"
        )

    def enter(self, level: int, name: str) -> None:
        """Note that the make of a level entered a folder."""
        if len(self._entered) == _DIRECTORY_LIMIT:
            del self._entered[0]
        self._entered.append((level, _normalise(join(self._here, name))))
        self._here = self._entered[-1][1]

    def leave(self, level: int, name: str) -> None:
        """Note that the make of a level left a folder; a folder that was never entered is passed over."""
        entry = (level, _normalise(join(self._here, name)))
        for index in range(len(self._entered) - 1, -1, -1):
            if self._entered[index] == entry:
                del self._entered[index]
                break
        self._here = self._entered[-1][1] if self._entered else self.directory

    def resolve(self, name: str, level: int | None = None) -> str | None:
        """
        Give a file's path as a diagnostic has it.

        Args:
            name: As the tool wrote it.
            level: The make whose folder the name is relative to; None for the folder that was entered last.

        Returns:
            Relative to the tree with `/`; `<out>/…` in the output folder; absolute for anything else. None for what is
            no file (`<command-line>`) or a compiler's temporary file, whose name is another in every build.
        """
        here = self._here if level is None else self._directory_of(level)
        key = (here, name)
        if key not in self._cache:
            if len(self._cache) == _CACHE_LIMIT:
                self._cache.clear()
            self._cache[key] = self._resolve(here, name)
        return self._cache[key]

    def relate(self, text: str) -> str:
        """Write the tree's, the output folder's and temporary paths within a message as every build has them."""
        if any(root in text for root in self._roots):
            text = self._root.sub(self._replace_root, text)
        return _TEMPORARY_IN_TEXT.sub("/cc*", text) if "/cc" in text else text

    def _replace_root(self, match: re.Match[str]) -> str:
        if match[1] == self._out:
            return f"<out>{match[2] or ''}"
        return "" if match[2] else "."

    def _resolve(self, here: str, name: str) -> str | None:
        if _PSEUDO.fullmatch(name):
            return None
        if _DRIVE.match(name):
            return name[:2] + normpath(name[2:].replace("\\", "/"))
        path = _normalise(join(here, name))
        for root in self._roots:
            if path == root:
                return "<out>" if root == self._out else "."
            if path.startswith(f"{root}/"):
                inside = path[len(root) + 1 :]
                return f"<out>/{inside}" if root == self._out else inside
        return None if _TEMPORARY.search(path) else path

    def _directory_of(self, level: int) -> str:
        for entered_level, directory in reversed(self._entered):
            if entered_level == level:
                return directory
        return self._here


def _normalise(path: str) -> str:
    """Collapse `.`, `..` and doubled slashes; POSIX lets `//` at the start be special, no system of ours does."""
    path = normpath(path)
    return path[1:] if path.startswith("//") else path
