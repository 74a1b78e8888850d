"""Every target of Skerry builds with the real compiler, and the same bytes come out wherever it is built."""

from __future__ import annotations

import hashlib
import shutil
import subprocess
from functools import partial
from pathlib import Path

import pytest
from elftools.elf.elffile import ELFFile

from gatekeep.model.matrix import Target
from tests.integration.skerry_boot import load_board_facts
from tests.integration.skerry_build import MATRIX, TREE, Build, build, build_all, environment, find_target

#: docs/warnings.md of the tree names them.
WARNED = {"mips/lough", "powerpc/heugh"}


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Path, Build]]:
    return build_all(tmp_path_factory.getbasetemp())


def test_matrix_lists_24_targets_of_eight_ports_the_newest_loongarch64():
    assert len(MATRIX.targets) == 24
    assert len(MATRIX.ports) == 8
    assert [port.name for port in MATRIX.ports if port.since is not None] == ["loongarch64"]


def test_every_board_of_the_tree_is_in_the_matrix():
    boards = {path.parent.name for path in TREE.glob("boards/*/board.mk")}
    assert boards == {target.board for target in MATRIX.targets}


@pytest.mark.parametrize("target", MATRIX.targets, ids=lambda target: target.name)
def test_target_builds_with_no_other_warning_than_the_old_one(built, target):
    _, run = built[target.name]
    assert run.returncode == 0, run.stderr
    warnings = [line for line in run.stderr.splitlines() if "warning:" in line or "error:" in line]
    expected = [
        "drivers/lamp_rotor.c:26:17: warning: comparison of integers of different signs: "
        "'int' and 'u32' (aka 'unsigned int') [-Wsign-compare]"
    ]
    assert warnings == (expected if target.name in WARNED else [])


@pytest.mark.parametrize("target", MATRIX.targets, ids=lambda target: target.name)
def test_image_fills_its_part_and_elf_is_of_its_port(built, target):
    """Class and byte order as pyelftools reads them; regions of the linker script equal those of the matrix."""
    out, _ = built[target.name]
    port = MATRIX.get_port(target.port)
    assert port is not None
    assert target.part is not None
    with (out / f"{target.board}.elf").open("rb") as stream:
        elf = ELFFile(stream)
        assert elf["e_machine"] == f"EM_{port.machine}"
        assert elf.elfclass == port.bits
        assert elf.little_endian == (port.byte_order == "little")
    assert (out / f"{target.board}.rom").stat().st_size == target.part.capacity_bytes

    facts = load_board_facts(TREE, target.board)
    assert facts.port == target.port
    assert facts.regions["PART"] == (target.part_address, target.part.capacity_bytes)
    assert [(memory.address, memory.capacity_bytes) for memory in target.memories] == [facts.regions["SRAM"]]
    for region in target.part.regions:
        if region.name != "log":
            origin, size_bytes = facts.regions[region.name.upper()]
            assert (origin - facts.regions["PART"][0], size_bytes) == (region.at_bytes, region.capacity_bytes)


def used_bytes(image: bytes, target: Target, name: str) -> int:
    assert target.part is not None
    region = next(region for region in target.part.regions if region.name == name)
    return len(image[region.at_bytes : region.end_bytes].rstrip(b"\xff"))


@pytest.mark.parametrize("name", ["riscv32/gill", "arm/wick"])
def test_the_two_tight_boards_use_more_than_nine_tenths_of_their_boot_region(built, name):
    target = find_target(name)
    image = (built[name][0] / f"{target.board}.rom").read_bytes()
    assert 0.9 * 3584 < used_bytes(image, target, "boot") <= 3584
    assert used_bytes(image, target, "log") == 0


def digests(out: Path, target: Target) -> list[str]:
    return [hashlib.sha256((out / f"{target.board}.{kind}").read_bytes()).hexdigest() for kind in ("elf", "rom")]


@pytest.mark.parametrize("name", ["riscv64/tarn/debug", "mips/lough"])
def test_same_bytes_from_another_tree_folder_output_folder_and_job_count(built, name, tmp_path):
    """With debug information too, which is where a path would show."""
    target = find_target(name)
    other = tmp_path / "a-rather-longer-name" / "tree"
    shutil.copytree(TREE, other, ignore=shutil.ignore_patterns("__pycache__"))
    out = tmp_path / "o"
    run = build(target, out, tree=other, jobs=1)
    assert run.returncode == 0, run.stderr
    assert digests(out, target) == digests(built[name][0], target)
    assert b"rather-longer" not in (out / f"{target.board}.elf").read_bytes()


def test_second_make_does_nothing_and_a_touched_header_rebuilds_its_readers(tmp_path):
    target = find_target("arm/mere/release")
    tree = tmp_path / "tree"
    shutil.copytree(TREE, tree, ignore=shutil.ignore_patterns("__pycache__"))
    make = partial(build, target, tmp_path / "out", tree)
    assert "cc core/lzma.c" in make().stdout
    assert "cc " not in make().stdout
    header = tree / "include" / "lzma.h"
    header.write_text(header.read_text() + "/* touched */\n")
    again = [line for line in make().stdout.splitlines() if line.startswith("cc ")]
    assert sorted(again) == ["cc core/container.c", "cc core/lzma.c"]


def test_build_writes_nothing_into_the_tree(tmp_path):
    target = find_target("x86/firth")
    tree = tmp_path / "tree"
    shutil.copytree(TREE, tree, ignore=shutil.ignore_patterns("__pycache__"))
    before = sorted(tree.rglob("*"))
    assert build(target, tmp_path / "out", tree).returncode == 0
    assert sorted(tree.rglob("*")) == before


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["O=x"], "BOARD is not set; give one of:"),
        (["O=x", "BOARD=atoll"], "boards/atoll/board.mk: there is no such board"),
        (["BOARD=vale"], "O is not set; name the folder that the build may write to"),
        (["O=x", "BOARD=vale", "CONFIG=fast"], "CONFIG is 'fast'; give debug or release"),
        (
            ["O=x", "BOARD=vale", "PYTHON=false"],
            "zig was not found; run 'pip install ziglang' or give ZIG=/path/to/zig",
        ),
    ],
)
def test_makefile_says_what_is_missing(arguments, message):
    run = subprocess.run(["make", *arguments], cwd=TREE, env=environment(), capture_output=True, text=True, check=False)
    assert run.returncode == 2
    assert message in run.stderr
