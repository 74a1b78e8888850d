"""
The keeper: a small process of ours that starts one command at a time and answers for all that the command spawns.

`command.SubprocessRunner` holds one keeper for every command that runs at once, uses it again for the next command, and
speaks to it over a socket. Why there is a process between gatekeep and the command:

- **What left the group is found.** A process that calls setsid and forks twice is in no group or session of ours, has
  another parent, and can clear its environment; a mark in the environment does not find it. The keeper is a "child
  subreaper": the kernel makes every orphan below it its child. It runs one command at a time, so whatever is below it
  belongs to that command, and `wait` answering "no child left" is the proof that nothing survived; in the usual case
  that costs one system call and no look into /proc. In gatekeep itself this could not be: it is one process with many
  commands at once, an orphan does not say whose it was, and reaping it would take children from other libraries.
- **No code between fork and exec.** Running Python there is unsafe in a process with threads. The keeper needs none:
  `posix_spawn` makes the group, resets the signals and places the descriptors.
- **The end of gatekeep ends the command.** After a kill -9 of gatekeep the kernel closes its end of the socket; the
  keeper sees that, kills everything and leaves. PR_SET_PDEATHSIG is no help: it follows the *thread* that forked.
- **A slow gatekeep loses no time limit.** Limits and the log are held here, also while gatekeep is busy.

Rejected: a process group alone (does not find what left it); control groups (need a delegated tree, which most machines
do not give). PID namespaces come with the sandbox, where there is one: its process 1 then takes everything with it.

What it cannot do: a command of the same user may kill or stop the keeper itself. gatekeep notices (the socket closes,
or no answer comes), kills the command's group, and counts the build as not decided; what had left the group by then
lives on, as it does when keeper and gatekeep are killed in one blow. A process that changed its user (a set-user-ID
program) cannot be killed by us; the result is then `Lost` too. And a child that gatekeep forks without exec holds the
socket open: whoever does that (multiprocessing by fork) delays the end of the command until that child ends.

Runs on the standard library, `launch`, `sandbox_start`, `limit_watch`, `unfiltered`, `capped_log`, `listener` and
`refused_calls` alone; nothing here may import more of gatekeep. Run by `python -I -S -c`, with the socket as standard
input. Messages are marshal dictionaries behind a length: both ends are the same interpreter. Requests: `R`, length,
{argv, directory, environment, time_limit_s, grace_s, log_path, log_limit_bytes, listen_for, fds, confinement}, with the
descriptors of `fds` beside it; `confinement` is None, or {program, arguments} of a sandbox and its limits:
{memory_bytes, processes, disk_bytes, file_bytes, places, groups}. `S` stops the command. Replies: {"pid"} as soon as it
runs, {"end", …} once nothing of it is left.

Source: prctl(2), PR_SET_CHILD_SUBREAPER; setsid(2); kill(2); proc_pid_stat(5).
"""

from __future__ import annotations

import contextlib
import ctypes
import marshal
import os
import select
import signal
import socket
import struct
import time
from array import array

from gatekeep.build.capped_log import CappedLog
from gatekeep.build.launch import NotStartedError, describe, start
from gatekeep.build.limit_watch import LOOK_S, LimitWatch
from gatekeep.build.listener import Listener
from gatekeep.build.refused_calls import refuse_calls
from gatekeep.build.sandbox_start import Confined, explain_sandbox, read_code, start_confined
from gatekeep.build.unfiltered import UnfilteredThread

#: From SIGTERM to SIGKILL, unless said otherwise: make removes half-written targets then, which takes milliseconds.
GRACE_S = 2.0
#: After SIGKILL, until we give a process up (it hangs in the kernel, on a dead network mount for instance).
LAST_WAIT_S = 10.0
#: While killing, how often to look for processes that were forked between the look and the kill.
_SWEEP_S = 0.05
#: poll(2) counts milliseconds in an int.
_LONGEST_POLL_S = 86400.0
_BLOCK_BYTES = 65536
#: What may still be in the pipe when every writer is gone: fcntl(2), /proc/sys/fs/pipe-max-size defaults to 1 MiB.
_PIPE_MAX_BYTES = 1024**2
_PR_SET_CHILD_SUBREAPER = 36
#: Of what is printed, as much as a message of bubblewrap can be long: two paths and some words.
_LAST_BYTES = 16384
LENGTH = struct.Struct("<I")
#: How many descriptors one command may be given; the kernel's own limit is 253 (unix(7), SCM_RIGHTS).
MAX_FDS = 64


