"""
Names and symbols of an ELF file: how many bytes each function and object takes.

Source: System V gABI, chapter 4, "String Table" and "Symbol Table".
"""

from __future__ import annotations

import struct
from collections.abc import Iterable
from dataclasses import dataclass
from operator import itemgetter

from gatekeep.errors import ImageError
from gatekeep.model.matrix import Bits, ByteOrder

#: The longest name read. Mangled names of generated code reach some thousand characters.
MAX_NAME_BYTES = 65_536
#: All names of one table together. Names may share their ends, so a small forged table could unfold without bound.
MAX_NAMES_BYTES = 256 * 1024**2
#: Ten times the largest symbol table met in firmware.
MAX_SYMBOLS = 5_000_000

# Object, function, thread-local object and indirect function; section, file and untyped symbols take no bytes.
_STT_SIZED = frozenset({1, 2, 6, 10})
_SHN_LORESERVE, _SHN_XINDEX = 0xFF00, 0xFFFF


@dataclass(frozen=True, slots=True, kw_only=True)
class SymbolTable:
    """
    The raw bytes of a symbol table and of what belongs to it.

    `long_indices` holds a 32-bit section number for every symbol, or nothing; `allocated` says of every section whether
    it takes memory.
    """

    entries: bytes
    strings: bytes
    long_indices: bytes
    allocated: tuple[bool, ...]
    bits: Bits
    byte_order: ByteOrder


def read_strings(table: bytes, offsets: Iterable[int], *, path: str, what: str) -> list[str]:
    """
    Read the strings that begin at `offsets`.

    Bytes that are not UTF-8 are kept as lone surrogates, so that two names never become one.

    Args:
        table: Ends with a zero byte.
        path: The file, for messages.
        what: Whose names these are, for messages.

    Raises:
        ImageError: An offset past the table, or names longer than any real file has.
    """
    # Nearly every table is ASCII, where a character is a byte: decoded once, it is cut 50,000 times. Measured twice as
    # fast as decoding each name.
    text = table.decode("ascii") if table.isascii() else None
    budget = MAX_NAMES_BYTES
    names = []
    for offset in offsets:
        end = table.find(0, offset, offset + MAX_NAME_BYTES)
        budget -= end - offset
        if end < 0 or budget < 0:
            if offset >= len(table):
                raise ImageError(path, f"name of a {what} is at {offset} in a string table of {len(table)} bytes")
            raise ImageError(path, f"names of {what}s are longer than any real file has")
        names.append(text[offset:end] if text is not None else table[offset:end].decode("utf-8", "surrogateescape"))
    return names


def sum_symbols(table: SymbolTable, *, path: str) -> tuple[tuple[str, int], ...]:
    """
    Give the bytes of every sized function and object in an allocated section.

    Names that occur more than once (file-local ones may) are summed.

    Returns:
        (name, bytes), largest first, then by name; may be empty.

    Raises:
        ImageError: A symbol names a section or a string that does not exist.
    """
    order = "<" if table.byte_order == "little" else ">"
    # Name, size, type and section; the value and the visibility are skipped.
    shape = struct.Struct(order + ("I4xIBxH" if table.bits == 32 else "IBxH8xQ"))
    number = struct.Struct(order + "I")
    if len(table.entries) > MAX_SYMBOLS * shape.size:
        raise ImageError(path, f"has more than {MAX_SYMBOLS} symbols")
    wide = table.bits == 64
    section_count = len(table.allocated)
    name_limit = max(1, len(table.strings))
    offsets = []
    sizes = []
    for index, (name, first, second, third) in enumerate(shape.iter_unpack(table.entries)):
        size, info, section = (third, first, second) if wide else (first, second, third)
        if name >= name_limit:
            raise ImageError(path, f"name of a symbol is at {name} in a string table of {len(table.strings)} bytes")
        if section == _SHN_XINDEX:
            if len(table.long_indices) < 4 * index + 4:
                raise ImageError(path, f"symbol {index} has its section in a table that does not hold it")
            (section,) = number.unpack_from(table.long_indices, 4 * index)
        elif section >= _SHN_LORESERVE:
            continue  # absolute and common symbols take nothing of any section
        if section >= section_count:
            raise ImageError(path, f"symbol {index} lies in section {section} of {section_count}")
        if size and info & 15 in _STT_SIZED and table.allocated[section]:
            offsets.append(name)
            sizes.append(size)
    if offsets and not table.strings:
        raise ImageError(path, "has symbols and an empty string table")
    totals: dict[str, int] = {}
    for name, size in zip(read_strings(table.strings, offsets, path=path, what="symbol"), sizes, strict=True):
        totals[name] = totals.get(name, 0) + size
    return sort_sizes(totals)


def sort_sizes(totals: dict[str, int]) -> tuple[tuple[str, int], ...]:
    """Sort (name, bytes) largest first, then by name."""
    by_name = sorted(totals.items())
    return tuple(sorted(by_name, key=itemgetter(1), reverse=True))  # stable, also in reverse
