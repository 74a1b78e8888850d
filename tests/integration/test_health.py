"""`gatekeep health` from a real repository and a real store."""

from __future__ import annotations

import json
import os
import subprocess
from pathlib import Path

import pytest

from gatekeep.cli.main import run
from gatekeep.history.store import SqliteStore
from gatekeep.model.evidence import Broken, Diagnostic, Evidence, Outcome, Severity, Speaker
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
        + "drivers/uart.c:41:7: error: a pointer is cut\nmake: ***\n"
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
    assert run(arguments) == 0
    assert capsys.readouterr().out.endswith(f"; 0 files written, {count} as they were, 0 removed\n")


def test_health_of_a_tree_that_was_never_built_says_so(tree: Tree, tmp_path: Path) -> None:
    tree.commit("Import")
    assert run(["health", "--out", str(tmp_path / "site"), "--repository", str(tree.folder)]) == 0
    assert "were never built" in (tmp_path / "site" / "index.html").read_text()


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
