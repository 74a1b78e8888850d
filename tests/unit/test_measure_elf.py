"""The ELF reader, on real images cut and bent, and on files made by hand."""

import struct
from collections.abc import Sequence
from contextlib import suppress
from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gatekeep.errors import ImageError
from gatekeep.measure.elf import Elf, check_port, read_elf
from gatekeep.measure.symbols import read_strings
from tests.measuring import IMAGES, make_port

#: Name, type, flags, address, content or size of nothing.
Row = tuple[str, int, int, int, bytes | int]
BEACONS = ("beacon-arm.elf", "beacon-powerpc.elf", "beacon-riscv64.elf")


def take(name: str) -> bytes:
    return (IMAGES / name).read_bytes()


def refuse(data: bytes) -> str:
    with pytest.raises(ImageError) as caught:
        read_elf(data, name="x.elf")
    return str(caught.value)


def read_or_refuse(data: bytes, name: str) -> None:
    """Nothing but a value or an ImageError may come out."""
    with suppress(ImageError):
        assert isinstance(read_elf(data, name=name), Elf)


class Builder:
    """Writes ELF files that hold what a test says, right or wrong."""

    def __init__(self, bits: int = 64, order: str = "<", machine: int = 243, file_type: int = 2) -> None:
        self.bits = bits
        self.order = order
        self.machine = machine
        self.file_type = file_type
        self.fields: dict[str, int] = {}

    def build(
        self,
        sections: Sequence[Row],
        segments: Sequence[tuple[int, int, int, int, int, int]] = (),
        *,
        extended: bool = False,
        symbols: bytes = b"",
        strings: bytes = b"\0",
        long_indices: bytes = b"",
    ) -> bytes:
        """
        Lay out header, program headers, content, section headers.

        Sections are (name, type, flags, address, content or size of nothing); segments (type, offset, address, load
        address, bytes in file, bytes in memory).
        """
        wide = self.bits == 64
        header_size, segment_size, section_size = (64, 56, 64) if wide else (52, 32, 40)
        body = bytearray()
        start = header_size + segment_size * len(segments)
        names = bytearray(b"\0")
        rows = [(0, 0, 0, 0, 0, 0, 0, 0, 0, 0)]
        entries: list[Row] = list(sections)
        symbol_index = len(sections) + 1
        if symbols:
            entries += [(".symtab", 2, 0, 0, symbols), (".strtab", 3, 0, 0, strings)]
            if long_indices:
                entries.append((".symtab_shndx", 18, 0, 0, long_indices))
        entries.append((".shstrtab", 3, 0, 0, b""))
        for name, *_ in entries:
            names += name.encode() + b"\0"
        at = 1
        for name, kind, flags, address, content in entries:
            data = bytes(names) if name == ".shstrtab" else content
            size = data if isinstance(data, int) else len(data)
            link = {2: symbol_index + 1, 18: symbol_index}.get(kind, 0)
            entry = (24 if wide else 16) if kind == 2 else 0
            rows.append((at, kind, flags, address, start + len(body), size, link, 0, 1, entry))
            at += len(name) + 1
            if isinstance(data, bytes):
                body += data
        count, names_index, phnum = len(rows), len(rows) - 1, len(segments)
        if extended:
            rows[0] = (0, 0, 0, 0, 0, count, names_index, phnum, 0, 0)
            count, names_index, phnum = 0, 0xFFFF, 0xFFFF
        form = "HHIQQQIHHHHHH" if wide else "HHIIIIIHHHHHH"
        values = {
            "e_type": self.file_type,
            "e_machine": self.machine,
            "e_version": 1,
            "e_entry": 0,
            "e_phoff": header_size if segments else 0,
            "e_shoff": start + len(body),
            "e_flags": 0,
            "e_ehsize": header_size,
            "e_phentsize": segment_size,
            "e_phnum": phnum,
            "e_shentsize": section_size,
            "e_shnum": count,
            "e_shstrndx": names_index,
        }
        values |= self.fields
        order = 1 if self.order == "<" else 2
        image = bytearray(b"\x7fELF" + bytes([2 if wide else 1, order, 1]) + bytes(9))
        image += struct.pack(self.order + form, *values.values())
        for kind, offset, address, load_address, file_bytes, memory_bytes in segments:
            rest = (offset, address, load_address, file_bytes, memory_bytes)
            packed = (kind, 5, *rest, 1) if wide else (kind, *rest, 5, 1)
            image += struct.pack(self.order + ("IIQQQQQQ" if wide else "IIIIIIII"), *packed)
        image += body
        shape = self.order + ("IIQQQQIIQQ" if wide else "IIIIIIIIII")
        return bytes(image) + b"".join(struct.pack(shape, *row) for row in rows)


