"""What one matrix asks less strictly than another: the demonstration's matrix edited, and properties of any."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import fields, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gatekeep.judge.loosening import list_loosenings
from gatekeep.matrix.load import parse_matrix
from gatekeep.model.matrix import (
    Approver,
    Boot,
    CacheWish,
    Matrix,
    Memory,
    Part,
    Port,
    Recipe,
    Region,
    Rules,
    RuleStrength,
    Target,
    Toolchain,
)
from gatekeep.model.rule import Rule
from gatekeep.model.waiver import Waiver
from tests.cases import make_matrix, make_target, make_waiver

#: Without its boots, of which one target has another below.
TEXT = re.sub(
    r",\n +boot: .*}}",
    "}",
    (Path(__file__).parents[2] / "matrices" / "skerry" / "tree" / "matrix.yml").read_text("utf-8"),
    count=1,
)
EVERY = (
    "aarch64/ness/debug, aarch64/ness/release, aarch64/skaw, arm/holm, arm/mere/debug, arm/mere/release, arm/wick, "
    "loongarch64/dune, loongarch64/strand, mips/corrie/debug, mips/corrie/release, mips/lough, powerpc/brae, "
    "powerpc/heugh, powerpc/scaur, riscv32/burn, riscv32/gill, riscv32/rill, riscv64/tarn/debug, "
    "riscv64/tarn/release, riscv64/vale, x86/firth, x86/voe/debug, x86/voe/release"
)
TWO = (
    "aarch64/ness/debug, aarch64/ness/release, aarch64/skaw, loongarch64/dune, mips/corrie/debug, "
    "mips/corrie/release, powerpc/scaur, riscv64/tarn/debug, riscv64/tarn/release, riscv64/vale, x86/voe/debug, "
    "x86/voe/release"
)
SCREENS = TEXT.replace('"O={out}"]', '"O={out}", "WARNINGS=-Wall -Werror=undef"]')


def read(text: str) -> Matrix:
    return parse_matrix(text.encode(), path="matrix.yml")


def edit(text: str, *pairs: tuple[str, str]) -> str:
    for old, new in pairs:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return text


def compare(*pairs: tuple[str, str], base: str = TEXT) -> list[str]:
    return [found.statement for found in list_loosenings(read(base), read(edit(base, *pairs)))]


RESERVE = ("main: {at: 3584 B, size: 1536 B, reserve: 10 %}", "main: {at: 3584 B, size: 1536 B, reserve: 2 %}")
SMALL_PART = "main: {at: 3584 B, size: 1536 B, reserve: 10 %}"
WICK = "wick: {part: inner-16, memories: {sram: {at: 0x2000_0000, size: 8 KiB}}}"


@pytest.mark.parametrize(
    ("old", "new", "statements"),
    [
        # Parts and regions
        (*RESERVE, ["the part inner-16: the reserve of main is lowered from 154 B to 31 B; arm/wick, riscv32/gill"]),
        (
            "main: {at: 32 KiB, size: 96 KiB, reserve: 5 %}\n"
            "      recovery: {at: 128 KiB, size: 128 KiB, write_protected: true}",
            "main: {at: 32 KiB, size: 97 KiB, reserve: 5 %}\n      recovery: {at: 129 KiB, size: 127 KiB}",
            [
                f"the part nor-2: the capacity of main is raised from 96 KiB to 97 KiB; {TWO}",
                f"the part nor-2: the write protection of recovery is taken off; {TWO}",
            ],
        ),
        (
            "capacity: 16 KiB",
            "capacity: 16385 B",
            ["the part inner-16: the capacity is raised from 16 KiB to 16385 B; arm/wick, riscv32/gill"],
        ),
        (
            "boot: {at: 0 B, size: 3584 B}\n      main: {at: 3584 B, size: 1536 B, reserve: 10 %}",
            "boot: {at: 0 B, size: 3 KiB}\n      main: {at: 3 KiB, size: 1536 B, reserve: 10 %}",
            ["the part inner-16: main is moved from 3584 B to 3 KiB; arm/wick, riscv32/gill"],
        ),
        # Cut in two, so that the second half has no reserve
        (
            SMALL_PART,
            "main: {at: 3584 B, size: 1 KiB, reserve: 154 B}\n      rest: {at: 4608 B, size: 512 B}",
            ["the part inner-16: region rest of 512 B is new, where main was; arm/wick, riscv32/gill"],
        ),
        (
            SMALL_PART,
            "keeper: {at: 3584 B, size: 1536 B, reserve: 10 %}",
            [
                "the part inner-16: region main of 1536 B is renamed to keeper, out of the reach of its growth limit; "
                "arm/wick, riscv32/gill"
            ],
        ),
        ("log: {at: 5 KiB, size: 11 KiB}", "notes: {at: 5 KiB, size: 11 KiB}", []),
        (
            "      log: {at: 5 KiB, size: 11 KiB}\n",
            "",
            ["the part inner-16: region log of 11 KiB is dropped, and its limit with it; arm/wick, riscv32/gill"],
        ),
        # A board that is given a larger part
        (
            WICK,
            WICK.replace("inner-16", "nor-half"),
            [
                f"the part nor-half (was inner-16): {line}; arm/wick"
                for line in (
                    "the capacity is raised from 16 KiB to 64 KiB",
                    "the capacity of boot is raised from 3584 B to 16 KiB",
                    "region log of 11 KiB is dropped, and its limit with it",
                    "the capacity of main is raised from 1536 B to 32 KiB",
                    "main is moved from 3584 B to 16 KiB",
                    "region recovery of 16 KiB is new, where nothing could be stored",
                )
            ],
        ),
        # What a board says of its own storage
        (
            "sram: {at: 0x2000_0000, size: 8 KiB}",
            "sram: {at: 0x2000_0000, size: 9 KiB}",
            ["the capacity of memory sram is raised from 8 KiB to 9 KiB; arm/wick"],
        ),
        (
            "sram: {at: 0x2000_0000, size: 8 KiB}",
            "ram: {at: 0x2100_0000, size: 8 KiB}",
            [
                "memory ram of 8 KiB is new, where nothing could be stored; arm/wick",
                "memory sram of 8 KiB is dropped, and its limit with it; arm/wick",
            ],
        ),
        (
            "sram: {at: 0x2000_0000, size: 8 KiB}",
            "sram: {at: 0x2000_1000, size: 8 KiB}",
            ["memory sram is moved from 0x20000000 to 0x20001000; arm/wick"],
        ),
        (
            "part_address: 0x1c00_0000",
            "part_address: 0x1d00_0000",
            ["the address of its part is changed from 0x1C000000 to 0x1D000000; loongarch64/dune"],
        ),
        (
            "rules:\n",
            "rules:\n  waiver_days: 91\n",
            ["the rules: a waiver may last 91 days, and no longer only 90; every target"],
        ),
        # Toolchains
        (
            'allow: ">=0.15,<1"',
            'allow: ">=0.14,<1"',
            [f"the toolchain bare-clang: versions >=0.14,<1 are allowed, and no longer only >=0.15,<1; {EVERY}"],
        ),
        (
            "    time_limit: 120 s\n",
            "    time_limit: 120 s\n    keep_environment: [TOKEN]\n",
            [f"the recipe board-make: builds are given TOKEN of the environment that gatekeep runs in; {EVERY}"],
        ),
        (
            '    allow: ">=0.15,<1"\n',
            '    allow: ">=0.15,<1"\n    compile_cache: {in_front_of: [zig]}\n',
            [f"the toolchain bare-clang: objects of zig may be taken from a compile cache; {EVERY}"],
        ),
        (
            '    allow: ">=0.15,<1"\n',
            "",
            [f"the toolchain bare-clang: every version is allowed, and no longer only >=0.15,<1; {EVERY}"],
        ),
        (
            "probe: [python3, -m, ziglang, version]",
            'probe: [echo, "0.15.0"]',
            [
                "the toolchain bare-clang: its version is asked by 'echo 0.15.0', and no longer by "
                f"'python3 -m ziglang version'; {EVERY}"
            ],
        ),
        (
            "      - python3\n",
            "",
            [f"the toolchain bare-clang: 'python3' is no longer held against its digest; {EVERY}"],
        ),
        # Recipes
        (
            "time_limit: 120 s",
            "time_limit: 121 s",
            [f"the recipe board-make: the time limit is raised from 120 s to 121 s; {EVERY}"],
        ),
        (
            "time_limit: 120 s",
            "time_limit: 120 s\n    memory_limit: 9 GiB\n    disk_limit: 13 GiB",
            [
                f"the recipe board-make: the disk limit is raised from 12 GiB to 13 GiB; {EVERY}",
                f"the recipe board-make: the memory limit is raised from 8 GiB to 9 GiB; {EVERY}",
            ],
        ),
        (
            '    elf: "{out}/{board}.elf"\n',
            "",
            [f"the recipe board-make: no ELF file is checked any more; {EVERY}"],
        ),
        (
            '    image: "{out}/{board}.rom"\n',
            "",
            [f"the recipe board-make: no image is checked any more; {EVERY}"],
        ),
        (
            '"O={out}"]',
            '"O={out}", "MORE=-w -Wno-undef"]',
            [
                f"the recipe board-make: {option} is passed now, which silences warnings; {EVERY}"
                for option in ("-Wno-undef", "-w")
            ],
        ),
        # Ports
        (
            "machine: RISCV\n    bits: 32",
            "bits: 64",
            [
                f"the port riscv32: {line}; riscv32/burn, riscv32/gill, riscv32/rill"
                for line in (
                    "the number of bits of its ELF files is changed from 32 to 64",
                    "the machine of its ELF files, RISCV, is no longer checked",
                )
            ],
        ),
        (
            "    machine: MIPS\n    bits: 32\n    byte_order: big\n",
            "    machine: MIPS\n    bits: 32\n",
            [
                "the port mips: the byte order of its ELF files, big, is no longer checked; "
                "mips/corrie/debug, mips/corrie/release, mips/lough"
            ],
        ),
        # Rules and claims
        (
            "new_warnings: block",
            "new_warnings: report",
            ["the rules: new warnings are only reported, and block no longer; every target"],
        ),
        (
            "{boot: 1 KiB, main: 2 KiB}",
            "{boot: 1025 B}",
            [
                "the rules: the growth limit of boot is raised from 1 KiB to 1025 B; every target",
                "the rules: the growth limit of main, 2 KiB in one change, is removed; every target",
            ],
        ),
        (
            'claims: ["boards/{board}/board.mk"]',
            'claims: ["boards/{board}/board.mk2"]',
            ["the claims: boards/{board}/board.mk is claimed no longer; every target"],
        ),
    ],
)
def test_each_loosening_is_a_line_of_its_own(old: str, new: str, statements: list[str]) -> None:
    assert compare((old, new)) == statements


@pytest.mark.parametrize(
    ("old", "new"),
    [
        # Tightened
        (RESERVE[0], SMALL_PART.replace("10 %", "11 %")),
        ("log: {at: 5 KiB, size: 11 KiB}", "log: {at: 6 KiB, size: 10 KiB}"),
        ("log: {at: 5 KiB, size: 11 KiB}", "log: {at: 5 KiB, size: 11 KiB, write_protected: true}"),
        ("size: 1536 B, reserve: 10 %", "size: 1 KiB, reserve: 10 %"),
        ("time_limit: 120 s", "time_limit: 119 s"),
        ("time_limit: 120 s", "time_limit: 120 s\n    memory_limit: 2 GiB\n    disk_limit: 3 GiB"),
        ('allow: ">=0.15,<1"', 'allow: ">=0.15,<1,!=0.15.2"'),
        ('allow: ">=0.15,<1"', 'allow: "~=0.16"'),
        ("{boot: 1 KiB, main: 2 KiB}", "{boot: 1 KiB, main: 2047 B, recovery: 1 B}"),
        ("sram: {at: 0x2000_0000, size: 8 KiB}", "sram: {at: 0x2000_0000, size: 7 KiB, reserve: 1 KiB}"),
        ('claims: ["boards/{board}/board.mk"]', 'claims: ["boards/*/{board}.c", "boards/{board}/board.mk"]'),
        ('"O={out}"]', '"O={out}", "MORE=-Wall -Werror"]'),
        # Added
        (WICK, f"{WICK}\n      shoal: {{part: nor-2, memories: {{sram: {{at: 0x0, size: 1 MiB}}}}}}"),
        ("recipes:\n", 'recipes:\n  other: {build: [[make]], elf: "{out}/x"}\n'),
        ("parts:\n", "parts:\n  huge: {capacity: 1 GiB}\n"),
        # Said in other words, or no limit at all
        ("size: 1536 B, reserve: 10 %", "size: 1.5 KiB, reserve: 154 B"),
        ("inner-16:  #", "inside-16:  #"),
        ('elf: "{out}/{board}.elf"', 'elf: "{out}/first.elf"'),
        ("install: pip install ziglang", "install: ask Runa"),
        ("time_limit: 120 s", "time_limit: 120 s\n    log_limit: 1 GiB\n    builds_in_tree: true"),
        ("source_date: 2001-01-01", "source_date: 2002-02-02"),
        ("tree: skerry", "tree: stack"),
        ("    since: 2026-03-02\n", ""),
        ('["Teodor Lykke <teodor@skerry.example>"]', '["Oda Brandsund <oda@skerry.example>"]'),
    ],
)
def test_what_is_as_strict_or_stricter_is_no_loosening(old: str, new: str) -> None:
    head = edit(TEXT, (old, new)) if "inside" not in new else TEXT.replace("inner-16", "inside-16")
    assert list_loosenings(read(TEXT), read(head)) == ()


BOOT = "boot: {command: [emulate, '{image}'], expect: [skerry, clock ok, handover], time_limit: 5 s}"
BOOTED = TEXT.replace("wick: {part", f"wick: {{{BOOT}, part")


@pytest.mark.parametrize(
    ("old", "new", "statements"),
    [
        (f"{BOOT}, ", "", ["the image is no longer booted; arm/wick"]),
        (BOOT, "boot: null", ["the image is no longer booted; arm/wick"]),
        (", handover]", "]", ["the console no longer has to say 'handover'; arm/wick"]),
        (
            "[skerry, clock ok, handover]",
            "[clock ok]",
            [
                "the console no longer has to say 'handover'; arm/wick",
                "the console no longer has to say 'skerry'; arm/wick",
            ],
        ),
        ("clock ok", "clock", ["the console no longer has to say 'clock ok'; arm/wick"]),
        (
            "clock ok, handover",
            "handover, clock ok",
            ["the console no longer has to say 'handover' in its turn; arm/wick"],
        ),
        ("time_limit: 5 s", "time_limit: 5.5 s", ["the time limit is raised from 5 s to 5.5 s for its boot; arm/wick"]),
        (", time_limit: 5 s", "", ["the time limit is raised from 5 s to 10 s for its boot; arm/wick"]),
        (
            "[emulate, '{image}']",
            "[echo, skerry, clock ok, handover, '{image}']",
            [
                "it is booted by echo skerry 'clock ok' handover '{image}', and no longer by emulate '{image}'; "
                "arm/wick",
            ],
        ),
    ],
)
def test_whatever_asks_less_of_a_boot_is_a_line_of_its_own(old: str, new: str, statements: list[str]) -> None:
    assert compare((old, new), base=BOOTED) == statements


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("time_limit: 5 s", "time_limit: 4999 ms"),
        ("[skerry, clock ok, handover]", "[skerry, rom ok, clock ok, skerry, handover, keeper]"),
        ('image: "{out}/{board}.rom"', 'image: "{out}/first.rom"'),  # which file is booted is the recipe's affair
        ("holm: {part", f"holm: {{{BOOT}, part"),
    ],
)
def test_a_boot_that_asks_as_much_is_no_loosening(old: str, new: str) -> None:
    assert compare((old, new), base=BOOTED) == []


def test_a_dropped_target_is_left_to_its_own_rule() -> None:
    assert compare((f"      {WICK}\n", "")) == []


def test_a_part_taken_off_a_target() -> None:
    base = make_matrix(["arm/mere"])
    head = replace(base, targets=(make_target("arm/mere", part=None),))
    [found] = list_loosenings(base, head)
    assert found.statement == "its part, nor-64 of 1000 B, is taken off, and nothing limits its images; arm/mere"
    assert list_loosenings(head, base) == ()


def test_the_first_memories_of_a_target_begin_to_be_judged() -> None:
    base = make_matrix(["arm/mere"])
    memories = (Memory(name="ram", address=0, capacity_bytes=8),)
    assert list_loosenings(base, replace(base, targets=(make_target("arm/mere", memories=memories),))) == ()


@pytest.mark.parametrize(
    ("new", "statements"),
    [
        ("WARNINGS=-Wall -Wextra -Werror=undef", []),
        ("WARNINGS=-Werror=undef", [f"the recipe board-make: -Wall is no longer passed; {EVERY}"]),
        (
            "-Wall",
            [
                f"the recipe board-make: make is no longer handed -Wall by WARNINGS; {EVERY}",
                f"the recipe board-make: -Werror=undef is no longer passed; {EVERY}",
            ],
        ),
    ],
)
def test_warning_options_of_a_recipes_words(new: str, statements: list[str]) -> None:
    assert compare(("WARNINGS=-Wall -Werror=undef", new), base=SCREENS) == statements


def test_warning_options_that_come_by_a_setting_or_the_environment() -> None:
    base = edit(
        TEXT,
        ("settings: {config: release}}", 'settings: {config: release, flags: "-Wall -Wextra"}}'),
        ("    time_limit: 120 s\n", '    time_limit: 120 s\n    environment: {CFLAGS: "{flags}"}\n'),
    )
    assert compare(('"-Wall -Wextra"', '"-Wall"'), base=base) == [
        f"the recipe board-make: -Wextra is no longer passed; {EVERY}"
    ]
    assert compare((WICK, WICK.replace("wick: {", "wick: {settings: {flags: -Wextra}, ")), base=base) == [
        "the recipe board-make: -Wall is no longer passed; arm/wick"
    ]


def make_recipe(*commands: str, archives: tuple[str, ...] = ("{out}/a.a",)) -> Matrix:
    recipe = Recipe(name="library", build=tuple(tuple(command.split()) for command in commands), archives=archives)
    return replace(make_matrix(["arm/mere"]), targets=(make_target("arm/mere", recipe=recipe),))


def test_an_option_may_not_leave_one_of_several_commands_unless_the_command_goes_too() -> None:
    base = make_recipe("cc -Wall a.c", "cc -Wall b.c")
    [found] = list_loosenings(base, make_recipe("cc -Wall a.c", "cc b.c"))
    assert found.statement == "the recipe library: -Wall is no longer passed; arm/mere"
    assert list_loosenings(base, make_recipe("cc -Wall a.c b.c")) == ()


def test_archives_may_change_their_names_but_not_be_fewer() -> None:
    base = make_recipe("make", archives=("{out}/a.a", "{out}/b.a"))
    assert list_loosenings(base, make_recipe("make", archives=("{out}/c.a", "{out}/a.a"))) == ()
    [found] = list_loosenings(base, make_recipe("make", archives=("{out}/a.a",)))
    assert found.statement == "the recipe library: archive {out}/b.a is not checked any more; arm/mere"


# Properties


@st.composite
def matrices(draw: st.DrawFn) -> Matrix:
    """A matrix of one part with two regions, a memory, rules and a recipe: whatever numbers."""
    sizes = draw(st.tuples(*[st.integers(10, 1000)] * 3))
    reserves = [draw(st.integers(1, size - 5)) for size in sizes]
    gap = draw(st.integers(10, 20))
    regions = (
        Region(name="boot", at_bytes=gap, capacity_bytes=sizes[0], reserve_bytes=reserves[0], write_protected=True),
        Region(name="main", at_bytes=2 * gap + sizes[0], capacity_bytes=sizes[1], reserve_bytes=reserves[1]),
    )
    part = Part(name="nor", capacity_bytes=3 * gap + sizes[0] + sizes[1] + draw(st.integers(10, 20)), regions=regions)
    memory = Memory(name="ram", address=100, capacity_bytes=sizes[2], reserve_bytes=reserves[2])
    recipe = Recipe(
        name="board-make", build=(("make",),), elf="{out}/x.elf", time_limit_s=draw(st.integers(2, 900)) / 2
    )
    names = draw(st.lists(st.sampled_from(["arm/a", "arm/b/x", "mips/c", "riscv64/d"]), min_size=1, unique=True))
    rules = Rules(
        new_warnings=draw(st.sampled_from(RuleStrength)), growth_per_change=(("main", draw(st.integers(1, 99))),)
    )
    return replace(
        make_matrix(names, rules=rules, claims=("boards/{board}/a", "ports/{port}/{board}")),
        targets=tuple(make_target(name, part=part, recipe=recipe, memories=(memory,)) for name in names),
    )


def change_part(matrix: Matrix, **values: int) -> Matrix:
    return replace(matrix, targets=tuple(replace(one, part=replace(one.part, **values)) for one in matrix.targets))  # type: ignore[type-var]  # every target has a part


def change_region(matrix: Matrix, index: int, **values: Any) -> Matrix:
    def changed(part: Part | None) -> Part:
        assert part is not None
        regions = list(part.regions)
        regions[index] = replace(regions[index], **values)
        return replace(part, regions=tuple(regions))

    return replace(matrix, targets=tuple(replace(one, part=changed(one.part)) for one in matrix.targets))


def change_memory(matrix: Matrix, **values: Any) -> Matrix:
    return replace(
        matrix,
        targets=tuple(replace(one, memories=(replace(one.memories[0], **values),)) for one in matrix.targets),
    )


def change_rules(matrix: Matrix, step: int) -> Matrix:
    growth = tuple((name, limit + step) for name, limit in matrix.rules.growth_per_change)
    return replace(matrix, rules=replace(matrix.rules, growth_per_change=growth))


def change_time(matrix: Matrix, step: float) -> Matrix:
    def changed(recipe: Recipe) -> Recipe:
        return replace(recipe, time_limit_s=recipe.time_limit_s + step)

    return replace(matrix, targets=tuple(replace(one, recipe=changed(one.recipe)) for one in matrix.targets))


def regions_of(matrix: Matrix) -> tuple[Region, ...]:
    part = matrix.targets[0].part
    assert part is not None
    return part.regions


#: Each takes a matrix, the index of a region and a step from 1 to 4.
TIGHTEN: tuple[Callable[[Matrix, int, int], Matrix], ...] = (
    lambda matrix, index, step: change_region(
        matrix, index, reserve_bytes=regions_of(matrix)[index].reserve_bytes + step
    ),
    lambda matrix, index, step: change_region(
        matrix, index, capacity_bytes=regions_of(matrix)[index].capacity_bytes - step
    ),
    lambda matrix, _, step: change_part(matrix, capacity_bytes=sum_of(matrix) - step),
    lambda matrix, _, step: change_memory(matrix, capacity_bytes=matrix.targets[0].memories[0].capacity_bytes - step),
    lambda matrix, _, step: change_memory(matrix, reserve_bytes=matrix.targets[0].memories[0].reserve_bytes + step),
    lambda matrix, _, __: change_rules(matrix, -1),
    lambda matrix, _, __: change_time(matrix, -0.5),
)
LOOSEN: tuple[Callable[[Matrix, int, int], Matrix], ...] = (
    lambda matrix, index, step: change_region(
        matrix, index, capacity_bytes=regions_of(matrix)[index].capacity_bytes + step
    ),
    lambda matrix, index, _: change_region(matrix, index, reserve_bytes=regions_of(matrix)[index].reserve_bytes - 1),
    lambda matrix, index, step: change_region(matrix, index, at_bytes=regions_of(matrix)[index].at_bytes - step),
    lambda matrix, index, step: change_region(matrix, index, at_bytes=regions_of(matrix)[index].at_bytes + step),
    lambda matrix, index, _: change_region(matrix, index, name="other", reserve_bytes=0),
    lambda matrix, _, __: change_region(matrix, 0, write_protected=False),
    lambda matrix, _, step: change_part(matrix, capacity_bytes=sum_of(matrix) + step),
    lambda matrix, _, step: change_memory(matrix, capacity_bytes=matrix.targets[0].memories[0].capacity_bytes + step),
    lambda matrix, _, __: change_memory(matrix, reserve_bytes=matrix.targets[0].memories[0].reserve_bytes - 1),
    lambda matrix, _, step: change_memory(matrix, address=matrix.targets[0].memories[0].address + step),
    lambda matrix, _, step: change_rules(matrix, step),
    lambda matrix, _, step: change_time(matrix, step),
    lambda matrix, index, _: replace(matrix, claims=matrix.claims[index : index + 1]),
)


def sum_of(matrix: Matrix) -> int:
    part = matrix.targets[0].part
    assert part is not None
    return part.capacity_bytes


@given(matrices())
def test_a_matrix_is_no_looser_than_itself(matrix: Matrix) -> None:
    assert list_loosenings(matrix, replace(matrix)) == ()


@given(matrices(), st.sampled_from(TIGHTEN), st.integers(0, 1), st.integers(1, 4))
def test_a_tightened_number_is_never_a_loosening(
    matrix: Matrix, tighten: Callable[[Matrix, int, int], Matrix], index: int, step: int
) -> None:
    assert list_loosenings(matrix, tighten(matrix, index, step)) == ()


@given(matrices(), st.sampled_from(LOOSEN), st.integers(0, 1), st.integers(1, 4))
def test_a_loosened_number_is_always_one(
    matrix: Matrix, loosen: Callable[[Matrix, int, int], Matrix], index: int, step: int
) -> None:
    assert list_loosenings(matrix, loosen(matrix, index, step))


@given(matrices(), st.sampled_from(LOOSEN), st.integers(0, 1), st.randoms())
def test_the_order_of_entries_does_not_matter(
    matrix: Matrix,
    loosen: Callable[[Matrix, int, int], Matrix],
    index: int,
    random: Any,
) -> None:
    def shuffled(one: Matrix) -> Matrix:
        return replace(
            one,
            targets=tuple(random.sample(one.targets, len(one.targets))),
            ports=tuple(random.sample(one.ports, len(one.ports))),
            claims=tuple(random.sample(one.claims, len(one.claims))),
        )

    looser = loosen(matrix, index, 1)
    assert list_loosenings(shuffled(matrix), shuffled(looser)) == list_loosenings(matrix, looser)


def days(first: int, last: int, *targets: str, name: str = "lough-part", rule: Rule = Rule.BROKEN) -> Waiver:
    return make_waiver(rule, *targets, name=name, since=date(2026, 5, first), until=date(2026, 5, last))


ONE = (days(1, 20, "arm/mere", "mips/holm"),)


@pytest.mark.parametrize(
    ("head", "statements"),
    [
        # Removed, shortened, narrowed, renamed, parted
        ((), []),
        ((days(1, 19, "arm/mere", "mips/holm"),), []),
        ((days(5, 20, "arm/mere"),), []),
        ((days(1, 20, "arm/mere", "mips/holm", name="other"),), []),
        ((days(1, 9, "arm/mere", name="a"), days(10, 20, "arm/mere", name="b")), []),
        # Extended, begun earlier, widened, another rule, a new one
        (
            (days(1, 21, "arm/mere", "mips/holm"),),
            [
                "the waiver lough-part: rule broken is waived from 2026-05-01 to 2026-05-21, and no longer only from "
                "2026-05-01 to 2026-05-20; arm/mere, mips/holm"
            ],
        ),
        (
            (replace(days(1, 20, "arm/mere"), since=date(2026, 4, 30)),),
            [
                "the waiver lough-part: rule broken is waived from 2026-04-30 to 2026-05-20, and no longer only from "
                "2026-05-01 to 2026-05-20; arm/mere"
            ],
        ),
        (
            (days(1, 20, "arm/mere", "arm/tarn/debug", "mips/holm"),),
            [
                "the waiver lough-part: rule broken is waived from 2026-05-01 to 2026-05-20, and was not waived; "
                "arm/tarn/debug"
            ],
        ),
        (
            (days(1, 20, "arm/mere", rule=Rule.OUTGROWN),),
            [
                "the waiver lough-part: rule outgrown is waived from 2026-05-01 to 2026-05-20, and was not waived; "
                "arm/mere"
            ],
        ),
        (
            (*ONE, days(21, 25, "mips/holm", name="more")),
            [
                "the waiver more: rule broken is waived from 2026-05-21 to 2026-05-25, and no longer only from "
                "2026-05-01 to 2026-05-20; mips/holm"
            ],
        ),
    ],
)
def test_what_is_waived_on_more_days_or_for_more_targets_is_looser(
    head: tuple[Waiver, ...], statements: list[str]
) -> None:
    matrix = make_matrix()
    assert [found.statement for found in list_loosenings(matrix, matrix, ONE, head)] == statements


@given(st.lists(st.tuples(st.integers(0, 20), st.integers(0, 9)), max_size=4), st.integers(0, 20), st.integers(0, 9))
def test_a_waiver_is_looser_exactly_where_it_adds_a_day(before: list[tuple[int, int]], first: int, length: int) -> None:
    def make(first: int, length: int) -> Waiver:
        return make_waiver(
            since=date(2026, 5, 1) + timedelta(days=first), until=date(2026, 5, 1) + timedelta(days=first + length)
        )

    known = {first + day for first, length in before for day in range(length + 1)}
    adds = any(first + day not in known for day in range(length + 1))
    matrix, base = make_matrix(), tuple(make(*span) for span in before)
    assert bool(list_loosenings(matrix, matrix, base, (make(first, length),))) is adds


#: What of each value is compared, and what may change freely: it judges nothing, or tells the build what to do.
COMPARED: dict[type, tuple[set[str], set[str]]] = {
    Matrix: ({"ports", "targets", "claims", "rules", "approvers"}, {"path", "tree", "source_date"}),
    Approver: ({"name", "key", "until"}, {"place"}),
    Rules: ({"new_warnings", "growth_per_change", "waiver_days"}, set()),
    Port: ({"name", "machine", "bits", "byte_order"}, {"maintainers", "since", "place"}),
    Target: (
        {"port", "board", "configuration", "toolchain", "recipe", "part", "part_address", "memories", "boot"},
        {"settings", "place"},
    ),
    Boot: ({"command", "expect", "time_limit_s"}, set()),
    Part: ({"capacity_bytes", "regions"}, {"name"}),
    Region: ({"name", "at_bytes", "capacity_bytes", "reserve_bytes", "write_protected"}, set()),
    Memory: ({"name", "address", "capacity_bytes", "reserve_bytes"}, set()),
    Toolchain: ({"probe", "allow", "programs", "compile_cache"}, {"name", "install"}),
    CacheWish: ({"in_front_of", "program"}, {"limit_bytes"}),
    Recipe: (
        {
            "build",
            "elf",
            "image",
            "archives",
            "environment",
            "keep_environment",
            "time_limit_s",
            "memory_limit_bytes",
            "disk_limit_bytes",
        },
        {"name", "directory", "image_format", "log_limit_bytes", "builds_in_tree"},
    ),
}


@pytest.mark.parametrize("kind", list(COMPARED), ids=lambda kind: kind.__name__)
def test_whoever_adds_a_field_decides_whether_it_can_loosen(kind: type) -> None:
    compared, free = COMPARED[kind]
    assert {field.name for field in fields(kind) if field.init} <= compared | free
