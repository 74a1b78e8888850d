"""
The demonstration's scenario: what the files in matrices/skerry say of the history that `gatekeep demo` makes.

`tree/` is what main ends with. `main.yml` tells its commits by what each changed, so that every earlier tree is found
by going back. `history.yml` tells what is proposed on top of it, with the patches in `history/`.

The scenario lies in matrices/skerry of a checkout, and in gatekeep/skerry where gatekeep was installed from a wheel
(pyproject.toml maps the one to the other).
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Annotated, TypeVar

import yaml
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

import gatekeep
from gatekeep.errors import UsageError
from gatekeep.model.verdict import Decision, Rule

BRANCH_PREFIX = "proposal/"
_MAIN = "main.yml"
_PROPOSED = "history.yml"

#: The content of every file of a tree, by path.
Files = dict[str, bytes]


class _Entry(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Edit(_Entry):
    """
    Lines that a commit changed in the file `in`.

    `now` is what it left and `was` what stood there before, empty where lines were only added. Both are whole lines
    without the indentation that they share, which stays that of the file.
    """

    path: str = Field(alias="in")
    now: str
    was: str = ""

    def undo(self, text: str) -> str:
        """
        Give the file as it was before.

        Raises:
            ValueError: The lines are not there exactly once.
        """
        lines = text.split("\n")
        wanted = self.now.split("\n")
        count = len(wanted)
        found = [at for at in range(len(lines) - count + 1) if _dedent(lines[at : at + count]) == wanted]
        if len(found) != 1:
            raise ValueError(f"{self.path} has the line {wanted[0]!r} {len(found)} times, wanted once")
        (at,) = found
        indent = lines[at][: len(lines[at]) - len(lines[at].lstrip())]
        lines[at : at + count] = textwrap.indent(self.was, indent).split("\n") if self.was else []
        return "\n".join(lines)


def _dedent(lines: Sequence[str]) -> list[str]:
    return textwrap.dedent("\n".join(lines)).split("\n")


class MainCommit(_Entry):
    """
    A commit of main.

    `by` is a name of `Main.people`, `at` RFC 3339. `adds` are the files and folders that the commit brings, `edits` its
    changes to what was there before, `tag` the release that it is, None for most.
    """

    by: str
    at: str
    message: str
    adds: tuple[str, ...] = ()
    edits: tuple[Edit, ...] = ()
    tag: str | None = None

    @property
    def subject(self) -> str:
        """The first line of the message."""
        return self.message.split("\n", 1)[0]


class Main(_Entry):
    """The main branch, oldest commit first; `people` are `Name <email>` by the short names that the commits use."""

    people: Mapping[str, str]
    commits: tuple[MainCommit, ...]


class ExpectedReason(_Entry):
    """A reason that should block; `commit` counts from 1, `targets` are names with `*` for any text."""

    rule: Annotated[Rule, BeforeValidator(Rule)]
    commit: int | None = None
    targets: tuple[str, ...]


class Expectation(_Entry):
    """
    What the gate should say; `reasons` is empty for a pass.

    `builds` are the targets that it should build where main is known, the others being carried, as names with `*` for
    any text; None does not say.
    """

    decision: Annotated[Decision, BeforeValidator(Decision)]
    reasons: tuple[ExpectedReason, ...] = ()
    builds: tuple[str, ...] | None = None


class Proposal(_Entry):
    """A series of patches on top of main, on the branch `proposal/<name>`."""

    name: str
    title: str
    expect: Expectation

    @property
    def branch(self) -> str:
        """The branch that the proposal is on."""
        return BRANCH_PREFIX + self.name


class ExpectedNews(_Entry):
    """
    What a sweep should find since the one before.

    `targets` (`*` for any text) are newly broken, by the commit with this `subject`; those in `mended` are well again.
    """

    targets: tuple[str, ...]
    subject: str
    mended: tuple[str, ...] = ()


class Night(_Entry):
    """What landed until a sweep, by the names of folders of patches, and what that sweep should find."""

    title: str
    lands: tuple[str, ...]
    expect: ExpectedNews


class Nightly(_Entry):
    """A branch on which proposals landed on main without a gate; `nights` are told in their order."""

    branch: str
    title: str
    nights: tuple[Night, ...]


class Scenario(_Entry):
    """The history of a firmware tree: main, the proposals in the order of their names, and what landed ungated."""

    main: Main
    proposals: tuple[Proposal, ...]
    nightly: Nightly


class _Proposed(_Entry):
    proposals: tuple[Proposal, ...]
    nightly: Nightly


_Model = TypeVar("_Model", bound=BaseModel)


def locate_scenario() -> Path:
    """
    Find the scenario's folder, which holds `tree/`, `main.yml`, `history.yml` and `history/`.

    Raises:
        UsageError: This installation has none.
    """
    package = Path(gatekeep.__file__).parent
    for folder in (package / "skerry", package.parent / "matrices" / "skerry"):
        if (folder / _PROPOSED).is_file():
            return folder
    raise UsageError(f"{package}: the demonstration's files are missing; install gatekeep again")


def list_patches(folder: Path, name: str) -> list[Path]:
    """Give the patches of what a scenario's folder has under this name in `history/`, in their order."""
    return sorted((folder / "history" / name).glob("*.patch"))


def load_scenario(folder: Path) -> Scenario:
    """
    Read a scenario's `main.yml` and `history.yml`.

    Raises:
        UsageError: One cannot be read, or is not what it should be.
    """
    proposed = _load(folder / _PROPOSED, _Proposed)
    return Scenario(main=_load(folder / _MAIN, Main), proposals=proposed.proposals, nightly=proposed.nightly)


def _load(path: Path, model: type[_Model]) -> _Model:
    try:
        return model.model_validate(yaml.load(path.read_bytes(), Loader=yaml.CSafeLoader))
    except (OSError, yaml.YAMLError, ValidationError) as error:
        raise UsageError(f"{path}: the scenario cannot be read: {error}; install gatekeep again") from error


def go_back(tree: Files, commits: Sequence[MainCommit]) -> list[Files]:
    """
    Find the tree of every commit.

    Args:
        tree: Of the last commit.
        commits: Oldest first.

    Returns:
        One tree for each commit, in their order.

    Raises:
        UsageError: What a commit should have changed is not there.
    """
    trees = [tree]
    for commit in reversed(commits):
        try:
            trees.append(_undo(commit, trees[-1]))
        except (KeyError, ValueError) as error:
            place = f"commit of {commit.at} ({commit.subject})"
            raise UsageError(f"{_MAIN}: {place}: {error}; amend the tree or the commit") from error
    # The last is what there was before the first commit.
    return trees[-2::-1]


def _undo(commit: MainCommit, tree: Files) -> Files:
    before = dict(tree)
    for edit in reversed(commit.edits):
        before[edit.path] = edit.undo(before[edit.path].decode()).encode()
    for added in commit.adds:
        gone = [path for path in before if path == added or path.startswith(f"{added}/")]
        if not gone:
            raise ValueError(f"{added} is not there")
        for path in gone:
            del before[path]
    return before


def seconds_and_zone(at: str) -> str:
    """
    Give an RFC 3339 time as git's raw date: seconds since 1970 and the zone, `1739779920 +0100`.

    Source: git-fast-import(1), "Date Formats".
    """
    when = datetime.fromisoformat(at)
    return f"{int(when.timestamp())} {when.strftime('%z')}"
