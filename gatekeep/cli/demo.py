"""
`gatekeep demo DIR`: the firmware of an invented maker with its history, made anew on this machine.

The repository is the same wherever it is made: authors, dates and the committer come from the scenario, nothing comes
from the user's git configuration, and so every commit has the same id. It holds `main` and one branch per proposal.

The scenario lies in matrices/skerry of a checkout, and in gatekeep/skerry where gatekeep was installed from a wheel
(pyproject.toml maps the one to the other).
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import click
import yaml
from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationError

import gatekeep
from gatekeep.errors import RepositoryError, UsageError
from gatekeep.model.verdict import Decision, Rule
from gatekeep.report.plain import plain
from gatekeep.tree.git_command import git_environment

BRANCH_PREFIX = "proposal/"
_COMMITTER = ("Skerry gate", "gate@skerry.example")
# Python may have compiled the firmware's tools where a wheel was installed; that is no part of the firmware.
_NOT_SOURCE = shutil.ignore_patterns("__pycache__")


class _Entry(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class MainCommit(_Entry):
    """
    A commit of main.

    `author` is `Name <email>`, `date` RFC 3339. `adds` are the paths that the commit brings, `patch` (a path in the
    scenario) its changes to what was there before, None when there are none.
    """

    author: str
    date: str
    message: str
    adds: tuple[str, ...] = ()
    patch: str | None = None


class ExpectedReason(_Entry):
    """A reason that should block; `commit` counts from 1, `targets` are names with `*` for any text."""

    rule: Annotated[Rule, BeforeValidator(Rule)]
    commit: int | None = None
    targets: tuple[str, ...]


class Expectation(_Entry):
    """What the gate should say; `reasons` is empty for a pass."""

    decision: Annotated[Decision, BeforeValidator(Decision)]
    reasons: tuple[ExpectedReason, ...] = ()


class Proposal(_Entry):
    """A series of patches on top of main, on the branch `proposal/<name>`; `note` is `boot` where only a boot tells."""

    name: str
    title: str
    note: str | None = None
    expect: Expectation

    @property
    def branch(self) -> str:
        """The branch that the proposal is on."""
        return BRANCH_PREFIX + self.name


class Scenario(_Entry):
    """The history of a firmware tree: main, oldest commit first, and the proposals in the order of their names."""

    main: tuple[MainCommit, ...]
    proposals: tuple[Proposal, ...]


def locate_scenario() -> Path:
    """
    Find the scenario's folder, which holds `tree/`, `history/` and `history.yml`.

    Raises:
        UsageError: This installation has none.
    """
    package = Path(gatekeep.__file__).parent
    for folder in (package / "skerry", package.parent / "matrices" / "skerry"):
        if (folder / "history.yml").is_file():
            return folder
    raise UsageError(f"{package}: the demonstration's files are missing; install gatekeep again")


def load_scenario(folder: Path) -> Scenario:
    """
    Read a scenario's `history.yml`.

    Raises:
        UsageError: It cannot be read, or is not what it should be.
    """
    path = folder / "history.yml"
    try:
        return Scenario.model_validate(yaml.load(path.read_bytes(), Loader=yaml.CSafeLoader))
    except (OSError, yaml.YAMLError, ValidationError) as error:
        raise UsageError(f"{path}: the scenario cannot be read: {error}; install gatekeep again") from error


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
        _commit_main(git, folder, scenario.main, source)
        for proposal in scenario.proposals:
            patches = sorted((source / "history" / proposal.name).glob("*.patch"))
            git.run("checkout", "--quiet", "-b", proposal.branch, "main")
            # By absolute path: git runs in the new repository. The dates are those of the patches, not today's.
            git.run(
                "am", "--quiet", "--no-3way", "--committer-date-is-author-date", *(str(p.resolve()) for p in patches)
            )
        git.run("checkout", "--quiet", "main")


def _commit_main(git: _Git, folder: Path, commits: Sequence[MainCommit], source: Path) -> None:
    """Go back from the tree to the first commit, keeping the tree of each; then commit them in order."""
    shutil.copytree(source / "tree", folder, ignore=_NOT_SOURCE, copy_function=shutil.copyfile, dirs_exist_ok=True)
    git.run("add", "--all", "--force")
    trees: list[str] = []
    for commit in reversed(commits):
        trees.append(git.run("write-tree"))
        if commit.patch is not None:
            git.run("apply", "--reverse", "--index", "--whitespace=nowarn", str((source / commit.patch).resolve()))
        if commit.adds:
            git.run("rm", "-r", "--quiet", "--force", "--", *commit.adds)
    head = ""
    for commit, tree in zip(commits, reversed(trees), strict=True):
        parents = ("-p", head) if head else ()
        head = git.run("commit-tree", *parents, tree, feed=commit.message, identity=_identity(commit))
    git.run("update-ref", "refs/heads/main", head)
    git.run("reset", "--quiet", "--hard", "main")


def _identity(commit: MainCommit) -> dict[str, str]:
    name, _, email = commit.author.removesuffix(">").partition(" <")
    return {
        "GIT_AUTHOR_NAME": name,
        "GIT_AUTHOR_EMAIL": email,
        "GIT_AUTHOR_DATE": commit.date,
        "GIT_COMMITTER_DATE": commit.date,
    }


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

    def run(self, *arguments: str, feed: str = "", identity: Mapping[str, str] | None = None) -> str:
        """Give what git printed, stripped; RepositoryError when it failed."""
        try:
            done = subprocess.run(
                ["git", *arguments],
                input=feed.encode(),
                capture_output=True,
                check=False,
                cwd=self._folder,
                env={**self._environment, **(identity or {})},
            )
        except OSError as error:
            raise RepositoryError(f"{self._folder}: git cannot be started: {error.strerror}; install git") from error
        if done.returncode != 0:
            complaint = (done.stderr + done.stdout).decode(errors="replace").strip()
            raise RepositoryError(
                f"{self._folder}: git {arguments[0]} ended with exit code {done.returncode}: {complaint}; "
                "check the free space, the version of git (2.30 or later), or install gatekeep again"
            )
        return done.stdout.decode(errors="replace").strip()


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
    something wrong with it. The same commits come out wherever it is made.

    \b
    Building it needs GNU make, python3 and the compilers: pip install 'gatekeep[demo]'
    """
    source = locate_scenario()
    scenario = load_scenario(source)
    make_repository(folder, scenario, source, environment=os.environ)
    click.echo(f"{plain(str(folder))}: main has {len(scenario.main)} commits; {len(scenario.proposals)} proposals:")
    width = max(len(proposal.branch) for proposal in scenario.proposals)
    for proposal in scenario.proposals:
        click.echo(f"  {proposal.branch:<{width}}  {proposal.expect.decision.value:<5}  {proposal.title}")
    blocked = next(one for one in scenario.proposals if one.expect.decision is Decision.BLOCK)
    click.echo(f"next: gatekeep gate main {blocked.branch} --repository {plain(str(folder))}")