def main() -> None:
    """Serve until the socket on standard input closes."""
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.prctl(_PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0) != 0:
        raise OSError(ctypes.get_errno(), "prctl(PR_SET_CHILD_SUBREAPER)")
    unfiltered = UnfilteredThread()
    # Where the kernel does not take the filter, the probe of access times says whether anything is missing by that.
    refuse_calls()
    import resource  # the only use; not worth a name in the module

    # What a build leaves must not depend on who started us; a crashing compiler leaves no core file in the tree.
    os.umask(0o022)
    resource.setrlimit(resource.RLIMIT_CORE, (0, resource.getrlimit(resource.RLIMIT_CORE)[1]))
    # We end when gatekeep ends, not before: a kill by name or a closed terminal must leave no build behind.
    for ignored in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT, signal.SIGTSTP):
        signal.signal(ignored, signal.SIG_IGN)
    wake_read, wake_write = os.pipe2(os.O_CLOEXEC | os.O_NONBLOCK)
    signal.set_wakeup_fd(wake_write, warn_on_full_buffer=False)
    signal.signal(signal.SIGCHLD, lambda _number, _frame: None)
    control = socket.socket(fileno=os.dup(0))
    null = os.open(os.devnull, os.O_RDWR | os.O_CLOEXEC)
    os.dup2(null, 0, inheritable=False)
    while request := _receive(control):
        with contextlib.ExitStack() as stack:
            for received in request["received"]:
                stack.callback(os.close, received)
            watch = Watch(request, control, null, wake_read, unfiltered)
            try:
                reply = watch.run()
            except NotStartedError as error:
                reply = {"end": "not-started", "kind": error.args[0], "message": error.args[1]}
        _send(control, reply)
        if watch.left:
            return


def _receive(control: socket.socket) -> dict | None:  # type: ignore[type-arg]  # the wire's shape: see the module
    """Wait for a request; None when gatekeep is gone. A late stop, for a command that has ended, is passed over."""
    try:
        first = b"S"
        received: list[int] = []
        while first == b"S":
            first, received = _receive_fds(control)
        if not first:
            return None
        (length,) = LENGTH.unpack(receive_exactly(control, LENGTH.size))
        request = marshal.loads(receive_exactly(control, length))  # noqa: S302 - from the gatekeep that started us
    except OSError:  # it ended with an answer of ours unread
        return None
    request["received"] = received
    return request  # type: ignore[no-any-return]


def _receive_fds(control: socket.socket) -> tuple[bytes, list[int]]:
    """Read one byte and the descriptors beside it, none of which a command inherits by itself."""
    # Not socket.recv_fds: in Python 3.11 it drops its flags, and so the close-on-exec that is asked for.
    fds = array("i")
    flags = socket.MSG_CMSG_CLOEXEC
    first, ancillary, _flags, _address = control.recvmsg(1, socket.CMSG_LEN(MAX_FDS * fds.itemsize), flags)
    for _level, _kind, data in ancillary:
        fds.frombytes(data[: len(data) - len(data) % fds.itemsize])
    return first, list(fds)


def receive_exactly(control: socket.socket, count: int) -> bytes:
    """
    Read `count` bytes.

    Raises:
        OSError: The other end is gone.
    """
    body = bytearray()
    while len(body) < count:
        block = control.recv(min(count - len(body), 1024**2))
        if not block:
            raise ConnectionResetError
        body += block
    return bytes(body)


def _send(control: socket.socket, reply: dict) -> None:  # type: ignore[type-arg]
    body = marshal.dumps(reply)
    with contextlib.suppress(OSError):  # gatekeep is gone: the next read says so
        control.sendall(LENGTH.pack(len(body)) + body)


