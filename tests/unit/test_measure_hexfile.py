"""The readers of Intel HEX and S-record files."""

import random
from collections.abc import Callable

import bincopy
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gatekeep.errors import ImageError
from gatekeep.measure.hexfile import MAX_RUNS, Run, read_intel_hex, read_s_record
from tests.measuring import IMAGES

Reader = Callable[..., tuple[Run, ...]]

# From memory of Intel's "Hexadecimal Object File Format Specification", revision A, 1988: the end record is the one the
# specification prints; the others follow its record layouts. Checksums were worked out by hand.
INTEL = b"""\
:020000021200EA
:0400000300003800C1
:0B0010006164647265737320676170A7
:020000020000FC
:02000004FFFFFC
:04000005000000CD2A
:1000000000112233445566778899AABBCCDDEEFFF8
:00000001FF
"""

# From memory of the Motorola M68000 family programmer's reference manual, appendix C, "S-Record Output Format": a
# program of 52 bytes at address 0.
MOTOROLA = b"""\
S00600004844521B
S1130000285F245F2212226A000424290008237C2A
S11300100002000800082629001853812341001813
S113002041E900084E42234300182342000824A952
S107003000144ED492
S9030000FC
"""


TWO_BASES = (
    "data has both a segment and a linear base, which readers do not read alike; "
    "let the tool that joins the files write one kind"
)


def read_ranges(read: Reader, data: bytes) -> list[tuple[int, int]]:
    return [(run.start, run.end) for run in read(data, name="x.hex")]


def refuse(read: Reader, data: bytes) -> str:
    with pytest.raises(ImageError) as caught:
        read(data, name="x.hex")
    assert caught.value.path == "x.hex"
    return str(caught.value)


def make_record(kind: int, offset: int, content: bytes) -> bytes:
    body = bytes([len(content), offset >> 8, offset & 0xFF, kind]) + content
    return b":" + (body + bytes([-sum(body) & 0xFF])).hex().upper().encode() + b"\n"


def test_intel_hex_addresses_follow_segment_and_linear_bases():
    assert read_intel_hex(INTEL, name="x.hex") == (
        Run(start=0x12010, content=b"address gap"),
        Run(start=0xFFFF0000, content=bytes.fromhex("00112233445566778899AABBCCDDEEFF")),
    )


def test_the_motorola_example_writes_52_bytes():
    assert read_ranges(read_s_record, MOTOROLA) == [(0, 52)]


@pytest.mark.parametrize(("read", "name"), [(read_intel_hex, "beacon-arm.hex"), (read_s_record, "beacon-arm.srec")])
def test_runs_equal_an_independent_readers(read, name):
    """bincopy is the peer; GNU objcopy wrote the files."""
    peer = bincopy.BinFile(str(IMAGES / name))
    assert [(run.start, run.content) for run in read((IMAGES / name).read_bytes(), name=name)] == [
        (segment.address, bytes(segment.data)) for segment in peer.segments
    ]


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 0xFFFF_F000), st.binary(min_size=1, max_size=80)), min_size=1, max_size=8),
    st.sampled_from([16, 24, 32]),
)
def test_runs_of_any_file_that_the_peer_writes_equal_the_peers(pieces, bits):
    """bincopy writes both formats from scattered pieces; ours reads back the same runs."""
    file = bincopy.BinFile()
    file.execution_start_address = 0  # without one, it writes S-records without an end record
    for address, content in pieces:
        file.add_binary(content, address=address % (1 << bits) & ~0xFFF, overwrite=True)
    wanted = tuple(Run(start=segment.address, content=bytes(segment.data)) for segment in file.segments)
    assert read_s_record(file.as_srec(address_length_bits=bits).encode(), name="x") == wanted
    assert read_intel_hex(file.as_ihex(address_length_bits=32).encode(), name="x") == wanted


@pytest.mark.parametrize(
    ("read", "data"),
    [
        (read_intel_hex, INTEL),
        (read_s_record, MOTOROLA),
        (read_intel_hex, (IMAGES / "beacon-arm.hex").read_bytes()),
        (read_s_record, (IMAGES / "beacon-arm.srec").read_bytes()),
        (read_intel_hex, INTEL.replace(b"\n", b"\r\n")),
    ],
)
def test_a_cut_file_is_refused_at_every_length(read, data):
    whole = read(data, name="x")
    bare = len(data.rstrip(b"\r\n"))
    for length in range(len(data)):
        if length >= bare:  # only the last line's end is gone
            assert read(data[:length], name="x") == whole
        else:
            with pytest.raises(ImageError):
                read(data[:length], name="x")


@settings(max_examples=500, deadline=None)
@given(
    st.sampled_from([(read_intel_hex, INTEL), (read_s_record, MOTOROLA)]),
    st.integers(0, 300),
    st.integers(0, 255),
)
def test_a_byte_changed_is_refused_or_changes_nothing(case, at, value):
    """One changed digit breaks a checksum; lower case digits and white space at line ends say the same."""
    read, data = case
    bent = bytearray(data)
    bent[at % len(data)] = value
    try:
        runs = read(bytes(bent), name="x")
    except ImageError:
        return
    assert runs == read(data, name="x")


@pytest.mark.parametrize("seed", range(5))
def test_records_in_any_order_give_the_same_ranges(seed):
    lines = MOTOROLA.splitlines(keepends=True)
    middle = lines[1:-1]
    random.Random(seed).shuffle(middle)
    assert read_ranges(read_s_record, b"".join([lines[0], *middle, lines[-1]])) == [(0, 52)]


