"""
A firmware tree of any size with a history, made up from a seed: the same bytes on every machine.

Nothing of it is anybody's: ports are real instruction sets (Clang builds them all), everything else is drawn. The shape
is that of a tree that serves many boards: of some 2,000 files a build reads 20 to 30, boards share chips, chips share
ports, drivers lie in folders by class, every board has files of the same names, and there is more text than code. The
history is a mix of what people do: most commits touch one board or one chip, some a driver, few what all share.

A build is six compilations and a link, less than 0.2 s of CPU; `function_count` makes it longer. With DEPS=1 it also
leaves, as the compiler, the linker and make tell it, which files it read: $(O)/reads/*. That is the independent truth
for what a read set should be.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from itertools import product

from tests.repos import Content, GitFolder

#: name, e_machine, bits, byte order, triple, flags
PORTS = (
    ("arm", "ARM", 32, "little", "thumbv7m-none-eabi", "-mthumb -mfloat-abi=soft"),
    ("aarch64", "AARCH64", 64, "little", "aarch64-none-elf", "-mgeneral-regs-only"),
    ("riscv32", "RISCV", 32, "little", "riscv32-unknown-elf", "-march=rv32imac -mabi=ilp32 -msmall-data-limit=0"),
    ("riscv64", "RISCV", 64, "little", "riscv64-unknown-elf", "-march=rv64imac -mabi=lp64 -mcmodel=medany"),
    ("mips", "MIPS", 32, "big", "mips-none-elf", "-march=mips32r2 -msoft-float -mno-abicalls -G0"),
    ("mipsel", "MIPS", 32, "little", "mipsel-none-elf", "-march=mips32r2 -msoft-float -mno-abicalls -G0"),
    ("powerpc", "PPC", 32, "big", "powerpc-none-eabi", "-msoft-float"),
    ("x86", "386", 32, "little", "i386-none-elf", "-march=i486 -mno-sse -mno-mmx -msoft-float"),
    ("x86-64", "X86_64", 64, "little", "x86_64-none-elf", "-mno-sse -mno-mmx -msoft-float -mno-red-zone"),
    ("loongarch64", "LOONGARCH", 64, "little", "loongarch64-none-elf", "-msoft-float -mabi=lp64s"),
)
CLASSES = ("clock", "horn", "lamp", "mast", "pump", "radio", "rotor", "sensor", "serial", "storage")
#: One round of what people do; a longer history goes round again.
KINDS = (
    *("board", "chip", "document", "board", "driver", "board", "core", "board", "added board", "chip"),
    *("moved document", "board", "port", "board", "chip", "driver", "board", "document", "moved driver", "chip"),
)
FLASH_AT = 0x1000_0000
_SYLLABLES = (
    ("b", "d", "f", "g", "h", "k", "l", "m", "n", "p", "r", "s", "t", "v"),
    ("a", "e", "i", "o", "u"),
    ("lf", "mb", "nk", "rg", "sk", "rt"),
    ("ey", "or", "ul"),
    ("", "den", "hav", "mor", "vik"),
)

Files = dict[str, bytes]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """
    How large: `file_count` is met by documents, so it may not be smaller than what the boards need.

    `function_count` are functions more in each source but the boards' own, which take time to compile and no flash.
    """

    target_count: int = 300
    port_count: int = 10
    file_count: int = 2000
    commit_count: int = 40
    seed: int = 1
    function_count: int = 0

    def __post_init__(self) -> None:
        if not 1 <= self.port_count <= len(PORTS) or self.target_count < self.port_count:
            raise ValueError(f"port_count must be 1 to {len(PORTS)}, and target_count no less")


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One commit: its kind, its subject, and paths to new contents (None removes)."""

    kind: str
    subject: str
    changes: Mapping[str, bytes | None]


