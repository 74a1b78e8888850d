"""
Starting a command in the sandbox, and learning how it ended; the keeper's part.

bubblewrap waits, before it sets anything up, until it is told to go on; it says when the command's own program has
been reached, and only then reports how that ended. So whatever goes wrong before, in the sandbox's own work, is told
from what the command does, and no build can pass one off as the other: the report has its descriptor on the outside.

Part of the keeper: runs on the standard library alone.

Source: bwrap(1), `--args`, `--block-fd`, `--json-status-fd` ("exit-code" is written when the command was run).
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import json
import os
import re
import select
import signal
from typing import NamedTuple

from gatekeep.build.launch import NotStartedError, describe, enter, explain_start, find_program, spawn
from gatekeep.build.limit_watch import LimitWatch
from gatekeep.build.unfiltered import UnfilteredThread

#: Setting up takes some milliseconds; on a machine that swaps, perhaps seconds.
_SETUP_LIMIT_S = 60.0
_STATUS_MAX_BYTES = 65536
_ERRORS = {os.strerror(number): number for number in errno.errorcode}
_CANNOT_RUN = re.compile(r"bwrap: execvp (?s:.*): ([^:\n]+)$")
_CANNOT_ENTER = re.compile(r"bwrap: Can't chdir to (?s:.*)$")


class Confined(NamedTuple):
    """
    A command in its sandbox.

    `pid` is bubblewrap's own process, `first` process 1 inside (0: there is none), `status` the end of its report.
    `limits` is None where nothing runs that could be limited.
    """

    pid: int
    first: int
    status: int
    program: bytes
    limits: LimitWatch | None


def start_confined(
    request: dict,  # type: ignore[type-arg]  # the wire's shape: see `keeper`
    null: int,
    output: int,
    unfiltered: UnfilteredThread,
) -> Confined:
    """
    Start the command of a request in its sandbox; as `launch.start`.

    Raises:
        NotStartedError: The program is missing, cannot be run, or the machine is short of something.
    """
    confinement = request["confinement"]
    argv: list[bytes] = request["argv"]
    environment: dict[bytes, bytes] = request["environment"]
    try:
        enter(request)
        program = find_program(argv[0], environment.get(b"PATH", b""))
        _check_kind(program)
    finally:
        os.chdir("/")
    wanted: list[int] = request["fds"]
    base = max(wanted, default=2) + 1
    words = b"bwrap --args %d --json-status-fd %d --block-fd %d --" % (base, base + 1, base + 2)
    status, report = os.pipe2(os.O_CLOEXEC)
    hold, go_on = os.pipe2(os.O_CLOEXEC)
    theirs = [_write_arguments(confinement["arguments"], request["directory"], environment), report, hold]
    lifted: list[int] = []
    try:
        # As in `launch.start`: lifted first, above every number that is wanted.
        lifted += (fcntl.fcntl(fd, fcntl.F_DUPFD_CLOEXEC, base + 3) for fd in (*request["received"], *theirs))
        files = [(null, 0), (output, 1), (output, 2)]
        files += zip(lifted, (*wanted, base, base + 1, base + 2), strict=True)
        pid = spawn(confinement["program"], [*words.split(), *argv], {}, files)
    except BaseException:
        os.close(status)
        os.close(go_on)
        raise
    finally:
        for fd in (*theirs, *lifted):
            os.close(fd)
    first = _read_first(status)
    if not first:
        # It said nothing: closing our end would let it go on, and without limits.
        os.kill(pid, signal.SIGKILL)
    limits = None
    try:
        # Before it goes on: what it starts is under the limits from its first instruction on.
        limits = LimitWatch(confinement, first, unfiltered) if first else None
    except ProcessLookupError:
        # Its setup has failed meanwhile: nothing was started, and what bubblewrap printed says why.
        limits = None
    except OSError as error:
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
        os.close(status)
        raise NotStartedError("machine", f"the sandbox's limits could not be set: {describe(error)}") from error
    finally:
        os.close(go_on)
    return Confined(pid, first, status, program, limits)


def read_code(confined: Confined) -> int | None:
    """Give the exit code that a sandbox has reported, when nothing of it is left; None when nothing was run in it."""
    code = None
    os.set_blocking(confined.status, False)
    with contextlib.suppress(BlockingIOError):
        # Two lines at most.
        for line in os.read(confined.status, _STATUS_MAX_BYTES).splitlines():
            with contextlib.suppress(ValueError):
                code = json.loads(line).get("exit-code", code)
    return code


def explain_sandbox(confined: Confined, printed: bytes) -> NotStartedError:
    """Say why nothing was run, from the end of what bubblewrap printed."""
    lines = os.fsdecode(printed).rstrip("\n")
    text = lines[lines.rfind("bwrap: ") :] if "bwrap: " in lines else ""
    program = os.fsdecode(confined.program)
    if _CANNOT_ENTER.fullmatch(text):
        return NotStartedError("missing-directory", "a command cannot start in its folder, which the sandbox hides")
    match = _CANNOT_RUN.fullmatch(text)
    if match is None:
        return NotStartedError("machine", f"the sandbox around '{program}' could not be set up: {text or 'no reason'}")
    number = _ERRORS.get(match[1], errno.EIO)
    if number != errno.ENOENT:
        return explain_start(program, OSError(number, match[1]))
    # It was there when we looked from outside, and so was what a script needs.
    return NotStartedError(
        "hidden", f"'{program}' or what it needs is not seen in the sandbox; show its folder with --sandbox-show"
    )


def _check_kind(program: bytes) -> None:
    """Refuse what bubblewrap would hand to a shell, and a script whose interpreter is missing."""
    with contextlib.suppress(OSError), open(program, "rb") as stream:  # noqa: PTH123 - a process without pathlib
        head = stream.read(256)
        if head.startswith(b"#!"):
            words = head[2:].split(b"\n")[0].split()
            if not words or not os.path.exists(words[0]):  # noqa: PTH110
                raise explain_start(os.fsdecode(program), OSError(errno.ENOENT, ""))
        elif not head.startswith(b"\x7fELF"):
            raise explain_start(os.fsdecode(program), OSError(errno.ENOEXEC, ""))


def _write_arguments(arguments: list[bytes], directory: bytes, environment: dict[bytes, bytes]) -> int:
    """Give a descriptor from which bubblewrap reads its arguments."""
    words = [*arguments, b"--chdir", directory]
    for name, value in environment.items():
        words += (b"--setenv", name, value)
    given = os.memfd_create("arguments")
    with os.fdopen(os.dup(given), "wb") as stream:
        stream.write(b"".join(word + b"\0" for word in words))
    os.lseek(given, 0, os.SEEK_SET)
    return given


def _read_first(status: int) -> int:
    """Wait until process 1 of the sandbox is there; 0 when it never comes."""
    line = bytearray()
    poller = select.poll()
    poller.register(status, select.POLLIN)
    while b"\n" not in line:
        block = os.read(status, 4096) if poller.poll(_SETUP_LIMIT_S * 1000) else b""
        if not block:
            return 0
        line += block
    return int(json.loads(line)["child-pid"])
