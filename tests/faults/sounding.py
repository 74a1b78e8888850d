"""
A small firmware tree for trials, and the gate run on it as its users run it: a process of its own.

The tree is Sounding: four boards of one port, three commits on a branch, of which the second outgrows the smallest
board and the third breaks another. Real git, real GNU make, Debian's cross GCC, real ELF images; one build takes about
a twentieth of a second.
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import re
import select
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gatekeep.history.store import SqliteStore
from tests.repos import Content, GitFolder, make_repository

BOARDS = ("deep", "ebb", "flow", "gauge")
MATRIX = b"""\
matrix: 1
tree: sounding
source_date: 2024-05-01
toolchains:
  arm-gcc: {probe: [arm-none-eabi-gcc, --version], allow: ">=10"}
recipes:
  board-make: {build: [make, "BOARD={board}", "O={out}"], elf: "{out}/{board}.elf", time_limit: 60 s}
parts:
  inner: {capacity: 1 KiB}
every: {toolchain: arm-gcc, recipe: board-make, part: inner}
ports:
  arm:
    maintainers: ["Oda Brekke <oda@sounding.example>"]
    machine: ARM
    bits: 32
    byte_order: little
    part_address: 0x0800_0000
    memories: {ram: {at: 0x2000_0000, size: 4 KiB}}
    boards: {deep: , ebb: , flow: , gauge: }
rules: {new_warnings: block}
"""
MAKEFILE = b"""\
CC = arm-none-eabi-gcc -mcpu=cortex-m3 -mthumb -Os -Wall -ffreestanding
$(O)/$(BOARD).elf: $(O)/main.o $(O)/board.o
\t$(CC) -nostdlib -T flash.ld -o $@ $^
$(O)/main.o: main.c
\t$(CC) -c -o $@ $<
$(O)/board.o: boards/$(BOARD).c
\t$(CC) -c -o $@ $<
"""
LINKER_SCRIPT = b"""\
ENTRY(main)
SECTIONS { .text 0x08000000 : { *(.text*) *(.rodata*) } .bss 0x20000000 : { *(.bss*) *(.data*) } /DISCARD/ : { *(*) } }
"""
MAIN = b"int depth(void);\nint main(void) { return depth(); }\n"


def board(name: str, size: int = 16) -> bytes:
    """A board's source with a table of so many bytes."""
    table = b"static const unsigned char table[%d] = {%d};\n" % (size, len(name))
    return table + b"int depth(void) { return table[*(volatile int *)0x20000000]; }\n"