def generate_history(shape: Shape) -> tuple[Step, ...]:
    """
    Make the first commit, which brings the whole tree, and `commit_count` more.

    Raises:
        ValueError: The boards alone need more files than the shape allows, or a commit was drawn that changes nothing.
    """
    tree = _Tree(shape)
    first = Step(kind="first", subject="Import the tree", changes=dict(tree.files))
    steps = [first]
    for number in range(shape.commit_count):
        kind = KINDS[number % len(KINDS)]
        before = dict(tree.files)
        subject = tree.change(kind, number)
        changes: dict[str, bytes | None] = {
            path: content for path, content in tree.files.items() if before.get(path) != content
        }
        changes |= {path: None for path in before if path not in tree.files}
        if not changes:
            raise ValueError(f"commit {number + 1} ({kind}) changes nothing; draw with another seed")
        steps.append(Step(kind=kind, subject=subject, changes=changes))
    return tuple(steps)


def commit_history(repository: GitFolder, history: tuple[Step, ...]) -> tuple[str, ...]:
    """Commit every step on main; give the commits in order."""
    commits = []
    for step in history:
        files: dict[str | bytes, Content] = dict(step.changes.items())
        commits.append(repository.commit(files, message=step.subject))
    return tuple(commits)


@dataclass(slots=True)
class _Board:
    name: str
    port: str
    chip: str
    drivers: tuple[str, ...]


