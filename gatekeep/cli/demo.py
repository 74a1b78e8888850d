"""
`gatekeep demo DIR`: the firmware of an invented maker with its history, made anew on this machine.

The repository is the same wherever it is made: authors, dates and the committer come from the scenario, nothing comes
from the user's git configuration, and so every commit has the same id. It holds `main`, one branch per proposal, and a
branch on which some proposals landed without a gate.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

import click

from gatekeep.cli.demo_scenario import (
    Files,
    Main,
    Scenario,
    go_back,
    list_patches,
    load_scenario,
    locate_scenario,
    seconds_and_zone,
)
from gatekeep.errors import RepositoryError, UsageError
from gatekeep.model.verdict import Decision
from gatekeep.report.plain import plain
from gatekeep.report.wording import count
from gatekeep.tree.git_command import git_environment

_COMMITTER = ("Skerry gate", "gate@skerry.example")


def make_repository(folder: Path, scenario: Scenario, source: Path, *, environment: Mapping[str, str]) -> None:
    """
    Make the repository; main is checked out afterwards.

    Args:
        folder: Where; made when it is missing, and left as it was found when anything fails.
        scenario: What.
        source: The scenario's folder.
        environment: Our own environment; git sees PATH and TMPDIR of it.

    Raises:
        UsageError: The folder is not empty, or cannot be written to.
        RepositoryError: Git failed.
    """
    with _empty_folder(folder):
        git = _Git(folder, environment)
        git.run("init", "--quiet", "--template=", "--object-format=sha1", "--initial-branch=main")
        trees = go_back(_read_tree(source / "tree"), scenario.main.commits)
        git.run("fast-import", "--quiet", "--done", feed=b"".join(_list_imports(scenario.main, trees)))
        git.run("reset", "--quiet", "--hard", "main")
        for proposal in scenario.proposals:
            git.run("checkout", "--quiet", "-b", proposal.branch, "main")
            _apply(git, source, proposal.name)
        git.run("checkout", "--quiet", "-b", scenario.nightly.branch, "main")
        for night in scenario.nightly.nights:
            for name in night.lands:
                _apply(git, source, name)
        git.run("checkout", "--quiet", "main")


def _apply(git: _Git, source: Path, name: str) -> None:
    # By absolute path: git runs in the new repository. The dates are those of the patches, not today's.
    patches = [str(path.resolve()) for path in list_patches(source, name)]
    git.run("am", "--quiet", "--no-3way", "--committer-date-is-author-date", *patches)


def _read_tree(folder: Path) -> Files:
    # Python may have compiled the firmware's tools where a wheel was installed; that is no part of the firmware.
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and "__pycache__" not in path.parts
    }


def _list_imports(main: Main, trees: Sequence[Files]) -> Iterator[bytes]:
    """
    Write the commits and tags of main for git to read.

    Source: git-fast-import(1), "Input Format".
    """
    before: Files = {}
    for commit, tree in zip(main.commits, trees, strict=True):
        when = seconds_and_zone(commit.at)
        yield f"commit refs/heads/main\nauthor {main.people[commit.by]} {when}\n".encode()
        yield f"committer {_COMMITTER[0]} <{_COMMITTER[1]}> {when}\n".encode()
        yield _data(commit.message.removesuffix("\n").encode() + b"\n")
        for path in sorted(before.keys() - tree.keys()):
            yield f"D {path}\n".encode()
        for path, content in tree.items():
            if before.get(path) != content:
                yield f"M 100644 inline {path}\n".encode()
                yield _data(content)
        if commit.tag is not None:
            yield f"tag {commit.tag}\nfrom refs/heads/main\ntagger {main.people[commit.by]} {when}\n".encode()
            yield _data(f"Skerry {commit.tag}\n".encode())
        before = tree
    yield b"done\n"


def _data(content: bytes) -> bytes:
    return b"data %d\n%s\n" % (len(content), content)


class _Git:
    """Runs git in the new repository, with a configuration of its own and as one committer."""

    def __init__(self, folder: Path, environment: Mapping[str, str]) -> None:
        self._folder = folder
        self._environment = git_environment(environment, quarantine=False) | {
            "GIT_COMMITTER_NAME": _COMMITTER[0],
            "GIT_COMMITTER_EMAIL": _COMMITTER[1],
            # A repository around the folder is never taken for the new one.
            "GIT_CEILING_DIRECTORIES": str(folder.resolve().parent),
        }

    def run(self, *arguments: str, feed: bytes = b"") -> None:
        """Run a command that may read what it is fed; RepositoryError when it failed."""
        try:
            done = subprocess.run(
                ["git", *arguments],
                input=feed,
                capture_output=True,
                check=False,
                cwd=self._folder,
                env=self._environment,
            )
        except OSError as error:
            raise RepositoryError(f"{self._folder}: git cannot be started: {error.strerror}; install git") from error
        if done.returncode != 0:
            complaint = (done.stderr + done.stdout).decode(errors="replace").strip()
            raise RepositoryError(
                f"{self._folder}: git {arguments[0]} ended with exit code {done.returncode}: {complaint}; "
                "check the free space, the version of git (2.30 or later), or install gatekeep again"
            )


@contextmanager
def _empty_folder(folder: Path) -> Iterator[None]:
    """Make sure of an empty folder; give it back as it was when the block fails."""
    try:
        was_there = folder.exists()
        folder.mkdir(parents=True, exist_ok=True)
        if next(folder.iterdir(), None) is not None:
            raise UsageError(f"{folder}: is not empty; name a new folder, or an empty one")
    except OSError as error:
        raise UsageError(f"{folder}: cannot be used: {error.strerror}; name another folder") from error
    try:
        yield
    except BaseException:
        # Nothing in it is anybody else's: it was empty a moment ago.
        for entry in folder.iterdir():
            shutil.rmtree(entry) if entry.is_dir() and not entry.is_symlink() else entry.unlink()
        if not was_there:
            folder.rmdir()
        raise


@click.command()
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
def demo(folder: Path) -> None:
    """
    Make the demonstration's firmware repository in DIR, a new or empty folder.

    Skerry is the boot firmware of an invented maker of tide gauges and harbour lights: eight ports, 24 targets. The
    branch main is well; every branch proposal/... is a change that somebody would like to see there, most with
    something wrong with it. On the branch nightly some of them landed without a gate. The same commits come out
    wherever it is made.

    \b
    Building and booting it needs GNU make, python3, the compilers and an emulator: pip install 'gatekeep[demo]'
    """
    source = locate_scenario()
    scenario = load_scenario(source)
    make_repository(folder, scenario, source, environment=os.environ)
    main = count(len(scenario.main.commits), "commit")
    click.echo(f"{plain(str(folder))}: main has {main}; {len(scenario.proposals)} proposals:")
    width = max(len(proposal.branch) for proposal in scenario.proposals)
    for proposal in scenario.proposals:
        click.echo(f"  {proposal.branch:<{width}}  {proposal.expect.decision.value:<5}  {proposal.title}")
    click.echo(f"  {scenario.nightly.branch:<{width}}         {scenario.nightly.title}")
    blocked = next(one for one in scenario.proposals if one.expect.decision is Decision.BLOCK)
    click.echo(f"next: gatekeep gate main {blocked.branch} --repository {plain(str(folder))}")
