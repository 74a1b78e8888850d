"""
In direct mode too everything is as without the cache: objects, warnings, rules, and what was read.

Real ccache, GCC and Clang, a real tree moved between commits, and the same compiler without the cache as the truth.
Most cases change which file a header's name leads to, without changing any file that was read. Source of the cases:
ccache manual 4.7, "The direct mode" (its list of what it does not see); GCC manual, "Search Path", "Wrapper Headers",
"Pragmas" (GCC dependency), "Environment Variables Affecting GCC".
"""

from __future__ import annotations

import os
import shlex
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from gatekeep.model.evidence import Built
from gatekeep.model.matrix import CacheWish, Toolchain
from gatekeep.tree.repository import open_repository
from tests.benchmarks.plain_loop import find_zig
from tests.compile_worker import GCC, SOURCE_DATE, TOOLCHAIN, TreeHistory, count, need_cache
from tests.integration.test_compile_cache import CACHE, MATRIX, TREE, gate, list_evidence
from tests.repos import Content, Link, make_repository

CLANG = "bare-clang"
COMPILERS = {"gcc": GCC, "clang": f"{CLANG} --target=thumbv7m-none-eabi"}
LINE = "$CC -c -O1 -Wall -Wextra -Iown -Iinclude -MMD -MP -MF $OUT/a.d a.c -o $OUT/a.o"
Files = Mapping[str | bytes, Content]
BASE: Files = {
    "a.c": b'#include "pins.h"\n/* a */ int read_pin(int a) { int unused; return a + PIN; }\n',
    "include/pins.h": b"#define PIN 1\n",
    "own/other.h": b"\n",
}
SHADOW: Files = {"own/pins.h": b"#define PIN 2\n"}
FALL = b"int f(int a) { switch (a) { case 1: a = 3;%s case 2: a = 4; } return a; }\n"


PIN_2 = b"#define PIN 2\n"
SUB_SHADOW: Files = {"src/sub/pins.h": PIN_2}
SOURCE_IN_FOLDER = {
    "src/a.c": b'#include "pins.h"\nint pin = PIN;\n',
    "src/sub/x.h": b"\n",
    "include/pins.h": b"#define PIN 1\n",
    "own/other.h": b"\n",
}
FOLDED: Files = dict(SOURCE_IN_FOLDER.items())
FOLDED_LINE = LINE.replace("a.c", "src/a.c")


#: name, files besides, line, change, kinds.
IN_FOLDER: tuple[tuple[str, Files, str, Files, str], ...] = (
    ("new header shadows", {}, FOLDED_LINE, SHADOW, "d"),
    ("new header beside it", {}, FOLDED_LINE, {"src/pins.h": b"#define PIN 2\n"}, "d"),
    ("new header by an absolute path", {}, FOLDED_LINE.replace("-Iown", "-I $PWD/own"), SHADOW, "d"),
    ("new header by a path with a dot", {}, FOLDED_LINE.replace("-Iown", "-I ./own/"), SHADOW, "d"),
    ("new header in a longer way", {}, FOLDED_LINE.replace("-Iown", "-I src/./sub"), SUB_SHADOW, "d"),
    ("new header in the working folder", {}, FOLDED_LINE.replace("-Iown", "-I."), {"pins.h": PIN_2}, "d"),
    (
        "forced include",
        {"include/late.h": b"#define PIN 1\n"},
        FOLDED_LINE.replace("-Iown", "-include late.h"),
        {"late.h": PIN_2},
        "d",
    ),
    (
        "header beside one of no searched folder",
        {"other/x.h": b'#include "pins.h"\n', "src/a.c": b"#include HEADER\nint pin = PIN;\n"},
        FOLDED_LINE.replace("-Iown", '"-DHEADER=\\"$PWD/other/x.h\\""'),
        {"other/pins.h": PIN_2},
        "p",
    ),
    (
        "new header where another folder is the working folder",
        {f"sub/{path}": content for path, content in SOURCE_IN_FOLDER.items()},
        f"cd sub && {FOLDED_LINE}",
        {"sub/own/pins.h": PIN_2},
        "d",
    ),
)


