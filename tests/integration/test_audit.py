"""
Audits from the command line: real git, real builds by Debian's ARM GCC.

The tree has four boards. One is honest. Two hide what they depend on: they ask for the size of a text file, by a name
that stands nowhere, and read nothing of it; one of the two changes a size, the other only a byte. The last puts a
random number into its image.
"""

from __future__ import annotations

import fcntl
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from tests.repos import GitFolder, make_repository

SCHEMA = Path(__file__).parents[2] / "gatekeep" / "report" / "audit.schema.json"
MATRIX = b"""\
matrix: 1
tree: kelp
source_date: 2024-05-01
toolchains:
  arm-gcc: {probe: [arm-none-eabi-gcc, --version], allow: ">=10"}
recipes:
  plain: {build: [[sh, build.sh, "{board}", "{out}"]], elf: "{out}/{board}.elf", time_limit: 60 s}
parts:
  internal: {capacity: 4 KiB}
every: {toolchain: arm-gcc, recipe: plain, part: internal}
ports:
  arm:
    maintainers: ["Oda Brekke <oda@kelp.example>"]
    machine: ARM
    bits: 32
    byte_order: little
    part_address: 0x0800_0000
    memories: {ram: {at: 0x2000_0000, size: 4 KiB}}
    boards: {BOARDS}
"""
# The name of the file, charts/depth.txt, in hexadecimal: no word of it stands in what a build reads.
DEPTH = b"""\
import os, sys
size = os.stat(bytes.fromhex("6368617274732f64657074682e747874")).st_size
print(f"#define DEPTH {size}", file=open(sys.argv[1], "w"))
"""
BUILD = b"""\
set -e
python3 tools/depth.py $2/depth.h
token=$(od -An -N8 -tx1 /dev/urandom | tr -d ' ')
arm-none-eabi-gcc -mcpu=cortex-m3 -mthumb -Os -ffreestanding -nostdlib -Wall -I$2 -Ilib -DTOKEN=\\"$token\\" \\
    -Wl,--build-id=none -T link.ld "$PWD/boards/$1.c" lib/tide.c -o $2/$1.elf
"""
LINK = b"""\
MEMORY { flash (rx) : ORIGIN = 0x08000000, LENGTH = 4K  ram (rw) : ORIGIN = 0x20000000, LENGTH = 4K }
ENTRY(start)
SECTIONS {
  .text : { KEEP(*(.text .text.* .rodata .rodata.*)) } > flash
  .bss (NOLOAD) : { KEEP(*(.bss .bss.*)) } > ram
}
"""
START = b"#include <tide.h>\nint start(void) { int unused; return tide(2); }\n"
FILES: dict[str | bytes, Any] = {
    "build.sh": BUILD,
    "link.ld": LINK,
    "tools/depth.py": DEPTH,
    "charts/depth.txt": b"12 m\n",
    "charts/pier.txt": b"3 m\n",
    "lib/tide.h": b"int tide(int);\n",
    "lib/tide.c": b"#include <tide.h>\nint tide(int hours) { return hours * 30; }\n",
    "boards/vale.c": START,
    "boards/holm.c": START,
    "boards/grown.c": START + b"#include <depth.h>\n__attribute__((used)) char log_space[DEPTH];\n",
    "boards/twisted.c": START + b"#include <depth.h>\n__attribute__((used)) const int depth = DEPTH;\n",
    "boards/random.c": START + b"__attribute__((used)) const char token[] = TOKEN;\n",
    "boards/placed.c": START + b"__attribute__((used)) const char place[] = __FILE__;\n",
}


@dataclass(frozen=True)
class Answer:
    code: int
    text: str
    errors: str
    json: dict[str, Any]


