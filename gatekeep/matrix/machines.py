"""
Which address widths and byte orders the ELF files of a machine can have.
"""

from __future__ import annotations

from gatekeep.model.matrix import Bits, ByteOrder

_NARROW: tuple[Bits, ...] = (32,)
_WIDE: tuple[Bits, ...] = (64,)
_EITHER: tuple[Bits, ...] = (32, 64)
_LITTLE: tuple[ByteOrder, ...] = ("little",)
_BIG: tuple[ByteOrder, ...] = ("big",)
_BOTH: tuple[ByteOrder, ...] = ("little", "big")

# Source: the processor supplements of the System V ABI (EI_CLASS and EI_DATA); from memory, except that a test compares
# ARM, AARCH64, RISCV, MIPS, PPC, PPC64, S390, 386, X86_64 and LOONGARCH with what Clang writes. Wide where a supplement
# has a second form: X86_64 and AARCH64 have 32-bit ABIs (x32, ILP32), S390 is the one number for both of its widths.
MACHINE_FORMS: dict[str, tuple[tuple[Bits, ...], tuple[ByteOrder, ...]]] = {
    "SPARC": (_NARROW, _BIG),
    "386": (_NARROW, _LITTLE),
    "68K": (_NARROW, _BIG),
    "MIPS": (_EITHER, _BOTH),
    "PPC": (_NARROW, _BOTH),
    "PPC64": (_WIDE, _BOTH),
    "S390": (_EITHER, _BIG),
    "ARM": (_NARROW, _BOTH),
    "SH": (_NARROW, _BOTH),
    "SPARCV9": (_WIDE, _BIG),
    "TRICORE": (_NARROW, _LITTLE),
    "X86_64": (_EITHER, _LITTLE),
    "AVR": (_NARROW, _LITTLE),
    "XTENSA": (_NARROW, _BOTH),
    "MSP430": (_NARROW, _LITTLE),
    "AARCH64": (_EITHER, _BOTH),
    "MICROBLAZE": (_NARROW, _BOTH),
    "ARC_COMPACT2": (_NARROW, _BOTH),
    "RISCV": (_EITHER, _BOTH),
    "CSKY": (_NARROW, _BOTH),
    "LOONGARCH": (_EITHER, _LITTLE),
}
"""By the names of `model.machines`: widths in bits, and byte orders. For a machine that is missing see `ANY_FORM`."""

ANY_FORM: tuple[tuple[Bits, ...], tuple[ByteOrder, ...]] = (_EITHER, _BOTH)
"""What is allowed for a machine of which nothing is known here."""
