"""`gatekeep health` from a real repository and a real store."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from gatekeep.cli.main import run
from gatekeep.history.store import SqliteStore
from gatekeep.history.sweep_claim import claim_sweep
from gatekeep.history.sweeps import begin_sweep, list_sweeps
from gatekeep.model.evidence import Broken, Diagnostic, Evidence, Outcome, Severity, Speaker
from gatekeep.model.history import SweepState
from gatekeep.tree.mainline import list_first_parents, list_tags
from gatekeep.tree.repository import open_repository
from tests.site_cases import image

MATRIX = """\
matrix: 1
tree: skerry
source_date: 2001-01-01
toolchains:
  bare-clang: {probe: [python3, --version]}
recipes:
  board-make: {build: [make], elf: "{out}/x.elf"}
parts:
  nor-1: {capacity: 2 KiB, regions: {boot: {at: 0 B, size: 512 B}, main: {at: 1 KiB, size: 1000 B, reserve: 10 %}}}
every: {toolchain: bare-clang, recipe: board-make, part: nor-1}
ports:
  riscv64:
    maintainers: ["Isa Thorne <isa@skerry.example>"]
    boards: {vale: , skaw: }
"""


class Tree:
    """A repository with a matrix and a store beside it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.store = folder / ".git" / "gatekeep"
        folder.mkdir()
        self.git("init", "-q", "-b", "main")
        (folder / "matrix.yml").write_text(MATRIX)

    def git(self, *arguments: str) -> str:
        environment = {
            "PATH": os.environ["PATH"],
            "HOME": str(self.folder),
            "GIT_CONFIG_NOSYSTEM": "1",
            **{f"GIT_{who}_NAME": "Mei Castellan" for who in ("AUTHOR", "COMMITTER")},
            **{f"GIT_{who}_EMAIL": "mei@skerry.example" for who in ("AUTHOR", "COMMITTER")},
            **{f"GIT_{who}_DATE": "2026-07-03T10:00:00+0200" for who in ("AUTHOR", "COMMITTER")},
        }
        done = subprocess.run(
            ["git", *arguments], cwd=self.folder, env=environment, check=True, capture_output=True, text=True
        )
        return done.stdout.strip()

    def commit(self, subject: str) -> str:
        (self.folder / "file.c").write_text(subject)
        self.git("add", "--all")
        self.git("commit", "-q", "-m", subject)
        return self.git("rev-parse", "HEAD")

    def record(self, commit: str, target: str, outcome: Outcome, log: str | None = None) -> None:
        (self.store / "logs").mkdir(parents=True, exist_ok=True)
        path = None
        if log is not None:
            path = f"logs/{target.replace('/', '.')}.log"
            (self.store / path).write_text(log)
        with SqliteStore(self.store / "evidence.db") as store:
            store.add(
                Evidence(
                    target=target,
                    tree_id=self.git("rev-parse", f"{commit}^{{tree}}"),
                    commit_id=commit,
                    key="k",
                    toolchain_version="0.17.1",
                    outcome=outcome,
                    elapsed_s=1.0,
                    log_path=path,
                )
            )


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    return Tree(tmp_path / "tree")