def make_symbol(bits: int, order: str, name: int, size: int, section: int, info: int = 0x12) -> bytes:
    if bits == 64:
        return struct.pack(order + "IBBHQQ", name, info, 0, section, 0, size)
    return struct.pack(order + "IIIBBH", name, 0, size, info, 0, section)


@pytest.mark.parametrize(("bits", "order"), list(product((32, 64), "<>")))
def test_reads_both_classes_and_byte_orders(bits, order):
    strings = b"\0main\0table\0"
    symbols = b"".join(
        make_symbol(bits, order, *entry)
        for entry in ((0, 0, 0), (1, 40, 1), (6, 12, 2, 0x11), (6, 4, 1, 0x01), (1, 9, 0xFFF1), (1, 9, 0))
    )
    data = Builder(bits, order, machine=8).build(
        [(".text", 1, 6, 0x1000, b"code" * 10), (".bss", 8, 3, 0x2000, 0x100000)], symbols=symbols, strings=strings
    )
    elf = read_elf(data, name="x.elf")
    assert (elf.bits, elf.byte_order, elf.machine) == (bits, "little" if order == "<" else "big", 8)
    assert [(s.name, s.size_bytes, s.allocated, s.stored) for s in elf.sections[:2]] == [
        (".text", 40, True, True),
        (".bss", 0x100000, True, False),
    ]
    # `table` is there twice, file-local and not: summed. The absolute and the undefined symbol take nothing.
    assert elf.symbols == (("main", 40), ("table", 16))


@pytest.mark.parametrize(("bits", "order"), list(product((32, 64), "<>")))
def test_reads_section_and_segment_counts_that_stand_in_the_first_section(bits, order):
    """gABI: e_shnum 0, e_shstrndx SHN_XINDEX and e_phnum PN_XNUM refer to sh_size, sh_link and sh_info of entry 0."""
    sections: list[Row] = [(f".s{index}", 1, 2, index, b"x") for index in range(5)]
    segment = (1, 0, 0, 0x8000, 16, 16)
    plain = read_elf(Builder(bits, order).build(sections, [segment]), name="x.elf")
    extended = read_elf(Builder(bits, order).build(sections, [segment], extended=True), name="x.elf")
    assert extended == plain
    assert [section.name for section in extended.sections] == [".s0", ".s1", ".s2", ".s3", ".s4", ".shstrtab"]
    assert len(extended.segments) == 1


def test_reads_symbols_whose_section_number_needs_its_own_table():
    """gABI: st_shndx SHN_XINDEX, the number is in SHT_SYMTAB_SHNDX; here one symbol in .text, one in a comment."""
    symbols = make_symbol(64, "<", 1, 8, 0xFFFF) + make_symbol(64, "<", 3, 8, 0xFFFF)
    sections: list[Row] = [
        (".text", 1, 6, 0, b"12345678"),
        (".comment", 1, 0, 0, b"12345678"),
    ]
    build = Builder().build
    data = build(sections, symbols=symbols, strings=b"\0a\0b\0", long_indices=struct.pack("<II", 1, 2))
    assert read_elf(data, name="x.elf").symbols == (("a", 8),)
    short = build(sections, symbols=symbols, strings=b"\0a\0b\0", long_indices=struct.pack("<I", 1))
    assert refuse(short) == "x.elf: symbol 1 has its section in a table that does not hold it"


def test_names_that_are_not_utf8_stay_apart():
    symbols = make_symbol(64, "<", 1, 8, 1) + make_symbol(64, "<", 3, 4, 1)
    data = Builder().build([(".text", 1, 6, 0, b"x")], symbols=symbols, strings=b"\0\xff\0\xfe\0")
    assert read_elf(data, name="x.elf").symbols == (("\udcff", 8), ("\udcfe", 4))


@pytest.mark.parametrize("name", BEACONS)
def test_a_cut_image_is_refused_at_every_length(name):
    data = take(name)
    whole = read_elf(data, name=name)
    for length in range(len(data)):
        with pytest.raises(ImageError):
            read_elf(data[:length], name=name)
    assert read_elf(data + b"more", name=name) == whole