class Kelp:
    def __init__(self, folder: Path, boards: str) -> None:
        self.repository: GitFolder = make_repository(folder / "kelp")
        self.store = folder / "store"
        self.json = folder / "out.json"
        matrix = MATRIX.replace(b"BOARDS", boards.encode())
        self.base = self.repository.commit({**FILES, "matrix.yml": matrix}, message="Import")

    def run(self, command: str, *arguments: str) -> Answer:
        self.json.unlink(missing_ok=True)
        done = subprocess.run(
            [sys.executable, "-m", "gatekeep", command, *arguments, "--store", str(self.store)],
            cwd=self.repository.path,
            env={"PATH": os.environ["PATH"], "HOME": str(self.store.parent)},
            capture_output=True,
            text=True,
            timeout=300,
        )
        report = json.loads(self.json.read_text()) if self.json.exists() else {}
        if command == "audit" and report:
            jsonschema.validate(report, json.loads(SCHEMA.read_text()))
        return Answer(done.returncode, done.stdout, done.stderr, report)

    def gate(self, *arguments: str) -> Answer:
        return self.run("gate", self.base, "main", "--json", str(self.json), *arguments)

    def audit(self, *arguments: str) -> Answer:
        return self.run("audit", f"{self.base}..main", "--json", str(self.json), *arguments)


def standings(answer: Answer) -> dict[str, str]:
    return {result["target"]: result["standing"] for result in answer.json["results"]}


@contextmanager
def first_workplace_taken(kelp: Kelp) -> Iterator[None]:
    """Builds go to another folder than those before: what holds its own path comes out otherwise."""
    with (kelp.store / "trees" / "001" / "tree.lock").open() as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Answer]:
    """A change that two boards depend on unseen: gate, audit, gate, clear, gate, one after the other."""
    kelp = Kelp(tmp_path_factory.mktemp("story"), "vale: , grown: , twisted: , random: , placed: ")
    kelp.repository.commit({"charts/depth.txt": b"12 m at low water\n"}, message="Say when it was sounded")
    told = {"gate": kelp.gate("--workers", "1")}
    with first_workplace_taken(kelp):
        told["audit"] = kelp.audit("--workers", "1")
    told["audit again"] = kelp.audit()
    told["barred"] = kelp.run("audit", "--barred")
    kelp.repository.commit({"charts/pier.txt": b"4 m\n"}, message="Sound the pier")
    told["gate after"] = kelp.gate()
    told["clear"] = kelp.run("audit", "--clear", "arm/grown")
    told["clear again"] = kelp.run("audit", "--clear", "arm/grown")
    kelp.repository.commit({"charts/pier.txt": b"5 m\n"}, message="Sound it again")
    told["gate when cleared"] = kelp.gate()
    return told


def test_what_was_read_unseen_is_carried_at_first(story: dict[str, Answer]) -> None:
    assert story["gate"].code == 0
    assert story["gate"].json["carried"] == 5


def test_an_audit_finds_what_was_carried_wrongly_and_what_is_only_unsteady(story: dict[str, Answer]) -> None:
    assert story["audit"].code == 3
    assert standings(story["audit"]) == {
        "arm/vale": "equal",
        "arm/grown": "mismatch",
        "arm/twisted": "mismatch",
        "arm/random": "not-reproducible",
        "arm/placed": "not-reproducible",
    }
    assert story["audit"].text.splitlines()[-1] == "verdict: undecided, 2 results carried wrongly"


def test_a_mismatch_names_what_differs_and_what_it_was_carried_over(story: dict[str, Answer]) -> None:
    result = next(one for one in story["audit"].json["results"] if one["target"] == "arm/grown")
    assert result["carried_from"]["commit"] == story["gate"].json["change"]["base"]["id"]
    assert result["changed_paths"] == ["charts/depth.txt is modified"]
    found = {(one["aspect"], one["name"]): (one["carried"], one["clean"]) for one in result["differences"]}
    # 5 and 18 bytes: the lengths of the two texts in the commits.
    assert found["region", "ram"] == ("5 of 4096 bytes", "18 of 4096 bytes")
    assert found["symbol", "log_space"] == ("5 bytes", "18 bytes")
    assert ("artifact", "out/grown.elf") in found
    twisted = next(one for one in story["audit"].json["results"] if one["target"] == "arm/twisted")
    assert [(one["aspect"], one["name"]) for one in twisted["differences"]] == [("artifact", "out/twisted.elf")]
    assert "one of these was read unseen: charts/depth.txt is modified" in story["audit"].text


