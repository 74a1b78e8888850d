"""
Whole numbers as bytes: eight each, least first.
"""

from __future__ import annotations

import sys
from array import array
from collections.abc import Sequence

_CODE = "q"


def pack(numbers: Sequence[int]) -> bytes:
    """
    Write numbers.

    Raises:
        OverflowError: One has more than 63 bits.
    """
    packed = array(_CODE, numbers)
    if sys.byteorder == "big":
        packed.byteswap()
    return packed.tobytes()


def unpack(content: bytes) -> array[int]:
    """
    Read what `pack` wrote.

    Raises:
        TypeError, ValueError: It is something else.
    """
    packed = array(_CODE)
    packed.frombytes(content)
    if sys.byteorder == "big":
        packed.byteswap()
    return packed