class _Tree:
    """The tree at one commit, and what can be done to it."""

    def __init__(self, shape: Shape) -> None:
        self._shape = shape
        self._random = random.Random(shape.seed)
        names = ["".join(part) for part in product(*_SYLLABLES)]
        self._random.shuffle(names)
        self._names: Iterator[str] = iter(names)
        self._ports = PORTS[: shape.port_count]
        # Five boards or so share a chip, six or so a driver.
        chip_count = max(1, round(shape.target_count / len(self._ports) / 5))
        self._chips = {port[0]: [next(self._names) for _ in range(chip_count)] for port in self._ports}
        per_class = max(2, shape.target_count // 30)
        self._drivers = [f"{kind}/{kind}_{next(self._names)}" for kind in CLASSES for _ in range(per_class)]
        self._boards: list[_Board] = []
        self.files: Files = {}
        self._fill()

    def change(self, kind: str, number: int) -> str:
        """Change `files` as a commit of this kind does; give its subject."""
        doers: dict[str, Callable[[int], str]] = {
            "board": self._change_board,
            "chip": self._change_chip,
            "driver": self._change_driver,
            "core": self._change_core,
            "port": self._change_port,
            "document": self._change_document,
            "added board": self._add_board,
            "moved document": self._move_document,
            "moved driver": self._move_driver,
        }
        return doers[kind](number)

    def _fill(self) -> None:
        files = self.files
        files["Makefile"] = _MAKEFILE.encode()
        files |= {path: text.encode() for path, text in _CORE.items()}
        files["core/main.c"] += self._work("core")
        for name, _machine, _bits, _order, triple, flags in self._ports:
            files[f"ports/{name}/port.mk"] = f"TRIPLE := {triple}\nPORT_FLAGS := {flags}\n".encode()
            files[f"ports/{name}/cpu.c"] = _CPU.encode() + self._work("cpu")
            files[f"ports/{name}/cpu.h"] = f'#define CPU_NAME "{name}"\n'.encode()
            files[f"ports/{name}/link.ld"] = _LINK.encode()
        for chips in self._chips.values():
            for chip in chips:
                files |= {path: text.encode() for path, text in _chip_files(chip, self._number()).items()}
                files[f"chips/{chip}/chip.c"] += self._work("chip")
        for driver in self._drivers:
            files |= {path: text.encode() for path, text in _driver_files(driver, self._number()).items()}
            files[f"drivers/{driver}.c"] += self._work(driver.partition("/")[2])
        for index in range(self._shape.target_count):
            self._write_board(self._draw_board(self._ports[index % len(self._ports)][0]))
        files["matrix.yml"] = self._render_matrix().encode()
        missing = self._shape.file_count - len(files)
        if missing < 0:
            raise ValueError(f"file_count must be {len(files)} or more for {self._shape.target_count} targets")
        for index in range(missing):
            files[f"docs/{CLASSES[index % len(CLASSES)]}/{next(self._names)}.md"] = self._prose(40)

    def _work(self, name: str) -> bytes:
        return "".join(_WORK.format(name=name, index=index) for index in range(self._shape.function_count)).encode()

    def _draw_board(self, port: str) -> _Board:
        board = _Board(
            next(self._names),
            port,
            self._random.choice(self._chips[port]),
            tuple(self._random.sample(self._drivers, 2)),
        )
        self._boards.append(board)
        return board

    def _write_board(self, board: _Board) -> None:
        folder = f"boards/{board.name}"
        drivers = " ".join(board.drivers)
        texts = {
            "board.mk": f"PORT := {board.port}\nCHIP := {board.chip}\nDRIVERS := {drivers}\n",
            "board.c": _BOARD.format(name=board.name, number=self._number(), calls=_calls(board.drivers)),
            "board.h": f'#define BOARD_NAME "{board.name}"\n#define BOARD_TICK {self._number()}\n',
        }
        self.files |= {f"{folder}/{name}": text.encode() for name, text in texts.items()}
        self.files[f"{folder}/README.md"] = self._prose(12)

    def _render_matrix(self) -> str:
        lines = [_MATRIX]
        for name, machine, bits, order, _triple, _flags in self._ports:
            lines.append(
                f"  {name}:\n    maintainers: [Isa Thorne <isa@skerry.example>]\n"
                f'    machine: "{machine}"\n    bits: {bits}\n    byte_order: {order}\n    boards:\n'
            )
            lines += [f"      {board.name}:\n" for board in self._boards if board.port == name]
        lines.append('claims: ["boards/{board}/board.mk"]\n')
        return "".join(lines)

    def _number(self) -> int:
        return self._random.randrange(1, 1 << 15)

    def _prose(self, line_count: int) -> bytes:
        words = [
            "the",
            "tide",
            "turns",
            "and",
            "light",
            "is",
            "seen",
            "from",
            "far",
            "when",
            "fog",
            "lifts",
            "at",
            "dawn",
        ]
        lines = (" ".join(self._random.choices(words, k=14)) for _ in range(line_count))
        return ("\n".join(lines) + "\n").encode()

    def _edit(self, path: str, pattern: str, value: str) -> None:
        text, count = re.subn(pattern, value, self.files[path].decode(), count=1)
        if not count:
            raise ValueError(f"{path} has no {pattern}")
        self.files[path] = text.encode()

    def _change_board(self, number: int) -> str:
        board = self._random.choice(self._boards)
        if number % 3:
            self._edit(f"boards/{board.name}/board.c", r"seed = \d+", f"seed = {self._number()}")
        else:
            self._edit(f"boards/{board.name}/board.h", r"TICK \d+", f"TICK {self._number()}")
        return f"{board.name}: Tick in step"

    def _change_chip(self, number: int) -> str:
        chip = self._random.choice(self._random.choice(list(self._chips.values())))
        if number % 2:
            self._edit(f"chips/{chip}/chip.c", r"phase = \d+", f"phase = {self._number()}")
        else:
            self._edit(f"chips/{chip}/registers.h", r"BASE \d+", f"BASE {self._number()}")
        return f"{chip}: Start the clock later"

    def _used_driver(self) -> str:
        return self._random.choice(self._random.choice(self._boards).drivers)

    def _change_driver(self, _number: int) -> str:
        driver = self._used_driver()
        self._edit(f"drivers/{driver}.c", r"level = \d+", f"level = {self._number()}")
        return f"{driver}: Settle before the first reading"

    def _change_core(self, number: int) -> str:
        self._edit("include/tick.h", r"TICK_SHIFT \d+", f"TICK_SHIFT {number % 7 + 1}")
        return "core: Count in finer ticks"

    def _change_port(self, _number: int) -> str:
        port = self._random.choice(self._ports)[0]
        self._edit(f"ports/{port}/cpu.c", r"wait = \d+", f"wait = {self._number()}")
        return f"{port}: Wait for the bus"

    def _documents(self) -> list[str]:
        return sorted(path for path in self.files if path.startswith("docs/")) or ["core/README.md"]

    def _change_document(self, _number: int) -> str:
        path = self._random.choice(self._documents())
        self.files[path] += self._prose(3)
        return f"docs: Say more about {path}"

    def _move_document(self, _number: int) -> str:
        path = self._random.choice(self._documents())
        content = self.files.pop(path)
        self.files[f"docs/history/{path.rpartition('/')[2]}"] = content
        return f"docs: Keep {path} with the history"

    def _add_board(self, _number: int) -> str:
        board = self._draw_board(self._random.choice(self._ports)[0])
        self._write_board(board)
        self.files["matrix.yml"] = self._render_matrix().encode()
        return f"boards: Add {board.name}"

    def _move_driver(self, _number: int) -> str:
        """Move a driver to another class, and whoever uses it along."""
        old = self._used_driver()
        kind = self._random.choice([kind for kind in CLASSES if not old.startswith(f"{kind}/")])
        new = f"{kind}/{old.partition('/')[2]}"
        for extension in ("c", "h"):
            self.files[f"drivers/{new}.{extension}"] = self.files.pop(f"drivers/{old}.{extension}")
        self._edit(f"drivers/{new}.c", re.escape(f"drivers/{old}.h"), f"drivers/{new}.h")
        self._drivers[self._drivers.index(old)] = new
        for board in self._boards:
            if old in board.drivers:
                board.drivers = tuple(new if driver == old else driver for driver in board.drivers)
                self._edit(f"boards/{board.name}/board.mk", re.escape(old), new)
        return f"{old}: Move to {new}"


def _chip_files(chip: str, number: int) -> dict[str, str]:
    return {
        f"chips/{chip}/chip.mk": "CHIP_FLAGS := -DCHIP_READY=1\n",
        f"chips/{chip}/chip.c": _CHIP.format(chip=chip, number=number),
        f"chips/{chip}/registers.h": f"#define CHIP_BASE {number}\n",
        f"chips/{chip}/README.md": f"The chip {chip}: see its data sheet.\n",
    }


def _driver_files(driver: str, number: int) -> dict[str, str]:
    name = driver.partition("/")[2]
    return {
        f"drivers/{driver}.c": _DRIVER.format(driver=driver, name=name, number=number),
        f"drivers/{driver}.h": f"unsigned {name}(unsigned now);\n",
    }


def _calls(drivers: tuple[str, ...]) -> str:
    names = [driver.partition("/")[2] for driver in drivers]
    declared = "".join(f"unsigned {name}(unsigned now);\n" for name in names)
    return declared + "unsigned board_poll(unsigned now) { return seed" + "".join(f" + {n}(now)" for n in names) + "; }"


_MAKEFILE = """\
# make BOARD=… O=… [DEPS=1]; leaves $(O)/$(BOARD).elf
MAKEFLAGS += --no-builtin-rules --no-builtin-variables
.SUFFIXES:

include boards/$(BOARD)/board.mk
include ports/$(PORT)/port.mk
include chips/$(CHIP)/chip.mk

CC := $(ZIG) clang --target=$(TRIPLE)
CFLAGS := -std=c11 -Os -Wall -Wextra -ffreestanding -nostdinc -fno-builtin -fno-pic -fno-unwind-tables \\
\t-fno-asynchronous-unwind-tables $(PORT_FLAGS) $(CHIP_FLAGS) \\
\t-Iboards/$(BOARD) -Ichips/$(CHIP) -Iports/$(PORT) -Iinclude -I.
SOURCES := core/main.c ports/$(PORT)/cpu.c chips/$(CHIP)/chip.c boards/$(BOARD)/board.c $(DRIVERS:%=drivers/%.c)
OBJECTS := $(patsubst %.c,$(O)/%.o,$(notdir $(SOURCES)))
LINK := -T ports/$(PORT)/link.ld

ifdef DEPS
$(shell mkdir -p $(O)/reads)
LINK += --dependency-file=$(O)/reads/link.d
endif

$(O)/$(BOARD).elf: $(OBJECTS) ports/$(PORT)/link.ld
\t@$(ZIG) ld.lld --gc-sections --build-id=none -z max-page-size=4 $(LINK) $(OBJECTS) -o $@
ifdef DEPS
$(file >$(O)/reads/make.d,make: $(MAKEFILE_LIST))
endif

define compile
$(O)/$(notdir $(1:.c=.o)): $(1)
\t@$$(CC) $$(CFLAGS) $$(if $$(DEPS),-MMD -MF $$(O)/reads/$$(@F).d) -c $$< -o $$@
endef
$(foreach source,$(SOURCES),$(eval $(call compile,$(source))))
"""

_CORE = {
    "core/main.c": """\
#include "tick.h"
#include "board.h"
#include "cpu.h"

unsigned board_poll(unsigned now);
unsigned chip_start(unsigned now);
void cpu_wait(void);

static const char banner[] = BOARD_NAME " on " CPU_NAME;

void core_main(void) {
    unsigned now = chip_start(BOARD_TICK);
    for (unsigned at = 0; banner[at]; at++)
        now += (unsigned char)banner[at];
    for (;;) {
        now += board_poll(now) >> TICK_SHIFT;
        cpu_wait();
    }
}
""",
    "core/README.md": "What every board shares.\n",
    "include/tick.h": "#define TICK_SHIFT 3\n",
    "include/limits_of_light.h": "#define LIGHT_MAX 255\n",
    "README.md": "A firmware tree that was drawn by lot.\n",
}

_CPU = """\
void core_main(void);
static volatile unsigned count;

void cpu_wait(void) {
    static const unsigned wait = 100;
    for (count = 0; count < wait; count++)
        ;
}

void _start(void) { core_main(); }
"""

_LINK = f"""\
ENTRY(_start)
SECTIONS
{{
    . = {FLASH_AT:#x};
    .text : {{ *(.text*) *(.rodata*) *(.srodata*) }}
    . = 0x20000000;
    .bss (NOLOAD) : {{ *(.data*) *(.sdata*) *(.bss*) *(.sbss*) *(COMMON) }}
    /DISCARD/ : {{ *(.comment) *(.ARM.*) *(.MIPS.*) *(.reginfo) *(.note*) *(.eh_frame*) *(.drop*) }}
}}
"""

_CHIP = """\
#include "registers.h"
/* {chip} */
unsigned chip_start(unsigned now) {{
    unsigned phase = {number};
    for (unsigned bit = 0; bit < 16; bit++)
        now = now << 1 ^ (now >> 31 ? CHIP_BASE : phase);
    return now;
}}
"""

_DRIVER = """\
#include "drivers/{driver}.h"

unsigned {name}(unsigned now) {{
    unsigned level = {number};
    while (level > now)
        level -= now / 2 + 1;
    return level;
}}
"""

_WORK = """
__attribute__((section(".drop"))) unsigned {name}_work_{index}(unsigned now, const unsigned *tides) {{
    unsigned sum = {index};
    for (unsigned at = 0; at < now; at++) {{
        switch (tides[at] & 7) {{
        case 0: sum += tides[at] >> 3; break;
        case 1: sum ^= tides[at] << 5; break;
        case 2: sum -= tides[sum & 15]; break;
        case 3: sum = sum << 7 | sum >> 25; break;
        default: sum += at * {index}; break;
        }}
    }}
    return sum;
}}
"""

_BOARD = """\
#include "board.h"
/* {name} */
static const unsigned seed = {number};
{calls}
"""

_MATRIX = f"""\
matrix: 1
tree: generated
source_date: 2001-01-01
toolchains:
  bare-clang:
    probe: [python3, -m, ziglang, version]
    allow: ">=0.13,<1"
    install: pip install ziglang
recipes:
  board-make:
    build: [make, "BOARD={{board}}", "O={{out}}"]
    elf: "{{out}}/{{board}}.elf"
    keep_environment: [ZIG]
    time_limit: 120 s
parts:
  nor-1: {{capacity: 1 Mibit}}
every:
  toolchain: bare-clang
  recipe: board-make
  part: nor-1
  part_address: {FLASH_AT:#x}
  memories: {{ram: {{at: 0x2000_0000, size: 64 KiB}}}}
ports:
"""
