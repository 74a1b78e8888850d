"""
Reading git's objects through one long-lived `git cat-file --batch`.

One request is a line, one answer a header line and the content. Requests are sent a handful at a time: the pipe holds
them all, so that neither side can wait for the other, and a thousand small files cost a few waits and not a thousand.

Safe from several threads; each batch is read whole before the next one starts.

Source: git-cat-file(1), "BATCH OUTPUT".
"""

from __future__ import annotations

import re
import subprocess
import tempfile
import threading
from collections.abc import Iterator, Sequence
from contextlib import suppress
from typing import IO, NamedTuple

from gatekeep.errors import RepositoryError
from gatekeep.model.quantity import render_bytes
from gatekeep.tree.git_command import GitCommand

#: Requests in flight: 32 lines of at most 73 bytes are far below the 64 KiB that a pipe holds, and bound what waits in
#: memory.
_BATCH = 32
#: How long a git that has closed its pipes is waited for, to learn whether it was killed.
_ENDING_S = 1.0
#: Far above any file of a firmware tree. Whoever can push can name a gigabyte in a few kilobytes, and contents are held
#: in memory whole.
MOST_BYTES = 256 * 1024**2
#: A batch whose answers are larger than this together is cut short.
_BATCH_BYTES = 32 * 1024**2
_REQUEST = re.compile(r"[0-9a-f]{40}(?:[0-9a-f]{24})?(?:\^\{tree\})?", re.ASCII)


class _TooLargeError(Exception):
    """An object that is not read."""


class GitObject(NamedTuple):
    """A kind (commit, tree, blob or tag) and the content. A named tuple: thousands are read for one tree."""

    object_id: str
    kind: str
    content: bytes


class ObjectReader:
    """Reads objects by their full names; git starts at the first read and ends at `close`."""

    def __init__(self, command: GitCommand) -> None:
        self._command = command
        self._process: subprocess.Popen[bytes] | None = None
        self._complaints: IO[bytes] | None = None
        self._lock = threading.Lock()

    def read_object(self, name: str) -> GitObject | None:
        """
        Read one object; None when the repository does not have it.

        Args:
            name: A full object name, or one followed by `^{tree}`.

        Raises:
            RepositoryError: The object is damaged or larger than `MOST_BYTES`, or git ended.
        """
        return next(self.iter_objects([name]))

    def iter_objects(self, names: Sequence[str]) -> Iterator[GitObject | None]:
        """
        Read many objects in the order asked; None for one that the repository does not have.

        Raises:
            RepositoryError: As `read_object`.
        """
        start = 0
        while start < len(names):
            # Read whole under the lock: whoever stops in the middle of the generator leaves no answer in the pipe.
            with self._lock:
                batch = self._read_batch(names[start : start + _BATCH])
            start += len(batch)
            yield from batch

    def close(self) -> None:
        """End git."""
        with self._lock:
            self._end()

    def _read_batch(self, names: Sequence[str]) -> list[GitObject | None]:
        """Give the first of these objects: all of them, unless they are large together."""
        for name in names:
            if _REQUEST.fullmatch(name) is None:
                raise self._command.failure("reading an object", f"{name!r} is not a full object name")
        process = self._start()
        if process.stdin is None or process.stdout is None:
            raise self._command.failure("reading objects", "its pipes are closed")
        try:
            process.stdin.write("".join(f"{name}\n" for name in names).encode("ascii"))
            process.stdin.flush()
            batch: list[GitObject | None] = []
            held_bytes = 0
            for name in names:
                found = self._read_answer(process.stdout, name)
                batch.append(found)
                held_bytes += len(found.content) if found is not None else 0
                if held_bytes > _BATCH_BYTES and len(batch) < len(names):
                    # What was asked besides is still in the pipe: a new git is asked for the rest.
                    self._end()
                    break
            return batch
        except _TooLargeError as error:
            self._end()
            raise RepositoryError(
                f"{self._command.place}: {error}; {render_bytes(MOST_BYTES)} are the most; remove it from the change"
            ) from error
        except (OSError, EOFError, ValueError) as error:
            with suppress(subprocess.TimeoutExpired):
                # One that is ending has closed its pipes a moment before.
                process.wait(_ENDING_S)
            exit_code = process.returncode
            complaint = self._end() or str(error)
            if exit_code is not None and exit_code < 0:
                raise self._command.ended(-exit_code) from error
            raise self._command.failure("reading objects", complaint) from error

    @staticmethod
    def _read_answer(answers: IO[bytes], name: str) -> GitObject | None:
        header = answers.readline()
        fields = header.decode("ascii", "replace").split()
        if fields[-1:] == ["missing"]:
            return None
        if not header.endswith(b"\n") or len(fields) != 3:
            raise EOFError(f"no answer for {name}")
        size_bytes = int(fields[2])
        if size_bytes > MOST_BYTES:
            raise _TooLargeError(f"the {fields[1]} {name} is {render_bytes(size_bytes)} large")
        content = answers.read(size_bytes)
        if len(content) != size_bytes or answers.read(1) != b"\n":
            raise EOFError(f"the answer for {name} is cut")
        return GitObject(fields[0], fields[1], content)

    def _start(self) -> subprocess.Popen[bytes]:
        if self._process is None:
            self._complaints = tempfile.TemporaryFile()  # noqa: SIM115 - lives as long as the process
            self._process = self._command.start_content(["cat-file", "--batch"], self._complaints.fileno())
        return self._process

    def _end(self) -> str:
        """End git and give its complaints."""
        complaint = ""
        if self._process is not None:
            self._process.kill()
            for pipe in (self._process.stdin, self._process.stdout):
                if pipe is not None:
                    try:
                        pipe.close()
                    except OSError:
                        # What was not sent yet is of no interest to anybody.
                        continue
            self._process.wait()
            self._process = None
        if self._complaints is not None:
            self._complaints.seek(0)
            complaint = self._complaints.read().decode("utf-8", "replace")
            self._complaints.close()
            self._complaints = None
        return complaint
