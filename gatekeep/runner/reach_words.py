"""
Which names a target can put together: the words of what it read.

A word is a run of letters (and of bytes above 127), in lower case; digits and punctuation come free. A name is known if
each run of letters in it is a word, or a row of words of three letters or more: so `$(A)$(B)`, `s/-/_/`, `seq 0 3` and
upper-casing find their way, and `vale` is not found in `equivalent`.

Words are kept as an inverted index, word to numbers of blobs: of 2,000 files of 5 KiB that is about 10 MB where a set
for each file would be 32 MB (measured in tests/benchmarks/bench_reach.py).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence

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

_RUNS = re.compile(rb"[a-z\x80-\xff]+")
#: In an executable or a table short runs are accidents, and they would be nearly all short words there are.
_BINARY_RUNS = re.compile(rb"[a-z\x80-\xff]{4,}")
#: `-Iinclude`, `"\nconfig"`, `$Dconfig` (make's variable D), `%sconfig`: the letter before the word is not part of it.
_AFTER_LETTER = re.compile(rb"[-\\$%][a-z]([a-z\x80-\xff]+)")
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
SIZE_WORDS = (b"stat", b"getsize", b"du", b"wc", b"ls", b"find", b"filesize")


def split_name(name: str) -> tuple[bytes, ...]:
    """Give the words of a name, each once; those that tools know anyway are left out."""
    runs = dict.fromkeys(_RUNS.findall(encode_path(name).lower()))
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
    return frozenset(word for text in texts for word in _iter_words(encode_path(text)))


def is_binary(content: bytes) -> bool:
    """Say whether git would call this content binary."""
    return b"\0" in content[:_BINARY_LOOK_BYTES]


def _iter_words(content: bytes) -> Iterator[bytes]:
    if is_binary(content):
        yield from _BINARY_RUNS.findall(content[:MAX_BLOB_BYTES].lower())
    else:
        lower = _DEPENDENCY_OPTIONS.sub(b"", content[:MAX_BLOB_BYTES]).lower()
        yield from _RUNS.findall(lower)
        yield from _AFTER_LETTER.findall(lower)


class WordBook:
    """
    The words of files, each file read once, by its object name, and only when somebody asks.

    Args:
        read_blobs: Reads contents; what it raises comes through, and nothing is remembered of that batch.
    """

    def __init__(self, read_blobs: ReadBlobs) -> None:
        self._read_blobs = read_blobs
        self._numbers: dict[str, int] = {}
        self._blobs_of: dict[bytes, list[int]] = {}

    def load(self, blob_ids: Iterable[str]) -> frozenset[int]:
        """Read what was not read yet; give the numbers by which `find` calls these blobs."""
        wanted = list(dict.fromkeys(blob_ids))
        missing = [blob_id for blob_id in wanted if blob_id not in self._numbers]
        for start in range(0, len(missing), _BATCH):
            batch = missing[start : start + _BATCH]
            # Whole before any is entered: a failure must not leave half a file's words.
            entered = [frozenset(_iter_words(content)) for content in self._read_blobs(batch)]
            for blob_id, words in zip(batch, entered, strict=True):
                number = self._numbers[blob_id] = len(self._numbers)
                for word in words:
                    self._blobs_of.setdefault(word, []).append(number)
        return frozenset(self._numbers[blob_id] for blob_id in wanted)

    def number(self, blob_id: str) -> int:
        """Give the number of a loaded blob."""
        return self._numbers[blob_id]

    def find(self, word: bytes) -> Sequence[int]:
        """Give the loaded blobs that hold a word, in the order of loading."""
        return self._blobs_of.get(word, ())