@pytest.mark.parametrize("name", BEACONS)
def test_a_stripped_image_cut_into_its_segments_is_refused(name):
    """Without section headers at the end, the segments themselves must be whole."""
    data = bytearray(take(name))
    wide = data[4] == 2
    order = "<" if data[5] == 1 else ">"
    at, form = (40, "Q") if wide else (32, "I")
    struct.pack_into(order + form, data, at, 0)
    struct.pack_into(order + "HH", data, 60 if wide else 48, 0, 0)
    stripped = read_elf(bytes(data), name=name)
    assert (stripped.sections, stripped.symbols) == ((), ())
    end = max(segment.offset + segment.file_bytes for segment in stripped.segments)
    assert read_elf(bytes(data[:end]), name=name) == stripped
    for length in range(end):
        with pytest.raises(ImageError):
            read_elf(bytes(data[:length]), name=name)


@settings(max_examples=500, deadline=None)
@given(st.sampled_from(BEACONS), st.lists(st.tuples(st.integers(0, 4000), st.integers(1, 255)), min_size=1, max_size=6))
def test_a_bent_image_is_read_or_refused(name, flips):
    data = bytearray(take(name))
    for at, bits in flips:
        data[at % len(data)] ^= bits
    read_or_refuse(bytes(data), name)


HEADERS = range(64 + 8 * 56)


@settings(max_examples=500, deadline=None)
@given(st.sampled_from(BEACONS), st.sampled_from(HEADERS), st.sampled_from([0, 1, 0x7F, 0x80, 0xFF]), st.integers(1, 8))
def test_headers_overwritten_with_extreme_numbers_are_read_or_refused(name, at, value, width):
    data = bytearray(take(name))
    # Half of the time in the section headers, which end the file.
    at = at if value & 1 else len(data) - 1 - at
    data[at : at + width] = bytes([value] * len(data[at : at + width]))
    read_or_refuse(bytes(data), name)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "x.elf: is empty (at byte 0)"),
        (b"!<arch>\n", "x.elf: is not an ELF file: it does not begin with 7F 45 4C 46 (at byte 0)"),
        (b"\x7fELF\1\1\1", "x.elf: ELF header is cut short (at byte 7)"),
        (b"\x7fELF\3\1\1" + bytes(60), "x.elf: ELF header has class 3, byte order 1 and version 1 (at byte 4)"),
        (
            b"\x7fELF\2\1\1" + bytes(20),
            "x.elf: ELF header ends at byte 64, past the end of the file; it is damaged or cut short (at byte 27)",
        ),
    ],
)
def test_what_is_no_elf_file_is_refused_with_its_reason(data, message):
    assert refuse(data) == message


TEXT: Row = (".text", 1, 6, 0x1000, b"12345678")


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"e_version": 2}, "x.elf: ELF header has version 2 and says it is 64 bytes long (at byte 20)"),
        ({"e_ehsize": 52}, "x.elf: ELF header has version 1 and says it is 52 bytes long (at byte 20)"),
        ({"e_type": 4}, "x.elf: is a core dump, not a linked image or object file (at byte 16)"),
        ({"e_shentsize": 40}, "x.elf: section table has entries of 40 bytes, wanted 64 (at byte 16)"),
        ({"e_shentsize": 0}, "x.elf: section table has entries of 0 bytes, wanted 64 (at byte 16)"),
        (
            {"e_phnum": 1, "e_phentsize": 32},
            "x.elf: program header table has entries of 32 bytes, wanted 56 (at byte 16)",
        ),
        ({"e_phnum": 1}, "x.elf: program header table overlaps the ELF header (at byte 0)"),
        ({"e_shoff": 0}, "x.elf: says it has 3 sections and no section table (at byte 16)"),
        ({"e_shnum": 0}, "x.elf: section table has no entries (at byte 89)"),
        ({"e_shstrndx": 9}, "x.elf: names of sections are said to be in section 9 of 3 (at byte 16)"),
        ({"e_shstrndx": 1}, "x.elf: section 1 is used as a string table and is none (at byte 64)"),
        (
            {"e_shnum": 60000},
            "x.elf: section table ends at byte 3840089, past the end of the file; it is damaged or cut "
            "short (at byte 281)",
        ),
        (
            {"e_shoff": 2**64 - 64},
            "x.elf: section table ends at byte 18446744073709551744, past the end of the file; it is damaged or cut "
            "short (at byte 281)",
        ),
    ],
)
def test_a_header_that_contradicts_itself_is_refused(fields, message):
    builder = Builder()
    builder.fields = fields
    assert refuse(builder.build([TEXT])) == message


