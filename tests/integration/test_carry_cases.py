"""
A history made to be carried wrongly: every commit changes what one target builds by a way that leaves little trace.

Real git, GNU make, GCC and Python. The target `near` looks for everything; its neighbour `far` asks for nothing of what
changes. The whole history is gated once with carrying and once from nothing in a fresh store, and the two must agree at
every commit: outcome, sizes, and the bytes of the image.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import pytest

from gatekeep.history.store import SqliteStore
from gatekeep.model.evidence import Built, Evidence, name_outcome
from gatekeep.runner.reach import find_reach
from gatekeep.runner.reach_trees import TreeComparer
from gatekeep.tree.repository import open_repository
from tests.repos import Content, Executable, GitFolder, Link, clean_environment, make_repository

GATE = (sys.executable, "-m", "gatekeep", "gate", "--workers", "2")
MATRIX = b"""\
matrix: 1
tree: moor
source_date: 2001-01-01
toolchains:
  host-gcc: {probe: [gcc, --version], programs: [gcc]}
recipes:
  folder-make: {build: [make, -C, "{board}", "O={out}"], elf: "{out}/{board}.elf", time_limit: 60 s}
every: {toolchain: host-gcc, recipe: folder-make}
ports:
  x86:
    maintainers: [Isa Thorne <isa@skerry.example>]
    machine: X86_64
    boards: {near: , far: }
"""
LINK = b"-Os -ffreestanding -nostdlib -static -no-pie -fno-pic -Wl,--build-id=none -Wl,-e,start"
NEAR_MAKEFILE = (
    b"""\
CFLAGS := """
    + LINK
    + b""" -I../first -I../include -I../hidden
