"""
Access times tell what a build read: every way of reading, real programs, real file systems.

Source of the rules: inode(7), "Timestamp fields"; mount(8), relatime. test_readset_trace.py holds whole builds against
a trace of their system calls.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from gatekeep.build.readset import ReadWatch, make_read_set
from gatekeep.build.subprocess_runner import SubprocessRunner
from gatekeep.build.tree_files import Accesses, walk_tree
from gatekeep.build.worktree import MaterialisedTree
from gatekeep.model.readset import ReadSet
from gatekeep.tree.repository import open_repository
from tests.job_bench import ENVIRONMENT, SOURCE_DATE, Bench, commit, open_bench

#: A tree with something for every way of reading.
FILES = {
    "read.txt": "read me\n",
    "other.txt": "and me\n",
    "empty.h": "",
    "main.c": '#include "sub/a.h"\n#include "empty.h"\nint main(void) { return A; }\n',
    "sub/a.h": "#define A 0\n",
    "sub/b.h": "#define B 0\n",
    "sub/deep/c.h": "#define C 0\n",
    "tool.sh": "#!/bin/sh\nexit 0\n",
    "big.bin": "0123456789abcde\n" * 200_000,
    "table.mk": "FOUND := $(wildcard sub/*.h)\nall: read.txt\n\t@echo $(FOUND)\n",
    **{f"many/{n:03}": f"{n}\n" for n in range(200)},
}
LINKS = {"link": "other.txt", "subs": "sub"}


@pytest.fixture(scope="module")
def runner() -> Iterator[SubprocessRunner]:
    with SubprocessRunner() as opened:
        yield opened


def make_source(folder: Path) -> None:
    for name, content in FILES.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(content)
    (folder / "tool.sh").chmod(0o755)
    shutil.copy("/bin/true", folder / "program")
    for name, target in LINKS.items():
        (folder / name).symlink_to(target)


@pytest.fixture(scope="module")
def shared_bench(tmp_path_factory: pytest.TempPathFactory, runner: SubprocessRunner) -> Iterator[Bench]:
    folder = tmp_path_factory.mktemp("bench")
    make_source(folder / "source")
    with open_bench(folder, runner) as opened:
        yield opened


@pytest.fixture
def bench(shared_bench: Bench) -> Bench:
    """Share one tree, as the jobs of a worker do: what one test does to it must not show in the next."""
    shared_bench.watch = ReadWatch(shared_bench.folder, fault=None)
    return shared_bench


@pytest.fixture
def own_bench(tmp_path: Path, runner: SubprocessRunner) -> Iterator[Bench]:
    make_source(tmp_path / "source")
    with open_bench(tmp_path, runner) as opened:
        yield opened


def list_read(folder: Path) -> list[str]:
    """Give what lies in a tree with an access time that is not older than its modification and change time."""
    found: list[str] = []

    def visit(path: bytes, status: os.stat_result) -> bool:
        if status.st_atime_ns >= SOURCE_DATE * 1_000_000_000:
            found.append(os.fsdecode(path))
        return True

    assert walk_tree(os.fsencode(folder), visit) == []
    return found


def python(code: str) -> str:
    return f"{sys.executable} -I -S -c '{code}'"


WAYS = {
    "nothing but one": ("true", (), ()),
    "cat": ("cat other.txt", ("other.txt",), ()),
    "twice": ("cat other.txt other.txt", ("other.txt",), ()),
    "first byte of many": ("head -c 1 big.bin", ("big.bin",), ()),
    "script": ("./tool.sh", ("tool.sh",), ()),
    "program": ("./program", ("program",), ()),
    "mmap": (
        python('import mmap; f = open("big.bin"); mmap.mmap(f.fileno(), 0, access=mmap.ACCESS_READ)[99]'),
        ("big.bin",),
        (),
    ),
    "sendfile": (
        python('import os; os.sendfile(os.open(os.environ["OUT"] + "/o", 66), os.open("other.txt", 0), 0, 3)'),
        ("other.txt",),
        (),
    ),
    "cp": ("cp big.bin $OUT/", ("big.bin",), ()),
    "install": ("install -m 644 other.txt $OUT/", ("other.txt",), ()),
    "link read": ("readlink link", ("link",), ()),
    "link followed": ("cat link", ("link", "other.txt"), ()),
    "link to a folder": ("cat subs/a.h", ("sub/a.h", "subs"), ()),
    "link looked at": ("test -h link && stat -c %a link", (), ()),
    "include": ("cc -E main.c", ("main.c", "sub/a.h"), ()),
    "compiler from elsewhere": ("cd $OUT && cc -c $ROOT/main.c", ("main.c", "sub/a.h"), ()),
    "incbin": ("""echo '.incbin "other.txt"' | as -o $OUT/o -""", ("other.txt",), ()),
    "shell pattern": ("echo sub/*", (), ("sub",)),
    "make": ("make -f table.mk", ("table.mk",), (".", "sub")),
    "ls": ("ls sub", (), ("sub",)),
    "find": ("find sub", (), ("sub", "sub/deep")),
    "find by time": ("find sub -newer read.txt", (), ("sub", "sub/deep")),
    "grep -r": ("grep -r define sub", ("sub/a.h", "sub/b.h", "sub/deep/c.h"), ("sub", "sub/deep")),
    "cp -a": ("cp -a sub $OUT/", ("sub/a.h", "sub/b.h", "sub/deep/c.h"), ("sub", "sub/deep")),
    "tar": ("tar cf - sub | cat", ("sub/a.h", "sub/b.h", "sub/deep/c.h"), ("sub", "sub/deep")),
    "through a second descriptor": ("cat < other.txt", ("other.txt",), ()),
    "in the past of its folder": ("cd sub/deep && cat ../../other.txt", ("other.txt",), ()),
    "open without reading": (": < other.txt", (), ()),
    "looked at only": ("test -e other.txt; test -x tool.sh; stat other.txt big.bin; wc -c < other.txt", (), ()),
}


@pytest.mark.parametrize("way", WAYS)
def test_each_way_of_reading_is_seen_and_nothing_else(bench: Bench, way: str) -> None:
    script, files, folders = WAYS[way]
    # A job that read nothing is not believed, so each reads one file more; empty ones are always in.
    read_set = bench.run(f"cat read.txt; {script}")
    assert read_set == ReadSet(files=tuple(sorted((*files, "empty.h", "read.txt"))), folders=folders)
    assert bench.touched == ()
    assert list_read(bench.tree.root) == []


def test_files_read_by_eight_processes_at_once_are_all_seen(bench: Bench) -> None:
    read_set = bench.run("cat read.txt; seq -f 'many/%03g' 0 2 199 | xargs -P 8 -n 5 cat")
    assert read_set == ReadSet(
        files=("empty.h", *(f"many/{n:03}" for n in range(0, 200, 2)), "read.txt"),
        folders=(),
    )


def test_each_job_has_a_read_set_of_its_own(bench: Bench) -> None:
    assert bench.tree.tree_id is not None
    first = ReadSet(files=("empty.h", "other.txt"), folders=("sub",))
    second = ReadSet(files=("empty.h", "read.txt"), folders=())
    for _ in range(3):
        bench.tree.move_to(bench.tree.tree_id)
        assert bench.run("cat other.txt; ls sub") == first
        bench.tree.move_to(bench.tree.tree_id)
        assert bench.run("cat read.txt") == second


def test_a_tree_that_moved_to_another_commit_is_unread(own_bench: Bench) -> None:
    own_bench.run("cat read.txt; ls sub many")
    (own_bench.source / "sub" / "a.h").write_text("#define A 1\n")
    (own_bench.source / "sub" / "new.h").write_text("#define N 1\n")
    (own_bench.source / "many" / "007").unlink()
    shutil.rmtree(own_bench.source / "sub" / "deep")
    own_bench.tree.move_to(commit(own_bench.source))
    assert list_read(own_bench.tree.root) == []
    assert own_bench.run("cat sub/new.h") == ReadSet(files=("empty.h", "sub/new.h"), folders=())


def test_a_tree_left_by_a_killed_process_is_unread_once_taken_over(own_bench: Bench) -> None:
    """The kill falls between the job and `restore`: nobody has set back what the job read."""
    tree_id = own_bench.tree.tree_id
    subprocess.run("cat read.txt link; ls sub", shell=True, cwd=own_bench.tree.root, check=True, capture_output=True)
    own_bench.tree.close()
    with (
        open_repository(own_bench.source, ENVIRONMENT) as repository,
        MaterialisedTree(own_bench.tree.root, repository, source_date=SOURCE_DATE) as tree,
    ):
        assert tree.tree_id == tree_id
        assert tree.accesses is None
        assert list_read(tree.root) == []
        assert tree.restore() == ()
        assert tree.accesses == Accesses(
            files=(), empty_files=(b"empty.h",), folders=(), wrote_tracked=False, wrote_folders=False
        )


VOID = {
    "read and re-dated": "cat other.txt; touch -a -d @1 other.txt",
    "read and its time set back exactly": f"cat other.txt; touch -a -d @{SOURCE_DATE - 1} other.txt",
    "written and its time set back": f"echo more >> other.txt; touch -d @{SOURCE_DATE} other.txt",
    "replaced": "sed -i s/and/or/ other.txt",
    "moved away and back": "mv other.txt x; cat x; mv x other.txt",
    "linked": "ln other.txt $OUT/kept; cat $OUT/kept",
    "linked and unlinked": "ln other.txt $OUT/kept; cat $OUT/kept; rm $OUT/kept",
    "mode changed and back": "chmod 600 other.txt; chmod 644 other.txt",
    "removed": "rm other.txt",
    "folder removed": "rm -r sub",
    "folder made anew with all that was in it": "cp -a sub s; rm -r sub; mv s sub",
    "symlink made anew": "rm link; ln -s other.txt link",
    "access times switched off for a file": "chattr +A other.txt; cat other.txt",
}


@pytest.mark.parametrize("way", VOID)
@pytest.mark.parametrize("builds_in_tree", [False, True])
def test_whoever_writes_what_belongs_to_the_tree_has_no_read_set(bench: Bench, way: str, builds_in_tree: bool) -> None:
    assert bench.run(f"cat read.txt; {VOID[way]}", builds_in_tree=builds_in_tree) is None
    assert bench.touched
    assert list_read(bench.tree.root) == []
    assert bench.run("cat read.txt") == ReadSet(files=("empty.h", "read.txt"), folders=())


IN_TREE = {
    "object beside its source": ("cc -c main.c -o main.o", ("main.c", "sub/a.h"), (".",)),
    "object in a folder of the tree": ("cc -c main.c -o sub/main.o", ("main.c", "sub/a.h"), ("sub",)),
    "object in a folder of its own": (
        "mkdir obj; cc -c main.c -o obj/main.o; cat obj/*",
        ("main.c", "sub/a.h"),
        (".",),
    ),
    "made and removed again": ("echo x > sub/x; rm sub/x", (), ("sub",)),
    "read through a made symlink": ("ln -s ../other.txt sub/x; cat sub/x", ("other.txt",), ("sub",)),
    "read through a folder that was moved away and back": (
        "mv sub s; cat s/a.h; mv s sub",
        ("sub/a.h",),
        (".", "sub"),
    ),
    "folder listed, its time set back": (
        f"echo x > sub/x; ls sub; touch -d @{SOURCE_DATE} -m sub; touch -d @{SOURCE_DATE - 1} -a sub",
        (),
        ("sub",),
    ),
    "folder closed to everybody": ("cat sub/a.h; chmod 0 sub", ("sub/a.h",), ("sub",)),
    "generated header": ("echo '#define B 1' > sub/made.h; cat sub/made.h", (), ("sub",)),
}


@pytest.mark.parametrize("way", IN_TREE)
def test_recipe_that_builds_in_the_tree_has_a_read_set_without_what_it_made(bench: Bench, way: str) -> None:
    script, files, folders = IN_TREE[way]
    read_set = bench.run(f"cat read.txt; {script}", builds_in_tree=True)
    assert read_set == ReadSet(files=tuple(sorted((*files, "empty.h", "read.txt"))), folders=folders)
    assert bench.touched
    assert list_read(bench.tree.root) == []
    # Of any other recipe it is a fault, and the read set void.
    assert bench.run(f"cat read.txt; {script}") is None


def test_reading_with_o_noatime_or_by_size_alone_goes_unseen(bench: Bench) -> None:
    """What access times cannot show; `refused_calls` takes the first from builds, the audit is for the second."""
    descriptor = os.open(bench.tree.root / "main.c", os.O_RDONLY | os.O_NOATIME)
    assert os.read(descriptor, 8) == b"#include"
    os.close(descriptor)
    read_set = bench.run("cat read.txt; wc -c other.txt; ! cmp -s other.txt big.bin")
    assert read_set == ReadSet(files=("empty.h", "read.txt"), folders=())


def test_a_job_that_read_nothing_is_not_believed(bench: Bench) -> None:
    assert bench.run("true") is None


def test_a_canary_that_is_gone_ends_the_telling(bench: Bench) -> None:
    assert bench.run("cat read.txt; rm $OUT/../canary") is None
    assert bench.watch.fault == (
        f"{bench.folder}: what a build reads cannot be told here, so no result is carried: "
        "a file of ours is gone: No such file or directory; put the store's folder on ext4 or tmpfs, mounted without "
        "noatime and nodiratime"
    )
    assert bench.run("cat read.txt") is None


def test_a_canary_whose_time_stands_still_ends_the_telling(bench: Bench) -> None:
    """As after `mount -o remount,noatime` in the middle of a run: chattr(1), A."""
    assert bench.run("cat read.txt; chattr +A $OUT/../canary") is None
    assert bench.watch.fault == (
        f"{bench.folder}: what a build reads cannot be told here, so no result is carried: "
        "reading a file moves its access time no more; put the store's folder on ext4 or tmpfs, mounted "
        "without noatime and nodiratime"
    )


def test_read_set_is_sorted_and_names_the_root_by_a_dot() -> None:
    accesses = Accesses(
        files=(b"b", b"a/\xff"),
        empty_files=(b"a/b",),
        folders=(b"z", b"", b"z"),
        wrote_tracked=False,
        wrote_folders=True,
    )
    assert make_read_set(accesses, builds_in_tree=True) == ReadSet(files=("a/b", "a/\udcff", "b"), folders=(".", "z"))
    assert make_read_set(accesses, builds_in_tree=False) is None
