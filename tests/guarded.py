"""
A small firmware tree whose gate has something of everything to loosen, and the gate run on changes to it.

Three boards of one C file each: a build takes a tenth of a second. Gates share one store, so the base is built once.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from gatekeep.cli.main import run
from tests.repos import Content, GitFolder, make_repository
from tests.ssh_keys import KeyPair, make_key

TODAY = datetime.now(UTC).date()

MAKEFILE = """\
include boards/$(BOARD)/board.mk
FLAGS := -mcpu=cortex-m3 -mthumb -Os -ffreestanding -nostdlib $(WARN) -DBLINKS=$(BLINKS)

$(O)/$(BOARD).elf: src/main.c link.ld
\tarm-none-eabi-gcc $(FLAGS) -Wl,-T,link.ld -o $@ src/main.c
"""
LINK = """\
MEMORY { flash (rx) : ORIGIN = 0x08000000, LENGTH = 4K }
ENTRY(main)
SECTIONS { .text : { *(.text*) *(.rodata*) } > flash  /DISCARD/ : { *(.ARM*) *(.comment) *(.data*) *(.bss*) } }
"""
MAIN = "int main(void)\n{\n    return BLINKS;\n}\n"
MATRIX = """\
matrix: 1
tree: kelp
source_date: 2024-05-01
toolchains:
  arm-gcc: {probe: [arm-none-eabi-gcc, --version], allow: ">=10,<20"}
recipes:
  board-make:
    build: [make, "BOARD={board}", "O={out}", "WARN=-Wall -Werror"]
    elf: "{out}/{board}.elf"
    time_limit: 60 s
parts:
  internal: {capacity: 256 B, reserve: 10 %}
every: {toolchain: arm-gcc, recipe: board-make, part: internal, part_address: 0x0800_0000}
ports:
  cortex-m:
    maintainers: ["Oda Brekke <oda@kelp.example>"]
    machine: ARM
    bits: 32
    byte_order: little
    boards:
      buoy:
      float:
  cortex-r:
    maintainers: ["Oda Brekke <oda@kelp.example>"]
    machine: ARM
    boards:
      pier:
claims: ["boards/{board}/board.mk"]
rules: {new_warnings: block, growth_per_change: {flash: 64 B}}
approvers:
  oda: {key: "KEY"}
"""
BREAK = MAIN.replace("return", "#if BLINKS == 3\n#error not yet\n#endif\n    return")
"""Breaks the pier alone."""

FAT = MAIN + "__attribute__((used)) const int table[80] = {1};\n"
"""Takes 320 bytes more, of 256."""


def waiver(
    name: str = "pier-part", *, until_in_days: int = 20, targets: str = "cortex-r/pier", rule: str = "broken"
) -> str:
    """One waiver that began today."""
    return (
        f"  {name}:\n    rule: {rule}\n    targets: [{targets}]\n    reason: the new part comes in June\n"
        f"    who: Oda Brekke <oda@kelp.example>\n    since: {TODAY}\n"
        f"    until: {TODAY + timedelta(days=until_in_days)}\n"
    )


class Guarded:
    """The repository; `oda` is the key that the base trusts."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.oda: KeyPair = make_key(folder / "keys", "oda")
        self.store = folder / "store"
        self.matrix = MATRIX.replace("KEY", self.oda.public)
        self.repository: GitFolder = make_repository(folder / "kelp")
        files: dict[str | bytes, Content] = {
            "Makefile": MAKEFILE.encode(),
            "link.ld": LINK.encode(),
            "src/main.c": MAIN.encode(),
            "matrix.yml": self.matrix.encode(),
            "waivers.yml": b"waivers: 1\ngranted:\n" + waiver().encode(),
        }
        for number, board in enumerate(("buoy", "float", "pier"), 1):
            files[f"boards/{board}/board.mk"] = f"BLINKS := {number}\n".encode()
        self.base = self.repository.commit(files, message="Import")
        self._branches = 0

    def propose(self, *steps: Mapping[str | bytes, Content], base: str = "") -> str:
        """Commit these steps one after another on a branch of their own; give the last."""
        self._branches += 1
        branch = f"topic-{self._branches}"
        tip = base or self.base
        for number, step in enumerate(steps):
            tip = self.repository.commit(step, branch=branch, parents=[tip], message=f"Step {number + 1}")
        return tip

    def edit(self, *pairs: tuple[str, str]) -> dict[str | bytes, Content]:
        """The matrix with these texts replaced; each stands there once."""
        text = self.matrix
        for old, new in pairs:
            assert text.count(old) == 1, old
            text = text.replace(old, new)
        return {"matrix.yml": text.encode()}

    def gate(
        self, head: str, *arguments: str, base: str = "", capsys: pytest.CaptureFixture[str] | None = None
    ) -> tuple[int, dict[str, Any], str]:
        """Give exit code, JSON report and what stood on the screen."""
        out = self.folder / "out.json"
        out.unlink(missing_ok=True)
        code = run(["gate", base or self.base, head, "--json", str(out), *self._where(), *arguments])
        shown = capsys.readouterr() if capsys is not None else None
        report = json.loads(out.read_text()) if out.exists() else {}
        return code, report, (shown.out + shown.err) if shown is not None else ""

    def approve(self, head: str, *arguments: str, key: KeyPair | None = None, base: str = "") -> int:
        """Sign what a change loosens, by default as Oda."""
        private = str((key or self.oda).private)
        return run(["approve", base or self.base, head, "--key", private, "--yes", *self._where(), *arguments])

    def list_approvals(self) -> Sequence[str]:
        """The refs of all approvals."""
        return self.repository.ask("for-each-ref", "--format=%(refname)", "refs/gatekeep").split()

    def drop_approvals(self) -> None:
        for ref in self.list_approvals():
            self.repository.git("update-ref", "-d", ref)

    def _where(self) -> tuple[str, ...]:
        return ("--repository", str(self.repository.path), "--store", str(self.store))


def rules_of(report: dict[str, Any]) -> set[str]:
    """The rules that block."""
    return {reason["rule"] for reason in report["reasons"]}
