"""
Which names a target can put together: the words of what it read.

A word is a run of letters (and of bytes above 127), in lower case; digits and punctuation come free. A name is known if
each run of letters in it is a word, or a row of words of three letters or more: so `$(A)$(B)`, `s/-/_/`, `seq 0 3` and
upper-casing find their way, and `vale` is not found in `equivalent`.

The words of files are kept in reach_book.py.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from functools import cache

from gatekeep.model.matrix import Target
from gatekeep.tree.listing import encode_path

#: More of one file is not looked at: written lists of names are smaller, tables and images are not.
MAX_BLOB_BYTES = 4 * 1024**2
#: Where git looks for a NUL to tell binary from text (its buffer_is_binary).
_BINARY_LOOK_BYTES = 8000
#: Shorter words in a row make up nearly every name.
MIN_JOINED_LETTERS = 3
#: The work grows with the square; nobody's file is named so, and a name that was made to cost time counts as known.
MAX_JOINED_LETTERS = 64

#: Letters to lower case, bytes above 127 as they are, everything else to blanks.
_LETTERS = bytes(
    byte if byte > 127 or chr(byte).islower() else byte + 32 if chr(byte).isupper() else 32 for byte in range(256)
)
#: In an executable or a table short runs are accidents, and they would be nearly all short words there are.
_MIN_BINARY_LETTERS = 4
#: `-Iinclude`, `"\nconfig"`, `$Dconfig` (make's variable D), `%sconfig`: the letter before the word is not part of it.
_AFTER_LETTER = re.compile(rb"[-\\$%][a-zA-Z]([a-zA-Z\x80-\xff]+)")
#: In nearly every makefile, and `md` is the extension of nearly every document: nobody makes the one of the other.
#: Source: GCC manual, "Preprocessor Options".
_DEPENDENCY_OPTIONS = re.compile(rb"(?<![\w-])-MM?D(?![\w-])")

#: Words that tools know without having read them in the tree: extensions of GNU make's built-in rules and of the
#: compilers' own searches, names that make, Python and linkers look for, and the headers that headers of a C library
#: include. Source: GNU make manual, "Catalogue of Built-In Rules"; GCC manual, "Precompiled Headers"; Python
#: documentation, "The import system"; ISO C11 7.1.2; the include folders of newlib and picolibc.
TOOLS_KNOW = frozenset(
    b"""
    a c cc ch cpp cxx d def dll elf f gch h hex hh hpp inc ko l ld lds ln mk mod o out p pch pcm pl py pyc pyd r s sh
    so specs sv sx sym texi txt v w x y
    gnumakefile makefile module modulemap rcs sccs
    conftest init main pth pycache pyvenv cfg sitecustomize usercustomize
    crt crtbegin crtend crti crtn libc libg libgcc libgloss libm libnosys libstdc
    alloca assert complex ctype curses dirent endian errno fcntl features fenv float ieeefp inttypes iso langinfo
    limits locale malloc math memory newlib picolibc pthread reent regex sched search setjmp signal stdalign stdarg
    stdatomic stdbool stdc predef stddef stdint stdio stdlib stdnoreturn string strings syslimits tgmath threads
    time uchar unctrl unistd utime wchar wctype ansi arpa asm bits cdefs config default generic gnu lib linux lock
    machine net ncurses netinet nl rpc ssp sys types xlocale
    """.split()
)
#: What modules that lie outside the tree ask for along a search path, also in folders below it (Perl's `Tie/Hash.pm`),
#: and no folder is listed for it as Python does. Source: perldoc, `require`; the manuals of Ruby (`require`), Lua
#: (package.path) and Tcl (tm).
MODULE_EXTENSIONS = frozenset({"al", "lua", "ph", "pm", "pmc", "rb", "tm"})
#: Found by a compiler driver, a linker or an interpreter under names of their own (`crt0.o`, `libgcc.a`, `libz.so.1`).
ALWAYS_FOUND_EXTENSIONS = MODULE_EXTENSIONS | {"a", "o", "so", "gch", "pch", "pyc", "specs"}
#: Asking for the size of a file leaves no trace. Compilers and linkers read what they measure; these do not.
SIZE_WORDS = (b"stat", b"getsize", b"du", b"wc", b"ls", b"find", b"filesize", b"cmp")


def split_name(name: str) -> tuple[bytes, ...]:
    """Give the words of a name, each once; those that tools know anyway are left out."""
    return tuple(run for run in letter_runs(name) if run not in TOOLS_KNOW)


def letter_runs(name: str) -> dict[bytes, None]:
    """Give the runs of letters in a name, in lower case, in their order and each once."""
    return dict.fromkeys(encode_path(name).translate(_LETTERS).split())


def is_always_found(name: str) -> bool:
    """
    Say whether tools look for a file by a name of their own; executables count too, whatever they are called.

    A name with a dot before it is one of settings, which tools look for along the folders above as well; git's own are
    left out, for a worker's tree is no repository. One with an underscore is kept by compilers for the inside of their
    headers (`__stddef_size_t.h`).
    """
    if name.startswith("."):
        return not name.startswith(".git")
    return name.startswith("_") or not ALWAYS_FOUND_EXTENSIONS.isdisjoint(name.lower().split(".")[1:])


def mask_knowing(part: bytes, mask_of: Callable[[bytes], int], everybody: int) -> int:
    """
    Say who can put a run of letters together.

    Args:
        part: Of a name, as `split_name` gives it.
        mask_of: The bit mask of the targets that have a word.
        everybody: The bit mask of the targets that are asked about.

    Returns:
        A bit mask, within `everybody`.
    """
    if len(part) > MAX_JOINED_LETTERS:
        return everybody
    whole = mask_of(part) & everybody
    if whole == everybody or len(part) < 2 * MIN_JOINED_LETTERS:
        return whole
    # joined[n]: who can make the first n letters.
    joined = [0] * (len(part) + 1)
    joined[0] = everybody
    for end in range(MIN_JOINED_LETTERS, len(part) + 1):
        for start in range(end - MIN_JOINED_LETTERS + 1):
            if joined[start] & ~joined[end]:
                word = part[start:end]
                joined[end] |= joined[start] & (everybody if word in TOOLS_KNOW else mask_of(word))
    return joined[-1]


def words_of_target(target: Target, environment: Mapping[str, str]) -> frozenset[bytes]:
    """
    Give the words of whatever the matrix says to a target's build: recipe, environment, toolchain, settings and names.

    Args:
        target: As the matrix has it.
        environment: The one that we were started with; of what the recipe keeps, the values are words too.
    """
    recipe, toolchain = target.recipe, target.toolchain
    commands = (*recipe.build, toolchain.probe, *(item for item in toolchain.programs if isinstance(item, tuple)))
    texts = [
        *(word for command in commands for word in command),
        *(item for item in toolchain.programs if isinstance(item, str)),
        *(environment[name] for name in recipe.keep_environment if name in environment),
        recipe.directory,
        *(part for pair in recipe.environment for part in pair),
        *(part for pair in target.settings for part in pair),
        *(text for text in (recipe.elf, recipe.image, target.configuration) if text is not None),
        *recipe.archives,
        target.board,
        target.port,
    ]
    return frozenset().union(*map(_find_text_words, texts))


@cache
def _find_text_words(text: str) -> frozenset[bytes]:
    """Give the words of a text of the matrix; most targets have most of them from the same recipe."""
    return frozenset(find_words(encode_path(text)))


def is_binary(content: bytes) -> bool:
    """Say whether git would call this content binary."""
    return b"\0" in content[:_BINARY_LOOK_BYTES]


def find_words(content: bytes) -> set[bytes]:
    """Give the words of a file."""
    content = content[:MAX_BLOB_BYTES]
    if is_binary(content):
        return {word for word in content.translate(_LETTERS).split() if len(word) >= _MIN_BINARY_LETTERS}
    if b"-M" in content:
        content = _DEPENDENCY_OPTIONS.sub(b"", content)
    words = set(content.translate(_LETTERS).split())
    words.update(word.lower() for word in _AFTER_LETTER.findall(content))
    return words
