"""A bare-metal tree of about 500 files, of which a board reads some: for tests and benchmarks of read sets."""

from __future__ import annotations

from pathlib import Path

_MODULES = 12
_SOURCES_EACH = 14
_BUILT_EACH = 2

MAKEFILE = """\
BOARD ?= ness
O ?= .
CC := arm-none-eabi-gcc
include boards/$(BOARD)/board.mk
CFLAGS := -Os -ffreestanding -mcpu=cortex-m0 -mthumb -Iboards/$(BOARD) -Iinclude $(foreach m,$(MODULES),-Imodules/$m)
SOURCES := $(foreach m,$(MODULES),$(wildcard modules/$m/$(BOARD)_*.c))
OBJECTS := $(patsubst modules/%.c,$(O)/%.o,$(SOURCES))

$(O)/$(BOARD).bin: $(O)/$(BOARD).elf
\t./tools/pad.sh $< $@

$(O)/$(BOARD).elf: $(OBJECTS) boards/$(BOARD)/memory.ld
\t$(CC) -nostdlib -Wl,-T,boards/$(BOARD)/memory.ld -Wl,--no-warn-rwx-segments -o $@ $(OBJECTS)

$(O)/%.o: modules/%.c
\t@mkdir -p $(@D)
\t$(CC) $(CFLAGS) -c $< -o $@
"""

LINKER_SCRIPT = """\
MEMORY { flash (rx) : ORIGIN = 0, LENGTH = 64K }
ENTRY(_start)
PROVIDE(_start = 0);
SECTIONS { .text : { *(.text*) *(.rodata*) } > flash }
"""


def write_firmware_tree(folder: Path, *, file_count: int = 0) -> None:
    """
    Write the tree: boards `ness` and `skaw`, twelve modules, a header for each source, an empty one that all include.

    Args:
        folder: Made if it is not there.
        file_count: If above what the tree has, documents that nobody reads are added up to it.
    """
    files = {"Makefile": MAKEFILE, "tools/pad.sh": '#!/bin/sh\nexec arm-none-eabi-objcopy -O binary "$1" "$2"\n'}
    files["include/empty.h"] = ""
    for number in range(40):
        files[f"include/part_{number}.h"] = f"#define PART_{number} {number}\n"
    modules = [f"m{number:02}" for number in range(_MODULES)]
    for board in ("ness", "skaw"):
        files[f"boards/{board}/board.mk"] = f"MODULES := {' '.join(modules)}\n"
        files[f"boards/{board}/board.h"] = f'#define BOARD "{board}"\n'
        files[f"boards/{board}/memory.ld"] = LINKER_SCRIPT
    for place, module in enumerate(modules):
        for number in range(_SOURCES_EACH):
            board = ("ness", "skaw", "idle", "idle", "idle", "idle", "idle")[number // _BUILT_EACH % 7]
            name = f"{board}_{number}"
            files[f"modules/{module}/{name}.h"] = f'#include "part_{(place + number) % 40}.h"\n'
            files[f"modules/{module}/{name}.c"] = (
                f'#include "board.h"\n#include "empty.h"\n#include "{name}.h"\n'
                f"int {module}_{name}(void) {{ return {number} + PART_{(place + number) % 40}; }}\n"
            )
    for number in range(100):
        files[f"docs/{number % 10}/page_{number}.md"] = f"# Page {number}\n"
    for number in range(max(0, file_count - len(files))):
        files[f"docs/more/{number % 40}/page_{number}.md"] = f"# Page {number}\n"
    for name, content in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(content, encoding="ascii")
    (folder / "tools" / "pad.sh").chmod(0o755)
