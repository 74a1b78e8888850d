"""A real sandbox for the tests. A machine without bubblewrap fails them: nothing else shows that builds are held."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest

from gatekeep.build.command import CancelToken, CommandResult, CommandRunner, CommandSpec, Exited
from gatekeep.build.environment import make_base_environment
from gatekeep.build.sandbox import NoSandbox, Sandbox, find_sandbox
from gatekeep.build.sandbox_view import survey
from gatekeep.build.subprocess_runner import SubprocessRunner


def make_sandbox(
    runner: SubprocessRunner, scratch: Path, *, hide: Sequence[Path] = (), show: Sequence[Path] = ()
) -> Sandbox:
    """Give the sandbox of this machine, for commands with the interpreter that runs the tests."""
    scratch.mkdir(exist_ok=True)
    found = try_sandbox(runner, make_environment(scratch), scratch, hide=hide, show=show)
    if not isinstance(found, Sandbox):
        pytest.fail(found.message)
    return found


def try_sandbox(
    runner: SubprocessRunner,
    environment: Mapping[str, str],
    scratch: Path,
    *,
    hide: Sequence[Path] = (),
    show: Sequence[Path] = (),
) -> Sandbox | NoSandbox:
    """Try for a sandbox in an environment; nobody stops it."""
    with CancelToken() as cancel:
        return find_sandbox(
            runner=runner,
            environment=environment,
            scratch=scratch,
            cancel=cancel,
            hide=hide,
            view=survey(environment["PATH"], show),
        )


def make_environment(home: Path, **more: str) -> dict[str, str]:
    host = {"PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}"}
    return {**make_base_environment(host, home=home, tmp=home), **more}


@dataclass(kw_only=True)
class Cell:
    """
    A sandbox on the bench, as a job has one: `tree`, `out`, `home` and `tmp` can be written to.

    `outside` lies beside them, and holds what nobody inside may reach.
    """

    folder: Path
    outside: Path
    sandbox: Sandbox
    machine: SubprocessRunner
    runner: CommandRunner

    @classmethod
    def make(cls, folder: Path, machine: SubprocessRunner, **wishes: Sequence[Path]) -> Cell:
        places = {name: folder / "job" / name for name in ("tree", "out", "home", "tmp")}
        for place in (*places.values(), folder / "outside"):
            place.mkdir(parents=True)
        sandbox = make_sandbox(machine, folder / "probe", **wishes)
        runner = sandbox.confine(machine, writable=tuple(places.values()), tmp=places["tmp"])
        return cls(folder=folder / "job", outside=folder / "outside", sandbox=sandbox, machine=machine, runner=runner)

    @property
    def log(self) -> Path:
        return self.folder / "log"

    def spec(self, *argv: str, environment: Mapping[str, str] | None = None, time_limit_s: float = 30.0) -> CommandSpec:
        return CommandSpec(
            argv=argv,
            directory=self.folder / "tree",
            environment={**make_environment(self.folder / "home"), **(environment or {})},
            time_limit_s=time_limit_s,
            log_path=self.log,
            log_limit_bytes=1 << 20,
        )

    def run(
        self, *argv: str, environment: Mapping[str, str] | None = None, time_limit_s: float = 30.0
    ) -> CommandResult:
        """Run a command to its end; the log is its own."""
        self.log.unlink(missing_ok=True)
        with CancelToken() as cancel:
            return self.runner.run(self.spec(*argv, environment=environment, time_limit_s=time_limit_s), cancel)

    def sh(self, script: str, **more: str) -> str:
        """Run a script that ends well; give what it printed."""
        result = self.run("/bin/sh", "-c", script, environment=more)
        assert result.end == Exited(code=0), (result.end, self.printed())
        return self.printed()

    def python(self, script: str, *arguments: str) -> str:
        """Run a program that ends well; give what it printed."""
        result = self.run(sys.executable, "-I", "-S", "-c", script, *arguments)
        assert result.end == Exited(code=0), (result.end, self.printed())
        return self.printed()

    def printed(self) -> str:
        return self.log.read_text(encoding="utf-8", errors="backslashreplace") if self.log.exists() else ""


def list_processes(mark: str) -> list[str]:
    """List the processes of this machine whose command line holds a text."""
    done = subprocess.run(["ps", "-eww", "-o", "pid=,args="], capture_output=True, text=True, check=True)
    return [line for line in done.stdout.splitlines() if mark in line]