class Watch:
    """One command from its start to the end of the last process that it spawned."""

    def __init__(
        self,
        request: dict,  # type: ignore[type-arg]  # the wire's shape: see the module
        control: socket.socket,
        null: int,
        wake: int,
        unfiltered: UnfilteredThread,
    ) -> None:
        self._request = request
        self._unfiltered = unfiltered
        self._control = control
        self._null = null
        self._wake = wake
        self._pid = 0
        self._status: int | None = None
        self._ended_at = 0.0
        self._cpu_s = 0.0
        self._max_rss_bytes = 0
        self._survivor_count = 0
        #: Why we ended it: "", "time", "limit", "heard", "cancel" or "orphan" (gatekeep is gone).
        self._cause = ""
        #: The signal that was the last one sent while the command itself still ran.
        self._stopped_by = ""
        self._has_children = True
        #: The sandbox around it, None for none; and the end of what was printed, where a sandbox says what is wrong.
        self._confined: Confined | None = None
        self._last_printed = b""
        #: What it is to print, and is ended at once after; None where it runs to its own end.
        self._listener = Listener(request["listen_for"]) if request["listen_for"] else None
        #: How many processes were still there when we gave up; the keeper must then not be used again.
        self.left = 0

    def run(self) -> dict:  # type: ignore[type-arg]
        """
        Start the command, watch it, end what is left of it.

        Raises:
            NotStartedError: Nothing ran.
        """
        try:
            log = CappedLog(self._request["log_path"], self._request["log_limit_bytes"])
        except OSError as error:
            name = os.fsdecode(self._request["log_path"])
            raise NotStartedError("machine", f"{name}: the log cannot be opened: {describe(error)}") from error
        read_end, write_end = os.pipe2(os.O_CLOEXEC)
        try:
            started_at = time.monotonic()
            try:
                if self._request["confinement"] is None:
                    self._pid = start(self._request, self._null, write_end)
                else:
                    self._confined = start_confined(self._request, self._null, write_end, self._unfiltered)
                    self._pid = self._confined.pid
            finally:
                os.close(write_end)
            _send(self._control, {"pid": self._pid})
            os.set_blocking(read_end, False)
            self._watch(read_end, log, started_at + self._request["time_limit_s"])
            self._drain(read_end, log)
            if self._confined is not None:
                self._learn_end(self._confined)
        finally:
            os.close(read_end)
            if self._confined is not None:
                os.close(self._confined.status)
            is_cut = log.finish()
        end = {"": "ended", "time": "timed-out", "limit": "limit", "heard": "heard"}.get(self._cause, "cancelled")
        return {
            "exceeded": self._conclude_limits(),
            **self._say_limits(),
            "end": "lost" if self.left else end,
            "left": self.left,
            "status": self._status,
            "stopped_by": self._stopped_by,
            "elapsed_s": (self._ended_at or time.monotonic()) - started_at,
            "cpu_s": self._cpu_s,
            "max_rss_bytes": self._max_rss_bytes,
            "survivor_count": self._survivor_count,
            "log_bytes": log.printed_bytes,
            "log_cut": is_cut,
            "log_fault": log.fault,
            "heard_count": self._listener.heard_count if self._listener is not None else 0,
        }

    def _conclude_limits(self) -> str:
        if self._confined is None or self._confined.limits is None:
            return ""
        limits = self._confined.limits
        limits.conclude(failed=self._cause in ("", "limit") and self._status != 0)
        return limits.exceeded

    def _say_limits(self) -> dict[str, int | None]:
        """Ask the limits what they have seen; they are concluded by now."""
        limits = self._confined.limits if self._confined is not None else None
        return {
            "memory_kills": limits.memory_kills if limits is not None else None,
            "least_free_bytes": limits.least_free_bytes if limits is not None else None,
        }

    def _learn_end(self, confined: Confined) -> None:
        """
        Take the command's own end for that of its sandbox.

        Raises:
            NotStartedError: The sandbox could not be set up, or the program is not seen in it.
        """
        code = read_code(confined)
        if self._cause or self.left:
            return
        if code is None:
            raise explain_sandbox(confined, self._last_printed)
        # bubblewrap, like a shell, tells a signal by 128 and its number.
        signal_number = code - 128
        self._status = signal_number if signal_number in signal.valid_signals() else code << 8

    def _watch(self, read_end: int, log: CappedLog, deadline: float) -> None:
        poller = select.poll()
        poller.register(read_end, select.POLLIN)
        poller.register(self._control, select.POLLIN)
        poller.register(self._wake, select.POLLIN)
        control = self._control.fileno()
        killing_until: float | None = None
        limits = self._confined.limits if self._confined is not None else None
        look_at = time.monotonic() + LOOK_S if limits is not None else deadline
        while True:
            wait_s = max(0.0, min(deadline, look_at) - time.monotonic())
            for ready, _events in poller.poll(min(wait_s, _LONGEST_POLL_S) * 1000):
                if ready == read_end:
                    if not self._read(read_end, log):
                        poller.unregister(read_end)
                elif ready == control:
                    if not self._hears():
                        self._cause = self._cause or "orphan"
                        poller.unregister(control)
                        deadline = 0.0
                    elif not self._cause and self._status is None:
                        self._cause = "cancel"
                        deadline = self._ask_to_end()
                else:
                    with contextlib.suppress(BlockingIOError):
                        os.read(self._wake, 512)
            self._reap()
            if not self._has_children:
                return
            now = time.monotonic()
            if self._listener is not None and self._listener.has_all and not self._cause and self._status is None:
                # It runs for what it prints alone, so it gets no time to clean up either.
                self._cause = "heard"
                deadline = now
            if limits is not None and killing_until is None and now >= look_at:
                look_at = now + LOOK_S
                if self._looks_over(limits):
                    # Whatever eats the machine gets no time to clean up.
                    self._cause = "limit"
                    deadline = now
            if killing_until is not None:
                if now >= killing_until:
                    self.left = self._count_living() or 1
                    return
                self._kill()
                deadline = now + _SWEEP_S
            elif self._cause == "orphan" or (self._cause and now >= deadline):
                self._stopped_by = "SIGKILL" if self._status is None else self._stopped_by
                killing_until = self._kill() + LAST_WAIT_S
                deadline = now + _SWEEP_S
            elif self._status is not None and not self._cause:
                # The command has ended by itself and left something running: nobody waits for that any more.
                # At least one child lives, or the reaping had said that there is none; a look may miss who forks fast.
                # In a sandbox the kernel has ended it, or is about to.
                self._survivor_count = 0 if self._confined else max(1, self._count_living())
                killing_until = self._kill() + LAST_WAIT_S
                deadline = now + _SWEEP_S
            elif now >= deadline:
                self._cause = "time"
                deadline = self._ask_to_end()

    def _looks_over(self, limits: LimitWatch) -> bool:
        """Look whether more is used than may be."""
        processes = None
        if limits.needs_processes():
            own = {self._pid, self._confined.first if self._confined is not None else 0}
            processes = [pid for pid, _group, _zombie in list_descendants(os.getpid()) if pid not in own]
        return limits.look(processes)

    def _hears(self) -> bool:
        """Take a stop in; False when gatekeep is gone."""
        try:
            return bool(self._control.recv(1))
        except OSError:
            return False

    def _reap(self) -> None:
        """Take the ended children in, orphans too, and their times."""
        while True:
            try:
                pid, status, usage = os.wait4(-1, os.WNOHANG)
            except ChildProcessError:
                self._has_children = False
                return
            if pid == 0:
                return
            self._cpu_s += usage.ru_utime + usage.ru_stime
            self._max_rss_bytes = max(self._max_rss_bytes, usage.ru_maxrss * 1024)
            if pid == self._pid:
                self._status = status
                self._ended_at = time.monotonic()

    def _ask_to_end(self) -> float:
        """Send SIGTERM to all of it; give the moment when patience ends."""
        self._stopped_by = "SIGTERM"
        for number in (signal.SIGTERM, signal.SIGCONT):  # a stopped process gets its SIGTERM when it goes on
            self._signal(number)
        return time.monotonic() + float(self._request["grace_s"])

    def _kill(self) -> float:
        if self._confined is not None and _is_child(self._confined.first, {self._confined.pid, os.getpid()}):
            # With process 1 of a namespace the kernel ends all of it, however fast it forks (pid_namespaces(7)).
            with contextlib.suppress(ProcessLookupError):
                os.kill(self._confined.first, signal.SIGKILL)
        self._signal(signal.SIGKILL)
        return time.monotonic()

    def _count_living(self) -> int:
        return sum(1 for _pid, _group, is_zombie in list_descendants(os.getpid()) if not is_zombie)

    def _signal(self, number: signal.Signals) -> None:
        """Signal every group with a process below us: by group, so that no fork slips through between."""
        groups = {group for _pid, group, _is_zombie in list_descendants(os.getpid())}
        if self._status is None:
            groups.add(self._pid)
        groups.discard(os.getpgrp())
        if self._confined is not None and number is not signal.SIGKILL:
            # bubblewrap would not hand it on, but die, and everything in the sandbox with it.
            groups.discard(self._pid)
        for group in groups:
            with contextlib.suppress(ProcessLookupError, PermissionError):
                os.killpg(group, number)

    def _read(self, read_end: int, log: CappedLog) -> bool:
        """Move one block of output to the log; False at the end of the output."""
        try:
            block = os.read(read_end, _BLOCK_BYTES)
        except BlockingIOError:
            return True
        log.write(block)
        if self._listener is not None:
            self._listener.take(block)
        if self._confined is not None:
            self._last_printed = (self._last_printed + block)[-_LAST_BYTES:]
        return bool(block)

    def _drain(self, read_end: int, log: CappedLog) -> None:
        """Take what is still in the pipe. Never waits: a stranger may hold a copy of the other end."""
        before = log.printed_bytes
        while log.printed_bytes - before < _PIPE_MAX_BYTES:
            count = log.printed_bytes
            if not self._read(read_end, log) or log.printed_bytes == count:
                return


