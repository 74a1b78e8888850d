"""
A strict reader of ELF files.

Strict, because a damaged image must never pass for a smaller one: every table, string, section and segment has to lie
whole within the file, and what contradicts itself is refused. All sizes come from the file and are hostile, so each
one is checked against the file's own length or a limit below before anything is allocated or looped over.

Source: System V gABI, chapters 4 and 5 ("ELF Header", "Sections", "String Table", "Symbol Table", "Program Header").
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from itertools import pairwise
from mmap import mmap
from typing import NoReturn

from gatekeep.errors import ImageError
from gatekeep.measure.segments import Placement, Segment, find_load_address, list_movers
from gatekeep.measure.symbols import SymbolTable, read_strings, sum_symbols
from gatekeep.model.machines import name_machine
from gatekeep.model.matrix import Bits, ByteOrder, Port

Bytes = bytes | mmap

#: Firmware built with a section for every function has some 100,000 sections; ten times that is a forged count.
MAX_SECTIONS = 1_000_000
#: Sections are looked up in segments one by one; at some 0.3 us a pair this bounds a forged file to seconds.
MAX_SECTION_SEGMENT_PAIRS = 4_000_000

TYPE_RELOCATABLE, TYPE_EXECUTABLE, TYPE_SHARED = 1, 2, 3
_TYPE_NAMES = {0: "a file of no type", 4: "a core dump"}
_SHT_NULL, _SHT_SYMTAB, _SHT_STRTAB, _SHT_NOBITS, _SHT_SYMTAB_SHNDX = 0, 2, 3, 8, 18
_SHF_ALLOC, _SHF_TLS = 0x2, 0x400
_PT_LOAD, _PT_TLS = 1, 7
_PN_XNUM = _SHN_XINDEX = 0xFFFF

_HEADER = {32: "HHIIIIIHHHHHH", 64: "HHIQQQIHHHHHH"}
_SECTION = {32: "IIIIIIIIII", 64: "IIQQQQIIQQ"}
_SEGMENT = {32: "IIIIIIII", 64: "IIQQQQQQ"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """
    One section of the section table, without the reserved first one.

    `address` is where it runs, `load_address` where its content is stored (the same where no segment moves it).
    `stored` tells a section with content in the file from one that is only space (`.bss`).
    """

    name: str
    address: int
    load_address: int
    size_bytes: int
    alignment: int
    allocated: bool
    stored: bool
    thread_local: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Elf:
    """
    What an ELF file says.

    `sections` and `segments` in file order, `symbols` (name, bytes) largest first, then by name; each may be empty.
    """

    bits: Bits
    byte_order: ByteOrder
    machine: int
    file_type: int
    sections: tuple[Section, ...]
    segments: tuple[Segment, ...]
    symbols: tuple[tuple[str, int], ...]

    @property
    def kind(self) -> str:
        """For people: `AARCH64, 64-bit little-endian`."""
        return f"{name_machine(self.machine)}, {self.bits}-bit {self.byte_order}-endian"


def read_elf(data: Bytes, *, name: str) -> Elf:
    """
    Read the header, sections, segments and symbols of an ELF file.

    Args:
        data: The whole file.
        name: Its name, for messages.

    Raises:
        ImageError: Not ELF, cut short, or contradicting itself.
    """
    return _Reader(data, name).read()


def check_port(elf: Elf, port: Port, *, name: str) -> None:
    """
    Hold class, byte order and machine against the port's; what the port leaves open is not checked.

    Raises:
        ImageError: The file is for another machine.
    """
    wrong = (
        port.machine not in (None, name_machine(elf.machine))
        or port.bits not in (None, elf.bits)
        or port.byte_order not in (None, elf.byte_order)
    )
    if wrong:
        width = f"{port.bits}-bit" if port.bits else ""
        order = f"{port.byte_order}-endian" if port.byte_order else ""
        wanted = ", ".join(filter(None, (port.machine, f"{width} {order}".strip())))
        raise ImageError(name, f"is for {elf.kind}; port {port.name} is {wanted}")


@dataclass(frozen=True, slots=True)
class _Row:
    """A raw section header."""

    name_offset: int
    kind: int
    flags: int
    address: int
    offset: int
    size: int
    link: int
    info: int
    alignment: int
    entry_size: int


class _Reader:
    """Reads one file; every method raises ImageError where the file is wrong."""

    def __init__(self, data: Bytes, name: str) -> None:
        self._data = data
        self._name = name
        self._length = len(data)

    def read(self) -> Elf:
        self._read_identity()
        (
            file_type,
            self._machine,
            version,
            _entry,
            segment_offset,
            section_offset,
            _flags,
            header_size,
            segment_entry,
            segment_count,
            section_entry,
            section_count,
            names_index,
        ) = self._unpack(_HEADER[self._bits], 16, "ELF header")
        self._header_size = 52 if self._bits == 32 else 64
        if version != 1 or header_size != self._header_size:
            self._refuse(f"ELF header has version {version} and says it is {header_size} bytes long", 20)
        if file_type in _TYPE_NAMES:
            self._refuse(f"is {_TYPE_NAMES[file_type]}, not a linked image or object file", 16)

        rows = self._read_rows(section_offset, section_entry, section_count)
        if segment_count == _PN_XNUM and rows:
            segment_count = rows[0].info
        if names_index == _SHN_XINDEX and rows:
            names_index = rows[0].link
        segments = self._read_segments(segment_offset, segment_entry, segment_count)
        self._check_tables(section_offset, section_entry * len(rows), segment_offset, segment_entry * len(segments))
        return Elf(
            bits=self._bits,
            byte_order=self._byte_order,
            machine=self._machine,
            file_type=file_type,
            sections=self._make_sections(rows, segments, names_index),
            segments=segments,
            symbols=self._read_symbols(rows),
        )

    def _read_identity(self) -> None:
        """Read e_ident: class, byte order, version."""
        magic = self._data[:4]
        if magic != b"\x7fELF":
            self._refuse(
                "is empty" if not self._length else "is not an ELF file: it does not begin with 7F 45 4C 46", 0
            )
        if self._length < 16:
            self._refuse("ELF header is cut short", self._length)
        file_class, order, version = self._data[4], self._data[5], self._data[6]
        if file_class not in (1, 2) or order not in (1, 2) or version != 1:
            self._refuse(f"ELF header has class {file_class}, byte order {order} and version {version}", 4)
        self._bits: Bits = 32 if file_class == 1 else 64
        self._byte_order: ByteOrder = "little" if order == 1 else "big"
        self._prefix = "<" if order == 1 else ">"

    def _read_rows(self, offset: int, entry_size: int, count: int) -> list[_Row]:
        """Read the section table; a count of 0 with a table stands in the first entry's size."""
        if offset == 0:
            if count:
                self._refuse(f"says it has {count} sections and no section table", 16)
            return []
        row = struct.Struct(self._prefix + _SECTION[self._bits])
        if entry_size != row.size:
            self._refuse(f"section table has entries of {entry_size} bytes, wanted {row.size}", 16)
        if count == 0:
            first = _Row(*self._unpack(_SECTION[self._bits], offset, "section table"))
            count = first.size
            if count == 0:
                self._refuse("section table has no entries", offset)
        if count > MAX_SECTIONS:
            self._refuse(f"says it has {count} sections, more than {MAX_SECTIONS}", 16)
        table = self._slice(offset, count * row.size, "section table")
        rows = [_Row(*fields) for fields in row.iter_unpack(table)]
        if rows[0].kind != _SHT_NULL:
            self._refuse("section table does not begin with the reserved entry", offset)
        for index, each in enumerate(rows[1:], 1):
            if each.kind not in (_SHT_NULL, _SHT_NOBITS):
                self._check_range(each.offset, each.size, f"section {index}")
            if each.flags & _SHF_ALLOC and each.address + each.size > 1 << self._bits:
                self._refuse(f"section {index} ends past the last address", offset + index * row.size)
        return rows

    def _read_segments(self, offset: int, entry_size: int, count: int) -> tuple[Segment, ...]:
        if count == 0:
            return ()
        entry = struct.Struct(self._prefix + _SEGMENT[self._bits])
        if entry_size != entry.size:
            self._refuse(f"program header table has entries of {entry_size} bytes, wanted {entry.size}", 16)
        table = self._slice(offset, count * entry.size, "program header table")
        segments = []
        for index, fields in enumerate(entry.iter_unpack(table)):
            if self._bits == 32:
                kind, start, address, load_address, file_bytes, memory_bytes, _flags, alignment = fields
            else:
                kind, _flags, start, address, load_address, file_bytes, memory_bytes, alignment = fields
            place = offset + index * entry.size
            if file_bytes:
                self._check_range(start, file_bytes, f"segment {index}")
            if kind == _PT_LOAD:
                if file_bytes > memory_bytes:
                    self._refuse(f"segment {index} stores {file_bytes} bytes for {memory_bytes} of memory", place)
                if max(address, load_address) + memory_bytes > 1 << self._bits:
                    self._refuse(f"segment {index} ends past the last address", place)
            segments.append(
                Segment(
                    loaded=kind == _PT_LOAD,
                    thread_local=kind == _PT_TLS,
                    offset=start,
                    address=address,
                    load_address=load_address,
                    file_bytes=file_bytes,
                    memory_bytes=memory_bytes,
                    alignment=alignment,
                )
            )
        return tuple(segments)

    def _check_tables(self, section_at: int, section_bytes: int, segment_at: int, segment_bytes: int) -> None:
        """Refuse header tables that lie over the ELF header or over each other."""
        for what, at, size in (("section", section_at, section_bytes), ("program header", segment_at, segment_bytes)):
            if size and at < self._header_size:
                self._refuse(f"{what} table overlaps the ELF header", at)
        if min(section_at + section_bytes, segment_at + segment_bytes) > max(section_at, segment_at):
            self._refuse("section table and program header table overlap", section_at)

    def _make_sections(self, rows: list[_Row], segments: tuple[Segment, ...], names_index: int) -> tuple[Section, ...]:
        """Name the sections and give each its load address."""
        if not rows:
            return ()
        if names_index >= len(rows):
            self._refuse(f"names of sections are said to be in section {names_index} of {len(rows)}", 16)
        # Index 0 (SHN_UNDEF) means that the sections have no names.
        names = self._read_table(rows[names_index], names_index) if names_index else b""
        texts = read_strings(names, [row.name_offset for row in rows], path=self._name, what="section") if names else []
        useful = list_movers(segments)
        if len(useful) * len(rows) > MAX_SECTION_SEGMENT_PAIRS:
            self._refuse(f"has {len(rows)} sections and {len(useful)} loaded segments, more than any image needs", 16)
        self._check_overlap(rows)
        return tuple(
            Section(
                name=texts[index] if texts else "",
                address=row.address,
                load_address=_find_load_address(row, useful),
                size_bytes=row.size,
                alignment=row.alignment,
                allocated=bool(row.flags & _SHF_ALLOC),
                stored=row.kind != _SHT_NOBITS,
                thread_local=bool(row.flags & _SHF_TLS),
            )
            for index, row in enumerate(rows)
            if row.kind != _SHT_NULL
        )

    def _check_overlap(self, rows: list[_Row]) -> None:
        """Refuse sections of the image that share bytes of the file: one of the two must have a forged size."""
        stored = sorted(
            (row.offset, row.size)
            for row in rows
            if row.flags & _SHF_ALLOC and row.kind not in (_SHT_NULL, _SHT_NOBITS) and row.size
        )
        for (offset, size), (following, _) in pairwise(stored):
            if offset + size > following:
                self._refuse("two sections overlap in the file", following)

    def _read_symbols(self, rows: list[_Row]) -> tuple[tuple[str, int], ...]:
        tables = [(index, row) for index, row in enumerate(rows) if row.kind == _SHT_SYMTAB]
        if len(tables) > 1:
            self._refuse("has two symbol tables", tables[1][1].offset)
        for index, row in tables:
            wanted = 16 if self._bits == 32 else 24
            if row.entry_size != wanted or row.size % wanted:
                self._refuse(
                    f"symbol table has {row.size} bytes in entries of {row.entry_size}, wanted {wanted}", row.offset
                )
            if not 0 < row.link < len(rows) or row.link == index:
                self._refuse(f"symbol table names section {row.link} of {len(rows)} for its strings", row.offset)
            return sum_symbols(
                SymbolTable(
                    entries=self._slice(row.offset, row.size, "symbol table"),
                    strings=self._read_table(rows[row.link], row.link),
                    long_indices=self._read_long_indices(rows, index),
                    allocated=tuple(bool(each.flags & _SHF_ALLOC) for each in rows),
                    bits=self._bits,
                    byte_order=self._byte_order,
                ),
                path=self._name,
            )
        return ()

    def _read_long_indices(self, rows: list[_Row], symbols_index: int) -> bytes:
        """Read the section numbers that are too large for the symbol table; empty where all fit."""
        row = next((row for row in rows if row.kind == _SHT_SYMTAB_SHNDX and row.link == symbols_index), None)
        return b"" if row is None else self._slice(row.offset, row.size, "table of section numbers")

    def _read_table(self, row: _Row, index: int) -> bytes:
        """Read a string table: its last byte ends the last string."""
        if row.kind != _SHT_STRTAB:
            self._refuse(f"section {index} is used as a string table and is none", row.offset)
        table = self._slice(row.offset, row.size, f"section {index}")
        if table and (table[0] or table[-1]):
            self._refuse(f"string table in section {index} does not begin and end with a zero byte", row.offset)
        return table

    def _unpack(self, form: str, offset: int, what: str) -> tuple[int, ...]:
        shape = struct.Struct(self._prefix + form)
        return shape.unpack(self._slice(offset, shape.size, what))

    def _slice(self, offset: int, size: int, what: str) -> bytes:
        self._check_range(offset, size, what)
        return self._data[offset : offset + size]

    def _check_range(self, offset: int, size: int, what: str) -> None:
        if offset + size > self._length:
            self._refuse(
                f"{what} ends at byte {offset + size}, past the end of the file; it is damaged or cut short",
                self._length,
            )

    def _refuse(self, message: str, offset: int) -> NoReturn:
        raise ImageError(self._name, message, offset=offset)


def _find_load_address(row: _Row, segments: tuple[Segment, ...]) -> int:
    if not row.flags & _SHF_ALLOC:
        return row.address
    placement = Placement(
        address=row.address,
        offset=row.offset,
        size_bytes=row.size,
        stored=row.kind != _SHT_NOBITS,
        thread_local=bool(row.flags & _SHF_TLS),
    )
    return find_load_address(placement, segments)
