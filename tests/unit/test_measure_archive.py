"""The reader of static archives."""

import struct
from contextlib import suppress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gatekeep.errors import ImageError
from gatekeep.measure.archive import Archive, read_archive
from tests.measuring import IMAGES, make_port

LIBRARY = (IMAGES / "libbeacon.a").read_bytes()
ARM = make_port("arm", "ARM", 32, "little")


def refuse(data: bytes, port=ARM) -> str:
    with pytest.raises(ImageError) as caught:
        read_archive(data, name="lib.a", port=port)
    return str(caught.value)


def make_member(name: bytes, content: bytes, size: int | None = None) -> bytes:
    """One member as `ar` writes it: name, time, owner, group, mode, size."""
    length = b"%d" % (len(content) if size is None else size)
    header = name.ljust(16) + b"0".ljust(12) + b"0".ljust(6) * 2 + b"644".ljust(8) + length.ljust(10) + b"`\n"
    return header + content + b"\n" * (len(content) % 2)


def take_members() -> tuple[bytes, bytes]:
    """The two objects of the library made by GNU ar."""
    first = LIBRARY.index(b"\x7fELF")
    size = int(LIBRARY[first - 12 : first - 2])
    second = LIBRARY.index(b"\x7fELF", first + 4)
    return LIBRARY[first : first + size], LIBRARY[second : second + int(LIBRARY[second - 12 : second - 2])]


ONE, TWO = take_members()
MAGIC = b"!<arch>\n"


def test_a_gnu_archive_is_summed_over_its_members():
    """GNU ar wrote it, with a symbol table and a long name; these are the sums that `size -A` gives."""
    archive = read_archive(LIBRARY, name="lib.a", port=ARM)
    assert archive == Archive(
        member_count=2,
        sections=((".text", 32), (".data", 0), (".bss", 8)),
        symbols=(
            ("a_member_with_a_long_name", 16),
            ("one", 16),
            ("a_member_with_a_long_name_count", 4),
            ("one_count", 4),
        ),
        stored_bytes=32,
    )


def test_names_of_bsd_and_of_gnu_lead_to_the_same_sums():
    """4.4BSD: `#1/length`, the name begins the member and its length is in the size."""
    whole = read_archive(LIBRARY, name="lib.a", port=ARM)
    name = b"a_member_with_a_long_name.o\0"
    bsd = MAGIC + make_member(b"one.o", ONE) + make_member(b"#1/%d" % len(name), name + TWO)
    assert read_archive(bsd, name="lib.a", port=ARM) == whole
    damaged = MAGIC + make_member(b"#1/%d" % len(name), name + TWO[:-1])
    assert refuse(damaged).startswith("lib.a(a_member_with_a_long_name.o): section table ends at byte ")


def make_bsd_table(places: list[int], order: str) -> bytes:
    pairs = b"".join(struct.pack(order + "II", 0, place) for place in places)
    return struct.pack(order + "I", len(pairs)) + pairs + struct.pack(order + "I", 4) + b"one\0"


@pytest.mark.parametrize("order", "<>")
@pytest.mark.parametrize("table_name", [b"__.SYMDEF", b"__.SYMDEF SORTED", b"#1/20"])
def test_a_bsd_symbol_table_must_name_members(table_name, order):
    """In the byte order of whatever machine made the archive."""
    inline = b"__.SYMDEF SORTED\0\0\0\0" if table_name.startswith(b"#") else b""
    place = len(MAGIC) + len(make_member(table_name, inline + make_bsd_table([0], order)))
    good = MAGIC + make_member(table_name, inline + make_bsd_table([place], order)) + make_member(b"one.o", ONE)
    assert read_archive(good, name="lib.a", port=ARM).member_count == 1
    lost = MAGIC + make_member(table_name, inline + make_bsd_table([9999], order)) + make_member(b"one.o", ONE)
    assert refuse(lost) == "lib.a: symbol table names a member at byte 9999, where none begins; it is cut short"


