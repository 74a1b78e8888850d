"""
A push on the server, seen from inside a pre-receive hook: settings, protected branches, where new commits come from.

All of it is git's own commands on the bare repository. What was pushed lies in a quarantine that receive-pack names in
the environment (git_command.py lets exactly that through), and is gone when the hook refuses.

Source: githooks(5), "pre-receive"; git-receive-pack(1), "Quarantine Environment"; git-symbolic-ref(1).
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from gatekeep.errors import RepositoryError, UsageError
from gatekeep.model.quantity import parse_seconds
from gatekeep.tree.change import is_ancestor
from gatekeep.tree.git_command import GitCommand, git_environment, split_lines

HEADS = "refs/heads/"
_DEFAULT_LIMIT_S = 1800.0
_WISHES = ("require", "auto", "off")
#: Git gives variable names in lower case.
_VARIABLES = ("protected", "program", "matrix", "store", "workers", "timelimit", "sandbox", "sandboxshow")


@dataclass(frozen=True, slots=True, kw_only=True)
class PushSettings:
    """
    The section `gatekeep` of the repository's configuration.

    `protected` are patterns of full branch names; empty where none is set, which protects the branch that HEAD names.
    `sandbox` is require, auto or off. `time_limit_s` is for all of one push.
    """

    protected: tuple[str, ...] = ()
    matrix: Path | None = None
    store: Path | None = None
    workers: int | None = None
    time_limit_s: float = _DEFAULT_LIMIT_S
    sandbox: str = "require"
    sandbox_show: tuple[Path, ...] = ()


def open_hook_repository(git_dir: Path, own: Mapping[str, str]) -> GitCommand:
    """Give git on the repository that a hook runs in; to be closed."""
    folder = git_dir.absolute()
    return GitCommand(str(folder), folder, folder, git_environment(own))


def load_push_settings(command: GitCommand) -> PushSettings:
    """
    Read the settings.

    Raises:
        UsageError: One is unknown or wrong: a misspelt name would leave a branch without its gate.
        RepositoryError: Git cannot read its configuration.
    """
    answer = command.run("config", "-z", "--get-regexp", r"^gatekeep\.")
    if answer.exit_code not in (0, 1):
        raise command.failure("reading the settings", answer.complaint)
    values: dict[str, list[str]] = {}
    for setting in answer.output.decode("utf-8", "surrogateescape").split("\0")[:-1]:
        key, _, value = setting.partition("\n")
        name = key.removeprefix("gatekeep.")
        if name not in _VARIABLES:
            nearest = difflib.get_close_matches(name, _VARIABLES, n=1)
            hint = f"the nearest is gatekeep.{nearest[0]}" if nearest else "see gatekeep receive --help"
            raise UsageError(f"{command.place}: config: {key} is no setting; {hint}")
        values.setdefault(name, []).append(value)
    last = {name: found[-1] for name, found in values.items()}
    return PushSettings(
        protected=tuple(_read_pattern(command, pattern) for pattern in values.get("protected", ())),
        matrix=Path(last["matrix"]) if "matrix" in last else None,
        store=Path(last["store"]) if "store" in last else None,
        workers=_read_workers(command, last.get("workers")),
        time_limit_s=_read_limit(command, last.get("timelimit")),
        sandbox=_read_wish(command, last.get("sandbox")),
        sandbox_show=tuple(map(Path, values.get("sandboxshow", ()))),
    )


def _read_pattern(command: GitCommand, pattern: str) -> str:
    full = pattern if pattern.startswith("refs/") else f"{HEADS}{pattern}"
    if not full.startswith(HEADS) or full == HEADS:
        raise UsageError(f"{command.place}: config: gatekeep.protected names branches, got {pattern!r}")
    return full


def _read_workers(command: GitCommand, text: str | None) -> int | None:
    if text is None:
        return None
    if not text.isascii() or not text.isdecimal() or not 1 <= int(text) <= 512:
        raise UsageError(f"{command.place}: config: gatekeep.workers needs a number from 1 to 512, got {text!r}")
    return int(text)


def _read_limit(command: GitCommand, text: str | None) -> float:
    try:
        return _DEFAULT_LIMIT_S if text is None else parse_seconds(text)
    except ValueError as error:
        raise UsageError(f"{command.place}: config: gatekeep.timeLimit: {error}") from error


def _read_wish(command: GitCommand, text: str | None) -> str:
    if text is not None and text not in _WISHES:
        raise UsageError(f"{command.place}: config: gatekeep.sandbox is one of {', '.join(_WISHES)}, got {text!r}")
    return text or "require"


class Branches:
    """
    The branches that the server has, and which of them are protected.

    Args:
        command: Git on the repository.
        protected: Patterns of full names; `*` stands for anything, slashes too, since too much protection is noticed.

    Raises:
        UsageError: Nothing says which branches are protected.
        RepositoryError: Git cannot list them.
    """

    def __init__(self, command: GitCommand, protected: Sequence[str]) -> None:
        self._command = command
        head = "".join(split_lines(command.run("symbolic-ref", "--quiet", "HEAD").output)[:1])
        self._head = head
        patterns = protected or ((head,) if head.startswith(HEADS) else ())
        if not patterns:
            raise UsageError(f"{command.place}: no branch is protected, since HEAD names none; set gatekeep.protected")
        self._patterns = [re.compile(".*".join(map(re.escape, pattern.split("*"))), re.DOTALL) for pattern in patterns]
        output = command.ask("for-each-ref", "--format=%(refname)%00%(symref)%00%(objectname)", doing="listing names")
        self._leads_to: dict[str, str] = {}
        self._tips: dict[str, str] = {}
        for line in split_lines(output):
            name, symref, object_id = line.split("\0")
            self._tips[name] = object_id
            if symref:
                self._leads_to[name] = symref

    def find_protected(self, ref: str) -> str | None:
        """Give the protected branch that a name stands for, also by a symbolic name; None where it is no such name."""
        ref = self._leads_to.get(ref, ref)
        is_protected = ref.startswith(HEADS) and any(pattern.fullmatch(ref) for pattern in self._patterns)
        return ref if is_protected else None

    def list_protected(self) -> dict[str, str]:
        """Give the protected branches that exist, with their commits: the one that HEAD names first, then by name."""
        found = {ref: tip for ref, tip in self._tips.items() if self.find_protected(ref) == ref}
        return dict(sorted(found.items(), key=lambda item: (item[0] != self._head, item[0])))

    def descends(self, new_id: str, old_id: str) -> bool:
        """Say whether a pushed commit contains another."""
        return is_ancestor(self._command, old_id, new_id)

    def find_origin(self, new_id: str, tips: Collection[str]) -> str | None:
        """
        Give where a new branch's commits begin: the commit of the protected branches that is fewest commits before it.

        Args:
            new_id: The new branch's commit.
            tips: Commits of the protected branches.

        Returns:
            `new_id` itself where one of them contains it; None where they have no commit in common.

        Raises:
            RepositoryError: Git failed.
        """
        best: tuple[int, str] | None = None
        for tip in dict.fromkeys(tips):
            answer = self._command.run("merge-base", tip, new_id)
            if answer.exit_code not in (0, 1):
                raise self._command.failure(f"comparing {tip[:10]} with {new_id[:10]}", answer.complaint)
            for origin in answer.output.decode("ascii").split()[:1]:
                counted = self._command.ask(
                    "rev-list", "--count", new_id, f"^{origin}", doing=f"counting commits from {origin[:10]}"
                )
                found = (int(counted), origin)
                # The first of equals: the branch that HEAD names comes first.
                best = found if best is None or found[0] < best[0] else best
        return best[1] if best is not None else None

    def require_commit(self, object_id: str) -> None:
        """
        Make sure that a branch is to be put at a commit.

        Raises:
            RepositoryError: It is something else, or not there.
        """
        answer = self._command.run("cat-file", "-t", object_id)
        if answer.exit_code != 0 or answer.output.strip() != b"commit":
            raise RepositoryError(f"{self._command.place}: {object_id} is no commit; push a commit to a branch")
