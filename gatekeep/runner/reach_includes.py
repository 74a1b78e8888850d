"""
Whether what a target read includes headers that lie outside its tree.

Those ask for further headers by names of their own, and a compiler looks along the same path for them: first in the
tree. Nobody sees what they ask for. Those of a C library ask for names that reach_words.py knows; of all others, and of
headers that the build itself makes, nothing is known, so who includes one may look for any header.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from posixpath import normpath

from gatekeep.runner.reach_words import TOOLS_KNOW, letter_runs
from gatekeep.tree.listing import decode_path, encode_path

#: GCC manual, "Include Syntax" and "Computed Includes"; `-include FILE` and `-imacros FILE`, "Preprocessor Options".
_INCLUDE = re.compile(
    rb"""^[ \t]*(?:\#|%:)[ \t]*(?:include|include_next|import)\b[ \t]*(?:"([^"\n]*)"|<([^>\n]*)>)"""
    # A comment of a makefile may begin so; it goes on.
    rb"""|^[ \t]*(?:\#|%:)[ \t]*include(?:_next)?[ \t]+([A-Za-z_]\w*)[ \t]*(?:\(.*)?(?:/[/*].*)?\r?$"""
    # Taken whole, once (`++`): a line of a million `-include=` would else be read from each of them to its end.
    rb"""|-(?:include|imacros)[ \t=,]+["'\\]*([^\s"'\\]++)""",
    re.MULTILINE,
)
_OPTION_LAST = re.compile(rb"-(?:include|imacros)[=,]*\Z")
#: As much of a forced include as names a header.
_FORCED_HEADER = re.compile(rb".*\.h[a-z+]*(?=,|\Z)", re.DOTALL)


def list_outside_includes(content: bytes) -> tuple[bytes, ...]:
    """
    Give what a file includes, without the headers of a C library; each once.

    Returns:
        Paths as they are written, without `./` and `../` before them; b"" stands for one that the preprocessor puts
        together.
    """
    found: dict[bytes, None] = {}
    position = 0
    while match := _INCLUDE.search(content, position):
        position = match.end()
        quoted, angled, computed, forced = match.groups()
        if computed is not None:
            found[b""] = None
            continue
        if forced is not None:
            header = _FORCED_HEADER.match(forced)
            if header is None:
                # A word that ends in an option speaks of the word behind it.
                if option := _OPTION_LAST.search(forced):
                    position = match.start(4) + option.start()
                continue
            position = match.start(4) + header.end()
            text = re.split(rb"[)}]/?", header[0])[-1]
        else:
            text = quoted if quoted is not None else angled
        path = encode_path(normpath(decode_path(text)))
        while path.startswith(b"../"):
            path = path[3:]
        if not all(run in TOOLS_KNOW for run in letter_runs(decode_path(path))):
            found[path] = None
    return tuple(found)


def list_suffixes(paths: Iterable[str]) -> frozenset[bytes]:
    """Give every way in which an include may end that these files satisfy: `a/b.h` and `b.h`."""
    found: set[bytes] = set()
    for path in paths:
        suffix = encode_path(path)
        while suffix and suffix not in found:
            found.add(suffix)
            suffix = suffix.partition(b"/")[2]
    return frozenset(found)
