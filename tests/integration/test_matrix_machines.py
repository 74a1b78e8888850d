"""The table of machines against what Clang (of the wheel ziglang) writes into ELF headers: class and byte order."""

from __future__ import annotations

import struct
import subprocess
from pathlib import Path

import pytest
import ziglang

from gatekeep.matrix.machines import MACHINE_FORMS
from gatekeep.model.machines import MACHINES

ZIG = Path(ziglang.__file__).with_name("zig")


@pytest.mark.parametrize(
    ("triple", "machine", "bits", "byte_order"),
    [
        ("arm-none-eabi", "ARM", 32, "little"),
        ("armeb-none-eabi", "ARM", 32, "big"),
        ("aarch64-none-elf", "AARCH64", 64, "little"),
        ("aarch64_be-none-elf", "AARCH64", 64, "big"),
        ("riscv32-unknown-elf", "RISCV", 32, "little"),
        ("riscv64-unknown-elf", "RISCV", 64, "little"),
        ("mips-unknown-elf", "MIPS", 32, "big"),
        ("mipsel-unknown-elf", "MIPS", 32, "little"),
        ("mips64-unknown-elf", "MIPS", 64, "big"),
        ("powerpc-unknown-elf", "PPC", 32, "big"),
        ("powerpcle-unknown-elf", "PPC", 32, "little"),
        ("powerpc64-unknown-elf", "PPC64", 64, "big"),
        ("powerpc64le-unknown-elf", "PPC64", 64, "little"),
        ("s390x-unknown-elf", "S390", 64, "big"),
        ("sparc-unknown-elf", "SPARC", 32, "big"),
        ("sparcv9-unknown-elf", "SPARCV9", 64, "big"),
        ("i386-unknown-elf", "386", 32, "little"),
        ("x86_64-unknown-elf", "X86_64", 64, "little"),
        ("x86_64-unknown-linux-gnux32", "X86_64", 32, "little"),
        ("loongarch32-unknown-elf", "LOONGARCH", 32, "little"),
        ("loongarch64-unknown-elf", "LOONGARCH", 64, "little"),
        ("avr-unknown-elf", "AVR", 32, "little"),
        ("msp430-unknown-elf", "MSP430", 32, "little"),
    ],
)
def test_form_that_clang_writes_is_allowed(tmp_path, triple, machine, bits, byte_order):
    source, output = tmp_path / "a.c", tmp_path / "a.o"
    source.write_text("int a = 1;\n", encoding="ascii")
    subprocess.run([str(ZIG), "clang", f"--target={triple}", "-c", str(source), "-o", str(output)], check=True)
    header = output.read_bytes()[:20]
    order = {1: "little", 2: "big"}[header[5]]
    (number,) = struct.unpack("<H" if order == "little" else ">H", header[18:20])
    assert (number, {1: 32, 2: 64}[header[4]], order) == (MACHINES[machine], bits, byte_order)
    widths, orders = MACHINE_FORMS[machine]
    assert bits in widths
    assert order in orders


def test_table_names_known_machines_only():
    assert set(MACHINE_FORMS) <= set(MACHINES)
