"""
Processor names and numbers of the ELF header's e_machine field.

Source: System V Application Binary Interface (gABI), chapter 4 "ELF Header", table e_machine. Names without `EM_`.
"""

from __future__ import annotations

#: Every processor that firmware is commonly built for, by number. Others are added when a port needs them.
MACHINES: dict[str, int] = {
    "SPARC": 2,
    "386": 3,
    "68K": 4,
    "MIPS": 8,
    "PARISC": 15,
    "PPC": 20,
    "PPC64": 21,
    "S390": 22,
    "ARM": 40,
    "SH": 42,
    "SPARCV9": 43,
    "TRICORE": 44,
    "H8_300": 46,
    "IA_64": 50,
    "COLDFIRE": 52,
    "68HC12": 53,
    "X86_64": 62,
    "68HC11": 70,
    "AVR": 83,
    "V850": 87,
    "M32R": 88,
    "OPENRISC": 92,
    "ARC_COMPACT": 93,
    "XTENSA": 94,
    "MSP430": 105,
    "BLACKFIN": 106,
    "ALTERA_NIOS2": 113,
    "M32C": 120,
    "LATTICEMICO32": 138,
    "QDSP6": 164,
    "8051": 165,
    "RX": 173,
    "AARCH64": 183,
    "AVR32": 185,
    "STM8": 186,
    "MICROBLAZE": 189,
    "ARC_COMPACT2": 195,
    "RL78": 197,
    "XCORE": 203,
    "Z80": 220,
    "FT32": 222,
    "RISCV": 243,
    "BPF": 247,
    "CSKY": 252,
    "LOONGARCH": 258,
}

_NAMES = {number: name for name, number in MACHINES.items()}


def name_machine(number: int) -> str:
    """Give the name of an e_machine number, `machine 12345` for one that is not listed here."""
    return _NAMES.get(number, f"machine {number}")
