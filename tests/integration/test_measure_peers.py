"""
Measured figures against those of GNU binutils, LLVM's linker and pyelftools, on images and libraries that were not made
for the test: linked here by Debian's cross compilers for three machines, by Clang and LLD for thirteen more.
"""

import re
import subprocess
from collections import Counter
from pathlib import Path

import pytest
import ziglang
from elftools.elf.elffile import ELFFile
from elftools.elf.sections import SymbolTableSection

from gatekeep.measure.archive import read_archive
from gatekeep.measure.artifacts import ArtifactPaths, measure_artifacts
from gatekeep.measure.elf import check_port, read_elf
from gatekeep.model.evidence import Footprint
from gatekeep.model.matrix import ImageFormat, Memory, Part, Region
from tests.measuring import IMAGES, make_beacon, make_port, make_target, read_usage

ZIG = str(Path(ziglang.__file__).parent / "zig")
SHF_ALLOC = 2
#: What is counted: objects, functions, thread-local objects and indirect functions.
SIZED = {"STT_OBJECT", "STT_FUNC", "STT_TLS", "STT_GNU_IFUNC"}


def run(*command: str | Path, folder: Path | None = None) -> str:
    """Run a tool; a missing or failing one fails the test."""
    environment = {"PATH": "/usr/bin:/bin", "LC_ALL": "C"}
    done = subprocess.run(
        [str(word) for word in command], cwd=folder, env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def measure_beacon(image: Path) -> Footprint:
    paths = ArtifactPaths(elf=image, image=None, archives=())
    return measure_artifacts(paths, target=make_beacon(), port=make_port(), root=image.parent)[0]


def get_used(footprint: Footprint) -> dict[str, int]:
    return {use.name: use.used_bytes for use in footprint.regions}


def read_sizes(text: str) -> list[tuple[str, int]]:
    """Read `size -A`: (section, bytes) in file order, over all files that it lists."""
    return [(name, int(size)) for name, size in re.findall(r"^(\S+) +(\d+) +\d+$", text, re.MULTILINE)]


def read_sized_symbols(text: str) -> Counter[str]:
    """Read `nm -S`: bytes by name of what is defined in an allocated section (not absolute, common, debugging)."""
    sizes: Counter[str] = Counter()
    for size, name in re.findall(r"^[0-9a-f]+ ([0-9a-f]+) [^aAcCnN-] (\S+)$", text, re.MULTILINE):
        sizes[name] += int(size, 16)
    return sizes


def check_against_peers(image: Path, prefix: str = "") -> None:
    """Hold every figure of a linked image against size, nm, objdump and pyelftools."""
    elf = read_elf(image.read_bytes(), name=image.name)
    allocated = [(section.name, section.size_bytes) for section in elf.sections if section.allocated]
    with image.open("rb") as stream:
        peer = ELFFile(stream)
        assert (elf.bits, elf.byte_order == "little") == (peer.elfclass, peer.little_endian)
        check_port(elf, make_port("peer", peer["e_machine"].removeprefix("EM_")), name=image.name)
        peers = [section for section in peer.iter_sections() if section["sh_type"] != "SHT_NULL"]
        assert [
            (section.name, section.address, section.size_bytes, section.allocated, section.stored)
            for section in elf.sections
        ] == [
            (
                section.name,
                section["sh_addr"],
                section["sh_size"],
                bool(section["sh_flags"] & SHF_ALLOC),
                section["sh_type"] != "SHT_NOBITS",
            )
            for section in peers
        ]
        symbols: Counter[str] = Counter()
        table = peer.get_section_by_name(".symtab")
        assert isinstance(table, SymbolTableSection)
        for symbol in table.iter_symbols():
            index = symbol["st_shndx"]
            if symbol["st_info"]["type"] not in SIZED or not isinstance(index, int) or not symbol["st_size"]:
                continue
            if peer.get_section(index)["sh_flags"] & SHF_ALLOC:
                symbols[symbol.name] += symbol["st_size"]
    assert elf.symbols == tuple(sorted(symbols.items(), key=lambda entry: (-entry[1], entry[0])))
    nm_sizes = read_sized_symbols(run(f"{prefix}nm", "-S", image))
    assert {name: nm_sizes[name] for name, _ in elf.symbols} == dict(elf.symbols)
    names = {name for name, _ in allocated}
    sizes = [(name, size) for name, size in read_sizes(run(f"{prefix}size", "-A", image)) if name in names]
    assert sizes == allocated
    loads = re.findall(
        r"^ *\d+ (\S+) +([0-9a-f]+) +([0-9a-f]+) +([0-9a-f]+) ", run(f"{prefix}objdump", "-hw", image), re.MULTILINE
    )
    wanted = [(name, int(load, 16)) for name, _size, _address, load in loads if name in names]
    assert [(section.name, section.load_address) for section in elf.sections if section.allocated] == wanted


def remove_section_table(image: Path) -> None:
    """Zero e_shoff, e_shnum and e_shstrndx, as tools do that strip an image to its segments."""
    data = bytearray(image.read_bytes())
    offset, width, counts = (40, 8, 60) if data[4] == 2 else (32, 4, 48)
    data[offset : offset + width] = bytes(width)
    data[counts : counts + 4] = bytes(4)
    image.write_bytes(data)


GCC_FLAGS = ("-Os", "-ffreestanding", "-fno-pic", "-nostdlib", "-static", "-Wl,--print-memory-usage")


@pytest.mark.parametrize(
    ("prefix", "flags"),
    [
        ("arm-none-eabi-", ("-mcpu=cortex-m3", "-mthumb")),
        ("arm-none-eabi-", ("-mbig-endian", "-mcpu=cortex-r4")),
        ("riscv64-unknown-elf-", ("-march=rv64imac", "-mabi=lp64", "-mcmodel=medany")),
        ("riscv64-unknown-elf-", ("-march=rv32imc", "-mabi=ilp32")),
        ("powerpc-linux-gnu-", ("-mcpu=powerpc", "-msdata=none", "-Wl,--build-id=none")),
        (
            "powerpc-linux-gnu-",
            ("-mcpu=e500mc", "-g", "-ffunction-sections", "-Wl,--build-id=none,--no-check-sections"),
        ),
    ],
)
def test_regions_equal_gnu_ld(tmp_path, prefix, flags):
    """GNU ld --print-memory-usage, on two flash regions and two memories with gaps, alignment and moved data."""
    image = tmp_path / "beacon.elf"
    usage = run(
        f"{prefix}gcc",
        *flags,
        *GCC_FLAGS,
        "-T",
        IMAGES / "beacon.ld",
        IMAGES / "beacon.c",
        "-o",
        image,
        folder=tmp_path,
    )
    assert get_used(measure_beacon(image)) == read_usage(usage)
    check_against_peers(image, prefix)
    run(f"{prefix}strip", image)
    assert get_used(measure_beacon(image)) == read_usage(usage)
    remove_section_table(image)
    footprint = measure_beacon(image)
    assert footprint.sections == footprint.symbols == ()
    assert get_used(footprint) == read_usage(usage)


HOSTED_C = """\
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
static char *lines[64];
int counter = 7;
int main(void)
{
    char text[80];
    for (int i = 0; i < counter; i++) {
        snprintf(text, sizeof text, "%d %f %s", i, i * 1.5, asctime(localtime(&(time_t){i})));
        lines[i] = malloc(strlen(text) + 1);
        strcpy(lines[i], text);
    }
    qsort(lines, 7, sizeof *lines, (int (*)(const void *, const void *))strcmp);
    return printf("%s\\n", lines[0]);
}
"""
HOSTED_LD = """\
MEMORY
{
    boot (rx)  : ORIGIN = 0x08000000, LENGTH = 8K
    code (rx)  : ORIGIN = 0x08002000, LENGTH = 248K
    ram (rwx)  : ORIGIN = 0x20000000, LENGTH = 64K
}
SECTIONS
{
    .vectors : { LONG(__stack) LONG(main) . = ALIGN(512); } > boot
    .text : { *(.text .text.* .gnu.linkonce.t.*) KEEP(*(.init)) KEEP(*(.fini)) } > code
    .rodata : ALIGN(64) { *(.rodata .rodata.* .srodata .srodata.*) } > code
    .ARM.extab : { *(.ARM.extab*) } > code
    .ARM.exidx : { __exidx_start = .; *(.ARM.exidx*) __exidx_end = .; } > code
    .eh_frame : { *(.eh_frame*) } > code
    .init_array : { KEEP(*(.init_array*)) KEEP(*(.fini_array*)) } > code
    .data : ALIGN(8) { *(.data .data.* .sdata .sdata.*) . = ALIGN(8); } > ram AT> code
    .tdata : { *(.tdata .tdata.*) } > ram AT> code
    .tbss : { *(.tbss .tbss.*) } > ram AT> code
    .bss (NOLOAD) : { *(.bss .bss.* .sbss .sbss.* COMMON) } > ram
    .heap (NOLOAD) : ALIGN(16) { end = .; _end = .; __heap_start = .; . += 4K; __heap_end = .; } > ram
    .stack (NOLOAD) : ALIGN(1K) { . += 2K; __stack = .; } > ram
    __data_start = ADDR(.data); __data_source = LOADADDR(.data); __data_size = SIZEOF(.data);
    __bss_start = ADDR(.bss); __bss_size = SIZEOF(.bss); __tls_base = ADDR(.tdata);
}
"""
HOSTED = make_target(
    Part(
        name="nor-256k",
        capacity_bytes=256 * 1024,
        regions=(
            Region(name="boot", at_bytes=0, capacity_bytes=8 * 1024),
            Region(name="code", at_bytes=8 * 1024, capacity_bytes=248 * 1024),
        ),
    ),
    0x0800_0000,
    (Memory(name="ram", address=0x2000_0000, capacity_bytes=64 * 1024),),
)


@pytest.mark.parametrize(
    ("prefix", "flags"),
    [
        ("arm-none-eabi-", ("-mcpu=cortex-m3", "-mthumb", "--specs=nosys.specs", "-nostartfiles")),
        (
            "riscv64-unknown-elf-",
            (
                "-march=rv64imac",
                "-mabi=lp64",
                "-mcmodel=medany",
                "--specs=picolibc.specs",
                "--oslib=semihost",
                "-nostartfiles",
            ),
        ),
    ],
)
def test_regions_equal_gnu_ld_with_a_whole_c_library(tmp_path, prefix, flags):
    """newlib and picolibc: thread-local data, exception tables, heap and stack; hundreds of symbols."""
    (tmp_path / "main.c").write_text(HOSTED_C)
    (tmp_path / "main.ld").write_text(HOSTED_LD)
    image = tmp_path / "main.elf"
    options = ("-Os", "-w", "-Wl,--print-memory-usage", "-Wl,--defsym=__errno_base=0", "-Wl,-e,main")
    usage = run(f"{prefix}gcc", *flags, *options, "-T", "main.ld", "main.c", "-o", image, folder=tmp_path)
    paths = ArtifactPaths(elf=image, image=None, archives=())
    footprint, _ = measure_artifacts(paths, target=HOSTED, port=make_port(), root=tmp_path)
    assert get_used(footprint) == read_usage(usage)
    assert len(footprint.symbols) > 100
    check_against_peers(image, prefix)


CLANG_TARGETS = [
    ("aarch64", "AARCH64", 64, "little"),
    ("aarch64_be", "AARCH64", 64, "big"),
    ("arm", "ARM", 32, "little"),
    ("hexagon", "QDSP6", 32, "little"),
    ("i386", "386", 32, "little"),
    ("loongarch64", "LOONGARCH", 64, "little"),
    ("mips", "MIPS", 32, "big"),
    ("mipsel", "MIPS", 32, "little"),
    ("powerpc", "PPC", 32, "big"),
    ("powerpc64", "PPC64", 64, "big"),
    ("riscv32", "RISCV", 32, "little"),
    ("s390x", "S390", 64, "big"),
    ("sparc64", "SPARCV9", 64, "big"),
    ("x86_64", "X86_64", 64, "little"),
]


@pytest.mark.parametrize(("machine", "name", "bits", "byte_order"), CLANG_TARGETS)
def test_images_of_clang_and_lld_equal_their_peers(tmp_path, machine, name, bits, byte_order):
    """LLD --print-memory-usage, GNU size, nm and objdump, pyelftools; the machine numbers are the compiler's own."""
    image = tmp_path / "beacon.elf"
    flags = ("-ffreestanding", "-fno-pic", "-w", "-Os", "-g")
    source, script = IMAGES / "beacon.c", IMAGES / "beacon.ld"
    run(ZIG, "clang", f"--target={machine}-unknown-none-elf", *flags, "-c", source, "-o", tmp_path / "beacon.o")
    usage = run(ZIG, "ld.lld", "--print-memory-usage", "-T", script, tmp_path / "beacon.o", "-o", image)
    check_port(read_elf(image.read_bytes(), name="x"), make_port("p", name, bits, byte_order), name="x")
    assert get_used(measure_beacon(image)) == read_usage(usage)
    check_against_peers(image)
    # The object alone, in libraries as GNU and as BSD write them.
    port = make_port("p", name, bits, byte_order)
    for form in ("gnu", "bsd"):
        run(ZIG, "ar", f"--format={form}", "rcsD", f"{form}.a", "beacon.o", folder=tmp_path)
    gnu, bsd = (read_archive((tmp_path / f"{form}.a").read_bytes(), name=form, port=port) for form in ("gnu", "bsd"))
    assert gnu == bsd
    check_archive(tmp_path / "gnu.a")


def check_archive(path: Path, prefix: str = "") -> None:
    """Hold the sums of a library against readelf (which sections are allocated), size and nm."""
    archive = read_archive(path.read_bytes(), name=path.name, port=make_port())
    headers = re.findall(
        r"^ +\[ *\d+\] (\S+) +(\S+) +[0-9a-f]+ [0-9a-f]+ ([0-9a-f]+) [0-9a-f]+ +(\w*A\w*)  ",
        run(f"{prefix}readelf", "-SW", path),
        re.MULTILINE,
    )
    wanted: Counter[str] = Counter()
    stored = 0
    for name, kind, size, _flags in headers:
        wanted[name] += int(size, 16)
        stored += int(size, 16) if kind != "NOBITS" else 0
    assert dict(archive.sections) == wanted
    assert archive.stored_bytes == stored
    sizes: Counter[str] = Counter()
    for name, number in read_sizes(run(f"{prefix}size", "-A", path)):
        sizes[name] += number
    assert {name: sizes[name] for name, _ in archive.sections} == dict(archive.sections)
    nm_sizes = read_sized_symbols(run(f"{prefix}nm", "-S", path))
    # nm lists sized symbols of no type as well, which are assembly's; everything of ours must be in its sums.
    assert all(size <= nm_sizes[name] for name, size in archive.symbols)


@pytest.mark.parametrize(
    ("path", "prefix", "members"),
    [
        ("/usr/lib/arm-none-eabi/newlib/thumb/v7-m/nofp/libc.a", "arm-none-eabi-", 600),
        ("/usr/lib/picolibc/riscv64-unknown-elf/lib/rv32imac/ilp32/libc.a", "riscv64-unknown-elf-", 700),
    ],
)
def test_every_object_of_a_c_library_equals_its_peers(path, prefix, members):
    """Debian's newlib and picolibc, as they are installed."""
    check_archive(Path(path), prefix)
    assert read_archive(Path(path).read_bytes(), name="libc.a", port=make_port()).member_count > members


def test_hex_files_of_objcopy_equal_the_raw_image(tmp_path):
    """GNU objcopy writes one image in three formats: each fills the regions alike."""
    image = IMAGES / "beacon-powerpc.elf"
    used = []
    for form, image_format in (
        ("binary", ImageFormat.RAW),
        ("ihex", ImageFormat.INTEL_HEX),
        ("srec", ImageFormat.S_RECORD),
    ):
        run("powerpc-linux-gnu-objcopy", "--gap-fill", "0xff", "-O", form, image, tmp_path / form)
        paths = ArtifactPaths(elf=None, image=tmp_path / form, archives=())
        footprint, _ = measure_artifacts(paths, target=make_beacon(image_format), port=make_port(), root=tmp_path)
        used.append(get_used(footprint))
    assert used[0] == used[1] == used[2]
    assert used[0]["recovery"] == 64


def test_an_object_of_more_sections_than_its_header_can_count(tmp_path):
    """Past 65,279 sections ELF counts elsewhere; GNU size and nm read it, as does ours. One symbol lies in the last."""
    count = 66_000
    lines = [f'.section .text.f{index},"ax"\n.byte 1' for index in range(count)]
    lines += [".globl last", ".type last,@function", "last: .byte 1, 2", ".size last, 2"]
    lines += [".globl rom", ".type rom,@function", ".set rom, 0x1000", ".size rom, 64"]
    (tmp_path / "many.s").write_text("\n".join(lines) + "\n")
    target = "--target=riscv32-unknown-none-elf"
    run(ZIG, "clang", target, "-c", "many.s", "-o", "many.o", folder=tmp_path)
    data = (tmp_path / "many.o").read_bytes()
    assert data[48:50] == b"\0\0"  # e_shnum
    elf = read_elf(data, name="many.o")
    allocated = [(section.name, section.size_bytes) for section in elf.sections if section.allocated]
    assert len(allocated) > count
    sizes = dict(read_sizes(run("size", "-A", tmp_path / "many.o")))
    assert {name: sizes[name] for name, _ in allocated} == dict(allocated)
    assert elf.symbols == (("last", 2),)
    assert read_sized_symbols(run("nm", "-S", tmp_path / "many.o")) == {"last": 2}