END = b":00000001FF\n"


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "x.hex: has no end record; it is cut short"),
        (make_record(0, 0, b"ab"), "x.hex: has no end record; it is cut short"),
        (END + make_record(0, 0, b"ab"), "x.hex:2: has records after the end record"),
        (END + b"\n", "x.hex:2: has records after the end record"),
        (END + END, "x.hex:2: has records after the end record"),
        (b"\x7fELF\1\1\1\n", "x.hex:1: is no Intel HEX record: it does not begin with ':'"),
        (b"\n" + END, "x.hex:1: is no Intel HEX record: it does not begin with ':'"),
        (b" " + END, "x.hex:1: is no Intel HEX record: it does not begin with ':'"),
        (b":0000000 FF\n", "x.hex:1: holds something other than pairs of hexadecimal digits"),
        (b":00000001F\n", "x.hex:1: holds something other than pairs of hexadecimal digits"),
        (b":00000001FF \n", "x.hex:1: holds something other than pairs of hexadecimal digits"),
        (b":\n", "x.hex:1: record says it has no (hex) data bytes, got 0"),
        (b":0100000000\n", "x.hex:1: record says it has 01 (hex) data bytes, got 0"),
        (b":00000001FE\n", "x.hex:1: checksum is FE, wanted FF"),
        (make_record(6, 0, b""), "x.hex:1: record type 06 does not exist"),
        (make_record(1, 1, b""), "x.hex:1: record type 01 has 0 data bytes at 0001, wanted 0 at 0000"),
        (make_record(1, 0, b"a"), "x.hex:1: record type 01 has 1 data bytes at 0000, wanted 0 at 0000"),
        (make_record(4, 0, b"a"), "x.hex:1: record type 04 has 1 data bytes at 0000, wanted 2 at 0000"),
        (make_record(0, 0xFFFF, b"ab"), "x.hex:1: data crosses the end of its 64 KiB segment"),
        (
            make_record(4, 0, b"\xff\xff") + make_record(0, 0xFFFF, b"ab"),
            "x.hex:2: data crosses the last 32-bit address",
        ),
        (
            make_record(2, 0, b"\x10\x00") + make_record(4, 0, b"\x08\x00") + make_record(0, 0, b"ab") + END,
            f"x.hex:3: {TWO_BASES}",
        ),
        (
            make_record(4, 0, b"\x08\x00") + make_record(2, 0, b"\x00\x00") + make_record(0, 0, b"ab") + END,
            f"x.hex:3: {TWO_BASES}",
        ),
        (
            make_record(0, 0, b"abcd") + make_record(0, 2, b"cx") + END,
            "x.hex: writes different bytes to 0x2 and beyond",
        ),
        (b":" + b"0" * 600 + b"\n", "x.hex:1: line is longer than any record; the file is in another format"),
    ],
)
def test_a_wrong_intel_hex_file_is_refused_with_its_reason(data, message):
    assert refuse(read_intel_hex, data) == message


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "x.hex: has no end record; it is cut short"),
        (b"S107003000144ED492\n", "x.hex: has no end record; it is cut short"),
        (MOTOROLA + b"S9030000FC\n", "x.hex:7: has records after the end record"),
        (b"S4030000FC\n", "x.hex:1: is no S-record: it does not begin with S0, S1, S2, S3, S5, S6, S7, S8 or S9"),
        (b"s9030000FC\n", "x.hex:1: is no S-record: it does not begin with S0, S1, S2, S3, S5, S6, S7, S8 or S9"),
        (b"S\n", "x.hex:1: is no S-record: it does not begin with S0, S1, S2, S3, S5, S6, S7, S8 or S9"),
        (b"S9\n", "x.hex:1: record says it has no (hex) bytes, got 0"),
        (b"S9040000FC\n", "x.hex:1: record says it has 04 (hex) bytes, got 3"),
        (b"S90200FD\n", "x.hex:1: record says it has 02 (hex) bytes, got 2"),
        (b"S9030000FD\n", "x.hex:1: checksum is FD, wanted FC"),
        (b"S904000001FA\n", "x.hex:1: record type S9 has data"),
        (b"S5030002FA\nS9030000FC\n", "x.hex:1: says there are 2 data records, got 0"),
        (b"S105FFFF0102F9\nS9030000FC\n", "x.hex:1: data crosses the last address of its record type"),
        (
            b"S107003000144ED492\nS70500000000FA\n",
            "x.hex:2: end record has 32-bit addresses, the data 16-bit ones",
        ),
    ],
)
def test_a_wrong_s_record_file_is_refused_with_its_reason(data, message):
    assert refuse(read_s_record, data) == message


def test_the_same_bytes_written_twice_are_one_range():
    data = make_record(0, 0, b"abcd") + make_record(0, 2, b"cdef") + make_record(0, 8, b"x") + END
    assert read_intel_hex(data, name="x") == (Run(start=0, content=b"abcdef"), Run(start=8, content=b"x"))


def test_linear_data_may_run_through_64_kib():
    data = make_record(4, 0, b"\0\1") + make_record(0, 0xFFFF, b"ab") + END
    assert read_intel_hex(data, name="x") == (Run(start=0x1FFFF, content=b"ab"),)


def test_lower_case_digits_and_a_last_line_without_its_end_are_read():
    assert read_intel_hex(INTEL.lower().rstrip(), name="x") == read_intel_hex(INTEL, name="x")


def test_more_separate_runs_than_any_image_has_are_refused():
    """Every record of a forged file jumps; the reader stops before it holds them all."""
    count = 16_000 * 7
    records = (
        make_record(4, 0, bigh.to_bytes(2, "big")) + b"".join(make_record(0, at, b"x") for at in range(0, 48_000, 3))
        for bigh in range(count // 16_000)
    )
    message = refuse(read_intel_hex, b"".join(records) + END)
    assert message.endswith(f": has more than {MAX_RUNS} separate runs of data")