FAMILY = sky
LATE = lark
include $(wildcard ../places/*/near.mk)
include own/base.mk
-include own/local.mk
-include ../settings/$(notdir $(CURDIR)).mk
-include ../extra/$(notdir $(CURDIR)).mk
-include ../$(FAMILY)$(LATE)/rev-$(FAMILY).mk
PARTS := $(wildcard ../parts/*.c)
CFLAGS += -DHOOK=$(shell test -x ../hooks/prebuild && echo 1 || echo 0)
CFLAGS += -DFEATURE=$(shell test -d ../feature && echo 1 || echo 0)
CFLAGS += -DCHOICE=$(shell test -e ../choice/$(FAMILY)-$(notdir $(CURDIR)).on && echo 1 || echo 0)
CFLAGS += -DLISTED=$(words $(wildcard ../listed/*.qq))
CFLAGS += -DLOGO=$(shell ../tools/logo.sh)
CFLAGS += -DBLOB=$(shell stat -c %s ../blobs/payload.bin)
CFLAGS += -DPICKED=$(shell sh ../tools/pick.sh plume) $(MORE)
CFLAGS += -DPERL=$(shell perl -I../perl ../perl/tell.pl)
-include $(wildcard ../perhaps/*.mk)
$(O)/near.elf: main.c $(PARTS) $(O)/made.h $(O)/reset.o
	gcc $(CFLAGS) -I$(O) -o $@ main.c $(PARTS) $(O)/reset.o
$(O)/made.h: ../tools/make_header.py
	python3 -B $< > $@
$(O)/%.o: ../start/%.S
	gcc -c -o $@ $<
$(O)/%.o: ../start/%.c
	gcc -Os -ffreestanding -c -o $@ $<
"""
)
NEAR_MAIN = b"""\
#include <pins.h>
#include "soc.h"
#include "made.h"
#if __has_include(<lamp.h>)
#define LAMP 1
#else
#define LAMP 0
#endif
#if __has_include(<rare.h>)
#include <rare.h>
#else
#define RARE 0
#endif
#ifndef OWN_LOCAL
#define OWN_LOCAL 0
#endif
#ifndef SETTINGS
#define SETTINGS 0
#endif
#ifndef EXTRA
#define EXTRA 0
#endif
#ifndef JOINED
#define JOINED 0
#endif
#ifndef PERHAPS
#define PERHAPS 0
#endif
#ifndef GNU
#define GNU 0
#endif
__asm__(".pushsection .rodata\\n.incbin \\"tide.bin\\"\\n.popsection");
const int facts[] = {
    PINS, SOC, MADE, LAMP, RARE, OWN_BASE, OWN_LOCAL, SETTINGS, EXTRA, JOINED,
    HOOK, FEATURE, LISTED, LOGO, BLOB, PLACE, CHOICE, PICKED, PERL, PERHAPS, GNU, QUILL,
};
void start(void) { for (;;) __asm__ volatile("" : : "m"(facts)); }
"""
#: It asks for a header whose name stands nowhere: it is decoded.
MAKE_HEADER = b"""\
try:
    import bonus
except ImportError:
    bonus = None
name = bytes.fromhex("7175696c6c").decode() + ".h"
print("#if __has_include(<" + name + ">)\\n#include <" + name + ">\\n#else\\n#define QUILL 0\\n#endif")
print("#define MADE", %d + bool(bonus))
"""
BASE: Mapping[str | bytes, Content] = {
    "matrix.yml": MATRIX,
    "near/Makefile": NEAR_MAKEFILE,
    "near/main.c": NEAR_MAIN,
    "near/own/base.mk": b"CFLAGS += -DOWN_BASE=1\n",
    "near/soc.h": Link(b"../include/soc-one.h"),
    "include/soc-one.h": b"#define SOC 1\n",
    "include/soc-two.h": b"#define SOC 2\n",
    "include/pins.h": b"#define PINS 1\n",
    "include/lamp.h": b"/* lamp */\n",
    "places/north/near.mk": b"CFLAGS += '-DPLACE=sizeof(\"$(dir $(lastword $(MAKEFILE_LIST)))\")'\n",
    "first/of-others.qq": b"1\n",
    "hidden/of-others.qq": b"1\n",
    "settings/of-others.mk": b"X = 1\n",
    "skylark/of-others.qq": b"1\n",
    "choice/of-others.qq": b"1\n",
    "parts/a.c": b"const int part_a = 1;\nvoid use_a(void) {}\n",
    "hooks/prebuild": b"#!/bin/sh\n",
    "hooks/of-others.qq": b"1\n",
    "listed/a.qq": b"1\n",
    "tools/logo.sh": Executable(b"#!/bin/sh\ncat ../art/logo\n"),
    "art/logo": b"1\n",
    "tools/make_header.py": MAKE_HEADER % 1,
    "tools/pick.sh": b"for end in S c; do test -e ../picks/$1.$end && exec cat ../picks/$1.$end; done\n",
    "picks/plume.c": b"1\n",
    "perl/tell.pl": b"use POSIX (); print $main::told || 1;\n",
    "perhaps/of-others.qq": b"1\n",
    "start/reset.c": b"const int reset = 1;\n",
    "include/tide.bin": b"high\n",
    "blobs/payload.bin": b"\0" * 10,
    "far/Makefile": b"$(O)/far.elf: far.c\n\tgcc " + LINK + b" -o $@ far.c\n",
    "far/far.c": b"void start(void) { for (;;) ; }\n",
}


@dataclass(frozen=True, kw_only=True)
class Case:
    """A commit; `because` is why `near` is built at it, None where nothing that it builds differs."""

    name: str
    files: Mapping[str | bytes, Content]
    because: str | None