@pytest.mark.parametrize(("name", "form"), [(b"/", ">I"), (b"/SYM64/", ">Q")])
def test_a_gnu_symbol_table_must_name_members(name, form):
    def build(place: int) -> bytes:
        table = struct.pack(form, 1) + struct.pack(form, place) + b"one\0"
        return MAGIC + make_member(name, table) + make_member(b"one.o/", ONE)

    good = len(build(0)) - len(make_member(b"one.o/", ONE))
    assert read_archive(build(good), name="lib.a", port=ARM).member_count == 1
    assert refuse(build(8)) == "lib.a: symbol table names a member at byte 8, where none begins; it is cut short"
    short = MAGIC + make_member(name, struct.pack(form, 9)) + make_member(b"one.o/", ONE)
    width = struct.calcsize(form)
    assert refuse(short) == f"lib.a: symbol table is cut short: 9 entries in {width} bytes (at byte 8)"


def test_a_cut_archive_is_refused_at_every_length():
    """Also between its members, where only the symbol table tells; the last byte is padding and may be missing."""
    whole = read_archive(LIBRARY, name="lib.a", port=ARM)
    for length in range(len(LIBRARY)):
        try:
            cut = read_archive(LIBRARY[:length], name="lib.a", port=ARM)
        except ImageError:
            continue
        assert length == len(LIBRARY) - 1
        assert LIBRARY[length:] == b"\n"
        assert cut == whole


@settings(max_examples=500, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 4000), st.integers(1, 255)), min_size=1, max_size=6))
def test_a_bent_archive_is_read_or_refused(flips):
    data = bytearray(LIBRARY)
    for at, bits in flips:
        data[at % len(data)] ^= bits
    with suppress(ImageError):
        assert isinstance(read_archive(bytes(data), name="lib.a", port=make_port()), Archive)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "lib.a: is not an archive: it does not begin with !<arch> (at byte 0)"),
        (ONE, "lib.a: is not an archive: it does not begin with !<arch> (at byte 0)"),
        (
            b"!<thin>\n" + make_member(b"/", b""),
            "lib.a: is a thin archive, which holds no code of its own; let the recipe write a whole one",
        ),
        (
            MAGIC,
            "lib.a: holds no members, and an empty archive cannot be told from one that was cut short; take it out of "
            "the recipe's archives",
        ),
        (MAGIC + make_member(b"one.o/", ONE)[:59], "lib.a: member header is damaged or cut short (at byte 8)"),
        (MAGIC + make_member(b"x", b"", -5), "lib.a: member header is damaged or cut short (at byte 8)"),
        (MAGIC + make_member(b"x", b"ab", 3), "lib.a: member ends at byte 71, past the end of the archive (at byte 8)"),
        (
            MAGIC + make_member(b"x", b"", 9_999_999_999),
            "lib.a: member ends at byte 10000000067, past the end of the archive (at byte 8)",
        ),
        (MAGIC + make_member(b"#1/9", b"name.o"), "lib.a: name of a member is longer than the member (at byte 68)"),
        (MAGIC + make_member(b"/77", ONE), "lib.a: name of a member is at 77 in 0 bytes of names (at byte 68)"),
        (
            MAGIC + make_member(b"readme.txt/", b"text"),
            "lib.a(readme.txt): is not an ELF file: it does not begin with 7F 45 4C 46 (at byte 0)",
        ),
        (MAGIC + make_member(b"empty.o/", b""), "lib.a(empty.o): is empty (at byte 0)"),
        (
            MAGIC + make_member(b"/", bytes(4)) * 2 + make_member(b"one.o/", ONE),
            "lib.a: has a second symbol table (at byte 72)",
        ),
    ],
)
def test_a_wrong_archive_is_refused_with_its_reason(data, message):
    assert refuse(data) == message


def test_a_member_for_another_machine_is_refused_by_name():
    message = refuse(LIBRARY, make_port("powerpc", "PPC", 32, "big"))
    assert message == "lib.a(one.o): is for ARM, 32-bit little-endian; port powerpc is PPC, 32-bit big-endian"
