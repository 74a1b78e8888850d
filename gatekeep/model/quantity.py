"""
Amounts of storage, time and share, written with their unit.

Source: IEC 80000-13:2008, clause 4 (prefixes for binary multiples) and table 1 items 13-9.b (bit) and 13-9.c (byte):
`KiB` is 1024 bytes, `kB` 1000 bytes, `Mibit` 1,048,576 bits. A bare number, `8M`, `4 meg` and `64k` are refused, since
two people read them in two ways. So is `64 Mbit` and its like: by the standard 8,000,000 bytes, by the data sheets of
memory parts 8 MiB; the message offers both.
"""

from __future__ import annotations

import re
from fractions import Fraction

_BINARY = {"": 1, "Ki": 1024, "Mi": 1024**2, "Gi": 1024**3, "Ti": 1024**4}
_DECIMAL = {"k": 1000, "M": 1000**2, "G": 1000**3, "T": 1000**4}
_BYTES: dict[str, Fraction] = {f"{prefix}B": Fraction(factor) for prefix, factor in (_BINARY | _DECIMAL).items()} | {
    f"{prefix}bit": Fraction(factor, 8) for prefix, factor in _BINARY.items()
}
_TWO_MEANINGS = frozenset(f"{prefix}bit" for prefix in ("k", "K", "M", "G", "T"))
_SHOWN_LENGTH = 60
"""Characters of a text that a message quotes."""
_SECONDS = {"ms": Fraction(1, 1000), "s": Fraction(1), "min": Fraction(60), "h": Fraction(3600)}
_MEANT_SECONDS = dict.fromkeys(("", "s", "sec", "secs", "second", "seconds"), "s") | {
    **dict.fromkeys(("m", "min", "mins", "minute", "minutes"), "min"),
    **dict.fromkeys(("h", "hr", "hrs", "hour", "hours"), "h"),
    **dict.fromkeys(("ms", "msec", "millisecond", "milliseconds"), "ms"),
}
_NUMBER = re.compile(r"((?:0|[1-9][0-9]{0,17})(?:\.[0-9]{1,9})?) ?([A-Za-z%]*)", re.ASCII)
# No comma: it parts thousands for some readers and decimals for others, so nothing is guessed from it.
_LOOSE = re.compile(r"\s*([0-9][0-9_]*(?:\.[0-9]+)?)(?![0-9_.,])\s*([A-Za-z]*)", re.ASCII)
_HEXADECIMAL = re.compile(r"0[xX][0-9A-Fa-f]+(?:_[0-9A-Fa-f]+)*", re.ASCII)
_HEXADECIMAL_LENGTH = 16
"""Characters up to which a hexadecimal number is worked out: 56 bits, with at most 18 decimal digits."""
# Bits, however they are spelled (`Mbit`, `megabits`), and a bare `b`, which is no symbol of the standard: it may stand
# for bits, as in data sheets, or for bytes.
_BITS = re.compile(r"[kKmMgGtT]?i?(?:b|(?i:[a-z]*bits?))", re.ASCII)


def parse_bytes(text: str) -> int:
    """
    Read an amount of storage.

    Args:
        text: Number, at most one space, unit: `64 KiB`, `8MiB`, `64 Mibit`, `1.5 MiB`, `512 B`, `64 kB`.

    Returns:
        Bytes; always whole, zero allowed.

    Raises:
        ValueError: Anything else; the text says what was got and what to write instead.
    """
    match = _NUMBER.fullmatch(text)
    if match and match[2] in _BYTES:
        amount = Fraction(match[1]) * _BYTES[match[2]]
        if amount.denominator != 1:
            raise ValueError(f"'{_shorten(text)}' is not a whole number of bytes; write it in B")
        return int(amount)
    way_out = _suggest_bytes(text)
    if match and match[2] in _TWO_MEANINGS:
        raise ValueError(
            f"'{_shorten(text)}' has two meanings: by IEC 80000-13 it is decimal, by the data sheets of memory parts "
            f"binary; write {way_out}"
        )
    raise ValueError(f"a capacity needs a quantity with its unit, got '{_shorten(text)}'; write {way_out}")