@dataclass(frozen=True, kw_only=True)
class Case:
    """
    What changes between two jobs. `kinds` is how the cache serves the first job done again: d direct, p by the
    preprocessor, - not at all. `differs` is whether the two do not come to the same, for each compiler.
    `shared` is how it serves what the first worker has left to the second one, where not by `kinds`.
    """

    name: str
    change: Files
    files: Files = field(default_factory=lambda: BASE)
    line: str = LINE
    later_line: str | None = None
    kinds: str = "d"
    differs: tuple[str, ...] = ("gcc", "clang")
    shared: str | None = None


def including(text: bytes, files: Files) -> Files:
    return {"a.c": text + b"\nint pin = PIN;\n", "own/other.h": b"\n", **files}


CASES = (
    Case(name="header", change={"include/pins.h": b"#define PIN 2\n"}),
    Case(name="new header shadows", change=SHADOW),
    Case(
        name="new header shadows in a sub folder",
        files=including(b'#include "port/pins.h"', {"include/port/pins.h": b"#define PIN 1\n"}),
        change={"own/port/pins.h": b"#define PIN 2\n"},
    ),
    Case(
        name="new header beside the source",
        files={"src/a.c": b'#include "pins.h"\nint pin = PIN;\n', "include/pins.h": b"#define PIN 1\n"},
        line="$CC -c -Iinclude src/a.c -o $OUT/a.o",
        change={"src/pins.h": b"#define PIN 2\n"},
    ),
    Case(
        name="new header beside another header",
        files=including(
            b'#include "pins.h"', {"include/pins.h": b'#include "more/x.h"\n', "own/more/x.h": b"#define PIN 1\n"}
        ),
        change={"include/more/x.h": b"#define PIN 2\n"},
    ),
    *(
        Case(
            name=f"{name} of a source in a folder",
            files={**FOLDED, **files},
            line=line,
            change=change,
            kinds=kinds,
            shared="-" if "DHEADER" in line else "p" if "PWD" in line else None,
        )
        for name, files, line, change, kinds in IN_FOLDER
    ),
    Case(
        name="new symlink shadows",
        files={**BASE, "data/pins.txt": b"#define PIN 2\n"},
        change={"own/pins.h": Link(b"../data/pins.txt")},
    ),
    Case(
        name="symlink leads elsewhere",
        files={
            **BASE,
            "include/pins.h": Link(b"../data/one.h"),
            "data/one.h": b"#define PIN 1\n",
            "data/two.h": b"#define PIN 2\n",
        },
        change={"include/pins.h": Link(b"../data/two.h")},
    ),
    Case(
        name="linked folder leads elsewhere, where there is a header",
        files=including(
            b'#include "port/pins.h"',
            {
                "own/port": Link(b"../none"),
                "none/x.c": b"",
                "data/pins.h": b"#define PIN 2\n",
                "include/port/pins.h": b"#define PIN 1\n",
            },
        ),
        change={"own/port": Link(b"../data")},
    ),
    Case(
        name="symlink into the void leads to a file",
        files={**BASE, "own/pins.h": Link(b"../data/board.txt"), "data/x.txt": b""},
        change={"data/board.txt": b"#define PIN 2\n"},
    ),
    Case(name="header that shadowed goes", files={**BASE, **SHADOW}, change={"own/pins.h": None}),
    Case(
        name="include_next",
        files={**BASE, "own/pins.h": b"#include_next <pins.h>\n", "middle/other.h": b"\n"},
        line=LINE.replace("-Iinclude", "-Imiddle -Iinclude"),
        change={"middle/pins.h": b"#define PIN 2\n"},
    ),
    Case(
        name="computed include",
        files=including(b"#define NAME <pins.h>\n#include NAME", {"include/pins.h": b"#define PIN 1\n"}),
        change=SHADOW,
    ),
    Case(
        name="header without an ending",
        files=including(b'#include "pins"', {"include/pins": b"#define PIN 1\n"}),
        change={"own/pins": b"#define PIN 2\n"},
    ),
    Case(
        name="header with an odd ending",
        files=including(b'#include "pins.txt"', {"include/pins.txt": b"#define PIN 1\n"}),
        change={"own/pins.txt": b"#define PIN 2\n"},
        kinds="p",
    ),
    Case(
        name="forced include",
        line=LINE.replace("a.c", "-include late.h a.c"),
        files={**BASE, "include/late.h": b"#define LATE 1\n", "a.c": b"int late = LATE;\n"},
        change={"late.h": b"#define LATE 2\n"},
    ),
    Case(
        name="folder of a header's name",
        change={"own/pins.h/x": b"\n"},
        differs=(),
    ),
    Case(
        name="header that is asked for",
        files={**BASE, "a.c": b'#if __has_include("late.h")\nint late = 1;\n#endif\nint here;\n'},
        change={"include/late.h": b""},
        kinds="p",
    ),
    Case(
        name="any file that is asked for, by a header",
        files={
            **BASE,
            "include/pins.h": b'#if __has_include("blob.bin")\n#define PIN 2\n#else\n#define PIN 1\n#endif\n',
        },
        change={"own/blob.bin": b"\n"},
        kinds="p",
    ),
    Case(
        name="file that is asked for on the command line",
        line=LINE.replace("a.c", '"-DASK=__has_include(\\"blob.bin\\")" a.c'),
        files={**BASE, "a.c": b"#if ASK\nint late;\n#endif\nint here;\n"},
        change={"own/blob.bin": b"\n"},
        kinds="p",
    ),
    Case(
        name="date of a file is asked for",
        files={"a.c": b'#pragma GCC dependency "blob.bin"\nint here;\n', "own/x.h": b"", "blob.bin": b"\n"},
        change={"blob.bin": None},
        kinds="p",
    ),
    Case(
        name="comment that silences a warning",
        files={**BASE, "a.c": FALL % b" /* fall through */"},
        change={"a.c": FALL % b""},
        differs=("gcc",),
    ),
    Case(
        name="column of a warning",
        change={"a.c": b'#include "pins.h"\n/* a */  int read_pin(int a) { int unused; return a + PIN; }\n'},
    ),
    Case(
        name="macro moves to another line",
        line=LINE.replace("-O1", "-g -ffile-prefix-map=$PWD=. -ffile-prefix-map=$OUT=out"),
        change={"include/pins.h": b"\n\n#define PIN 1\n"},
        differs=(),
    ),
    Case(
        name="assembler reads",
        files={"a.c": b'__asm__(".incbin \\"blob.bin\\"");\n', "blob.bin": b"1"},
        change={"blob.bin": b"2"},
        kinds="-",
    ),
    Case(
        name="place on the search path is no folder",
        line=LINE.replace("-Iown", "-Iodd"),
        change={"odd": b"\n"},
        kinds="p",
        differs=("gcc",),
    ),
    Case(
        name="place on the search path was no folder",
        line=LINE.replace("-Iown", "-Iodd"),
        files={**BASE, "odd": b"\n"},
        change={"odd": None},
        kinds="p",
        differs=("gcc",),
    ),
    Case(
        name="missing folder of the search path",
        line=LINE.replace("-Iown", "-Iodd -Wmissing-include-dirs"),
        change={"odd/x.c": b"\n"},
        kinds="p",
    ),
    Case(
        name="folder of the search path goes",
        line=LINE.replace("-Iown", "-Iown -Wmissing-include-dirs"),
        change={"own/other.h": None},
    ),
    Case(
        name="another working folder",
        files={
            **BASE,
            "sub/a.c": BASE["a.c"],
            "sub/include/pins.h": BASE["include/pins.h"],
            "sub/own/pins.h": b"#define PIN 2\n",
        },
        later_line=f"cd sub && {LINE}",
        change={},
    ),
    Case(
        name="header is made in the output folder",
        line=LINE.replace("-Iown", "-I$OUT/made"),
        later_line="mkdir $OUT/made && echo '#define PIN 2' >$OUT/made/pins.h && "
        + LINE.replace("-Iown", "-I$OUT/made"),
        change={},
        kinds="p",
    ),
    Case(
        name="header is made in a sub folder of the output folder",
        files=including(b'#include "port/pins.h"', {"include/port/pins.h": b"#define PIN 1\n"}),
        line="mkdir -p $OUT/made; " + LINE.replace("-Iown", "-isystem $OUT/made"),
        later_line="mkdir -p $OUT/made/port && echo '#define PIN 2' >$OUT/made/port/pins.h && "
        + LINE.replace("-Iown", "-isystem $OUT/made"),
        change={},
        kinds="p",
    ),
    Case(
        name="header of the output folder, by a way up",
        files=including(b'#include "../out/made.h"', {"include/x.h": b""}),
        line="echo '#define PIN 1' >$OUT/made.h; " + LINE,
        later_line="echo '#define PIN 2' >$OUT/made.h; " + LINE,
        change={},
        kinds="p",
    ),
    Case(
        name="source is made in the output folder",
        line="cp a.c $OUT/b.c; $CC -c -Iinclude $OUT/b.c -o $OUT/a.o",
        later_line="cp a.c $OUT/b.c; echo '#define PIN 2' >$OUT/pins.h; $CC -c -Iinclude $OUT/b.c -o $OUT/a.o",
        change={},
        shared="-",
        kinds="p",
    ),
    Case(
        name="folders in the environment",
        line=f"export CPATH=include; {LINE.replace('-Iinclude', '')}",
        later_line=f"export CPATH=own; {LINE.replace('-Iinclude', '')}",
        files={**BASE, **SHADOW},
        change={},
        kinds="p",
        differs=(),
    ),
    *(
        Case(
            name=name,
            line=f"SOURCE_DATE_EPOCH=1000000000; {LINE}",
            later_line=f"SOURCE_DATE_EPOCH=1100000000; {LINE}",
            files={**BASE, "a.c": b"const char *const day = %s;\n" % text},
            change={},
            kinds=kinds,
        )
        for name, text, kinds in (("the day", b"__DATE__", "d"), ("the hour", b"__TIME__", "p"))
    ),
)