WORDS = "whose name it may put together from words that it reads"
CASES = (
    Case(
        name="a document that nobody reads",
        files={"docs/keeping.txt": b"How to\n"},
        because=None,
    ),
    Case(
        name="a header shadowed on the include path, in a folder of others",
        files={"first/pins.h": b"#define PINS 2\n"},
        because="first/pins.h, named like include/pins.h, which it reads, is added",
    ),
    Case(
        name="a file that appears where a wildcard looks",
        files={"parts/b.c": b"void use_b(void) {}\n"},
        because="parts/b.c, in a folder that it reads, is added",
    ),
    Case(
        name="a removed file that a wildcard used to find",
        files={"parts/a.c": None},
        because="parts/a.c, which it reads, is removed",
    ),
    Case(
        name="an optional include that starts to exist beside files that it reads",
        files={"near/own/local.mk": b"CFLAGS += -DOWN_LOCAL=1\n"},
        because="near/own/local.mk, in a folder that it reads, is added",
    ),
    Case(
        name="an optional include that starts to exist in a folder of others",
        files={"settings/near.mk": b"CFLAGS += -DSETTINGS=1\n"},
        # GNU make looks for a way to make it, and lists the folder for that.
        because="settings/near.mk, in a folder that it reads, is added",
    ),
    Case(
        name="an optional include of somebody else in the same folder",
        files={"settings/shoal.mk": b"CFLAGS += -DSETTINGS=3\n"},
        because="settings/shoal.mk, in a folder that it reads, is added",
    ),
    Case(
        name="a makefile in a folder that did not exist",
        files={"extra/near.mk": b"CFLAGS += -DEXTRA=1\n"},
        because="extra/near.mk, named like places/north/near.mk, which it reads, is added",
    ),
    Case(
        name="an optional include whose folder and name are put together",
        files={"skylark/rev-sky.mk": b"CFLAGS += -DJOINED=1\n"},
        because="skylark/rev-sky.mk, in a folder that it reads, is added",
    ),
    Case(
        name="a file of a name put together that a shell asks for in a folder of others",
        files={"choice/sky-near.on": b"1\n"},
        because=f"choice/sky-near.on, {WORDS}, is added",
    ),
    Case(
        name="a header that is only asked for",
        files={"hidden/rare.h": b"#define RARE 1\n"},
        because=f"hidden/rare.h, {WORDS}, is added",
    ),
    Case(
        name="a symlink retargeted",
        files={"near/soc.h": Link(b"../include/soc-two.h")},
        because="near/soc.h, which it reads, points elsewhere",
    ),
    Case(
        name="a file that becomes executable",
        files={"hooks/prebuild": Executable(b"#!/bin/sh\n")},
        because=f"hooks/prebuild, {WORDS}, has another mode",
    ),
    Case(
        name="the generator of a generated file changed",
        files={"tools/make_header.py": MAKE_HEADER % 2},
        because="tools/make_header.py, which it reads, is modified",
    ),
    Case(
        name="a file read only by a script that the makefile runs",
        files={"art/logo": b"2\n"},
        because="art/logo, which it reads, is modified",
    ),
    Case(
        name="a file listed and not read, with other content",
        files={"listed/a.qq": b"2\n"},
        because=None,
    ),
    Case(
        name="a file added beside one that is listed and not read",
        files={"listed/b.qq": b"2\n"},
        because="listed/b.qq, in a folder that it reads, is added",
    ),
    Case(
        name="a file removed that was listed and not read",
        files={"listed/a.qq": None},
        because="listed/a.qq, in a folder that it reads, is removed",
    ),
    Case(
        name="a case-only rename",
        files={"include/lamp.h": None, "include/Lamp.h": b"/* lamp */\n"},
        because=f"include/Lamp.h, {WORDS}, is added",
    ),
    Case(
        name="a board moved between folders",
        files={
            "places/north/near.mk": None,
            "places/far-south/near.mk": BASE["places/north/near.mk"],
        },
        because="places/far-south/near.mk, in a folder that it reads, is added",
    ),
    Case(
        name="a folder that is only asked for",
        files={"feature/of-others.qq": b"1\n"},
        because=f"feature/of-others.qq, {WORDS}, is added",
    ),
    Case(
        name="a payload whose size alone is asked for",
        files={"blobs/payload.bin": b"\0" * 11},
        because="blobs/payload.bin, whose size it may ask for, is modified",
    ),
    Case(
        name="a folder that becomes a file",
        files={"feature": b"1\n", "feature/of-others.qq": None},
        because=f"feature, {WORDS}, is added",
    ),
    Case(
        name="a file of nobody beside it",
        files={"hooks/plover": b"\n"},
        because=None,
    ),
    Case(
        name="a source beside one that it reads, of a name that nothing says",
        files={"picks/heron.c": b"7\n", "picks/heron.md": b"7\n"},
        because=None,
    ),
    Case(
        name="a folder beside a source that it reads, of a name that nothing says",
        files={"picks/heronry/board.mk": b"7\n"},
        because=None,
    ),
    Case(
        name="a source that goes and was never read",
        files={"picks/heron.c": None},
        because=None,
    ),
    Case(
        name="a source that a script prefers for its extension",
        files={"picks/plume.S": b"2\n"},
        because=f"picks/plume.S, {WORDS}, is added",
    ),
    Case(
        name="a source that an earlier pattern rule prefers",
        files={"start/reset.S": b".globl reset\n.section .rodata\nreset: .long 2\n"},
        # GNU make lists the folder for that.
        because="start/reset.S, in a folder that it reads, is added",
    ),
    Case(
        name="a module that the interpreter's own modules ask for",
        files={"perl/Tie/Hash.pm": b"package Tie::StdHash; sub TIEHASH { bless {}, shift } $main::told = 2; 1;\n"},
        because="perl/Tie/Hash.pm, in a folder that it reads, is added",
    ),
    Case(
        name="a module beside a script that the makefile runs",
        files={"tools/bonus.py": b"\n"},
        because="tools/bonus.py, in a folder that it reads, is added",
    ),
    Case(
        name="a package before a module of the same name",
        files={"tools/bonus/__init__.py": b"print('#define PAST 1')\n", "tools/bonus.py": None},
        because="tools/bonus.py, which it reads, is removed",
    ),
    Case(
        name="a header that a made header asks for by a name that is decoded",
        files={"include/quill.h": b"#define QUILL 1\n"},
        because=f"include/quill.h, {WORDS}, is added",
    ),
    Case(
        name="an optional include by a wildcard",
        files={"perhaps/heron.mk": b"CFLAGS += -DPERHAPS=1\n"},
        because="perhaps/heron.mk, in a folder that it reads, is added",
    ),
    Case(
        name="a payload that shadows one on the assembler's path",
        files={"first/tide.bin": b"low\n"},
        because="first/tide.bin, in a folder that it reads, is added",
    ),
    Case(
        name="a makefile that make prefers to the one that is there",
        files={"near/GNUmakefile": b"MORE := -DGNU=1\ninclude Makefile\n"},
        because="near/GNUmakefile, in a folder that it reads, is added",
    ),
)


