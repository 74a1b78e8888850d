"""
Where the compiler cache paid: clean builds, builds behind it, and builds behind ccache as it comes.

Run: python -m tests.benchmarks.bench_compile_cache

Every target of every tree of a history is built, one after the other, in one folder (arm-none-eabi-gcc, GNU make); the
ways take turns at each target, so that a slow moment of the machine is shared. CPU is counted of all processes, ours
included. "as it comes" gives wrong results in the cases of tests/integration/test_compile_cache*.py: it is here to show
what being right costs. The last table is the gate itself, carrying results, with the cache and without.
"""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from gatekeep.build.command import CancelToken
from gatekeep.build.compile_cache import CompileCache, find_compile_cache
from gatekeep.build.subprocess_runner import SubprocessRunner
from gatekeep.build.toolchain import DigestCache, ToolchainFacts
from gatekeep.build.tree_names import TreeNames, name_tree
from gatekeep.model.matrix import CacheWish, Toolchain
from gatekeep.tree.listing import FILE, Entry
from tests.repos import Content, GitFolder, clean_environment, make_repository

GCC = "arm-none-eabi-gcc"
KELP = Path(__file__).parent.parent / "data" / "kelp"
BOARDS = ("buoy", "float", "drogue")
COMMON_COUNT = 30
MATRIX = """\
matrix: 1
tree: kelp
source_date: 2001-01-01
toolchains:
  arm-gcc: {{probe: [arm-none-eabi-gcc, --version], programs: [[arm-none-eabi-gcc, -print-prog-name=cc1]]{cache}}}
recipes:
  board-make: {{build: [make, "BOARD={{board}}", "O={{out}}"], elf: "{{out}}/{{board}}.elf", time_limit: 120 s}}
every: {{toolchain: arm-gcc, recipe: board-make}}
ports:
  arm: {{maintainers: [Oda Brekke <oda@kelp.example>], machine: ARM, boards: {{{boards}}}}}
"""
CACHE = ", compile_cache: {in_front_of: [arm-none-eabi-gcc]}"
MAKEFILE = b"""\
CFLAGS := -O2 -mthumb -mcpu=cortex-m3 -ffreestanding -Iboards/$(BOARD) -Iinclude
SOURCES := $(wildcard common/*.c boards/$(BOARD)/*.c)
OBJECTS := $(SOURCES:%.c=$(O)/%.o)
$(O)/$(BOARD).elf: $(OBJECTS)
	arm-none-eabi-gcc -nostdlib -Wl,-e,start -o $@ $^
$(O)/%.o: %.c
	@mkdir -p $(@D)
	arm-none-eabi-gcc $(CFLAGS) -MMD -c -o $@ $<
"""

Files = dict[str | bytes, Content]


@dataclass(frozen=True, kw_only=True)
class History:
    """Trees of files, each the changes to the one before; and how each target is built: words for make."""

    name: str
    steps: Sequence[Files]
    targets: Sequence[Sequence[str]]


def make_history(function_count: int) -> History:
    """Code that boards share, some of their own, and what people change."""
    files: Files = {"Makefile": MAKEFILE, "include/tide.h": b"#include <stdint.h>\n#define TIDE 3\n"}
    files["include/log.h"] = b"extern volatile uint32_t log_word;\n"
    for number in range(COMMON_COUNT):
        files[f"common/part{number}.c"] = _write_source(f"part{number}", function_count)
    for number, board in enumerate(BOARDS):
        files[f"boards/{board}/pins.h"] = b"#define PIN %d\n" % number
        files[f"boards/{board}/{board}.c"] = _write_source(board, function_count)
        files[f"boards/{board}/start.c"] = (
            b'#include "tide.h"\n#include "pins.h"\nvolatile uint32_t log_word;\nvoid start(void) { log_word = PIN; }\n'
        )
    changes: list[Files] = [
        {"common/part3.c": _write_source("part3", function_count, seed=1)},
        {"boards/buoy/pins.h": b"#define PIN 7\n"},
        {"include/tide.h": b"#include <stdint.h>\n#define TIDE 4\n"},
        {"common/part4.c": _write_source("part4", function_count, seed=1)},
    ]
    lines = bytes(_bytes_of(files["common/part0.c"])).count(b"\n")
    return History(
        name=f"{len(BOARDS)} targets of {COMMON_COUNT + 2} sources, {lines} lines each, {1 + len(changes)} trees",
        steps=[files, *changes],
        targets=[[f"BOARD={board}"] for board in BOARDS],
    )


