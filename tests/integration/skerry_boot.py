"""
Boots a composed Skerry image in Unicorn, with just enough of the peripheral block to reach the keeper.

The emulator executes what the build left in the ROM file and nothing else: the first stage's own start code runs from
the modelled flash part, unpacks the payload into modelled RAM and jumps there.
"""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import unicorn as _typed_unicorn
from unicorn import arm_const, x86_const

# Unicorn's own type hints are unfinished: half of its methods have none.
unicorn: Any = _typed_unicorn

_REGION = re.compile(r"^\s*([A-Z0-9]+)\s*\(\w+\)\s*:\s*ORIGIN = (0x[0-9a-f]+), LENGTH = ([0-9]+)(K?)\s*$", re.MULTILINE)
_BASE = re.compile(r"\.(\w+)_base = (0x[0-9a-f]+),")
_PAGE_BYTES = 4096
_LIMIT_US = 20_000_000

_MACHINES = {
    "arm": (unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB | unicorn.UC_MODE_MCLASS),
    "aarch64": (unicorn.UC_ARCH_ARM64, unicorn.UC_MODE_ARM),
    "riscv32": (unicorn.UC_ARCH_RISCV, unicorn.UC_MODE_RISCV32),
    "riscv64": (unicorn.UC_ARCH_RISCV, unicorn.UC_MODE_RISCV64),
    "mips": (unicorn.UC_ARCH_MIPS, unicorn.UC_MODE_MIPS32 | unicorn.UC_MODE_BIG_ENDIAN),
    "powerpc": (unicorn.UC_ARCH_PPC, unicorn.UC_MODE_PPC32 | unicorn.UC_MODE_BIG_ENDIAN),
    "x86": (unicorn.UC_ARCH_X86, unicorn.UC_MODE_32),
}
#: Ports that Unicorn can run; it has no LoongArch.
EMULATED_PORTS = tuple(_MACHINES)


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardFacts:
    """What the harness must know of a board, read from its own files."""

    port: str
    regions: dict[str, tuple[int, int]]
    bases: dict[str, int]


def load_board_facts(tree: Path, board: str) -> BoardFacts:
    """Read port, memory regions (name to origin and bytes) and device addresses of a board."""
    folder = tree / "boards" / board
    regions = {
        name: (int(origin, 16), int(length) * (1024 if kilo else 1))
        for name, origin, length, kilo in _REGION.findall((folder / "memory.ld").read_text())
    }
    port = re.search(r"^PORT := (\w+)$", (folder / "board.mk").read_text(), re.MULTILINE)
    if port is None:
        raise ValueError(f"{folder}/board.mk names no PORT")
    bases = {name: int(value, 16) for name, value in _BASE.findall((folder / "board.c").read_text())}
    return BoardFacts(port=port[1], regions=regions, bases=bases)


class PeripheralBlock:
    """One page of devices: a UART of either kind, a clock that locks, a float at 2500 counts, a battery at 5200 mV."""

    def __init__(self) -> None:
        self.console = bytearray()
        self.registers: dict[int, int] = {0x204: 1, 0x208: 2500, 0x504: 1, 0x508: 5200}

    def read(self, offset: int) -> int:
        """Give a register; the UARTs are always ready, and the clock locks once it has been told to run."""
        match offset:
            case 0x004:
                return 1
            case 0x805:
                return 0x20
            case 0x104:
                return self.registers.get(0x100, 0) >> 31
            case _:
                return self.registers.get(offset, 0)

    def write(self, offset: int, value: int) -> None:
        """Take a byte for the console, or keep a register."""
        latched = self.registers.get(0x803, 0) & 0x80
        if offset == 0x000 or (offset == 0x800 and not latched):
            self.console.append(value & 0xFF)
        else:
            self.registers[offset] = value


def boot(facts: BoardFacts, image: bytes, *, until: str = "keeper idle\r\n") -> str:
    """
    Run an image from reset.

    Returns:
        What the console showed, `\\r\\n` as `\\n`, up to `until`, the end of what the processor could do, or 20 s.
    """
    architecture, mode = _MACHINES[facts.port]
    machine = unicorn.Uc(architecture, mode)
    if facts.port == "arm":
        machine.ctl_set_cpu_model(arm_const.UC_CPU_ARM_CORTEX_M3)
    part_at, part_bytes = facts.regions["PART"]
    machine.mem_map(_physical(facts.port, part_at), part_bytes, unicorn.UC_PROT_READ | unicorn.UC_PROT_EXEC)
    machine.mem_write(_physical(facts.port, part_at), image)
    for name in ("SRAM", "STAGE2"):
        at, size_bytes = facts.regions[name]
        machine.mem_map(_physical(facts.port, at), size_bytes)

    block = PeripheralBlock()

    def end_when_seen() -> None:
        if block.console.endswith(until.encode()):
            machine.emu_stop()

    def on_read(_machine: Any, offset: int, _size: int, _user: object) -> int:
        return block.read(offset)

    def on_write(_machine: Any, offset: int, _size: int, value: int, _user: object) -> None:
        block.write(offset, value)
        end_when_seen()

    page = facts.bases["clock"] & -_PAGE_BYTES
    machine.mmio_map(_physical(facts.port, page), _PAGE_BYTES, on_read, None, on_write, None)
    if facts.port == "x86":
        _add_ports(machine, block, end_when_seen)

    try:
        machine.emu_start(_start(machine, facts, image), 0, timeout=_LIMIT_US)
    except unicorn.UcError as error:
        # A wild jump is a way for a boot to end, and what the console showed before it is the evidence.
        block.console += f"[{error}]".encode()
    return block.console.decode("ascii", "replace").replace("\r\n", "\n")


def _add_ports(machine: Any, block: PeripheralBlock, end_when_seen) -> None:
    """Put the byte UART behind I/O ports 0x3f8 to 0x3ff."""

    def on_in(_machine, port, _size, _user) -> int:
        return block.read(0x800 + port - 0x3F8)

    def on_out(_machine, port, _size, value, _user) -> None:
        block.write(0x800 + port - 0x3F8, value)
        end_when_seen()

    machine.hook_add(unicorn.UC_HOOK_INSN, on_in, None, 1, 0, x86_const.UC_X86_INS_IN)
    machine.hook_add(unicorn.UC_HOOK_INSN, on_out, None, 1, 0, x86_const.UC_X86_INS_OUT)


def _physical(port: str, address: int) -> int:
    """MIPS32 Architecture for Programmers, volume III: kseg0 and kseg1 are windows to the lowest 512 MiB."""
    return address & 0x1FFF_FFFF if port == "mips" else address


def _start(machine: Any, facts: BoardFacts, image: bytes) -> int:
    """Give the address of the first instruction; on ARM also do what the processor does with its vector table."""
    at = facts.regions["BOOT"][0]
    if facts.port == "powerpc":
        return at + 0x100
    if facts.port == "arm":
        stack, reset = struct.unpack_from("<II", image)
        machine.reg_write(arm_const.UC_ARM_REG_SP, stack)
        return int(reset)
    return at
