"""
Which commands of a recipe take part in the jobserver: the makes that know how to, where the matrix asks for it.

`make` and `gmake`, looked up on PATH and known to be GNU make 4.2 or later, to which the matrix gives `-j{jobs}`: that
word is left out, because a make with a number of its own leaves the jobserver and warns. Three others stay alone: a
make without `-j{jobs}` is serial, since not every makefile can be run in parallel; one with a fixed `-j4` keeps that;
and one that is called by a path is not known. Everywhere else `{jobs}` is a fixed share of the cores.

Source: GNU make manual, "Parallel Execution", "Communicating Options to a Sub-make".
"""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from gatekeep.build.command import CancelToken, CommandRunner, CommandSpec, Exited

_NAMES = ("make", "gmake")
_GNU_MAKE = re.compile(rb"GNU Make ([0-9]+)\.([0-9]+)")
#: The first to know `--jobserver-auth`. An older one would overlook it, and see `-j`: as many jobs as there are.
_OLDEST = (4, 2)
_PROBE_LIMIT_S = 10.0
_PROBE_LOG_LIMIT_BYTES = 64 * 1024
_JOBS_WORDS = frozenset(("-j{jobs}", "--jobs={jobs}"))
_JOBS_OPTIONS = frozenset(("-j", "--jobs"))
#: A `-j` of its own, alone or at the end of a bundle (`-kj4`).
_OWN_JOBS = re.compile(r"-[A-Za-z]*j[0-9]*|--jobs(?:=.*)?", re.ASCII | re.DOTALL)


@dataclass(frozen=True, slots=True, kw_only=True)
class Makes:
    """The names of makes that take part in a jobserver, as they are found along one PATH; may be empty."""

    names: frozenset[str]
    search_path: str

    def has(self, program: str, environment: Mapping[str, str]) -> bool:
        """Tell whether a program is one of them, in an environment that may have another PATH."""
        return program in self.names and environment.get("PATH") == self.search_path


NO_MAKES = Makes(names=frozenset(), search_path="")


def find_makes(*, runner: CommandRunner, environment: Mapping[str, str], scratch: Path, cancel: CancelToken) -> Makes:
    """
    Ask the makes of this machine for their versions.

    Args:
        runner: Runs `make --version`.
        environment: As builds get it; its PATH counts.
        scratch: A folder, which exists; logs are left there.
        cancel: Ends the probes.

    Returns:
        Those that know the jobserver; none also where the machine could not run them: builds then have fixed shares.
    """
    names = set()
    for name in _NAMES:
        handle, log_name = tempfile.mkstemp(dir=scratch, prefix=f"{name}-", suffix=".log")
        os.close(handle)
        spec = CommandSpec(
            argv=(name, "--version"),
            directory=scratch,
            environment=environment,
            time_limit_s=_PROBE_LIMIT_S,
            log_path=Path(log_name),
            log_limit_bytes=_PROBE_LOG_LIMIT_BYTES,
        )
        if runner.run(spec, cancel).end == Exited(code=0):
            version = _GNU_MAKE.match(spec.log_path.read_bytes())
            if version and (int(version[1]), int(version[2])) >= _OLDEST:
                names.add(name)
    return Makes(names=frozenset(names), search_path=environment.get("PATH", ""))


def leave_out_jobs(command: tuple[str, ...]) -> tuple[str, ...] | None:
    """
    Give a make command of a loaded recipe without its `-j{jobs}`; None where it has none, or another `-j` too.

    Known are `-j{jobs}`, `--jobs={jobs}`, and `-j` or `--jobs` with `{jobs}` as the next word.
    """
    kept: list[str] = []
    words = iter(command[1:])
    is_given = False
    for word in words:
        if word in _JOBS_WORDS or (word in _JOBS_OPTIONS and next(words, None) == "{jobs}"):
            is_given = True
        elif _OWN_JOBS.fullmatch(word):
            return None
        else:
            kept.append(word)
    return (command[0], *kept) if is_given else None