def test_health_shows_what_broke_since_when_with_its_log(
    tree: Tree, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first, second = tree.commit("Import"), tree.commit("drivers: Remember who wrote last")
    tree.git("tag", "v1", first)
    error = Diagnostic(
        severity=Severity.ERROR, speaker=Speaker.COMPILER, message="a pointer is cut", path="drivers/uart.c", line=41
    )
    for board in ("vale", "skaw"):
        tree.record(first, f"riscv64/{board}", image())
    tree.record(second, "riscv64/skaw", image(510))
    log = (
        "".join(f"cc {number}.c\n" for number in range(100))
        + "drivers/uart.c:41:7: error: a pointer is cut\n"
        + f"make: *** [{tree.store}/trees/001/tree/Makefile:84: {tree.store}/trees/001/out/uart.o] Error 1\n"
    )
    tree.record(second, "riscv64/vale", Broken(message="make ended with exit code 2", first_error=error), log=log)
    out = tmp_path / "site"
    arguments = ["health", "--out", str(out), "--branch", "main", "--repository", str(tree.folder)]
    assert run(arguments) == 0
    count = len([path for path in out.rglob("*") if path.is_file() and not path.name.startswith(".")])
    assert capsys.readouterr().out == (
        f"{out}/index.html: 2 targets on main, 1 not well; {count} files written, 0 as they were, 0 removed\n"
    )
    facts = json.loads((out / "facts.json").read_text())
    vale = facts["ports"][0]["targets"][0]
    assert (vale["name"], vale["state"], vale["place"]) == ("riscv64/vale", "broken", "drivers/uart.c:41")
    assert vale["since"]["commit"]["id"] == second
    page = (out / "targets" / "riscv64,vale.html").read_text()
    assert "Lines 87 to 102 of 102" in page
    assert '<span class="flag">first error</span> drivers/uart.c:41:7: error: a pointer is cut</mark>' in page
    assert "make: *** [Makefile:84: &lt;out&gt;/uart.o] Error 1" in page
    assert str(tree.store) not in page
    assert run(arguments) == 0
    assert capsys.readouterr().out.endswith(f"; 0 files written, {count} as they were, 0 removed\n")


def test_health_of_a_tree_that_was_never_built_says_so(tree: Tree, tmp_path: Path) -> None:
    tree.commit("Import")
    assert run(["health", "--out", str(tmp_path / "site"), "--repository", str(tree.folder)]) == 0
    assert "were never built" in (tmp_path / "site" / "index.html").read_text()


def test_pages_are_rendered_by_two_processes(tree: Tree, tmp_path: Path) -> None:
    """A thread that is left over from the start would keep the process from making a copy of itself."""
    (tree.folder / "matrix.yml").write_text(MATRIX.replace("skaw: ", "skaw: , holm: , wick: "))
    tree.commit("First light")
    program = (
        "import sys; sys.addaudithook(lambda what, _: what == 'os.fork' and print(what, file=sys.stderr)); "
        "from gatekeep.cli.main import run; sys.exit(run(sys.argv[1:]))"
    )
    command = ["health", "--repository", str(tree.folder), "--out", str(tmp_path / "site")]
    done = subprocess.run([sys.executable, "-c", program, *command], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    cores = len(os.sched_getaffinity(0))
    # Once for the targets' twelve files; fewer are rendered sooner than a process is copied.
    assert done.stderr.splitlines().count("os.fork") == (1 if cores > 1 else 0)


def test_health_refuses_an_unknown_branch(tree: Tree, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tree.commit("Import")
    out = tmp_path / "site"
    assert run(["health", "--out", str(out), "--branch", "mian", "--repository", str(tree.folder)]) == 3
    assert "there is no commit 'mian' here; the nearest name is 'main'" in capsys.readouterr().err
    assert not out.exists()


def test_first_parents_leave_out_what_a_merge_brings(tree: Tree) -> None:
    first = tree.commit("Import")
    tree.git("checkout", "-q", "-b", "side")
    tree.commit("On the side")
    tree.git("checkout", "-q", "main")
    (tree.folder / "other.c").write_text("other")
    tree.git("add", "--all")
    tree.git("commit", "-q", "-m", "On main")
    tree.git("merge", "-q", "--no-ff", "-m", "Merge the side", "side")
    tree.git("tag", "-a", "-m", "annotated", "v2", first)
    with open_repository(tree.folder) as repository:
        assert [commit.subject for commit in list_first_parents(repository, "main")] == [
            "Import",
            "On main",
            "Merge the side",
        ]
        assert list_tags(repository) == (("v2", first),)
        tree.git("tag", "a\u2028b\x85", first)
        assert list_tags(repository) == (("a\u2028b\x85", first), ("v2", first))


_SWEEPING = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from gatekeep.history.store import SqliteStore
from gatekeep.history.sweep_claim import claim_sweep
from gatekeep.tree.repository import open_repository
store, repository = Path(sys.argv[1]), Path(sys.argv[2])
with open_repository(repository) as opened, SqliteStore(store / "evidence.db") as kept:
    with claim_sweep(kept, store / "sweeps", opened.resolve("main"), datetime(2026, 7, 4, 2, tzinfo=UTC), print):
        print("claimed", flush=True)
        sys.stdin.read()
"""


def test_a_sweep_whose_process_is_gone_is_shown_as_interrupted_and_since_when(tree: Tree, tmp_path: Path) -> None:
    commit = tree.commit("Import")
    tree.store.mkdir(parents=True)
    out = tmp_path / "site"
    arguments = ["health", "--out", str(out), "--branch", "main", "--repository", str(tree.folder)]

    def show() -> object:
        assert run(arguments) == 0
        return json.loads((out / "facts.json").read_text())["open_sweep"]

    def begin() -> subprocess.Popen[str]:
        child = subprocess.Popen(
            [sys.executable, "-c", _SWEEPING, str(tree.store), str(tree.folder)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
        )
        assert child.stdout is not None
        assert child.stdout.readline() == "claimed\n"
        return child

    began = {"commit": commit, "began_at": "2026-07-04T02:00:00Z"}
    with begin() as sweeping:
        assert show() == {**began, "state": "running", "last_seen_at": None}
        assert "and is under way." in (out / "index.html").read_text()
        sweeping.kill()
    assert show() == {**began, "state": "interrupted", "last_seen_at": "2026-07-04T02:00:00Z"}
    assert "<strong>was interrupted</strong>: nothing is known of it after" in (out / "index.html").read_text()
    # The same sweep goes on, and is under way again.
    with begin() as sweeping:
        assert show() == {**began, "state": "running", "last_seen_at": None}
        sweeping.kill()


def test_the_store_says_that_an_abandoned_sweep_is_interrupted_once_another_one_begins(tree: Tree) -> None:
    first, now = tree.commit("Import"), datetime(2026, 7, 4, 2, tzinfo=UTC)
    tree.store.mkdir(parents=True)
    with open_repository(tree.folder) as repository, SqliteStore(tree.store / "evidence.db") as store:
        old = begin_sweep(store, repository.resolve(first), now)
        second = repository.resolve(tree.commit("Another"))
        with claim_sweep(store, tree.store / "sweeps", second, now, print) as claimed:
            states = [(sweep.sweep_id, sweep.state) for sweep in list_sweeps(store)]
        assert states == [(old.sweep_id, SweepState.INTERRUPTED), (claimed.sweep_id, SweepState.RUNNING)]


@pytest.mark.parametrize("url", ["health.skerry.example", "https://x/?a=b", "javascript:alert(1)", 'https://x/"'])
def test_an_address_that_is_none_is_refused(tmp_path: Path, url: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["health", "--out", str(tmp_path / "site"), "--url", url]) == 2
    assert "write https://host/folder/ without ? and #" in capsys.readouterr().err.replace("\n", " ")


def test_a_log_is_printed_by_target_by_commit_and_by_the_path_of_a_report(
    tree: Tree, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    first, second = tree.commit("Import"), tree.commit("Another")
    bad = Broken(message="make ended with exit code 2", first_error=None)
    where = ["--repository", str(tree.folder)]
    tree.record(first, "riscv64/vale", bad, log="cc a.c\n\x1b[31mno\n")
    tree.record(second, "riscv64/vale", image())
    assert run(["log", "riscv64/vale", first, *where]) == 0
    assert capfdbinary.readouterr().out == b"cc a.c\n\x1b[31mno\n"
    assert run(["log", str(tree.store / "logs" / "riscv64.vale.log"), *where]) == 0
    assert capfdbinary.readouterr().out == b"cc a.c\n\x1b[31mno\n"
    assert run(["log", "riscv64/vale", *where]) == 2
    assert b"riscv64/vale: there is no log of it; a build without failures" in capfdbinary.readouterr().err
    assert run(["log", "vale", *where]) == 2
    assert b"vale: nothing of that name was built; did you mean riscv64/vale?" in capfdbinary.readouterr().err
