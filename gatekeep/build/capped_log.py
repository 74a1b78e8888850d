"""
A log that an endless printer cannot fill the disk with.

One file holds the output of every command of a job, one after the other. Of its limit, the first three quarters are
written as they come; what comes after is held in memory, and when the command ends, the last of it is written behind
one marker line that says how much is missing. A compiler's first error stands at the beginning and the reason why make
gave up at the end, so both are kept. The cut is moved to line ends where there are any nearby: half a line must not
read as a warning about another file.

The next command of the same job takes the kept end up again, so the limit holds for the whole job. Memory in use is
half the limit at most.

Imports nothing but the standard library: the keeper runs it in a process that starts in 20 ms.
"""

from __future__ import annotations

import contextlib
import os
import re

#: Less would hold neither a marker nor a readable end.
MIN_LIMIT_BYTES = 1024
#: Room for the marker line; a number of 20 digits fits.
_MARKER_ROOM_BYTES = 96
#: How far a cut may move to reach a line end, if the kept end is long enough.
_LINE_WINDOW_BYTES = 4096
_MARKER = re.compile(rb"^\[gatekeep: ([0-9]{1,20}) bytes of output are left out here\]\n", re.MULTILINE)


class CappedLog:
    """
    The open log file of a job, while one command writes.

    Writing never raises: a full disk must not stop the draining of a command's output. `fault` then says what was
    lost.
    """

    def __init__(self, path: bytes, limit_bytes: int) -> None:
        """
        Open `path` to append, or create it.

        Raises:
            OSError: It cannot be opened, is a symbolic link, or cannot be read back.
        """
        if limit_bytes < MIN_LIMIT_BYTES:
            raise ValueError(f"a log needs a limit of {MIN_LIMIT_BYTES} bytes or more, got {limit_bytes}")
        self._limit_bytes = limit_bytes
        self._head_limit_bytes = limit_bytes * 3 // 4
        self._tail_limit_bytes = limit_bytes - self._head_limit_bytes - _MARKER_ROOM_BYTES
        self._window_bytes = min(_LINE_WINDOW_BYTES, self._tail_limit_bytes // 2)
        self._tail = bytearray()
        self._dropped_bytes = 0
        #: True when the tail may begin within a line.
        self._is_ragged = False
        #: True once the head is closed: what comes goes to the tail.
        self._head_is_full = False
        #: What this command has printed, cut or not.
        self.printed_bytes = 0
        #: Why output was lost against our will; None when it was not.
        self.fault: str | None = None
        flags = os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC | os.O_NOFOLLOW
        self._file = os.open(path, flags, 0o644)
        try:
            self._head_bytes = os.fstat(self._file).st_size
            if self._head_bytes >= self._head_limit_bytes:
                self._take_up()
        except BaseException:
            os.close(self._file)
            raise

    def _take_up(self) -> None:
        """Read the end that an earlier command left back into memory."""
        start = self._head_limit_bytes - self._window_bytes
        text = b""
        while block := os.pread(self._file, 1024**2, start + len(text)):
            text += block
        self._head_is_full = True
        if marker := _MARKER.search(text):
            self._dropped_bytes = int(marker[1])
            self._head_bytes = start + marker.start()
            self._tail += text[marker.end() :]
        else:
            self._head_bytes = self._head_limit_bytes
            self._tail += text[self._window_bytes :]
        os.ftruncate(self._file, self._head_bytes)

    def write(self, data: bytes) -> None:
        """Take output of the command."""
        self.printed_bytes += len(data)
        if not self._head_is_full:
            room = self._head_limit_bytes - self._head_bytes
            self._append(data[:room])
            self._head_bytes += min(room, len(data))
            if len(data) < room:
                return
            self._head_is_full = True
            data = data[room:]
        self._tail += data
        # Trimmed in large steps: moving the end for every block would cost more than the reading.
        if len(self._tail) > 2 * (self._limit_bytes - self._head_limit_bytes):
            self._drop_front(len(self._tail) - self._tail_limit_bytes)
            self._is_ragged = True

    def _drop_front(self, count: int) -> None:
        del self._tail[:count]
        self._dropped_bytes += count

    def finish(self) -> bool:
        """
        Write the kept end and close the file.

        Returns:
            Whether the log, from its first command on, is cut.
        """
        try:
            if self._dropped_bytes or self._head_bytes + len(self._tail) > self._limit_bytes:
                self._cut()
            self._append(self._tail)
        finally:
            os.close(self._file)
        return self._dropped_bytes > 0

    def _cut(self) -> None:
        """Bring the tail down to its limit, move both edges to line ends, and write the marker between."""
        if (excess := len(self._tail) - self._tail_limit_bytes) > 0:
            self._drop_front(excess)
            self._is_ragged = True
        if self._is_ragged:
            self._drop_front(self._tail.find(b"\n", 0, self._window_bytes) + 1)
        newline = -1
        try:
            start = max(0, self._head_bytes - self._window_bytes)
            newline = os.pread(self._file, self._head_bytes - start, start).rfind(b"\n")
            if newline >= 0:
                head_bytes = start + newline + 1
                self._dropped_bytes += self._head_bytes - head_bytes
                os.ftruncate(self._file, head_bytes)
        except OSError as error:
            self._note(error)
        lead = "" if newline >= 0 else "\n"
        self._append(f"{lead}[gatekeep: {self._dropped_bytes} bytes of output are left out here]\n".encode())

    def _append(self, data: bytes | bytearray) -> None:
        view = memoryview(data)
        while view and self.fault is None:
            try:
                view = view[os.write(self._file, view) :]
            except OSError as error:
                self._note(error)
        view.release()

    def _note(self, error: OSError) -> None:
        self.fault = self.fault or f"the log cannot be written: {os.strerror(error.errno or 0)}"


def copy_capped(source: str | os.PathLike[str], target: str | os.PathLike[str], limit_bytes: int) -> None:
    """
    Copy a whole log to one that keeps so much of it; one that is there already is replaced.

    Raises:
        OSError: Either cannot be opened, read or written.
    """
    with contextlib.suppress(FileNotFoundError):
        os.unlink(target)  # noqa: PTH108 - a process that imports no pathlib
    log = CappedLog(os.fsencode(target), limit_bytes)
    try:
        with open(source, "rb") as stream:  # noqa: PTH123
            while block := stream.read(1024**2):
                log.write(block)
    finally:
        log.finish()
    if log.fault is not None:
        raise OSError(log.fault)