def test_a_forged_section_count_in_the_first_section_allocates_nothing():
    """2**40 sections of 64 bytes would be 64 TiB; the count is refused before it is used."""
    data = bytearray(Builder().build([TEXT], extended=True))
    at = int.from_bytes(data[40:48], "little")
    struct.pack_into("<Q", data, at + 32, 2**40)
    assert refuse(bytes(data)) == "x.elf: says it has 1099511627776 sections, more than 1000000 (at byte 16)"


@pytest.mark.parametrize(
    ("sections", "segments", "message"),
    [
        (
            [(".bss", 8, 3, 2**64 - 4, 8)],
            [],
            "x.elf: section 1 ends past the last address (at byte 144)",
        ),
        (
            [TEXT],
            [(1, 0, 0, 0, 0x2000, 0x2000)],
            "x.elf: segment 0 ends at byte 8192, past the end of the file; it is damaged or cut short (at byte 337)",
        ),
        (
            [TEXT],
            [(4, 2**64 - 8, 0, 0, 16, 16)],
            "x.elf: segment 0 ends at byte 18446744073709551624, past the end of the file; it is damaged or cut short "
            "(at byte 337)",
        ),
        ([TEXT], [(1, 0, 0, 0, 16, 8)], "x.elf: segment 0 stores 16 bytes for 8 of memory (at byte 64)"),
        ([TEXT], [(1, 0, 0, 2**64 - 8, 16, 16)], "x.elf: segment 0 ends past the last address (at byte 64)"),
    ],
)
def test_sections_and_segments_past_the_end_are_refused(sections, segments, message):
    assert refuse(Builder().build(sections, segments)) == message


def patch_section(data: bytes, index: int, **fields: int) -> bytes:
    """Overwrite fields of a 64-bit little-endian section header."""
    places = {"kind": (4, "I"), "offset": (24, "Q"), "size": (32, "Q"), "link": (40, "I"), "entry": (56, "Q")}
    patched = bytearray(data)
    at = int.from_bytes(data[40:48], "little") + 64 * index
    for field, value in fields.items():
        place, form = places[field]
        struct.pack_into("<" + form, patched, at + place, value)
    return bytes(patched)


WITH_SYMBOLS = Builder().build(
    [TEXT, (".data", 1, 3, 0x2000, b"12345678")],
    symbols=make_symbol(64, "<", 1, 8, 1),
    strings=b"\0main\0",
)
# Sections of it: 1 .text, 2 .data, 3 .symtab, 4 .strtab, 5 .shstrtab.


@pytest.mark.parametrize(
    ("index", "fields", "message"),
    [
        (3, {"entry": 16}, "x.elf: symbol table has 24 bytes in entries of 16, wanted 24 (at byte 80)"),
        (3, {"entry": 0}, "x.elf: symbol table has 24 bytes in entries of 0, wanted 24 (at byte 80)"),
        (3, {"size": 23}, "x.elf: symbol table has 23 bytes in entries of 24, wanted 24 (at byte 80)"),
        (3, {"link": 3}, "x.elf: symbol table names section 3 of 6 for its strings (at byte 80)"),
        (3, {"link": 6}, "x.elf: symbol table names section 6 of 6 for its strings (at byte 80)"),
        (3, {"link": 1}, "x.elf: section 1 is used as a string table and is none (at byte 64)"),
        (4, {"size": 5}, "x.elf: string table in section 4 does not begin and end with a zero byte (at byte 104)"),
        (4, {"size": 1}, "x.elf: name of a symbol is at 1 in a string table of 1 bytes"),
        (4, {"size": 0}, "x.elf: name of a symbol is at 1 in a string table of 0 bytes"),
        (4, {"kind": 2, "entry": 24}, "x.elf: has two symbol tables (at byte 104)"),
        (2, {"offset": 68}, "x.elf: two sections overlap in the file (at byte 68)"),
        (0, {"kind": 1}, "x.elf: section table does not begin with the reserved entry (at byte 149)"),
    ],
)
def test_tables_that_contradict_each_other_are_refused(index, fields, message):
    assert read_elf(WITH_SYMBOLS, name="x.elf").symbols == (("main", 8),)
    assert refuse(patch_section(WITH_SYMBOLS, index, **fields)) == message


