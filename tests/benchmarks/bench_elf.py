"""
How long measuring an ELF of 10 MB and 50,000 symbols takes, against GNU `size -A` and `nm -S` together.

To hold (DESIGN.md, section 7): no slower than their sum, times 2. Three figures of ours: the reader alone, in process;
all that the build room calls (open, SHA-256, read, regions), in process, which is what a gate run pays; and a fresh
Python process that imports and calls it, for its memory and for those who compare process with process.

    python -m tests.benchmarks.bench_elf
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import ziglang

from gatekeep.measure.artifacts import ArtifactPaths, measure_artifacts
from gatekeep.measure.elf import read_elf
from gatekeep.model.evidence import Footprint
from gatekeep.model.matrix import Memory, Part, Region
from tests.measuring import make_port, make_target

SYMBOLS = 50_000
BYTES_EACH = 160
ROUNDS = 9
PORT = make_port("riscv32", "RISCV", 32, "little")
TARGET = make_target(
    Part(
        name="nor-16m",
        capacity_bytes=16 << 20,
        regions=(Region(name="flash", at_bytes=0, capacity_bytes=16 << 20),),
    ),
    0x2000_0000,
    (Memory(name="ram", address=0x8000_0000, capacity_bytes=1 << 20),),
)
SCRIPT = """\
ENTRY(harbour_light_number_00001)
SECTIONS
{
    . = 0x20000000;
    .text : { *(.text*) }
    .data 0x80000000 : AT(LOADADDR(.text) + SIZEOF(.text)) { *(.data*) }
}
"""


def build(folder: Path) -> Path:
    """Assemble and link 50,000 functions and objects for RISC-V: some 10 MB with their symbol table."""
    lines = []
    for index in range(SYMBOLS):
        section, kind = (".data", "object") if index % 50 == 0 else (f".text.{index % 1000}", "function")
        name = f"harbour_light_number_{index:05}"
        flags = '"aw"' if kind == "object" else '"ax"'
        lines.append(
            f".section {section},{flags}\n.globl {name}\n.type {name},@{kind}\n{name}: .fill {BYTES_EACH}\n"
            f".size {name}, {BYTES_EACH}"
        )
    (folder / "big.s").write_text("\n".join(lines) + "\n")
    (folder / "big.ld").write_text(SCRIPT)
    zig = str(Path(ziglang.__file__).parent / "zig")
    for command in (
        ("clang", "--target=riscv32-unknown-none-elf", "-c", "big.s", "-o", "big.o"),
        ("ld.lld", "-T", "big.ld", "big.o", "-o", "big.elf"),
    ):
        subprocess.run([zig, *command], cwd=folder, env={}, check=True)
    return folder / "big.elf"


def measure(image: Path) -> Footprint:
    paths = ArtifactPaths(elf=image, image=None, archives=())
    return measure_artifacts(paths, target=TARGET, port=PORT, root=image.parent)[0]


def take_median(act: Callable[[], object]) -> float:
    """Median seconds of several rounds."""
    times = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        act()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


#: Starts a command and prints its seconds, largest resident memory in KiB and exit code. A process of its own, since a
#: child's figure begins at what its parent had in memory when it was started.
LAUNCHER = """
import os, sys, time
start = time.perf_counter()
null = os.open(os.devnull, os.O_WRONLY)
pid = os.posix_spawnp(sys.argv[1], sys.argv[1:], os.environ, file_actions=[(os.POSIX_SPAWN_DUP2, null, 1)])
_, status, usage = os.wait4(pid, 0)
print(time.perf_counter() - start, usage.ru_maxrss, os.waitstatus_to_exitcode(status))
"""


def run_child(*command: str) -> tuple[float, int]:
    """Median seconds and largest resident memory in KiB of a command."""
    times = []
    peak = 0
    for _ in range(ROUNDS):
        launcher = [sys.executable, "-S", "-c", LAUNCHER, *command]
        done = subprocess.run(launcher, stdout=subprocess.PIPE, text=True, check=True)
        seconds, kib, code = done.stdout.split()
        if code != "0":
            raise SystemExit(f"{command[0]} ended with exit code {code}")
        times.append(float(seconds))
        peak = max(peak, int(kib))
    return statistics.median(times), peak


def main() -> None:
    """Print the figures and their bound."""
    if len(sys.argv) > 1:
        measure(Path(sys.argv[1]))
        return
    with tempfile.TemporaryDirectory() as folder:
        image = build(Path(folder))
        data = image.read_bytes()
        footprint = measure(image)
        print(f"{image.stat().st_size / 1e6:.1f} MB, {len(footprint.symbols)} symbols, regions:")
        for use in footprint.regions:
            print(f"  {use.name} {use.used_bytes} B of {use.capacity_bytes} B")
        size_s, size_kib = run_child("size", "-A", str(image))
        nm_s, nm_kib = run_child("nm", "-S", str(image))
        child_s, child_kib = run_child(sys.executable, "-m", "tests.benchmarks.bench_elf", str(image))
        rows = (
            ("size -A", size_s, size_kib),
            ("nm -S", nm_s, nm_kib),
            ("reader, in process", take_median(lambda: read_elf(data, name="big.elf")), None),
            ("measure_artifacts, in process", take_median(lambda: measure(image)), None),
            ("measure_artifacts, own process", child_s, child_kib),
        )
        peers = size_s + nm_s
        for name, seconds, kib in rows:
            memory = f"{kib / 1024:6.1f} MiB" if kib else " " * 10
            print(f"{name:32} {seconds * 1000:7.1f} ms {memory}  {seconds / peers:5.2f} times size and nm (bound 2)")


if __name__ == "__main__":
    main()
