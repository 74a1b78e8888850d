"""
Whole numbers as a text: eight bytes each, least byte first, as base64.
"""

from __future__ import annotations

import sys
from array import array
from base64 import b64decode, b64encode
from collections.abc import Sequence

_CODE = "q"


def pack(numbers: Sequence[int]) -> str:
    """
    Write numbers.

    Raises:
        OverflowError: One has more than 63 bits.
    """
    packed = array(_CODE, numbers)
    if sys.byteorder == "big":
        packed.byteswap()
    return b64encode(packed).decode("ascii")


def unpack(text: str) -> array[int]:
    """
    Read what `pack` wrote.

    Raises:
        TypeError, ValueError: It is something else.
    """
    packed = array(_CODE)
    packed.frombytes(b64decode(text, validate=True))
    if sys.byteorder == "big":
        packed.byteswap()
    return packed
