"""
Record the logs of this folder again: `python record.py SCRATCH`, with the programs of README.md on PATH.

Runs every command in SCRATCH/tree, a copy of `tree`, and writes NAME.log beside this file. SCRATCH has to be
/tmp/gatekeep-logs, or the tests, which know that place, do not fit.
"""

import importlib.util
import os
import shutil
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
ARM = "arm-none-eabi-gcc -mcpu=cortex-m3"
RISCV = "riscv64-unknown-elf-gcc -mcmodel=medany"
CLANG = "{zig} clang --target=arm-none-eabi -mcpu=cortex-m3 -mthumb"
COMPILED = "for file in user twice large; do {cc} -g -ffreestanding -c lib/$file.c -o {out}/$file.o; done; "
LINKED = (
    "for script in small astray broken none; do {ld} -T boards/$script.ld {out}/large.o -o {out}/x.elf; done; "
    "{ld} {out}/user.o -o {out}/x.elf; {ld} {out}/user.o {out}/twice.o -o {out}/x.elf; "
    "{ld} {out}/twice.o -lnone -o {out}/x.elf; {ld} {out}/twice.o {out}/none.o -o {out}/x.elf; "
    "{ld} {out}/twice.o -o {out}/x.elf; cp Makefile {out}/text.o; {ld} {out}/text.o -o {out}/x.elf"
)
EVERY_SOURCE = (
    "for file in drivers/gauge.c drivers/lamp.c drivers/missing.c 'odd names/a: b.c' boards/start.S boards/inline.c; "
    'do {cc} -Wall -Wextra -c "$file" -o {out}/x.o; done'
)
WITHOUT_LINES = "{cc} -Wall -c drivers/gauge.c -o {out}/x.o"
DRIVER = (
    "{cc} -c lib/none.c -o {out}/x.o; {cc} --bogus -c drivers/gauge.c -o {out}/x.o; "
    "{cc} -DCUT=1 -DCUT=2 -Wall -c drivers/gauge.c -o {out}/x.o"
)
#: Name to (command, locale).
COMMANDS = {
    "gcc-arm": (EVERY_SOURCE.replace("{cc}", ARM), "C"),
    "gcc-riscv64": (EVERY_SOURCE.replace("{cc}", RISCV), "C.UTF-8"),
    "gcc-arm-werror": (WITHOUT_LINES.replace("{cc}", f"{ARM} -Werror=unused-variable -Werror=parentheses"), "C"),
    "gcc-arm-all-werror": (WITHOUT_LINES.replace("{cc}", f"{ARM} -Werror"), "C"),
    "gcc-arm-colour": (
        WITHOUT_LINES.replace("{cc}", f"{ARM} -fdiagnostics-color=always -fdiagnostics-urls=always"),
        "C.UTF-8",
    ),
    "gcc-arm-plain": (WITHOUT_LINES.replace("{cc}", f"{ARM} -fno-diagnostics-show-line-numbers"), "C"),
    "gcc-arm-driver": (DRIVER.replace("{cc}", ARM), "C"),
    "gcc-arm-lto": (
        f"{ARM} -flto -nostdlib -Wl,-e,main lib/first.c lib/second.c -o {{out}}/x.elf; "
        f"{ARM} -flto -nostdlib lib/user.c -o {{out}}/x.elf",
        "C",
    ),
    "ld-arm-stub": (
        f"{ARM} -c lib/stub.c -o {{out}}/stub.o; {ARM} -c lib/uses.c -o {{out}}/uses.o; "
        "arm-none-eabi-ld -e main {out}/uses.o {out}/stub.o -o {out}/x.elf",
        "C",
    ),
    "clang-arm": (EVERY_SOURCE.replace("{cc}", CLANG), "C"),
    "clang-arm-werror": (WITHOUT_LINES.replace("{cc}", f"{CLANG} -Werror"), "C"),
    "clang-arm-colour": (
        WITHOUT_LINES.replace("{cc}", f"{CLANG} -fcolor-diagnostics -fdiagnostics-show-category=name -Wnope"),
        "C",
    ),
    "clang-arm-plain": (WITHOUT_LINES.replace("{cc}", f"{CLANG} -fno-diagnostics-show-line-numbers"), "C"),
    "clang-arm-driver": (DRIVER.replace("{cc}", CLANG), "C"),
    "ld-arm": (COMPILED.replace("{cc}", ARM) + LINKED.replace("{ld}", "arm-none-eabi-ld"), "C"),
    "ld-riscv64": (COMPILED.replace("{cc}", RISCV) + LINKED.replace("{ld}", "riscv64-unknown-elf-ld"), "C"),
    "ld-powerpc": (
        COMPILED.replace("{cc}", "powerpc-linux-gnu-gcc") + LINKED.replace("{ld}", "powerpc-linux-gnu-ld"),
        "C.UTF-8",
    ),
    "ld-arm-without-debug": (
        COMPILED.replace("{cc} -g", ARM) + LINKED.replace("{ld}", "arm-none-eabi-ld"),
        "C",
    ),
    "ld-arm-through-gcc": (
        f"{ARM} -nostdlib -T boards/small.ld lib/large.c -o {{out}}/x.elf; {ARM} -nostdlib lib/user.c -o {{out}}/x.elf",
        "C",
    ),
    "ld-powerpc-rwx": (
        "powerpc-linux-gnu-gcc -c lib/twice.c -o {out}/twice.o; "
        "powerpc-linux-gnu-ld -T boards/large.ld -e main {out}/twice.o -o {out}/x.elf",
        "C",
    ),
    "ld-riscv64-far": (
        "riscv64-unknown-elf-gcc -c lib/user.c -o {out}/low.o; for ld in riscv64-unknown-elf-ld '{zig} ld.lld'; do "
        "$ld -Ttext=0x10000 --defsym missing=0x10000 --defsym absent=0x900000000 {out}/low.o -o {out}/x.elf; done",
        "C",
    ),
    "lld-arm-overflow": (
        f"{CLANG} -c lib/large.c -o {{out}}/large.o; "
        "{zig} ld.lld -T boards/small.ld {out}/large.o -o {out}/x.elf",
        "C",
    ),
    "lld-arm": (COMPILED.replace("{cc}", CLANG) + LINKED.replace("{ld}", "{zig} ld.lld"), "C"),
    "lld-arm-without-debug": (COMPILED.replace("{cc} -g", CLANG) + LINKED.replace("{ld}", "{zig} ld.lld"), "C"),
    "make-gcc": (f"make -k -j2 CC='{ARM}' O={{out}}", "C"),
    # Clang writes its messages in pieces: without -O two of them tear each other's lines apart.
    "make-clang": (f"make -k -j2 -O CC='{CLANG}' O={{out}}", "C"),
    "make-no-rule": ("make O={out} {out}/missing.o", "C"),
    "make-separator": ("make -f boards/separator.mk", "C"),
    "make-complaint": ("make -f boards/complaint.mk", "C"),
    "make-shell": ("make -f boards/shell.mk", "C"),
    "make-silent": ("make -f boards/silent.mk", "C.UTF-8"),
    "make-no-makefile": ("make -f none.mk; cd 'odd names' && make", "C"),
}


def main(scratch: Path) -> None:
    """Record every log."""
    spec = importlib.util.find_spec("ziglang")
    zig = str(Path(spec.origin or "").with_name("zig")) if spec else "zig"
    for name, (command, locale) in COMMANDS.items():
        shutil.rmtree(scratch, ignore_errors=True)
        shutil.copytree(HERE / "tree", scratch / "tree")
        (scratch / "out").mkdir()
        text = command.replace("{out}", str(scratch / "out")).replace("{zig}", str(scratch / "bin" / "zig"))
        (scratch / "bin").mkdir()
        (scratch / "bin" / "zig").symlink_to(zig)
        done = subprocess.run(
            ["/bin/sh", "-c", text],
            cwd=scratch / "tree",
            env={"PATH": os.environ["PATH"], "LC_ALL": locale},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            check=False,
        )
        (HERE / f"{name}.log").write_bytes(done.stdout)
    shutil.rmtree(scratch)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
