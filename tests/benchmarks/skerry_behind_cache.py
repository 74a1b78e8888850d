"""
The demonstration's history with a compiler cache: the same commits, but that each one's matrix asks for it.

Skerry calls its compiler by a path, and a cache stands in front of compilers that are called by name. So there is a
program `bare-clang` on PATH, and every matrix of the history has two lines more: the toolchain asks for the cache in
front of it, and the recipe hands it to make. Skerry's makefiles and sources are as they were, and the plain loop, which
knows no matrix, builds the same.
"""

from __future__ import annotations

import shlex
from pathlib import Path

from tests.benchmarks.plain_loop import find_zig
from tests.repos import GitFolder

COMPILER = "bare-clang"
_CHANGES = (
    (b"  bare-clang:\n", b"  bare-clang:\n    compile_cache: {in_front_of: [bare-clang]}\n"),
    (b"build: [make, ", b'build: [make, "CC=bare-clang --target=$(TRIPLE)", '),
)


def put_compiler_on_path(folder: Path) -> Path:
    """Make the program, and give the folder for PATH."""
    folder.mkdir(exist_ok=True)
    program = folder / COMPILER
    program.write_text(f'#!/bin/sh\nexec {shlex.quote(find_zig())} clang "$@"\n')
    program.chmod(0o755)
    return folder


def ask_for_cache(repository: GitFolder) -> None:
    """Write the history anew, all branches and tags; what was checked out stays behind."""
    stream = repository.git("fast-export", "--all", "--signed-tags=strip", "--reencode=no")
    repository.git("fast-import", "--quiet", "--force", feed=_change_stream(stream))


def _change_stream(stream: bytes) -> bytes:
    """
    Change the content of every matrix in a stream.

    Source: git-fast-import(1): `data <count>`, a line feed, and so many bytes.
    """
    parts, at = [], 0
    while at < len(stream):
        end = stream.index(b"\n", at) + 1
        line = stream[at:end]
        at = end
        if not line.startswith(b"data "):
            parts.append(line)
            continue
        content = stream[at : at + int(line[5:])]
        at += len(content)
        if all(content.count(old) == 1 for old, _ in _CHANGES):
            for old, new in _CHANGES:
                content = content.replace(old, new)
        parts.append(b"data %d\n%s" % (len(content), content))
    return b"".join(parts)
