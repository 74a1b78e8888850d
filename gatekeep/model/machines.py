"""
Processor names and numbers of the ELF header's e_machine field.

Source: System V Application Binary Interface (gABI), chapter 4 "ELF Header", table e_machine. Names without `EM_`.
"""

from __future__ import annotations

MACHINES: dict[str, int] = {
    "SPARC": 2,
    "386": 3,
    "68K": 4,
    "MIPS": 8,
    "PPC": 20,
    "PPC64": 21,
    "S390": 22,
    "ARM": 40,
    "SH": 42,
    "SPARCV9": 43,
    "TRICORE": 44,
    "X86_64": 62,
    "AVR": 83,
    "XTENSA": 94,
    "MSP430": 105,
    "AARCH64": 183,
    "MICROBLAZE": 189,
    "ARC_COMPACT2": 195,
    "RISCV": 243,
    "CSKY": 252,
    "LOONGARCH": 258,
}