#: Built by the rule's caution, and nothing differs.
SAME_IMAGE = ("an optional include of somebody else in the same folder", "a package before a module of the same name")


@dataclass(frozen=True, kw_only=True)
class Gated:
    """
    The history as it was gated: commits by case, and evidence by (commit, target), carried and clean. `causes` is what
    the rule says of `near` at each commit, by what its clean build at the commit before has read.
    """

    commits: Mapping[str, str]
    base: str
    carried: Mapping[tuple[str, str], Evidence]
    clean: Mapping[tuple[str, str], Evidence]
    causes: Mapping[str, str | None]

    def before(self, name: str) -> str:
        """The commit before that of a case."""
        names = list(self.commits)
        position = names.index(name)
        return self.commits[names[position - 1]] if position else self.base


def run_gate(repository: GitFolder, base: str, store: Path, *options: str, path: str = "") -> None:
    environment = clean_environment()
    done = subprocess.run(
        [*GATE, base, "main", "--store", str(store), *options],
        cwd=repository.path,
        env=environment | {"PATH": path + environment["PATH"]},
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert done.returncode == 0, done.stdout + done.stderr


def load_evidence(repository: GitFolder, store: Path, commits: list[str]) -> dict[tuple[str, str], Evidence]:
    by_tree = {repository.tree_of(commit): commit for commit in commits}
    with SqliteStore(store / "evidence.db") as opened:
        return {(by_tree[entry.tree_id], entry.target): entry for entry in opened.list_evidence(list(by_tree))}


def find_causes(
    folder: GitFolder, commits: list[str], clean: Mapping[tuple[str, str], Evidence]
) -> dict[str, str | None]:
    causes = {}
    with open_repository(folder.path, clean_environment()) as repository:
        comparer = TreeComparer(repository)
        for before, commit in pairwise(commits):
            evidence = clean[before, "x86/near"]
            assert evidence.read_set is not None
            change = comparer.compare(evidence.tree_id, clean[commit, "x86/near"].tree_id)
            own_words = frozenset({b"near"})
            found = find_reach(evidence.read_set, change, book=comparer.book, own_words=own_words)
            causes[commit] = None if found is None else found.render()
    return causes


@pytest.fixture(scope="module")
def gated(tmp_path_factory: pytest.TempPathFactory) -> Gated:
    folder = tmp_path_factory.mktemp("carry")
    repository = make_repository(folder / "moor")
    base = repository.commit(BASE, message="Import")
    commits = {case.name: repository.commit(case.files, message=case.name) for case in CASES}
    run_gate(repository, base, folder / "carrying")
    run_gate(repository, base, folder / "clean", "--rebuild")
    all_commits = [base, *commits.values()]
    clean = load_evidence(repository, folder / "clean", all_commits)
    return Gated(
        commits=commits,
        base=base,
        carried=load_evidence(repository, folder / "carrying", all_commits),
        clean=clean,
        causes=find_causes(repository, all_commits, clean),
    )


def digests(evidence: Evidence) -> tuple[str, ...]:
    assert isinstance(evidence.outcome, Built), name_outcome(evidence.outcome)
    return tuple(artifact.sha256 for artifact in evidence.outcome.artifacts)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name.replace(" ", "-"))
