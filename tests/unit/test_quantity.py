"""
Quantities: what is read, what is refused, and that every way out that a message offers can itself be read.

Source of the prefixes' factors and the symbols: IEC 80000-13:2008, clause 4, "Prefixes for binary multiples" (kibi to
tebi: 2**10, 2**20, 2**30, 2**40), and items 13-9.b (bit) and 13-9.c (byte, B: eight bits); the decimal prefixes:
SI Brochure, 9th edition, table 7 (kilo 10**3, mega 10**6, giga 10**9, tera 10**12).
"""

from __future__ import annotations

import re
from fractions import Fraction

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from gatekeep.model.quantity import parse_bytes, parse_seconds, parse_share, render_bytes, render_exact_bytes

NEEDS = "a capacity needs a quantity with its unit, got "
MEANINGS = "by IEC 80000-13 it is decimal, by the data sheets of memory parts binary"


@pytest.mark.parametrize(
    ("text", "amount_bytes"),
    [
        ("0 B", 0),
        ("1 B", 1),
        ("512B", 512),
        ("1 KiB", 1024),
        ("64 KiB", 65_536),
        ("1 MiB", 1_048_576),
        ("1 GiB", 1_073_741_824),
        ("1 TiB", 1_099_511_627_776),
        ("1 kB", 1_000),
        ("1 MB", 1_000_000),
        ("1 GB", 1_000_000_000),
        ("1 TB", 1_000_000_000_000),
        ("8 bit", 1),
        ("1 Kibit", 128),
        ("1 Mibit", 131_072),
        ("64 Mibit", 8_388_608),
        ("1 Gibit", 134_217_728),
        ("1 Tibit", 137_438_953_472),
        ("1.5 MiB", 1_572_864),
        ("0.5 KiB", 512),
        ("1.0 B", 1),
        ("0.001 kB", 1),
        ("999999999999999999 B", 999_999_999_999_999_999),
    ],
)
def test_bytes_are_read_by_the_standard(text, amount_bytes):
    assert parse_bytes(text) == amount_bytes


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("64 Mbit", f"'64 Mbit' has two meanings: {MEANINGS}; write 64 Mibit or 8 MiB"),
        ("64Mb", f"{NEEDS}'64Mb'; write 64 Mibit, which is 8 MiB, or 64 MiB"),
        ("4 kbit", f"'4 kbit' has two meanings: {MEANINGS}; write 4 Kibit or 512 B"),
        ("1 Gbit", f"'1 Gbit' has two meanings: {MEANINGS}; write 1 Gibit or 128 MiB"),
        ("1.5 Mbit", f"'1.5 Mbit' has two meanings: {MEANINGS}; write 1.5 Mibit or 192 KiB"),
        ("8M", f"{NEEDS}'8M'; write 8 MiB"),
        ("64k", f"{NEEDS}'64k'; write 64 KiB"),
        ("4 meg", f"{NEEDS}'4 meg'; write 4 MiB"),
        ("64 KB", f"{NEEDS}'64 KB'; write 64 KiB"),
        ("64 kib", f"{NEEDS}'64 kib'; write 64 Kibit, which is 8 KiB, or 64 KiB"),
        ("64 Mib", f"{NEEDS}'64 Mib'; write 64 Mibit, which is 8 MiB, or 64 MiB"),
        ("64 MBit", f"{NEEDS}'64 MBit'; write 64 Mibit or 8 MiB"),
        ("64 megabits", f"{NEEDS}'64 megabits'; write 64 Mibit or 8 MiB"),
        ("64 mebibytes", f"{NEEDS}'64 mebibytes'; write 64 MiB"),
        ("8 bits", f"{NEEDS}'8 bits'; write 8 bit or 1 B"),
        ("7 bits", f"{NEEDS}'7 bits'; write it in B"),
        ("65536", f"{NEEDS}'65536'; write 65536 B or 65536 KiB"),
        ("0x100000", f"{NEEDS}'0x100000'; write 1 MiB"),
        ("0x1_F000", f"{NEEDS}'0x1_F000'; write 124 KiB"),
        ("010 KiB", f"{NEEDS}'010 KiB'; write 10 KiB"),
        ("64  KiB", f"{NEEDS}'64  KiB'; write 64 KiB"),
        (" 64 KiB", f"{NEEDS}' 64 KiB'; write 64 KiB"),
        ("64\u00a0KiB", f"{NEEDS}'64\u00a0KiB'; write 64 B or 64 KiB"),
        ("64 KiB\n", f"{NEEDS}'64 KiB\n'; write 64 KiB"),
        ("64_000 B", f"{NEEDS}'64_000 B'; write 64000 B or 64000 KiB"),
        ("1,5 MiB", f"{NEEDS}'1,5 MiB'; write for instance 64 KiB"),
        ("1.2.3 KiB", f"{NEEDS}'1.2.3 KiB'; write for instance 64 KiB"),
        ("٦٤ KiB", f"{NEEDS}'٦٤ KiB'; write for instance 64 KiB"),
        ("-1 KiB", f"{NEEDS}'-1 KiB'; write for instance 64 KiB"),
        ("1e3 B", f"{NEEDS}'1e3 B'; write 1 B or 1 KiB"),
        ("", f"{NEEDS}''; write for instance 64 KiB"),
        ("KiB", f"{NEEDS}'KiB'; write for instance 64 KiB"),
        ("5 %", f"{NEEDS}'5 %'; write 5 B or 5 KiB"),
        ("9" * 99, f"{NEEDS}'{'9' * 60}…'; write for instance 64 KiB"),
        ("0.3 B", "'0.3 B' is not a whole number of bytes; write it in B"),
        ("1 bit", "'1 bit' is not a whole number of bytes; write it in B"),
    ],
)
def test_anything_else_is_refused_with_what_to_write(text, message):
    with pytest.raises(ValueError) as caught:  # noqa: PT011 - the whole message is compared
        parse_bytes(text)
    assert str(caught.value) == message


