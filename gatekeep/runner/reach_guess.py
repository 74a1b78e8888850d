"""
What a target may look for in a folder in which it has read files, and which it never listed.

Nearly everything, is the answer: tools look beside the files that they read for settings, modules and programs by names
of their own, and makefiles and scripts from outside the tree do the like. What is taken out here are two kinds of
entries that nothing finds but by a name that somebody gives it: a plain source, header or document, and a folder; and
of those only the ones whose name the target can hardly have guessed. Guessing is wider than knowing (reach_words.py):

- a run of letters counts that stands anywhere within a word (`mips` in `mipsel`: names are cut off words);
- one piece of one or two letters may be among the joined words (`$(FAMILY)$(SUB)`, `sam` and `d`); what is cut off
  joined words stays open;
- the extension comes free, for tools try several (`foo.S` for `foo.o`);
- and words that are common among makefiles, kits and tools outside the tree count as read (`main.c`, `config.h`).

Headers are looked for by other headers too, which may lie outside the tree: reach_includes.py.
"""

from __future__ import annotations

from collections.abc import Callable

from gatekeep.runner.reach_words import (
    ALWAYS_FOUND_EXTENSIONS,
    MAX_JOINED_LETTERS,
    MIN_JOINED_LETTERS,
    TOOLS_KNOW,
    letter_runs,
)

_HEADERS = frozenset({"h", "hh", "hpp", "hxx"})
#: Nothing finds these but by name: sources of compilers and assemblers, their headers, and documents.
_PLAIN = _HEADERS | {"asm", "c", "cc", "cpp", "cxx", "dts", "dtsi", "s", "sx", "adoc", "md", "rst"}
#: What is looked for in folders below one that is searched, too. Source: Python documentation, "The import system";
#: Node.js documentation, "Modules"; CMake manual, find_package.
_SEARCHED_BELOW = ALWAYS_FOUND_EXTENSIONS | {"cjs", "cmake", "js", "json", "mjs", "node", "py", "tcl"}
#: Common practice, no source: what makefiles, kits and tools of others call things.
_COMMON = frozenset(
    b"""
    app application arch auto bin board boot bsp build chip common conf configuration core cpu custom defaults device
    driver drivers entry etc extra features generated hal hook hooks index interrupt interrupts irq isr local modules
    node options opts overlay override overrides patches platform port project readme scripts settings
    setup share soc src start startup subprojects syscall syscalls system target test tests tools user usr util
    utils vector vectors vendor version
    """.split()
)


def may_be_searched(path: str, child: str, *, is_folder: bool) -> bool:
    """
    Say whether somebody may look for an entry of a folder by a name that stands nowhere in the tree.

    Args:
        path: Of the file that comes or goes.
        child: The entry of the folder with which it does: its own name, or that of a folder on the way to it.
        is_folder: Which of the two.
    """
    if child.startswith((".", "_")):
        return True
    base = path.rpartition("/")[2].lower()
    _, *extensions = base.split(".")
    if is_folder:
        return not _SEARCHED_BELOW.isdisjoint(extensions)
    return len(extensions) != 1 or extensions[0] not in _PLAIN


def is_header(path: str) -> bool:
    """Say whether a file's extension is one that headers have."""
    return path.rpartition(".")[2].lower() in _HEADERS


def split_guessed(child: str, *, is_folder: bool) -> tuple[bytes, ...]:
    """Give the runs of letters that somebody must guess to look for an entry of a folder."""
    stem = child if is_folder else child.rpartition(".")[0] or child
    return tuple(run for run in letter_runs(stem) if run not in TOOLS_KNOW and run not in _COMMON)


def mask_guessing(
    run: bytes, mask_of: Callable[[bytes], int], mask_within: Callable[[bytes], int], everybody: int
) -> int:
    """
    Say who may guess a run of letters.

    Args:
        run: As `split_guessed` gives it.
        mask_of: The bit mask of the targets that have a word.
        mask_within: The bit mask of the targets that have a word which holds these letters.
        everybody: The bit mask of the targets that are asked about.

    Returns:
        A bit mask, within `everybody`.
    """
    size = len(run)
    if size > MAX_JOINED_LETTERS:
        return everybody
    whole = mask_within(run) & everybody
    if whole == everybody:
        return whole
    # joined[k][n]: who can make the first n letters with k short pieces among them.
    short_count = 2 if size <= 2 * (MIN_JOINED_LETTERS - 1) else 1
    joined = [[0] * (size + 1) for _ in range(short_count + 1)]
    joined[0][0] = everybody & ~whole
    for end in range(1, size + 1):
        for start in range(end):
            is_short = end - start < MIN_JOINED_LETTERS
            makers = 0
            for count in range(short_count + 1 - is_short):
                if joined[count][start] & ~joined[count + is_short][end]:
                    makers |= joined[count][start]
            if not makers:
                continue
            piece = run[start:end]
            having = makers if piece in TOOLS_KNOW or piece in _COMMON else mask_of(piece)
            for count in range(short_count + 1 - is_short):
                joined[count + is_short][end] |= joined[count][start] & having
    for made in joined:
        whole |= made[size]
    return whole
