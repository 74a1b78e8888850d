"""A worker's tree on the bench: jobs that are lines of shell, and what each of them read."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from gatekeep.build.command import CancelToken, CommandSpec, Exited
from gatekeep.build.readset import ReadWatch
from gatekeep.build.subprocess_runner import SubprocessRunner
from gatekeep.build.worktree import MaterialisedTree
from gatekeep.model.readset import ReadSet
from gatekeep.tree.repository import open_repository

SOURCE_DATE = 978_307_200
#: With the interpreter that has the wheel of the compilers.
ENVIRONMENT = {"PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}", "LC_ALL": "C"}


def git(folder: Path, *arguments: str) -> str:
    identity = ("-c", "user.name=Oda Brekke", "-c", "user.email=oda@skerry.example")
    environment = {"PATH": os.environ["PATH"], "HOME": str(folder), "GIT_CONFIG_NOSYSTEM": "1"}
    done = subprocess.run(
        ["git", *identity, *arguments], cwd=folder, env=environment, check=True, capture_output=True, text=True
    )
    return done.stdout.strip()


def commit(folder: Path) -> str:
    """Commit all of a folder; give the tree."""
    if not (folder / ".git").exists():
        git(folder, "init", "-q")
    git(folder, "add", "-A")
    git(folder, "commit", "-q", "-m", "Work")
    return git(folder, "rev-parse", "HEAD^{tree}")


class Bench:
    """A worker's tree, jobs that are lines of shell, and what each of them read."""

    def __init__(self, folder: Path, runner: SubprocessRunner, tree: MaterialisedTree) -> None:
        self.folder = folder
        self.source = folder / "source"
        self.runner = runner
        self.tree = tree
        self.out = folder / "out"
        self.touched: tuple[str, ...] = ()
        self.watch = ReadWatch(folder, fault=None)

    def run(self, script: str, *, builds_in_tree: bool = False) -> ReadSet | None:
        """Build as a job does."""
        shutil.rmtree(self.out, ignore_errors=True)
        self.out.mkdir()
        log = self.folder / "log"
        log.unlink(missing_ok=True)
        self.watch.before()
        spec = CommandSpec(
            argv=("sh", "-c", script),
            directory=self.tree.root,
            environment={**ENVIRONMENT, "OUT": str(self.out), "ROOT": str(self.tree.root)},
            time_limit_s=60,
            log_path=log,
            log_limit_bytes=1 << 20,
        )
        with CancelToken() as cancel:
            result = self.runner.run(spec, cancel)
        self.touched = self.tree.restore()
        assert result.end == Exited(code=0), log.read_text()
        return self.watch.result(self.tree.accesses, builds_in_tree=builds_in_tree)


@contextmanager
def open_bench(folder: Path, runner: SubprocessRunner) -> Iterator[Bench]:
    """Commit what lies in `folder/source`, and give a worker's tree that holds it."""
    tree_id = commit(folder / "source")
    with (
        open_repository(folder / "source", ENVIRONMENT) as repository,
        MaterialisedTree(folder / "tree", repository, source_date=SOURCE_DATE) as tree,
    ):
        tree.move_to(tree_id)
        yield Bench(folder, runner, tree)