def make_tree(folder: Path) -> GitFolder:
    """Make the repository: `main`, and `change` with three commits on it."""
    repository = make_repository(folder)
    files: dict[str | bytes, Content] = {
        "matrix.yml": MATRIX,
        "Makefile": MAKEFILE,
        "flash.ld": LINKER_SCRIPT,
        "main.c": MAIN,
        **{f"boards/{name}.c": board(name) for name in BOARDS},
    }
    base = repository.commit(files, message="Sound the harbour")
    first = repository.commit(
        {"main.c": MAIN + b"/* slowly */\n"}, message="Go slowly", branch="change", parents=[base]
    )
    second = repository.commit(
        {"boards/gauge.c": board("gauge", 1100)}, message="gauge: A longer table", branch="change", parents=[first]
    )
    repository.commit(
        {"boards/ebb.c": board("ebb") + b"int ebb(void) { return tide; }\n"},
        message="ebb: Turn",
        branch="change",
        parents=[second],
    )
    return repository


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What one run of the gate said; `report` is None where it wrote none."""

    exit_code: int
    report: dict[str, Any] | None
    output: str
    errors: str

    def verdict(self) -> Any:
        """All of the verdict that must not depend on how often, when or where it was built."""
        assert self.report is not None, self.errors
        reasons = [
            (entry["rule"], entry["commit"], entry["targets"], entry["message"], entry["place"])
            for entry in (*self.report["reasons"], *self.report["notices"])
        ]
        return self.exit_code, self.report["verdict"], reasons, sorted(self.outcomes().items())

    def outcomes(self) -> dict[tuple[str, str], tuple[str, str]]:
        """Give outcome and regions by target and commit."""
        assert self.report is not None, self.errors
        return {
            (entry["target"], entry.get("commit", "")): (
                entry["outcome"],
                json.dumps(entry["regions"], sort_keys=True),
            )
            for entry in self.report["results"]
        }


class Sounding:
    """The tree, and the gate run on it with one store."""

    def __init__(self, repository: GitFolder, store: Path, *, environment: dict[str, str] | None = None) -> None:
        self.repository, self.store = repository, store
        self.report = store.parent / f"{store.name}.json"
        self.environment = {"PATH": os.environ["PATH"], "HOME": str(store.parent), **(environment or {})}

    def command(self, *arguments: str) -> list[str]:
        gate = [sys.executable, "-m", "gatekeep", "gate", "main", "change", "--store", str(self.store)]
        return [*gate, "--workers", "2", "--json", str(self.report), *arguments]

    def start(self, *arguments: str, errors: Any = subprocess.PIPE) -> subprocess.Popen[str]:
        """Start the gate in a session of its own."""
        self.report.unlink(missing_ok=True)
        return subprocess.Popen(
            self.command(*arguments),
            cwd=self.repository.path,
            env=self.environment,
            stdout=subprocess.PIPE,
            stderr=errors,
            text=True,
            start_new_session=True,
        )

    def finish(self, process: subprocess.Popen[str]) -> Answer:
        output, errors = process.communicate(timeout=240)
        return self.read_answer(process.returncode, output=output or "", errors=errors or "")

    def read_answer(self, exit_code: int, *, output: str = "", errors: str = "") -> Answer:
        """Give what a run said that ended so, with the report that it has left."""
        report = json.loads(self.report.read_text()) if self.report.exists() else None
        return Answer(exit_code=exit_code, report=report, output=output, errors=errors)

    def run(self, *arguments: str) -> Answer:
        return self.finish(self.start(*arguments))

    def list_lost(self, errors: str) -> list[str]:
        """Give every result that a run told of and the store does not have."""
        with SqliteStore(self.store / "evidence.db") as store:
            trees = [
                self.repository.tree_of(commit) for commit in self.repository.ask("rev-list", "--all").splitlines()
            ]
            kept = {(entry.commit_id[:10], entry.target) for entry in store.list_evidence(trees)}
        told = {(found[1], found[2]) for found in TOLD.finditer(errors)}
        return sorted(f"{commit} {target}" for commit, target in told - kept)

    def check_store(self) -> str:
        """Ask SQLite itself whether the file is sound."""
        with contextlib.closing(sqlite3.connect(self.store / "evidence.db")) as connection:
            return str(connection.execute("PRAGMA integrity_check").fetchone()[0])


#: `3 of 16  0123abcdef arm/ebb: built in 0.05 s, …`: a result that may be reused.
TOLD = re.compile(r"^ *\d+ of \d+  ([0-9a-f]{10}) (\S+): (?:built|broken|outgrown)", re.MULTILINE)


@contextlib.contextmanager
def adopting() -> Iterator[None]:
    """Have every process that a run leaves behind become a child of this one, where it is seen."""
    _set_subreaper(1)
    try:
        yield
    finally:
        _set_subreaper(0)


def _set_subreaper(value: int) -> None:
    done = ctypes.CDLL(None, use_errno=True).prctl(_PR_SET_CHILD_SUBREAPER, value, 0, 0, 0)
    assert done == 0, os.strerror(ctypes.get_errno())


#: prctl(2)
_PR_SET_CHILD_SUBREAPER = 36


def list_below(pid: int) -> list[int]:
    """Give the processes below one, the living only, in no promised order; proc_pid_task(5), children."""
    found: list[int] = []
    waiting = [pid]
    while waiting:
        for path in Path(f"/proc/{waiting.pop()}/task").glob("*/children"):
            with contextlib.suppress(OSError):
                children = [int(text) for text in path.read_text().split()]
                waiting += children
                found += [child for child in children if not _has_ended(child)]
    return found


def _has_ended(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_bytes().rpartition(b") ")[2][:1] == b"Z"
    except OSError:
        return True


def wait_until_alone(before: Collection[int], limit_s: float = 20.0) -> list[int]:
    """
    Wait until nothing runs below this process but what did before, and reap it; give what is left after so long.

    To be called in `adopting`.
    """
    ends_at = time.monotonic() + limit_s
    while True:
        left = [pid for pid in list_below(os.getpid()) if pid not in before]
        for pid in left:
            with contextlib.suppress(ChildProcessError):
                os.waitpid(pid, os.WNOHANG)
        if not left or time.monotonic() > ends_at:
            return left
        _wait_for_end(left[0], ends_at - time.monotonic())


def _wait_for_end(pid: int, limit_s: float) -> None:
    try:
        descriptor = os.pidfd_open(pid)
    except ProcessLookupError:
        return
    try:
        select.select([descriptor], [], [], max(0.0, limit_s))
    finally:
        os.close(descriptor)


def kill(pid: int) -> bool:
    """End a process as a power cut would; False when it is gone already."""
    try:
        os.kill(pid, signal.SIGKILL)
    except ProcessLookupError:
        return False
    return True
