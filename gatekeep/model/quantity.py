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
_SECONDS = {"ms": Fraction(1, 1000), "s": Fraction(1), "min": Fraction(60), "h": Fraction(3600)}
_NUMBER = re.compile(r"([0-9]{1,18}(?:\.[0-9]{1,9})?) ?([A-Za-z%]*)", re.ASCII)
_LOOSE = re.compile(r"([0-9][0-9.,_]*)\s*([A-Za-z]*)", re.ASCII)
_PART_TRADE = re.compile(r"([0-9]{1,9}) ?([kKMG])(?:bit|b)", re.ASCII)


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
            raise ValueError(f"'{text}' is not a whole number of bytes; write it in B")
        return int(amount)
    if trade := _PART_TRADE.fullmatch(text):
        prefix = {"k": "Ki", "K": "Ki"}.get(trade[2], f"{trade[2]}i")
        whole = int(trade[1]) * _BINARY[prefix] // 8
        raise ValueError(
            f"'{text}' has two meanings: by IEC 80000-13 it is decimal, by the data sheets of memory parts binary; "
            f"write {trade[1]} {prefix}bit or {render_bytes(whole)}"
        )
    raise ValueError(f"a capacity needs a quantity with its unit, got '{text}'; write {_suggest_bytes(text)}")


def _suggest_bytes(text: str) -> str:
    loose = _LOOSE.match(text)
    if loose is None:
        return "for instance 64 KiB"
    number = loose[1].replace("_", "").replace(",", "").rstrip(".") or "64"
    letter = loose[2][:1].upper()
    if letter in ("K", "M", "G", "T"):
        return f"{number} {letter}iB"
    return f"{number} B or {number} KiB"


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
    number = loose[1] if loose else "120"
    raise ValueError(f"a time needs a number above zero with its unit (ms, s, min, h), got '{text}'; write {number} s")


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
        raise ValueError(f"a share must be below 100 %, got '{text}'")
    raise ValueError(f"a share needs its sign, got '{text}'; write for instance 5 %")


def render_bytes(amount_bytes: int) -> str:
    """
    Write an amount of storage in the largest binary unit that loses nothing, else with two decimals.

    Exact multiples come back as `64 KiB`; 66104 comes as `64.55 KiB`. Below 1 KiB always whole bytes.
    """
    sign = "-" if amount_bytes < 0 else ""
    amount = abs(amount_bytes)
    for unit, factor in (("GiB", 1024**3), ("MiB", 1024**2), ("KiB", 1024)):
        if amount >= factor:
            if amount % factor == 0:
                return f"{sign}{amount // factor} {unit}"
            return f"{sign}{amount / factor:.2f} {unit}"
    return f"{sign}{amount} B"