_OFFER = re.compile(r"; write (?:for instance )?(.+)$", re.DOTALL)


@settings(deadline=None)
@given(
    st.one_of(
        st.text(alphabet="0123456789.,_ xKMGTkmgiBbitse%", max_size=14),
        st.from_regex(r"[0-9]{1,12}(\.[0-9]{1,3})? ?[kKMGT]?i?(b|B|bit|Bit|bits|byte)?", fullmatch=True),
        st.text(max_size=12),
    )
)
@example("0xffffffffffffffffff")
@example("0.1 Mb")
def test_every_way_out_can_itself_be_read(text):
    try:
        parse_bytes(text)
    except ValueError as error:
        offer = _OFFER.search(str(error))
        assert offer is not None
        if offer[1] != "it in B":
            for piece in re.split(r",? or |, which is ", offer[1]):
                parse_bytes(piece)


@settings(deadline=None)
@given(st.integers(min_value=0, max_value=2**59))
def test_exact_rendering_comes_back_as_it_was(amount_bytes):
    assert parse_bytes(render_exact_bytes(amount_bytes)) == amount_bytes


@settings(deadline=None)
@given(
    st.integers(min_value=0, max_value=10**6),
    st.sampled_from(["", " "]),
    st.sampled_from([("KiB", 2**10), ("MiB", 2**20), ("kB", 10**3), ("MB", 10**6), ("Kibit", 2**7), ("Mibit", 2**17)]),
)
def test_whole_numbers_times_their_unit_are_exact(number, space, unit):
    symbol, factor_bytes = unit
    assert parse_bytes(f"{number}{space}{symbol}") == number * factor_bytes


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("120 s", 120.0), ("2min", 120.0), ("1.5 h", 5400.0), ("500 ms", 0.5), ("0.25 s", 0.25)],
)
def test_times_are_read(text, seconds):
    assert parse_seconds(text) == seconds


@pytest.mark.parametrize(
    ("text", "way_out"),
    [
        ("120", "120 s"),
        ("1:30", "for instance 120 s"),
        ("0 s", "for instance 120 s"),
        ("2 m", "2 min"),
        ("2 hours", "2 h"),
        ("090 s", "90 s"),
        ("", "for instance 120 s"),
        ("soon", "for instance 120 s"),
        ("1 d", "for instance 120 s"),
    ],
)
def test_other_times_are_refused(text, way_out):
    with pytest.raises(ValueError) as caught:  # noqa: PT011 - the whole message is compared
        parse_seconds(text)
    assert str(caught.value) == (
        f"a time needs a number above zero with its unit (ms, s, min, h), got '{text}'; write {way_out}"
    )


@pytest.mark.parametrize(
    ("text", "share"),
    [("0 %", Fraction(0)), ("5 %", Fraction(1, 20)), ("12.5%", Fraction(1, 8)), ("99.9 %", Fraction(999, 1000))],
)
def test_shares_are_read(text, share):
    assert parse_share(text) == share


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("5", "a share is a number with its sign, got '5'; write for instance 5 %"),
        ("-5 %", "a share is a number with its sign, got '-5 %'; write for instance 5 %"),
        ("100 %", "a share is below 100 %, got '100 %'; write what must stay free, for instance 5 %"),
    ],
)
def test_other_shares_are_refused(text, message):
    with pytest.raises(ValueError) as caught:  # noqa: PT011 - the whole message is compared
        parse_share(text)
    assert str(caught.value) == message


@pytest.mark.parametrize(
    ("amount_bytes", "text"),
    [
        (0, "0 B"),
        (1023, "1023 B"),
        (1024, "1 KiB"),
        (66_104, "64.55 KiB"),
        (65_535, "65535 B"),
        (65_537, "65537 B"),
        (1_048_575, "1048575 B"),
        (8_388_608, "8 MiB"),
        (1_572_864, "1.50 MiB"),
        (-66_104, "-64.55 KiB"),
        (-1024, "-1 KiB"),
        (3 * 2**30, "3 GiB"),
    ],
)
def test_amounts_are_rendered_for_people(amount_bytes, text):
    assert render_bytes(amount_bytes) == text


@settings(deadline=None)
@given(st.integers(min_value=-(2**53), max_value=2**53))
def test_rendering_never_shows_a_whole_unit_that_it_is_not(amount_bytes):
    number, unit = render_bytes(amount_bytes).split(" ")
    factor = {"B": 1, "KiB": 2**10, "MiB": 2**20, "GiB": 2**30}[unit]
    shown = Fraction(number) * factor
    assert abs(shown - amount_bytes) <= Fraction(factor, 200)
    assert shown == amount_bytes or not number.endswith(".00")
