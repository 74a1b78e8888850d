"""
Which sandbox the builds of a run get: tried once, by whoever needs it first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from threading import Lock

import click

from gatekeep.build.command import CancelToken, CommandRunner
from gatekeep.build.environment import make_base_environment
from gatekeep.build.sandbox import NoSandbox, Sandbox, SandboxChoice, SandboxWish, find_sandbox
from gatekeep.build.sandbox_view import MachineView, survey
from gatekeep.build.subprocess_runner import SubprocessRunner
from gatekeep.errors import RunnerError
from gatekeep.report.plain import plain
from gatekeep.scratch import scratch_folder


class RunSandbox:
    """
    The sandbox of one run, or none where the operator does without. Safe to be asked by many threads.

    Args:
        choice: What the operator said.
        runner: Starts the trial.
        cancel: Ends the trial.
        environment: gatekeep's own.
        store: The store's folder; no build sees it.
        git_folder: The repository's own; no build sees it.
    """

    def __init__(
        self,
        choice: SandboxChoice,
        *,
        runner: SubprocessRunner,
        cancel: CancelToken,
        environment: Mapping[str, str],
        store: Path,
        git_folder: Path,
    ) -> None:
        self._choice = choice
        self._runner = runner
        self._cancel = cancel
        self._lock = Lock()
        self._environment = environment
        self._store = store
        self._git_folder = git_folder
        self._found: Sandbox | None = None
        self._is_known = choice.wish is SandboxWish.OFF
        self._view: MachineView | None = None

    def look_around(self) -> None:
        """
        Look at what builds would see of this machine, so that only the trial is left to be waited for.

        Raises:
            RunnerError: What the operator shows does not exist.
        """
        # Thousands of system calls: not beside other work (see `start`).
        if not self._is_known:
            self._view = self._survey()

    def get(self) -> Sandbox | None:
        """
        Give the sandbox; None means that builds run without one, which was said by then.

        Raises:
            RunnerError: There is none, and the operator requires one, or what he shows does not exist.
        """
        with self._lock:
            if not self._is_known:
                self._found = self._find(self._view or self._survey())
                self._is_known = True
            return self._found

    def confine(
        self, runner: CommandRunner, *, writable: Sequence[Path], tmp: Path, readable: Sequence[Path] = ()
    ) -> CommandRunner:
        """Give a runner for commands of strangers; as `Sandbox.confine`, and the runner itself where there is none."""
        sandbox = self.get()
        if sandbox is None:
            return runner
        return sandbox.confine(runner, writable=writable, tmp=tmp, readable=readable)

    def _survey(self) -> MachineView:
        environment = make_base_environment(self._environment, home=self._store, tmp=self._store)
        return survey(environment["PATH"], self._choice.show)

    def _find(self, view: MachineView) -> Sandbox | None:
        with scratch_folder(self._store, "sandbox-") as scratch:
            found = find_sandbox(
                runner=self._runner,
                cancel=self._cancel,
                environment=make_base_environment(self._environment, home=scratch, tmp=scratch),
                scratch=scratch,
                hide=(self._git_folder, self._store),
                view=view,
            )
        if self._cancel.is_cancelled:
            raise RunnerError("the sandbox was not tried to the end, because the run was stopped")
        if isinstance(found, NoSandbox):
            if self._choice.wish is SandboxWish.REQUIRE:
                raise RunnerError(f"{found.message}; --sandbox off builds without one, and trusts every author")
            click.echo(plain(f"gatekeep: {found.message}; until then builds run without one"), err=True)
            return None
        return found
