"""
Starting a program from a process with one thread: find its file, start it, or say why not.

Part of the keeper: runs on the standard library alone, and speaks bytes, since names and paths come from the change.

Source: execve(2) for what each errno means; posix_spawn(3).
"""

from __future__ import annotations

import errno
import fcntl
import os
import signal
import time

#: Another thread of gatekeep may, between its own fork and exec, hold a just written program open for writing.
_BUSY_TRIES = 10
_BUSY_WAIT_S = 0.02
_MACHINE_FAULTS = frozenset((errno.ENOMEM, errno.EAGAIN, errno.EMFILE, errno.ENFILE, errno.ENOSPC, errno.EIO))


class NotStartedError(Exception):
    """The command could not be started; the arguments are the kind (`command.Hindrance`) and the message."""


def start(request: dict, null: int, output: int) -> int:  # type: ignore[type-arg]
    """
    Start the command of a request in a group of its own, in the keeper's session.

    Args:
        request: As it came over the wire, with its descriptors in `received`.
        null: An open /dev/null, for standard input.
        output: The writing end of the pipe for standard output and error.

    Returns:
        Its process id, which is also its group.

    Raises:
        NotStartedError: The program is missing, cannot be run, or the machine is short of something.
    """
    argv: list[bytes] = request["argv"]
    environment: dict[bytes, bytes] = request["environment"]
    lifted: list[int] = []
    try:
        enter(request)
        program = find_program(argv[0], environment.get(b"PATH", b""))
        # Descriptors keep the numbers that the caller knows them by (a jobserver names them in MAKEFLAGS). Sources are
        # first lifted above every number that is wanted, so that none is overwritten before it is copied.
        wanted: list[int] = request["fds"]
        lifted += (fcntl.fcntl(fd, fcntl.F_DUPFD_CLOEXEC, max(wanted) + 1) for fd in request["received"])
        files = [(null, 0), (output, 1), (output, 2), *zip(lifted, wanted, strict=True)]
        return spawn(program, argv, environment, files)
    finally:
        os.chdir("/")
        for fd in lifted:
            os.close(fd)


def enter(request: dict) -> None:  # type: ignore[type-arg]
    """
    Make the folder of a request the current one.

    Raises:
        NotStartedError: It is missing, or no folder.
    """
    try:
        os.chdir(request["directory"])
    except OSError as error:
        kind = "machine" if error.errno in _MACHINE_FAULTS else "missing-directory"
        place = os.fsdecode(request["directory"])
        raise NotStartedError(kind, f"{place}: a command cannot start here: {describe(error)}") from error


def spawn(program: bytes, argv: list[bytes], environment: dict[bytes, bytes], files: list[tuple[int, int]]) -> int:
    """
    Start a program in the current folder, in a group of its own; give its process id.

    Args:
        program: Its file.
        argv: Its arguments, the name first.
        environment: All that it gets.
        files: Pairs of a descriptor of ours and the number that it has there.

    Raises:
        NotStartedError: It cannot be run, or the machine is short of something.
    """
    tries_left = _BUSY_TRIES
    while True:
        tries_left -= 1
        try:
            return os.posix_spawn(
                program,
                argv,
                environment,
                file_actions=[(os.POSIX_SPAWN_DUP2, source, number) for source, number in files],
                # Not setsid: whoever finds the keeper dead knows its session, and by that the command, even when
                # the keeper did not live to tell its process id.
                setpgroup=0,
                setsigmask=(),
                setsigdef=_RESET_SIGNALS,
            )
        except OSError as error:
            if error.errno != errno.ETXTBSY or not tries_left:
                raise explain_start(os.fsdecode(program), error) from error
            time.sleep(_BUSY_WAIT_S)


#: A command starts with every signal at its default, whatever our parents ignored (nohup ignores SIGHUP).
_RESET_SIGNALS = tuple(sorted(signal.valid_signals() - {signal.SIGKILL, signal.SIGSTOP}))


def find_program(name: bytes, search_path: bytes) -> bytes:
    """
    Find the file of a program: by path from the current folder, or along PATH.

    Source: POSIX.1-2017, "Environment Variables", PATH. Empty and relative entries are passed over: they would find a
    program in the tree.

    Raises:
        NotStartedError: None is there, or none may be run.
    """
    if b"/" in name:
        candidates = [name]
    else:
        candidates = [entry + b"/" + name for entry in search_path.split(b":") if entry.startswith(b"/")]
    forbidden = None
    for candidate in candidates:
        if os.path.isfile(candidate):  # noqa: PTH113 - bytes, and a process that imports no pathlib
            if os.access(candidate, os.X_OK):
                return candidate
            forbidden = forbidden or candidate
    if forbidden is not None:
        raise NotStartedError("not-executable", f"'{os.fsdecode(forbidden)}' is not executable; set its mode to 755")
    if b"/" in name:
        raise NotStartedError("missing-program", f"'{os.fsdecode(name)}' does not exist")
    raise NotStartedError("missing-program", f"'{os.fsdecode(name)}' is not on PATH")


def explain_start(program: str, error: OSError) -> NotStartedError:
    """Say why a program that is there and executable did not start."""
    if error.errno == errno.ENOENT:
        return NotStartedError(
            "missing-interpreter", f"'{program}' needs {_name_interpreter(program)}, which is missing"
        )
    if error.errno == errno.ENOEXEC:
        return NotStartedError(
            "not-executable", f"'{program}' is neither a program for this machine nor a script; start it with a #! line"
        )
    if error.errno == errno.E2BIG:
        return NotStartedError(
            "too-long", f"the arguments and environment of '{program}' are longer than the system allows"
        )
    if error.errno in _MACHINE_FAULTS or error.errno == errno.ETXTBSY:
        return NotStartedError("machine", f"'{program}' cannot be started: {describe(error)}")
    return NotStartedError("not-executable", f"'{program}' cannot be started: {describe(error)}")


def _name_interpreter(program: str) -> str:
    try:
        with open(program, "rb") as stream:  # noqa: PTH123 - a process that imports no pathlib
            first = stream.readline(256)
    except OSError:
        first = b""
    words = first[2:].split() if first.startswith(b"#!") else []
    return f"the interpreter '{os.fsdecode(words[0])}'" if words else "a loader"


def describe(error: OSError) -> str:
    """Give the system's words for an error, without the numbers and paths that Python adds."""
    return os.strerror(error.errno or 0)