def test_an_unsteady_build_is_reported_as_what_it_is(story: dict[str, Answer]) -> None:
    notes = {one["target"]: one["notes"] for one in story["audit"].json["results"] if one["notes"]}
    assert sorted(notes) == ["arm/placed", "arm/random"]
    assert notes["arm/random"][0].startswith("out/random.elf: two clean builds differ first at byte ")
    assert "time of day" in notes["arm/random"][0]
    assert "-ffile-prefix-map={tree}=." in notes["arm/placed"][0]


def test_clean_builds_are_kept_and_take_the_place_of_what_was_carried(story: dict[str, Answer]) -> None:
    assert story["audit again"].code == 0
    assert story["audit again"].json["results"] == []
    assert "nothing was carried: nothing to audit" in story["audit again"].text


def test_the_next_gate_builds_what_is_barred_and_sees_the_truth(story: dict[str, Answer]) -> None:
    report = story["gate after"].json
    head = report["change"]["head"]["id"]
    at_head = {one["target"]: one for one in report["results"] if one["commit"] == head}
    assert {name: one["built_because"] for name, one in at_head.items() if one["carried_from"] is None} == {
        "arm/grown": "an audit found its carried results wrong",
        "arm/twisted": "an audit found its carried results wrong",
    }
    assert [use["used_bytes"] for use in at_head["arm/grown"]["regions"] if use["name"] == "ram"] == [18]


def test_a_bar_is_listed_cleared_and_gone(story: dict[str, Answer]) -> None:
    lines = story["barred"].text.splitlines()
    assert [line.partition(":")[0] for line in lines] == ["arm/grown", "arm/twisted"]
    base = story["gate"].json["change"]["base"]["id"][:10]
    assert lines[1].endswith(f": out/twisted.elf, carried from {base}")
    assert story["clear"].code == 0
    assert story["clear"].text == lines[0].replace("barred", "cleared", 1) + "\n"
    assert story["clear again"].code == 2
    assert story["clear again"].errors == (
        "gatekeep: --clear: arm/grown is not barred, and no builds of it contradict each other; "
        "gatekeep audit --barred lists what is barred\n"
    )
    report = story["gate when cleared"].json
    head = report["change"]["head"]["id"]
    built = {one["target"] for one in report["results"] if one["commit"] == head and one["carried_from"] is None}
    assert built == {"arm/twisted"}


def test_a_small_history_is_audited_without_a_difference(tmp_path: Path) -> None:
    kelp = Kelp(tmp_path, "vale: , holm: ")
    kelp.repository.commit({"charts/pier.txt": b"4 m\n"}, message="Sound the pier")
    kelp.repository.commit(
        {"lib/tide.c": b"#include <tide.h>\nint tide(int h) { return h * 31; }\n"}, message="Correct"
    )
    kelp.repository.commit({"charts/buoy.txt": b"red\n"}, message="Describe the buoy")
    # Nothing is stored yet: the audit carries by itself, as the gate would.
    first = kelp.audit("--sample", "1")
    assert first.code == 0, first.errors
    assert first.json["carried"] == 4
    assert [one["standing"] for one in first.json["results"]] == ["equal"]
    rest = kelp.audit()
    assert rest.code == 0, rest.errors
    assert [one["standing"] for one in rest.json["results"]] == ["equal"] * 3
    assert rest.text.splitlines()[1:] == [
        "3 carried results, 3 audited: 3 equal to a clean build",
        "",
        "verdict: pass",
    ]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ([], "gatekeep: audit: name either a range such as main..HEAD, or --clear TARGET, or --barred"),
        (
            ["main", "--barred"],
            "gatekeep: audit: name either a range such as main..HEAD, or --clear TARGET, or --barred",
        ),
        (
            ["a...b"],
            "gatekeep: audit: a range is BASE..HEAD or one commit, got 'a...b'; write for instance main..HEAD",
        ),
        (["..b"], "gatekeep: audit: a range is BASE..HEAD or one commit, got '..b'; write for instance main..HEAD"),
    ],
)
def test_wrong_usage_exits_with_2_and_says_what_is_wanted(tmp_path: Path, arguments: list[str], message: str) -> None:
    answer = Kelp(tmp_path, "vale: ").run("audit", *arguments)
    assert (answer.code, answer.errors) == (2, f"{message}\n")