def test_a_symbol_in_a_section_that_does_not_exist_is_refused():
    data = Builder().build([TEXT], symbols=make_symbol(64, "<", 0, 8, 5), strings=b"\0")
    assert refuse(data) == "x.elf: symbol 0 lies in section 5 of 5"


def test_names_that_unfold_without_bound_are_refused():
    """A million names that share one ending of 60,000 bytes would be 60 GB."""
    table = b"\0" + b"x" * 60_000 + b"\0"
    with pytest.raises(ImageError, match=r"^x\.elf: names of symbols are longer than any real file has$"):
        read_strings(table, (1 + index % 100 for index in range(1_000_000)), path="x.elf", what="symbol")
    with pytest.raises(ImageError, match=r"^x\.elf: names of symbols are longer than any real file has$"):
        read_strings(b"\0" + b"x" * 70_000 + b"\0", [1], path="x.elf", what="symbol")


def test_more_sections_and_segments_than_can_be_compared_are_refused():
    """PN_XNUM with 70,000 segments is read; with 60 sections to look up in each, it is a forgery."""
    segment = (1, 0, 0, 0x8000, 16, 16)
    few = read_elf(Builder().build([TEXT], [segment] * 70_000, extended=True), name="x.elf")
    assert len(few.segments) == 70_000
    many = Builder().build([(".s", 8, 2, 0, 0)] * 60, [segment] * 70_000, extended=True)
    assert refuse(many) == "x.elf: has 62 sections and 70000 loaded segments, more than any image needs (at byte 16)"


def read_load_addresses(sections, segments) -> list[int]:
    elf = read_elf(Builder().build(sections, segments), name="x.elf")
    return [section.load_address for section in elf.sections if section.allocated]


def test_overlays_that_share_addresses_are_told_apart_by_their_content():
    """Two overlays run at 0x2000 and are stored one behind the other; content decides, as in GNU BFD."""
    start = 64 + 2 * 56
    sections = [(".overlay1", 1, 6, 0x2000, b"1" * 8), (".overlay2", 1, 6, 0x2000, b"2" * 8)]
    segments = [(1, start, 0x2000, 0x9000, 8, 8), (1, start + 8, 0x2000, 0x9008, 8, 8)]
    assert read_load_addresses(sections, segments) == [0x9000, 0x9008]


def test_load_addresses_that_are_all_zero_are_taken_as_unset():
    start = 64 + 2 * 56
    sections = [(".text", 1, 6, 0x1000, b"1" * 8), (".data", 1, 3, 0x2000, b"2" * 8)]
    segments = [(1, start, 0x1000, 0, 8, 8), (1, start + 8, 0x2000, 0, 8, 8)]
    assert read_load_addresses(sections, segments) == [0x1000, 0x2000]


@pytest.mark.parametrize(
    ("port", "message"),
    [
        (
            make_port("riscv64", "RISCV", 64, "little"),
            "vale.elf: is for AARCH64, 64-bit little-endian; port riscv64 is RISCV, 64-bit little-endian",
        ),
        (make_port("arm", "ARM"), "vale.elf: is for AARCH64, 64-bit little-endian; port arm is ARM"),
        (make_port("x", None, 32), "vale.elf: is for AARCH64, 64-bit little-endian; port x is 32-bit"),
        (
            make_port("x", "AARCH64", None, "big"),
            "vale.elf: is for AARCH64, 64-bit little-endian; port x is AARCH64, big-endian",
        ),
    ],
)
def test_an_image_for_another_machine_is_refused(port, message):
    elf = read_elf(Builder(machine=183).build([TEXT]), name="vale.elf")
    with pytest.raises(ImageError) as caught:
        check_port(elf, port, name="vale.elf")
    assert str(caught.value) == message


def test_what_a_port_leaves_open_is_not_checked():
    elf = read_elf(Builder(machine=12345).build([TEXT]), name="vale.elf")
    check_port(elf, make_port(), name="vale.elf")
    check_port(elf, make_port(bits=64, byte_order="little"), name="vale.elf")
    assert elf.kind == "machine 12345, 64-bit little-endian"