def _write_source(name: str, function_count: int, seed: int = 0) -> bytes:
    text = ['#include "tide.h"', '#include "log.h"']
    for number in range(function_count):
        text += [
            f"uint32_t {name}_{number}(const uint8_t *data, uint32_t count)",
            "{",
            f"    uint32_t sum = {number + seed}u;",
            "    for (uint32_t at = 0; at < count; at++) {",
            f"        switch (data[at] % {5 + number % 7}u) {{",
            "        case 0: sum = (sum << 5) ^ data[at]; break;",
            "        case 1: sum += TIDE * at; break;",
            "        case 2: log_word = sum; break;",
            "        case 3: sum = (sum >> 3) | (sum << 29); break;",
            "        default: sum ^= (uint32_t)data[at] << (at % 24u); break;",
            "        }",
            "    }",
            "    return sum;",
            "}",
        ]
    return "\n".join([*text, ""]).encode()


def _bytes_of(content: Content) -> bytes:
    if not isinstance(content, bytes):
        raise TypeError("only plain files here")
    return content


def read_kelp() -> History:
    """The small tree of the tests, three times over: nothing changes but a word in its application."""
    files: Files = {str(path.relative_to(KELP)): path.read_bytes() for path in KELP.rglob("*") if path.is_file()}
    main = _bytes_of(files["app/main.c"])
    changes: list[Files] = [{"app/main.c": main + b"/* %d */\n" % number} for number in range(2)]
    words = ["CROSS=arm-none-eabi-", "FLAGS=-mcpu=cortex-m3 -mthumb"]
    return History(name="kelp: 1 target of 3 sources, 3 trees", steps=[files, *changes], targets=[words])


def find_cache(folder: Path) -> CompileCache:
    """Give the cache as the gate would."""
    toolchain = Toolchain(name="arm-gcc", probe=(GCC, "--version"), compile_cache=CacheWish(in_front_of=(GCC,)))
    with SubprocessRunner() as runner, CancelToken() as cancel:
        found = find_compile_cache(
            toolchain,
            ToolchainFacts(name="arm-gcc", version="", first_line="", output_sha256=""),
            folder=folder,
            runner=runner,
            environment={"PATH": os.environ["PATH"], "LC_ALL": "C"},
            scratch=folder,
            digests=DigestCache(None),
            cancel=cancel,
        )
    if not isinstance(found, CompileCache):
        raise SystemExit(f"there is no compiler cache here: {found}")
    return found


def list_names(tree: Path) -> TreeNames:
    """Tell its names as a worker's tree does."""
    folders = [b"", *(os.fsencode(folder.relative_to(tree)) for folder in tree.rglob("*") if folder.is_dir())]
    entries = {str(path.relative_to(tree)): Entry(FILE, "") for path in tree.rglob("*") if path.is_file()}
    changed_ns = max((tree / os.fsdecode(folder)).stat().st_ctime_ns for folder in folders)
    return name_tree(entries, folders, changed_ns=changed_ns)


class Ways:
    """The environment of each way to build a tree."""

    def __init__(self, folder: Path, tree: Path) -> None:
        self._folder, self._tree = folder, tree
        self._clean = {
            "PATH": os.environ["PATH"],
            "LC_ALL": "C",
            "SOURCE_DATE_EPOCH": "1000000000",
            "HOME": str(folder),
        }
        for name in ("tmp", "links", "ours", "ours-by-text"):
            (folder / name).mkdir()
        (folder / "links" / GCC).symlink_to(shutil.which("ccache") or "")
        self._caches = {name: find_cache(folder / name) for name in ("ours", "ours-by-text")}

    def list_environments(self) -> dict[str, Mapping[str, str]]:
        """Give them for the tree as it is now."""
        ours = {}
        for name, cache in self._caches.items():
            programs = self._folder / f"{name}-programs"
            shutil.rmtree(programs, ignore_errors=True)
            ours[name] = cache.stand_in_front(
                self._clean,
                folder=programs,
                tree=self._tree,
                out=self._folder / "out",
                tmp=self._folder / "tmp",
                names=list_names(self._tree) if name == "ours" else None,
            )
        linked = self._clean | {"PATH": f"{self._folder / 'links'}:{self._clean['PATH']}"}
        return {
            "clean": self._clean,
            "behind our cache": ours["ours"],
            "without its direct mode": ours["ours-by-text"],
            "as it comes, preprocessor mode": linked
            | {"CCACHE_DIR": str(self._folder / "plain"), "CCACHE_NODIRECT": "1"},
            "as it comes, direct mode": linked | {"CCACHE_DIR": str(self._folder / "direct")},
        }


