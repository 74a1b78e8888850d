"""
Static archives (`ar`): the object files of a library.

An archive has no length of its own, so one that was cut between two members reads as a shorter one. What gives the cut
away is the symbol table in front, which names the place of every member that defines a symbol: each place must
hold a member. What it cannot give away is a lost member without global symbols.

Source: System V gABI, chapter 7 of its base documents ("Archive File"); names of GNU (`//`) and of 4.4BSD (`#1/`), and
the 64-bit table `/SYM64/`, as GNU BFD and LLVM write them.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass

from gatekeep.errors import ImageError
from gatekeep.measure.elf import Bytes, Elf, check_port, read_elf
from gatekeep.measure.symbols import sort_sizes
from gatekeep.model.matrix import Port

_MAGIC = b"!<arch>\n"
_THIN_MAGIC = b"!<thin>\n"
_HEADER_BYTES = 60
_SIZE = re.compile(rb"([0-9]{1,10}) *")
_LONG_NAME = re.compile(rb"/([0-9]{1,15}) *")
_INLINE_NAME = re.compile(rb"#1/([0-9]{1,13}) *")
#: Entry width in bytes of each kind of symbol table, by member name.
_GNU_TABLES = {"/": 4, "/SYM64/": 8}
_BSD_TABLES = {"__.SYMDEF": 4, "__.SYMDEF SORTED": 4, "__.SYMDEF_64": 8, "__.SYMDEF_64 SORTED": 8}


@dataclass(frozen=True, slots=True, kw_only=True)
class Archive:
    """
    What the members of an archive hold together.

    `sections` (name, bytes) of every allocated section, summed by name, in order of first appearance; `stored_bytes`
    is what they store in the image (all but space such as `.bss`); `symbols` largest first, then by name.
    """

    member_count: int
    sections: tuple[tuple[str, int], ...]
    symbols: tuple[tuple[str, int], ...]
    stored_bytes: int


@dataclass(frozen=True, slots=True)
class _Member:
    name: str
    place: int
    start: int
    end: int


def read_archive(data: Bytes, *, name: str, port: Port) -> Archive:
    """
    Sum the members of a static archive.

    Args:
        data: The whole file.
        name: Its name, for messages.
        port: Every member must be for its machine.

    Raises:
        ImageError: Not an archive, a thin or an empty one, cut short, or with a member that is no sound ELF file of the
            port's machine.
    """
    sections: dict[str, int] = {}
    symbols: dict[str, int] = {}
    stored_bytes = 0
    tables: dict[str, _Member] = {}
    places: set[int] = set()
    for member in _read_members(data, name):
        if member.name in _GNU_TABLES or member.name in _BSD_TABLES:
            if tables.setdefault(member.name, member) is not member:
                raise ImageError(name, "has a second symbol table", offset=member.place)
            continue
        member_name = f"{name}({member.name})"
        elf = read_elf(data[member.start : member.end], name=member_name)
        check_port(elf, port, name=member_name)
        places.add(member.place)
        stored_bytes += _add_sections(elf, sections)
        for symbol, size in elf.symbols:
            symbols[symbol] = symbols.get(symbol, 0) + size
    if not places:
        raise ImageError(
            name,
            "holds no members, and an empty archive cannot be told from one that was cut short; "
            "take it out of the recipe's archives",
        )
    for table in tables.values():
        _check_symbol_table(data[table.start : table.end], table, places, name)
    return Archive(
        member_count=len(places),
        sections=tuple(sections.items()),
        symbols=sort_sizes(symbols),
        stored_bytes=stored_bytes,
    )


def _add_sections(elf: Elf, totals: dict[str, int]) -> int:
    """Add the allocated sections to `totals`; give the bytes that they store."""
    stored = 0
    for section in elf.sections:
        if section.allocated:
            totals[section.name] = totals.get(section.name, 0) + section.size_bytes
            stored += section.size_bytes if section.stored else 0
    return stored


def _read_members(data: Bytes, name: str) -> Iterator[_Member]:
    """Walk the member headers; each one's end is where the next begins, so the walk always ends."""
    magic = data[: len(_MAGIC)]
    if magic == _THIN_MAGIC:
        raise ImageError(name, "is a thin archive, which holds no code of its own; let the recipe write a whole one")
    if magic != _MAGIC:
        raise ImageError(name, "is not an archive: it does not begin with !<arch>", offset=0)
    long_names = b""
    place = len(_MAGIC)
    while place < len(data):
        header = data[place : place + _HEADER_BYTES]
        size = _SIZE.fullmatch(header[48:58])
        if len(header) < _HEADER_BYTES or header[58:] != b"`\n" or size is None:
            raise ImageError(name, "member header is damaged or cut short", offset=place)
        start = place + _HEADER_BYTES
        end = start + int(size[1])
        if end > len(data):
            raise ImageError(name, f"member ends at byte {end}, past the end of the archive", offset=place)
        raw_name = header[:16]
        if raw_name.rstrip(b" ") == b"//":
            long_names = data[start:end]
        else:
            text, skip = _read_name(raw_name, data, start, end, long_names, name)
            yield _Member(text, place, start + skip, end)
        # Members begin at even places; the byte between may be missing after the last one.
        place = end + end % 2


def _read_name(raw: bytes, data: Bytes, start: int, end: int, long_names: bytes, archive: str) -> tuple[str, int]:
    """Give a member's name and how many bytes of the member it takes."""
    skip = 0
    if match := _INLINE_NAME.fullmatch(raw):
        skip = int(match[1])
        if skip > end - start:
            raise ImageError(archive, "name of a member is longer than the member", offset=start)
        found = data[start : start + skip].rstrip(b"\0")
    elif match := _LONG_NAME.fullmatch(raw):
        at = int(match[1])
        stop = long_names.find(b"\n", at)
        if stop < 0:
            raise ImageError(archive, f"name of a member is at {at} in {len(long_names)} bytes of names", offset=start)
        found = long_names[at:stop].removesuffix(b"/")
    else:
        found = raw.rstrip(b" ")
        if found not in (b"/", b"/SYM64/"):
            found = found.removesuffix(b"/")
    return found.decode("utf-8", "surrogateescape"), skip


def _check_symbol_table(table: bytes, member: _Member, places: set[int], name: str) -> None:
    """Refuse a symbol table that points to where no member begins: members were lost."""
    if member.name in _GNU_TABLES:
        width, step, order = _GNU_TABLES[member.name], 1, ">"
        count = int.from_bytes(table[:width], "big")
    else:
        # 4.4BSD: the length of the pairs (name, place), then the pairs. GNU and BSD write the byte order of the machine
        # that made the archive, LLVM always little-endian; a length that does not fit shows the wrong one.
        width, step, order = _BSD_TABLES[member.name], 2, "<"
        count = int.from_bytes(table[:width], "little") // width
        if width + count * width > len(table):
            order = ">"
            count = int.from_bytes(table[:width], "big") // width
    if len(table) < width or width + count * width > len(table):
        raise ImageError(name, f"symbol table is cut short: {count} entries in {len(table)} bytes", offset=member.place)
    form = order + ("I" if width == 4 else "Q")
    entries = [entry for (entry,) in struct.iter_unpack(form, table[width : width + count * width])]
    for entry in entries[step - 1 :: step]:
        if entry not in places:
            raise ImageError(name, f"symbol table names a member at byte {entry}, where none begins; it is cut short")