def _suggest_bytes(text: str) -> str:
    """Give quantities that the text may have meant, each of which can be read; they never hide a factor of eight."""
    if _HEXADECIMAL.fullmatch(text) and len(text) <= _HEXADECIMAL_LENGTH:
        return render_exact_bytes(int(text, 16))
    loose = _LOOSE.match(text)
    number = _clean_number(loose[1]) if loose else None
    if loose is None or number is None:
        return "for instance 64 KiB"
    unit = loose[2]
    letter = unit[:1].upper()
    prefix = f"{letter}i" if letter in ("K", "M", "G", "T") else ""
    if _BITS.fullmatch(unit):
        in_bits = Fraction(number) * _BYTES[f"{prefix}bit"]
        if in_bits.denominator != 1:
            return "it in B"
        if unit.endswith("b"):
            return f"{number} {prefix}bit, which is {render_exact_bytes(int(in_bits))}, or {number} {prefix}B"
        return f"{number} {prefix}bit or {render_exact_bytes(int(in_bits))}"
    if not prefix:
        whole = number.split(".")[0]
        return f"{whole} B or {whole} KiB"
    return f"{number} {prefix}B" if (Fraction(number) * _BYTES[f"{prefix}B"]).denominator == 1 else "it in B"


def _clean_number(written: str) -> str | None:
    """Take the marks out of a loosely written number; None when that still gives none."""
    number = written.replace("_", "").lstrip("0")
    number = f"0{number}" if not number or number.startswith(".") else number
    return number if _NUMBER.fullmatch(number) else None


def _shorten(text: str) -> str:
    return text if len(text) <= _SHOWN_LENGTH else f"{text[:_SHOWN_LENGTH]}…"


def parse_seconds(text: str) -> float:
    """
    Read a length of time: `120 s`, `1.5 h`, `2 min`, `500 ms`.

    Returns:
        Seconds, more than zero.

    Raises:
        ValueError: Anything else.
    """
    match = _NUMBER.fullmatch(text)
    if match and match[2] in _SECONDS:
        amount = Fraction(match[1]) * _SECONDS[match[2]]
        if amount > 0:
            return float(amount)
    loose = _LOOSE.match(text)
    number = _clean_number(loose[1]) if loose else None
    unit = _MEANT_SECONDS.get(text[loose.end(1) :].strip().lower()) if loose else None
    way_out = f"{number} {unit}" if number is not None and unit and Fraction(number) > 0 else "for instance 120 s"
    raise ValueError(
        f"a time needs a number above zero with its unit (ms, s, min, h), got '{_shorten(text)}'; write {way_out}"
    )


def parse_share(text: str) -> Fraction:
    """
    Read a share of a whole: `5 %`, `12.5%`.

    Returns:
        A fraction from 0 up to, not including, 1.

    Raises:
        ValueError: Anything else, 100 % and more included.
    """
    match = _NUMBER.fullmatch(text)
    if match and match[2] == "%":
        share = Fraction(match[1]) / 100
        if share < 1:
            return share
        raise ValueError(f"a share is below 100 %, got '{_shorten(text)}'; write what must stay free, for instance 5 %")
    raise ValueError(f"a share is a number with its sign, got '{_shorten(text)}'; write for instance 5 %")


def render_bytes(amount_bytes: int) -> str:
    """
    Write an amount of storage for people: in the largest binary unit that it fills, with two decimals if need be.

    Exact multiples come back as `64 KiB`; 66104 comes as `64.55 KiB`. Below 1 KiB always whole bytes; and also where
    two decimals would show a whole unit that it is not (65535 and 65537 are not `64.00 KiB`): one byte decides
    whether an image fits.
    """
    sign = "-" if amount_bytes < 0 else ""
    amount = abs(amount_bytes)
    for unit, factor in (("GiB", 1024**3), ("MiB", 1024**2), ("KiB", 1024)):
        if amount >= factor:
            if amount % factor == 0:
                return f"{sign}{amount // factor} {unit}"
            # In whole numbers: a float would lose bytes of large amounts.
            hundredths = (amount * 100 * 2 + factor) // (2 * factor)
            if hundredths % 100 == 0:
                break
            return f"{sign}{hundredths // 100}.{hundredths % 100:02d} {unit}"
    return f"{sign}{amount} B"


def render_exact_bytes(amount_bytes: int) -> str:
    """Write an amount, 0 or more, in the largest binary unit that loses nothing; `parse_bytes` gives it back."""
    for unit, factor in (("GiB", 1024**3), ("MiB", 1024**2), ("KiB", 1024)):
        if amount_bytes and amount_bytes % factor == 0:
            return f"{amount_bytes // factor} {unit}"
    return f"{amount_bytes} B"