def measure_builds(history: History) -> None:
    """Print wall time and CPU of each way, over all targets of all trees; the first tree is found cold."""
    with tempfile.TemporaryDirectory() as scratch:
        folder, tree = Path(scratch), Path(scratch, "tree")
        ways = Ways(folder, tree)
        spent: dict[str, list[list[float]]] = {}
        for number, step in enumerate(history.steps):
            for path, content in step.items():
                place = tree / os.fsdecode(path)
                place.parent.mkdir(parents=True, exist_ok=True)
                place.write_bytes(_bytes_of(content))
            environments = ways.list_environments()
            for words in history.targets:
                for way, environment in environments.items():
                    out = folder / "out"
                    shutil.rmtree(out, ignore_errors=True)
                    out.mkdir()
                    subprocess.run(["make", "clean"], cwd=tree, env=environment, capture_output=True)
                    before, began_at = _count_cpu(), time.perf_counter()
                    subprocess.run(
                        ["make", *words, f"O={out}"], cwd=tree, env=environment, check=True, capture_output=True
                    )
                    wall_and_cpu = spent.setdefault(way, [[0.0, 0.0], [0.0, 0.0]])[min(number, 1)]
                    wall_and_cpu[0] += time.perf_counter() - began_at
                    wall_and_cpu[1] += _count_cpu() - before
        print(f"{history.name}\n  {'':32}  first tree, cold          later trees")
        (clean_cold, clean_warm) = spent["clean"]
        for way, (cold, warm) in spent.items():
            print(
                f"  {way:32}  {cold[0]:6.2f} s wall {cold[1]:6.2f} s CPU ({clean_cold[1] / cold[1]:.2f} times)"
                f"  {warm[0]:6.2f} s wall {warm[1]:6.2f} s CPU ({clean_warm[1] / warm[1]:.2f} times)"
            )
        print()


def _count_cpu() -> float:
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    return usage.ru_utime + usage.ru_stime


def measure_gate(history: History) -> None:
    """Print wall time and CPU of the gate over the same history, carrying results."""
    print(f"the gate, carrying results: {history.name}")
    with tempfile.TemporaryDirectory() as scratch:
        spent: list[tuple[float, float]] = []
        for name, cache in (("without", ""), ("with the cache", CACHE)):
            repository = make_repository(Path(scratch, name.split()[0]))
            matrix = MATRIX.format(cache=cache, boards=", ".join(f"{board}: " for board in BOARDS)).encode()
            repository.commit({**history.steps[0], "matrix.yml": matrix})
            repository.git("branch", "base", "main")
            for step in history.steps[1:]:
                repository.commit(step)
            before, began_at = _count_cpu(), time.perf_counter()
            _gate(repository)
            spent.append((time.perf_counter() - began_at, _count_cpu() - before))
            print(f"  {name:16} {spent[-1][0]:6.2f} s wall {spent[-1][1]:6.2f} s CPU")
        print(f"  {'':16} {spent[0][0] / spent[1][0]:.2f} times in wall time, {spent[0][1] / spent[1][1]:.2f} in CPU\n")


def _gate(repository: GitFolder) -> None:
    environment = clean_environment() | {"PYTHONPATH": str(Path(__file__).parents[2])}
    command = [sys.executable, "-m", "gatekeep", "gate", "base", "main"]
    subprocess.run(command, cwd=repository.path, env=environment, check=True, capture_output=True)


def main() -> None:
    """Print each figure beside its peer."""
    small, large = make_history(2), make_history(24)
    measure_builds(read_kelp())
    for history in (small, large):
        measure_builds(history)
        measure_gate(history)


if __name__ == "__main__":
    main()
