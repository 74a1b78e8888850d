"""
What access times tell about whole builds is what their system calls tell.

The other side is strace(1): every file below the tree that a process of the build read, mapped or sent, and every
folder whose entries it took, while access times are watched in the same build.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from gatekeep.build.subprocess_runner import SubprocessRunner
from gatekeep.model.readset import ReadSet
from tests.firmware_tree import write_firmware_tree
from tests.job_bench import Bench, open_bench

SKERRY = Path(__file__).parents[2] / "matrices" / "skerry" / "tree"
KELP = Path(__file__).parents[1] / "data" / "kelp"
FILE_CALLS = ("read", "readv", "pread64", "mmap", "sendfile", "copy_file_range", "splice")
STRACE = f"strace -f -qq -y --seccomp-bpf -e trace={','.join(FILE_CALLS)},getdents64 -o $OUT/trace"
#: With `-y` every descriptor is followed by the path that it stands for.
_CALL = re.compile(rb"^\d+ +(\w+)\((.*)$", re.MULTILINE)
_PATH = re.compile(rb"\d<([^>]*)>")


@pytest.fixture(scope="module")
def runner() -> Iterator[SubprocessRunner]:
    with SubprocessRunner() as opened:
        yield opened


@pytest.fixture
def bench(tmp_path: Path, runner: SubprocessRunner, request: pytest.FixtureRequest) -> Iterator[Bench]:
    request.param(tmp_path / "source")
    with open_bench(tmp_path, runner) as opened:
        yield opened


def copy_skerry(folder: Path) -> None:
    shutil.copytree(SKERRY, folder)


def copy_kelp(folder: Path) -> None:
    shutil.copytree(KELP, folder)


def read_trace(bench: Bench) -> ReadSet:
    """Give what a trace says that the build read of its tree; empty files come in addition, see `readset`."""
    files: set[str] = set()
    folders: set[str] = set()
    for call, arguments in _CALL.findall((bench.out / "trace").read_bytes()):
        for found in _PATH.findall(arguments):
            path = Path(found.decode())
            if path.is_relative_to(bench.tree.root):
                (folders if call == b"getdents64" else files).add(path.relative_to(bench.tree.root).as_posix())
    empty = {path for path in bench.source.rglob("*") if path.is_file() and not path.stat().st_size}
    files |= {path.relative_to(bench.source).as_posix() for path in empty if ".git" not in path.parts}
    return ReadSet(files=tuple(sorted(files)), folders=tuple(sorted(folders)))


@pytest.mark.parametrize("bench", [write_firmware_tree], indirect=True)
def test_read_set_of_a_bare_metal_tree_of_485_files_is_that_of_a_trace(bench: Bench) -> None:
    """GCC, GNU ld and objcopy, called by a script; headers, patterns, an empty header."""
    read_set = bench.run(f"{STRACE} make -j2 O=$OUT")
    assert bench.touched == ()
    assert read_set == read_trace(bench)
    assert read_set is not None
    # 24 sources with a header each, 13 headers of parts, and six files more.
    assert len(read_set.files) == 67
    assert {"Makefile", "tools/pad.sh", "include/empty.h", "boards/ness/memory.ld"} < set(read_set.files)
    assert "modules/m03" in read_set.folders
    # What is not traced is not read in another way: an untraced build has the same read set.
    assert bench.run("make -j2 O=$OUT") == read_set


@pytest.mark.parametrize("bench", [copy_skerry], indirect=True)
@pytest.mark.parametrize("board", ["vale", "ness"])
def test_read_set_of_a_board_of_skerry_is_that_of_a_trace(bench: Bench, board: str) -> None:
    """Clang and LLD from the wheel, Python for the last step."""
    read_set = bench.run(f"{STRACE} make -j2 BOARD={board} O=$OUT")
    assert bench.touched == ()
    assert read_set == read_trace(bench)
    assert read_set is not None
    assert {"Makefile", f"boards/{board}/board.mk", "tools/compose.py", "core/main.c"} < set(read_set.files)
    assert not any(path.startswith("docs/") for path in read_set.files)


@pytest.mark.parametrize("bench", [copy_kelp], indirect=True)
def test_read_set_of_a_recipe_that_builds_in_its_tree_is_what_a_trace_says_of_the_tree_itself(bench: Bench) -> None:
    """Recursive make; objects, archive and ELF beside their sources, and read again there."""
    build = "make -j2 CROSS=arm-none-eabi- FLAGS='-mcpu=cortex-m3 -mthumb'"
    read_set = bench.run(f"{STRACE} {build}", builds_in_tree=True)
    assert set(bench.touched) >= {"app/kelp.elf", "lib/libkelp.a"}
    traced = read_trace(bench)
    belonging = {path.relative_to(bench.source).as_posix() for path in bench.source.rglob("*")}
    assert set(traced.files) & set(bench.touched)
    assert read_set == ReadSet(
        files=tuple(path for path in traced.files if path in belonging),
        folders=tuple(path for path in traced.folders if path in belonging | {"."}),
    )
    # Once more, from the tree that was put back.
    assert bench.run(build, builds_in_tree=True) == read_set
    assert bench.run(build) is None
