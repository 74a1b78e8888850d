"""
Which names a target can put together: the words of what it read.

A word is a run of letters (and of bytes above 127), in lower case; digits and punctuation come free. A name is known if
each run of letters in it is a word, or a row of words of three letters or more: so `$(A)$(B)`, `s/-/_/`, `seq 0 3` and
upper-casing find their way, and `vale` is not found in `equivalent`.

The words of a file are kept as one text, each once, and searched: of 2,000 files of 5 KiB that is 4 MB and takes a
third of the time that sets or an inverted index take to fill (tests/benchmarks/bench_reach.py), for only a handful of
words is ever asked for.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence

from gatekeep.model.matrix import Target
from gatekeep.tree.listing import encode_path

#: Gives contents by object names, in their order.
ReadBlobs = Callable[[Sequence[str]], Iterable[bytes]]

#: More of one file is not looked at: written lists of names are smaller, tables and images are not.
MAX_BLOB_BYTES = 4 * 1024**2
#: Where git looks for a NUL to tell binary from text (its buffer_is_binary).
_BINARY_LOOK_BYTES = 8000
#: Blobs that are read and taken apart at once; bounds what waits in memory.
_BATCH = 64
#: Shorter words in a row make up nearly every name.
_MIN_JOINED_LETTERS = 3
#: The work grows with the square; nobody's file is named so, and a name that was made to cost time counts as known.
_MAX_JOINED_LETTERS = 64

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
_TOOLS_KNOW = frozenset(
    b"""
    a c cc ch cpp cxx d def dll elf f gch h hex hh hpp inc ko l ld lds ln mk mod o out p pch pcm pl py pyc pyd r s sh
    so specs sv sx sym texi txt v w x y
    gnumakefile makefile module modulemap
    conftest init main pth pycache pyvenv cfg sitecustomize usercustomize
    crt crtbegin crtend crti crtn libc libg libgcc libgloss libm libnosys libstdc
    alloca assert complex ctype dirent endian errno fcntl features fenv float ieeefp inttypes iso langinfo limits locale
    malloc math memory newlib picolibc pthread reent regex sched search setjmp signal stdalign stdarg stdatomic stdbool
    stddef stdint stdio stdlib stdnoreturn string strings tgmath threads time uchar unctrl unistd utime wchar wctype
    ansi arpa asm bits cdefs config default gnu lib linux lock machine net netinet rpc ssp sys types xlocale
    """.split()
)
#: Found by the search path of a shell or a compiler driver under names of their own (`as`, `crt0.o`, `libgcc.a`);
#: executables count too, whatever their extension.
ALWAYS_FOUND_EXTENSIONS = frozenset({"a", "o", "so", "gch", "pch", "specs"})
#: Asking for the size of a file leaves no trace. Compilers and linkers read what they measure; these do not.
SIZE_WORDS = (b"stat", b"getsize", b"du", b"wc", b"ls", b"find", b"filesize", b"cmp")


def split_name(name: str) -> tuple[bytes, ...]:
    """Give the words of a name, each once; those that tools know anyway are left out."""
    runs = dict.fromkeys(encode_path(name).translate(_LETTERS).split())
    return tuple(run for run in runs if run not in _TOOLS_KNOW)


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
    if len(part) > _MAX_JOINED_LETTERS:
        return everybody
    whole = mask_of(part) & everybody
    if whole == everybody or len(part) < 2 * _MIN_JOINED_LETTERS:
        return whole
    # joined[n]: who can make the first n letters.
    joined = [0] * (len(part) + 1)
    joined[0] = everybody
    for end in range(_MIN_JOINED_LETTERS, len(part) + 1):
        for start in range(end - _MIN_JOINED_LETTERS + 1):
            if joined[start] & ~joined[end]:
                word = part[start:end]
                joined[end] |= joined[start] & (everybody if word in _TOOLS_KNOW else mask_of(word))
    return joined[-1]


def words_of_target(target: Target) -> frozenset[bytes]:
    """Give the words of whatever the matrix says to a target's build: recipe, environment, settings and names."""
    recipe = target.recipe
    texts = [
        *(word for command in recipe.build for word in command),
        recipe.directory,
        *(part for pair in recipe.environment for part in pair),
        *(part for pair in target.settings for part in pair),
        *(text for text in (recipe.elf, recipe.image, target.configuration) if text is not None),
        *recipe.archives,
        target.board,
        target.port,
    ]
    return frozenset(word for text in texts for word in _find_words(encode_path(text)))


def is_binary(content: bytes) -> bool:
    """Say whether git would call this content binary."""
    return b"\0" in content[:_BINARY_LOOK_BYTES]


def _find_words(content: bytes) -> set[bytes]:
    content = content[:MAX_BLOB_BYTES]
    if is_binary(content):
        return {word for word in content.translate(_LETTERS).split() if len(word) >= _MIN_BINARY_LETTERS}
    if b"-M" in content:
        content = _DEPENDENCY_OPTIONS.sub(b"", content)
    words = set(content.translate(_LETTERS).split())
    words.update(word.lower() for word in _AFTER_LETTER.findall(content))
    return words


class WordBook:
    """
    The words of files, each file read once, by its object name, and only when somebody asks.

    Args:
        read_blobs: Reads contents; what it raises comes through, and nothing is remembered of that batch.
    """

    def __init__(self, read_blobs: ReadBlobs) -> None:
        self._read_blobs = read_blobs
        self._numbers: dict[str, int] = {}
        self._texts: list[bytes] = []
        #: Answers for the first so many texts.
        self._found: dict[bytes, tuple[int, list[int]]] = {}

    def load(self, blob_ids: Iterable[str]) -> frozenset[int]:
        """Read what was not read yet; give the numbers by which `find` calls these blobs."""
        wanted = list(dict.fromkeys(blob_ids))
        missing = [blob_id for blob_id in wanted if blob_id not in self._numbers]
        for start in range(0, len(missing), _BATCH):
            batch = missing[start : start + _BATCH]
            texts = [b" %b " % b" ".join(_find_words(content)) for content in self._read_blobs(batch)]
            for blob_id, text in zip(batch, texts, strict=True):
                self._numbers[blob_id] = len(self._texts)
                self._texts.append(text)
        return frozenset(self._numbers[blob_id] for blob_id in wanted)

    def number(self, blob_id: str) -> int:
        """Give the number of a loaded blob."""
        return self._numbers[blob_id]

    def find(self, word: bytes) -> Sequence[int]:
        """Give the loaded blobs that hold a word, in the order of loading."""
        known_count, found = self._found.get(word, (0, []))
        if known_count < len(self._texts):
            needle = b" %b " % word
            found += [number for number, text in enumerate(self._texts[known_count:], known_count) if needle in text]
            self._found[word] = len(self._texts), found
        return found