def _is_child(pid: int, parents: set[int]) -> bool:
    """Tell whether a process is one of ours, and not another one under a number that was used again."""
    try:
        with open(f"/proc/{pid}/stat", "rb") as stream:  # noqa: PTH123
            return int(stream.read().rpartition(b")")[2].split()[1]) in parents
    except OSError:
        return False


def list_session(session: int) -> list[int]:
    """
    List the processes of a session.

    Source: proc_pid_stat(5), field 6; credentials(7): only setsid leaves a session, and a group's leader may not call
    it.
    """
    found = []
    for name in os.listdir("/proc"):  # noqa: PTH208 - a process that imports no pathlib
        if name.isdigit():
            try:
                with open(f"/proc/{name}/stat", "rb") as stream:  # noqa: PTH123
                    fields = stream.read().rpartition(b")")[2].split()
            except OSError:
                continue  # it has ended, or is not ours to see
            if int(fields[3]) == session:
                found.append(int(name))
    return found


def list_descendants(ancestor: int) -> list[tuple[int, int, bool]]:
    """
    List the processes below `ancestor` as (process id, group id, whether it is a zombie).

    A snapshot: what is forked meanwhile may be missed, so callers look again. A zombie may still have running threads
    when only its first thread has ended, so it is listed, and signalled.

    Source: proc_pid_stat(5), fields 3 to 5. /proc/PID/task/TID/children is not in every kernel.
    """
    parents: dict[int, tuple[int, int, bytes]] = {}
    try:
        names = os.listdir("/proc")  # noqa: PTH208 - a process that imports no pathlib
    except OSError:
        return []
    for name in names:
        if name.isdigit():
            try:
                with open(f"/proc/{name}/stat", "rb") as stream:  # noqa: PTH123
                    # The name stands in parentheses and may hold any byte but NUL, parentheses included.
                    fields = stream.read().rpartition(b")")[2].split()
            except OSError:
                continue  # it has ended, or is not ours to see
            parents[int(name)] = (int(fields[1]), int(fields[2]), fields[0])
    children: dict[int, list[int]] = {}
    for pid, (parent, _group, _state) in parents.items():
        children.setdefault(parent, []).append(pid)
    found = []
    todo = list(children.get(ancestor, ()))
    while todo:
        pid = todo.pop()
        todo += children.get(pid, ())
        found.append((pid, parents[pid][1], parents[pid][2] in (b"Z", b"X")))
    return found