@pytest.fixture(params=["gcc", "clang"])
def compiler(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def history(compiler: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[TreeHistory]:
    """Commits, with the compiler's words in $CC."""
    toolchain = TOOLCHAIN
    if compiler == "clang":
        program = tmp_path / "bin" / CLANG
        program.parent.mkdir()
        program.write_text(f'#!/bin/sh\nexec {shlex.quote(find_zig())} clang "$@"\n')
        program.chmod(0o755)
        monkeypatch.setenv("PATH", f"{program.parent}:{os.environ['PATH']}")
        toolchain = Toolchain(name="bare-clang", probe=(CLANG,), compile_cache=CacheWish(in_front_of=(CLANG,)))
    source = make_repository(tmp_path / "source")
    with open_repository(source.path) as repository:
        found = TreeHistory(tmp_path, source, repository, need_cache(toolchain, tmp_path / "store"))
        yield found
        found.close()


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_everything_is_as_without_the_cache(case: Case, compiler: str, history: TreeHistory) -> None:
    """Before the change, after it, and after the way back; and the same for a second worker."""
    words = COMPILERS[compiler]
    before = history.commit(case.files)
    after = history.commit(case.change) if case.change else before
    later_line = case.later_line or case.line
    for number in range(2):
        worker = history.add_worker()
        worker.move_to(before)
        first = worker.run(case.line, words, cached=False)
        served = (case.shared or case.kinds) if number else "-"
        assert worker.check(case.line, words, times=2) == served + case.kinds
        worker.move_to(after)
        later = worker.run(later_line, words, cached=False)
        assert (later.shows != first.shows) == (compiler in case.differs)
        worker.check(later_line, words, times=2)
        worker.move_to(before)
        assert worker.check(case.line, words) == case.kinds


ELSEWHERE: Mapping[str, Files] = {
    "header": {"other/pins.h": PIN_2},
    "folder": {"boards/new/board.c": b"int board;\n"},
    "header beside the folders": {"more.h": PIN_2},
}


@pytest.mark.parametrize("change", ELSEWHERE.values(), ids=list(ELSEWHERE))
def test_names_where_nobody_searches_change_nothing(change: Files, compiler: str, history: TreeHistory) -> None:
    """So a board that is added costs the others nothing; where the whole tree is searched, it does."""
    words = COMPILERS[compiler]
    before, after = history.commit({**FOLDED, **BASE}), history.commit(change)
    worker = history.add_worker()
    for line, kind in ((FOLDED_LINE, "d"), (LINE, "p")):
        worker.move_to(before)
        worker.check(line, words, times=2)
        worker.move_to(after)
        assert worker.check(line, words) == kind


WRITES = {
    "a header comes": "cp data/pins.txt own/pins.h",
    "a header comes, and its folder is re-dated": f"cp data/pins.txt own/pins.h; touch -d @{SOURCE_DATE} own",
    "a header goes": "rm late/pins.h",
    "a header goes, and its folder is re-dated": f"rm late/pins.h; touch -d @{SOURCE_DATE} late",
    "a folder is copied, with its date": "cp -a data/own/. own/",
    "a header becomes a symlink": "ln -sf ../data/pins.txt late/pins.h",
}


@pytest.mark.parametrize("write", WRITES.values(), ids=list(WRITES))
@pytest.mark.parametrize("compiler", ["gcc"])
def test_what_a_job_finds_that_writes_into_its_tree_is_in_doubt_and_misleads_no_other(
    write: str, history: TreeHistory
) -> None:
    """The first job of all leaves nothing for direct mode; after a clean one, its own object may be wrong."""
    files: Files = {
        **BASE,
        "late/pins.h": b"#define PIN 3\n",
        "data/pins.txt": b"#define PIN 2\n",
        "data/own/pins.h": b"#define PIN 2\n",
    }
    line = LINE.replace("-Iinclude", "-Ilate -Iinclude")
    worker = history.add_worker()
    worker.move_to(history.commit(files))
    truth = worker.run(line, GCC, cached=False)
    for _ in range(2):
        assert worker.run(f"{write}; {line}", GCC, cached=True).is_in_doubt
        after = worker.run(line, GCC, cached=True)
        assert not after.is_in_doubt
        assert after.shows == truth.shows
    assert worker.check(line, GCC) == "d"


BUILDS_IN_TREE = MATRIX.replace("time_limit: 60 s", "time_limit: 60 s, builds_in_tree: true")
COPY = b"$(shell cp -a data/. boards/$(BOARD)/)\n"


@pytest.mark.parametrize("matrix", [MATRIX, BUILDS_IN_TREE], ids=["by accident", "as its recipe says"])
def test_gate_builds_again_what_wrote_into_its_tree(matrix: str, tmp_path: Path) -> None:
    """From the second commit on a header is copied to where it shadows one; its folder keeps its date."""
    changes: tuple[Files, ...] = (
        {"Makefile": TREE["Makefile"] + COPY},
        {"Makefile": TREE["Makefile"] + COPY + b"# again\n"},
        {"Makefile": TREE["Makefile"] + b"# as it was\n"},
    )
    found = []
    for name, cache in (("with", CACHE), ("without", "")):
        repository = make_repository(tmp_path / name)
        repository.commit(
            {
                **TREE,
                "data/ring.h": b"#define SIZE 9\nint ring(int a);\n",
                "matrix.yml": matrix.format(cache=cache).encode(),
            }
        )
        repository.git("branch", "base", "main")
        for change in changes:
            repository.commit(change)
        gate(repository)
        found.append(list_evidence(repository))
    ours, theirs = found
    assert len(ours) == 2 * (1 + len(changes))
    for place, entry in ours.items():
        other = theirs[place]
        assert entry.footprint == other.footprint
        assert entry.footprint is not None
        assert entry.read_set == other.read_set
        assert entry.touched == other.touched
        match entry.outcome, other.outcome:
            case Built(artifacts=one), Built(artifacts=two):
                assert one == two
            case outcomes:
                pytest.fail(f"{outcomes}")
    images = [ours[number, "arm/buoy"].outcome for number in range(4)]
    assert images[0] == images[3] != images[1] == images[2]
    folder = tmp_path / "with" / ".git" / "gatekeep" / "compile-cache" / "arm-gcc"
    assert (count(folder, "direct_cache_hit") > 0) == (matrix is MATRIX)


@pytest.mark.parametrize("compiler", ["gcc"])
@pytest.mark.parametrize("why", ["version", "another name of its folder"])
def test_direct_mode_is_left_alone_where_nothing_is_known_of_it(why: str, history: TreeHistory, tmp_path: Path) -> None:
    """Another version of ccache; and a worker's folder that the compiler may call by another name than we do."""
    if why == "version":
        history.cache = replace(history.cache, may_be_direct=False)
    else:
        (tmp_path / "real").mkdir()
        (tmp_path / "link").symlink_to(tmp_path / "real")
        history.folder = tmp_path / "link"
    worker = history.add_worker()
    worker.move_to(history.commit(BASE))
    assert worker.check(LINE, GCC, times=2) == "-p"
