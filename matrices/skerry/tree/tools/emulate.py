"""
Boots the flash image of a board in Unicorn and shows its console, with just enough of the peripheral block to reach the
keeper.

usage: emulate.py BOARD IMAGE.ROM

The emulator executes what the build left in the ROM file and nothing else: the first stage's own start code runs from
the modelled flash part, unpacks the payload into modelled RAM and jumps there. What it must know of a board it reads
from the board's own files. It runs until the keeper is idle, a boot is stopped, or the processor halts. Timing, caches
and faults of the real parts are not modelled: what boots here has still to boot at a station.
"""

import os
import re
import struct
import sys

try:
    import unicorn
    from unicorn import arm_const, x86_const
except ImportError:
    # As a shell does for a command that is not found.
    print("emulate.py: unicorn is missing; pip install unicorn", file=sys.stderr)
    sys.exit(127)

REGION = re.compile(r"^\s*([A-Z0-9]+)\s*\(\w+\)\s*:\s*ORIGIN = (0x[0-9a-f]+), LENGTH = ([0-9]+)(K?)\s*$", re.M)
BASE = re.compile(r"\.(\w+)_base = (0x[0-9a-f]+),")
PAGE = 4096
LIMIT_US = 20_000_000
ENDS = (b"keeper idle\r\n", b"\nstopped: ")

MACHINES = {
    "arm": (unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB | unicorn.UC_MODE_MCLASS),
    "aarch64": (unicorn.UC_ARCH_ARM64, unicorn.UC_MODE_ARM),
    "riscv32": (unicorn.UC_ARCH_RISCV, unicorn.UC_MODE_RISCV32),
    "riscv64": (unicorn.UC_ARCH_RISCV, unicorn.UC_MODE_RISCV64),
    "mips": (unicorn.UC_ARCH_MIPS, unicorn.UC_MODE_MIPS32 | unicorn.UC_MODE_BIG_ENDIAN),
    "powerpc": (unicorn.UC_ARCH_PPC, unicorn.UC_MODE_PPC32 | unicorn.UC_MODE_BIG_ENDIAN),
    "x86": (unicorn.UC_ARCH_X86, unicorn.UC_MODE_32),
}


class Board:
    """Port, memory regions (name to origin and bytes) and device addresses of a board."""

    def __init__(self, tree, name):
        folder = os.path.join(tree, "boards", name)
        self.regions = {
            region: (int(origin, 16), int(length) * (1024 if kilo else 1))
            for region, origin, length, kilo in REGION.findall(read(folder, "memory.ld"))
        }
        self.port = re.search(r"^PORT := (\w+)$", read(folder, "board.mk"), re.M)[1]
        self.bases = {device: int(base, 16) for device, base in BASE.findall(read(folder, "board.c"))}


def read(folder, name):
    """A file's text."""
    with open(os.path.join(folder, name), encoding="utf-8") as file:
        return file.read()


class PeripheralBlock:
    """One page of devices: a UART of either kind, a clock that locks, a float at 2500 counts, a battery at 5200 mV."""

    def __init__(self, show):
        self.console = bytearray()
        self.registers = {0x204: 1, 0x208: 2500, 0x504: 1, 0x508: 5200}
        self.show = show

    def read(self, offset):
        """Give a register; the UARTs are always ready, and the clock locks once it has been told to run."""
        if offset == 0x004:
            return 1
        if offset == 0x805:
            return 0x20
        if offset == 0x104:
            return self.registers.get(0x100, 0) >> 31
        return self.registers.get(offset, 0)

    def write(self, offset, value):
        """Take a byte for the console, or keep a register."""
        latched = self.registers.get(0x803, 0) & 0x80
        if offset == 0x000 or (offset == 0x800 and not latched):
            self.console.append(value & 0xFF)
            self.show(bytes([value & 0xFF]))
        else:
            self.registers[offset] = value


def boot(board, image, show=lambda _byte: None, ends=ENDS):
    """Run an image from reset; give the bytes of the console, which `show` gets one by one."""
    machine = unicorn.Uc(*MACHINES[board.port])
    if board.port == "arm":
        machine.ctl_set_cpu_model(arm_const.UC_CPU_ARM_CORTEX_M3)
    part_at, part_bytes = board.regions["PART"]
    machine.mem_map(physical(board.port, part_at), part_bytes, unicorn.UC_PROT_READ | unicorn.UC_PROT_EXEC)
    machine.mem_write(physical(board.port, part_at), image)
    for name in ("SRAM", "STAGE2"):
        at, size = board.regions[name]
        machine.mem_map(physical(board.port, at), size)

    block = PeripheralBlock(show)

    def write(offset, value):
        block.write(offset, value)
        # The line that says why a boot was stopped is shown whole.
        if value == 0x0A and any(end in block.console[block.console.rfind(b"\n", 0, -1) :] for end in ends):
            machine.emu_stop()

    page = board.bases["clock"] & -PAGE
    machine.mmio_map(
        physical(board.port, page),
        PAGE,
        lambda _machine, offset, _size, _user: block.read(offset),
        None,
        lambda _machine, offset, _size, value, _user: write(offset, value),
        None,
    )
    if board.port == "x86":
        add_ports(machine, block, write)
    try:
        machine.emu_start(start(machine, board, image), 0, timeout=LIMIT_US)
    except unicorn.UcError as error:
        # A wild jump is a way for a boot to end, and what the console showed before it is the evidence.
        show(f"[{error}]\n".encode())
    return bytes(block.console)


def add_ports(machine, block, write):
    """Put the byte UART behind I/O ports 0x3f8 to 0x3ff."""
    machine.hook_add(
        unicorn.UC_HOOK_INSN,
        lambda _machine, port, _size, _user: block.read(0x800 + port - 0x3F8),
        None,
        1,
        0,
        x86_const.UC_X86_INS_IN,
    )
    machine.hook_add(
        unicorn.UC_HOOK_INSN,
        lambda _machine, port, _size, value, _user: write(0x800 + port - 0x3F8, value),
        None,
        1,
        0,
        x86_const.UC_X86_INS_OUT,
    )


def physical(port, address):
    """MIPS32 Architecture for Programmers, volume III: kseg0 and kseg1 are windows to the lowest 512 MiB."""
    return address & 0x1FFF_FFFF if port == "mips" else address


def start(machine, board, image):
    """Give the address of the first instruction; on ARM also do what the processor does with its vector table."""
    at = board.regions["BOOT"][0]
    if board.port == "powerpc":
        return at + 0x100
    if board.port == "arm":
        stack, reset = struct.unpack_from("<II", image)
        machine.reg_write(arm_const.UC_ARM_REG_SP, stack)
        return reset
    return at


def main():
    """Boot what the command line names."""
    name, rom = sys.argv[1:]
    with open(rom, "rb") as file:
        image = file.read()
    boot(Board(os.curdir, name), image, show=lambda byte: os.write(1, byte))


if __name__ == "__main__":
    main()