def test_carried_is_what_a_clean_build_gives(gated: Gated, case: Case) -> None:
    commit = gated.commits[case.name]
    for target in ("x86/near", "x86/far"):
        assert gated.carried[commit, target].outcome == gated.clean[commit, target].outcome
        assert gated.clean[commit, target].carried is None


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name.replace(" ", "-"))
def test_who_is_built_and_who_is_carried(gated: Gated, case: Case) -> None:
    commit = gated.commits[case.name]
    assert gated.causes[commit] == case.because
    assert (gated.carried[commit, "x86/near"].carried is None) == (case.because is not None)
    assert gated.carried[commit, "x86/far"].carried is not None


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name.replace(" ", "-"))
def test_the_case_is_one(gated: Gated, case: Case) -> None:
    """Where it says why, the image really differs: a carried result would have been wrong."""
    images = [
        digests(gated.clean[commit, "x86/near"]) for commit in (gated.before(case.name), gated.commits[case.name])
    ]
    if case.name not in SAME_IMAGE:
        assert (images[0] != images[1]) == (case.because is not None)


@pytest.mark.parametrize("programs", [b"[moor-cc]", b"[]"], ids=["listed", "only probed"])
def test_a_compiler_replaced_under_the_same_version_string_builds_everything_anew(
    tmp_path: Path, programs: bytes
) -> None:
    repository = make_repository(tmp_path / "moor")
    near = BASE["near/Makefile"]
    assert isinstance(near, bytes)
    base = repository.commit(
        {
            **BASE,
            "matrix.yml": MATRIX.replace(b"gcc, --version]", b"moor-cc, --version]").replace(b"[gcc]", programs),
            "near/Makefile": near.replace(b"\tgcc ", b"\tmoor-cc "),
        }
    )
    head = repository.commit({"docs/keeping.txt": b"How to\n"})
    wrapper = tmp_path / "bin" / "moor-cc"
    wrapper.parent.mkdir()
    images = []
    for flag in ("-O1", "-O1 -DOWN_LOCAL=9"):
        wrapper.write_text(f'#!/bin/sh\nexec gcc "$@" {flag}\n')
        wrapper.chmod(0o755)
        run_gate(repository, base, tmp_path / "store", path=f"{wrapper.parent}:")
        found = load_evidence(repository, tmp_path / "store", [base, head])
        images.append(digests(found[head, "x86/near"]))
        assert found[head, "x86/near"].carried is not None
        assert found[base, "x86/near"].carried is None
    assert images[0] != images[1]
