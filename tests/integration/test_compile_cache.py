"""
With a compiler cache everything is as without: objects, warnings, dependency files, read sets, verdicts.

Real ccache, GCC and GNU make. Most cases change what ccache by itself does not look at; the clean compiler beside it is
the truth. Source of the cases: ccache manual 4.7, "How ccache works"; GCC manual; GNU as manual.
"""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType

import pytest

from gatekeep.build.compile_cache import CompileCache, NoCompileCache, list_faults
from gatekeep.history.store import SqliteStore
from gatekeep.model.evidence import Built, Evidence
from gatekeep.model.matrix import CacheWish
from tests.compile_worker import FACTS, GCC, HITS, TOOLCHAIN, count, find_cache, need_cache
from tests.repos import Content, GitFolder, clean_environment, make_repository

SOURCE_DATE = "1000000000"


@dataclass(frozen=True, kw_only=True)
class Compiled:
    """What a compiler did: its exit code, its words, and the files that it left."""

    code: int
    printed: bytes
    files: Mapping[str, bytes]


class Worker:
    """A worker's tree with the cache in front of its compiler, and the same compiler without."""

    def __init__(self, folder: Path, cache: CompileCache) -> None:
        self.tree, self.cache = folder / "tree", cache
        self._tmp, self._out = folder / "tmp", folder / "out"
        for place in (self.tree, self._tmp):
            place.mkdir(parents=True)
        self._clean = {"PATH": os.environ["PATH"], "LC_ALL": "C.UTF-8", "SOURCE_DATE_EPOCH": SOURCE_DATE}
        self._cached = cache.stand_in_front(
            self._clean, folder=folder / "compilers", tree=self.tree, out=self._out, tmp=self._tmp
        )

    def write(self, files: Mapping[str, str | None]) -> None:
        for name, text in files.items():
            path = self.tree / name
            path.parent.mkdir(parents=True, exist_ok=True)
            if text is None:
                path.unlink()
            else:
                path.write_text(text, encoding="utf-8")

    def compile(self, *words: str, cached: bool, compiler: str = GCC, **environment: str) -> Compiled:
        shutil.rmtree(self._out, ignore_errors=True)
        self._out.mkdir()
        done = subprocess.run(
            [compiler, *(word.format(tree=self.tree, out=self._out) for word in words)],
            cwd=self.tree,
            env=(self._cached if cached else self._clean) | environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
        files = {path.name: path.read_bytes() for path in sorted(self._out.iterdir())}
        return Compiled(code=done.returncode, printed=done.stdout, files=files)

    def check(self, *words: str, times: int = 2, environment: Mapping[str, str] = MappingProxyType({})) -> int:
        """Compile both ways, twice with the cache; give how many of those were hits."""
        before = self.count_hits()
        clean = self.compile(*words, cached=False, **environment)
        for _ in range(times):
            assert self.compile(*words, cached=True, **environment) == clean
        return self.count_hits() - before

    def count_hits(self) -> int:
        return sum(count(self.cache.folder, name) for name in HITS)


@pytest.fixture
def worker(tmp_path: Path) -> Worker:
    return Worker(tmp_path / "w1", need_cache(TOOLCHAIN, tmp_path / "store"))


COMPILE = ("-c", "-O1", "-Wall", "-Wextra", "-Iown", "-Iinclude", "-MMD", "-MP", "a.c", "-o", "{out}/a.o")
BASE = {
    "a.c": '#include "pins.h"\n#include <stdint.h>\n'
    "/* a */ uint32_t read_pin(uint32_t a) { int unused; return a + PIN; }\n",
    "include/pins.h": "#define PIN 1\n",
    "own/other.h": "\n",
    "blob.bin": "one\n",
}
ASSEMBLY = '.globl blob\nblob: {} "blob.bin"\n'


def inline(text: str) -> str:
    return f"__asm__({text});\nint used;\n"


@dataclass(frozen=True, kw_only=True)
class Case:
    """What changes between two compilations; `hits` is whether the cache may serve the same files again."""

    name: str
    change: Mapping[str, str | None]
    files: Mapping[str, str] = field(default_factory=lambda: BASE)
    words: tuple[str, ...] = COMPILE
    later_words: tuple[str, ...] | None = None
    hits: bool = True


FALL = "int f(int a) {{ switch (a) {{ case 1: a = 3;{} case 2: a = 4; }} return a; }}\n"
INCBIN = {"a.c": inline('".incbin\\t\\"blob.bin\\""'), "blob.bin": "one\n"}
DEBUG = ("-c", "-O1", "-g", "-I{tree}/include", "a.c", "-o", "{out}/a.o")
CASES = (
    Case(name="header", change={"include/pins.h": "#define PIN 2\n"}),
    Case(name="shadowing header", change={"own/pins.h": "#define PIN 2\n"}),
    Case(name="header shadows one of the toolchain", change={"own/stdint.h": "typedef unsigned int uint32_t;\n"}),
    Case(
        name="header that is only asked for",
        files={"a.c": '#if __has_include("late.h")\nint late = 1;\n#endif\nint here;\n', "include/x.h": ""},
        change={"include/late.h": ""},
    ),
    Case(name="spaces within a line", words=DEBUG, change={"a.c": BASE["a.c"].replace("a + PIN", "a  +   PIN")}),
    Case(name="column of a warning", change={"a.c": BASE["a.c"].replace("int unused", "int   unused")}),
    Case(name="comment in a quoted line", change={"a.c": BASE["a.c"].replace("/* a */", "/* b */")}),
    Case(
        name="comment that silences a warning",
        files={"a.c": FALL.format(" /* fall through */")},
        words=("-c", "-Wextra", "a.c", "-o", "{out}/a.o"),
        change={"a.c": FALL.format("")},
    ),
    Case(name="macro moves to another line", words=DEBUG, change={"include/pins.h": "\n\n#define PIN 1\n"}),
    Case(
        name="assembler includes",
        files={"a.S": ASSEMBLY.format(".include"), "blob.bin": ".long 1\n"},
        words=("-c", "a.S", "-o", "{out}/a.o"),
        change={"blob.bin": ".long 2\n"},
        hits=False,
    ),
    Case(
        name="plain assembler includes",
        files={"a.s": ASSEMBLY.format(".INCLUDE"), "blob.bin": ".long 1\n"},
        words=("-c", "a.s", "-o", "{out}/a.o"),
        change={"blob.bin": ".long 2\n"},
        hits=False,
    ),
    Case(name="incbin after a tab", files=INCBIN, change={"blob.bin": "two\n"}, hits=False),
    Case(
        name="incbin in two strings",
        files=INCBIN | {"a.c": inline('".inc" "bin \\"blob.bin\\""')},
        change={"blob.bin": "two\n"},
        hits=False,
    ),
    Case(
        name="include in inline assembly",
        files={"a.c": inline('" .Include \\"x.inc\\""'), "x.inc": ".long 1\n"},
        words=("-c", "a.c", "-o", "{out}/a.o"),
        change={"x.inc": ".long 2\n"},
        hits=False,
    ),
    Case(
        name="incbin in a macro of a header",
        files={
            "a.c": '#include "bin.h"\nBLOB("blob.bin")\nint used;\n',
            "include/bin.h": '#define BLOB(x) __asm__(".incbin" " \\"" x "\\"");\n',
            "blob.bin": "one\n",
        },
        change={"blob.bin": "two\n"},
        hits=False,
    ),
    *(
        Case(
            name=f"{kind}-prefix-map",
            words=(*DEBUG, f"-f{kind}-prefix-map={{tree}}/include=X"),
            later_words=(*DEBUG, f"-f{kind}-prefix-map={{tree}}/include=Y"),
            files=BASE | {"include/pins.h": "#define PIN 1\nstatic inline int f(void) { return 1; }\n"},
            change={},
        )
        for kind in ("debug", "file", "macro")
    ),
    Case(name="unused macro on the command line", words=(*DEBUG, "-g3"), later_words=(*DEBUG, "-g3", "-DQ"), change={}),
    Case(name="switches in the object", words=(*DEBUG, "-frecord-gcc-switches"), change={}, hits=False),
    Case(name="target of the rules", words=(*COMPILE, "-MT", "x"), later_words=(*COMPILE, "-MT", "y"), change={}),
    Case(
        name="name of the rules' file",
        words=(*COMPILE, "-MF", "{out}/x.d"),
        later_words=(*COMPILE, "-MF", "{out}/y.d"),
        change={},
    ),
    Case(name="stack use", words=(*COMPILE, "-fstack-usage"), change={"a.c": "int f(void) { return 0; }\n"}),
    Case(
        name="the day",
        files={"a.c": 'const char *const day = __DATE__ " " __TIME__ " " __FILE__;\n'},
        change={},
    ),
    Case(name="colours", words=(*COMPILE, "-fdiagnostics-color=always"), change={}),
    Case(name="warning of the preprocessor", files=BASE | {"a.c": "#warning tide\nint used;\n"}, change={}),
    Case(name="error", files={"a.c": "int f(void) { return missing; }\n"}, change={}, hits=False),
    Case(name="missing header", files={"a.c": '#include "none.h"\n'}, change={"own/none.h": ""}, hits=False),
    Case(name="link", words=("-nostdlib", "-Iinclude", "a.c", "-o", "{out}/a.elf"), change={}, hits=False),
    Case(
        name="arguments in a file", files=BASE | {"x.args": "-DX"}, words=(*COMPILE, "@x.args"), change={}, hits=False
    ),
    Case(
        name="name with a space",
        words=(*COMPILE[:-3], "b c.c", *COMPILE[-2:]),
        files=BASE | {"b c.c": "int b;\n"},
        change={},
    ),
)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_everything_is_as_without_the_cache(case: Case, worker: Worker) -> None:
    """Before the change, after it, and after the way back."""
    worker.write(case.files)
    assert worker.check(*case.words) == (1 if case.hits else 0)
    worker.write(case.change)
    worker.check(*(case.later_words or case.words), times=1)
    worker.write({name: case.files.get(name) for name in case.change})
    assert worker.check(*case.words, times=1) == (1 if case.hits else 0)


def test_environment_that_asks_for_rules_is_heeded(worker: Worker) -> None:
    """Source: GCC manual, "Environment Variables Affecting GCC", DEPENDENCIES_OUTPUT."""
    worker.write(BASE)
    words = ("-c", "-Iinclude", "a.c", "-o", "{out}/a.o")
    assert worker.check(*words) == 1
    assert worker.check(*words, environment={"DEPENDENCIES_OUTPUT": str(worker.tree.parent / "out" / "rules.d")}) == 0


def test_a_build_cannot_make_the_cache_careless(worker: Worker) -> None:
    """What a makefile exports would switch the direct mode on, and send objects elsewhere."""
    careless = {"CCACHE_DIRECT": "1", "CCACHE_DIR": str(worker.tree), "CCACHE_SLOPPINESS": "include_file_mtime"}
    worker.write(BASE)
    worker.check(*COMPILE, environment=careless)
    worker.write({"own/pins.h": "#define PIN 2\n"})
    worker.check(*COMPILE, environment=careless)
    assert sorted(path.name for path in worker.tree.iterdir()) == ["a.c", "blob.bin", "include", "own"]


def test_a_hit_reads_every_source(worker: Worker) -> None:
    """Of access times, as the read set has it. Source: a trace would show the preprocessor's own opens."""
    worker.write(BASE)
    worker.check(*COMPILE)
    sources = [worker.tree / name for name in ("a.c", "include/pins.h", "own/other.h")]
    for path in sources:
        os.utime(path, ns=(1, 10**18))
    before = worker.count_hits()
    worker.compile(*COMPILE, cached=True)
    assert worker.count_hits() == before + 1
    assert [path.stat().st_atime_ns != 1 for path in sources] == [True, True, False]


@pytest.mark.parametrize(
    ("words", "is_shared"),
    [
        (COMPILE, True),
        ((*DEBUG[:3], "-Iinclude", *DEBUG[4:], "-ffile-prefix-map={tree}=."), True),
        ((*DEBUG[:3], "-Iinclude", *DEBUG[4:]), False),
        ((*COMPILE[:-3], "{tree}/a.c", *COMPILE[-2:]), False),
    ],
    ids=["relative", "mapped debug information", "debug information", "absolute"],
)
def test_workers_share_what_does_not_depend_on_their_folders(
    words: tuple[str, ...], is_shared: bool, tmp_path: Path
) -> None:
    cache = need_cache(TOOLCHAIN, tmp_path / "store")
    one, other = Worker(tmp_path / "w1", cache), Worker(tmp_path / "w2", cache)
    for worker in (one, other):
        worker.write(BASE)
    assert one.check(*words) == 1
    assert other.check(*words) == (2 if is_shared else 1)


def test_another_toolchain_shares_nothing(tmp_path: Path) -> None:
    """The driver may be the same and the compiler behind it another."""
    first = Worker(tmp_path / "w1", need_cache(TOOLCHAIN, tmp_path / "store"))
    second = Worker(tmp_path / "w2", need_cache(TOOLCHAIN, tmp_path / "store", replace(FACTS, output_sha256="1" * 64)))
    for worker in (first, second):
        worker.write(BASE)
        assert worker.check(*COMPILE) == 1
    assert first.cache.digest != second.cache.digest


def test_the_limit_holds(tmp_path: Path) -> None:
    """Of a mebibyte, which is 16 folders of 64 KiB; one entry may be written before it is looked at."""
    limit_bytes = 1024**2
    wish = CacheWish(in_front_of=(GCC,), limit_bytes=limit_bytes)
    worker = Worker(tmp_path / "w1", need_cache(replace(TOOLCHAIN, compile_cache=wish), tmp_path / "store"))
    numbers = random.Random(1)
    for _ in range(40):
        worker.write({"a.c": f'const char a[] = "{numbers.randbytes(20_000).hex()}";\n'})
        worker.compile("-c", "a.c", "-o", "{out}/a.o", cached=True)
    assert count(worker.cache.folder, "cleanups_performed") > 0
    assert sum(path.stat().st_size for path in worker.cache.folder.rglob("*") if path.is_file()) <= limit_bytes


def test_link_of_another_cache_is_no_compiler(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Debian's way to use ccache for everything: /usr/lib/ccache first on PATH."""
    links = tmp_path / "links"
    links.mkdir()
    (links / GCC).symlink_to(shutil.which("ccache") or "")
    real = shutil.which(GCC)
    monkeypatch.setenv("PATH", f"{links}:{os.environ['PATH']}")
    assert need_cache(TOOLCHAIN, tmp_path / "store").compilers == ((GCC, real),)


@pytest.mark.parametrize(
    ("wish", "message"),
    [
        (
            CacheWish(in_front_of=(GCC,), program="no-such-cache"),
            "toolchain arm-gcc: 'no-such-cache' is not on PATH; install it, or put its folder on PATH; "
            "until then it builds without its compile cache",
        ),
        (
            CacheWish(in_front_of=("no-such-gcc",)),
            "toolchain arm-gcc: compile_cache: 'no-such-gcc' is not on PATH; until it is, it builds without the cache",
        ),
    ],
)
def test_why_there_is_no_cache_is_said(wish: CacheWish, message: str, tmp_path: Path) -> None:
    found = find_cache(replace(TOOLCHAIN, compile_cache=wish), tmp_path)
    assert found == NoCompileCache(message=message)
    assert list_faults([found, found]) == (message,)


# The gate

MATRIX = """\
matrix: 1
tree: kelp
source_date: 2001-01-01
toolchains:
  arm-gcc: {{probe: [arm-none-eabi-gcc, --version], programs: [[arm-none-eabi-gcc, -print-prog-name=cc1]]{cache}}}
recipes:
  board-make: {{build: [make, "BOARD={{board}}", "O={{out}}"], elf: "{{out}}/{{board}}.elf", time_limit: 60 s}}
every: {{toolchain: arm-gcc, recipe: board-make}}
ports:
  arm:
    maintainers: [Oda Brekke <oda@kelp.example>]
    machine: ARM
    boards: {{buoy: , float: }}
"""
CACHE = ", compile_cache: {in_front_of: [arm-none-eabi-gcc], limit: 16 MiB}"
MAKEFILE = b"""\
CFLAGS := -O1 -g -ffile-prefix-map=$(CURDIR)=. -Wall -Wextra -Iboards/$(BOARD) -Iinclude -ffreestanding
NAMES := start ring crc
$(O)/$(BOARD).elf: $(NAMES:%=$(O)/%.o)
	arm-none-eabi-gcc -nostdlib -Wl,-e,start -o $@ $^
$(O)/%.o: src/%.c
	arm-none-eabi-gcc $(CFLAGS) -c -o $@ $<
"""
TREE: Mapping[str | bytes, bytes] = {
    "Makefile": MAKEFILE,
    "src/start.c": b'#include "pins.h"\n#include "ring.h"\nvoid start(void) { ring(PIN); }\n',
    "src/ring.c": b'#include "ring.h"\nint ring(int a) { return a * SIZE; }\n',
    "src/crc.c": b"int crc(int a) {\n  switch (a) {\n  case 1: a = 3; /* fall through */\n  case 2: a = 4;\n  }\n"
    b"  return a;\n}\n",
    "include/ring.h": b"#define SIZE 8\nint ring(int a);\n",
    "boards/buoy/pins.h": b"#define PIN 1\n",
    "boards/float/pins.h": b"#define PIN 2\n",
}
CHANGES: tuple[Mapping[str | bytes, Content], ...] = (
    {"src/ring.c": b'#include "ring.h"\nint ring(int a) { int unused; return a * SIZE; }\n'},
    {"boards/float/ring.h": b"#define SIZE 9\nint ring(int a);\n"},
    {"src/crc.c": TREE["src/crc.c"].replace(b" /* fall through */", b"")},
    {"boards/float/ring.h": None},
    {"src/ring.c": TREE["src/ring.c"]},
)


def write_history(folder: Path, cache: str, changes: Sequence[Mapping[str | bytes, Content]] = CHANGES) -> GitFolder:
    repository = make_repository(folder)
    repository.commit({**TREE, "matrix.yml": MATRIX.format(cache=cache).encode()})
    repository.git("branch", "base", "main")
    for change in changes:
        repository.commit(change)
    return repository


def gate(repository: GitFolder, *options: str) -> tuple[int, str]:
    done = subprocess.run(
        [sys.executable, "-m", "gatekeep", "gate", "--workers", "2", *options, "base", "main"],
        cwd=repository.path,
        env=clean_environment() | {"PYTHONPATH": str(Path(__file__).parents[2])},
        capture_output=True,
        text=True,
    )
    return done.returncode, done.stderr


def list_evidence(repository: GitFolder) -> dict[tuple[int, str], Evidence]:
    commits = repository.ask("rev-list", "--reverse", "main").split()
    trees = {repository.tree_of(commit): place for place, commit in enumerate(commits)}
    with SqliteStore(repository.path / ".git" / "gatekeep" / "evidence.db") as store:
        return {(trees[entry.tree_id], entry.target): entry for entry in store.list_evidence(list(trees))}


def test_gate_finds_the_same_with_and_without(tmp_path: Path) -> None:
    with_cache, without = (write_history(tmp_path / name, cache) for name, cache in (("with", CACHE), ("without", "")))
    assert gate(with_cache)[0] == gate(without)[0] == 0
    ours, theirs = list_evidence(with_cache), list_evidence(without)
    assert len(ours) == 2 * (1 + len(CHANGES))
    assert ours.keys() == theirs.keys()
    for place, entry in ours.items():
        other = theirs[place]
        assert isinstance(entry.outcome, Built)
        assert isinstance(other.outcome, Built)
        assert entry.diagnostics == other.diagnostics, place
        assert entry.outcome.footprint == other.outcome.footprint, place
        assert entry.outcome.artifacts == other.outcome.artifacts, place
        assert entry.read_set == other.read_set, place
        assert (entry.carried is None) == (other.carried is None), place
        assert entry.key != other.key
    folder = with_cache.path / ".git" / "gatekeep" / "compile-cache" / "arm-gcc"
    assert all(count(folder, name) for name in HITS)

    lookups = [count(folder, name) for name in (*HITS, "cache_miss")]
    for command in (["gate", "--rebuild", "base", "main"], ["audit", "base..main"]):
        done = subprocess.run(
            [sys.executable, "-m", "gatekeep", command[0], "--workers", "2", *command[1:]],
            cwd=with_cache.path,
            env=clean_environment() | {"PYTHONPATH": str(Path(__file__).parents[2])},
            capture_output=True,
            text=True,
        )
        assert done.returncode == 0, done.stdout + done.stderr
    assert [count(folder, name) for name in (*HITS, "cache_miss")] == lookups


@pytest.mark.parametrize("fault", ["no cache", "no folder"])
def test_without_a_usable_cache_the_gate_builds(fault: str, tmp_path: Path) -> None:
    cache = CACHE.replace("{in", "{program: no-such-cache, in") if fault == "no cache" else CACHE
    repository = write_history(tmp_path / "tree", cache, CHANGES[:1])
    if fault == "no folder":
        (repository.path / ".git" / "gatekeep").mkdir()
        (repository.path / ".git" / "gatekeep" / "compile-cache").write_bytes(b"")
    code, said = gate(repository)
    assert code == 0
    assert said.count("without its compile cache") == (1 if fault == "no cache" else 0)
    assert all(isinstance(entry.outcome, Built) for entry in list_evidence(repository).values())
