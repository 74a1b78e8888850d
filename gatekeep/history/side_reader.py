"""
A process that reads some of the targets of a branch while its owner reads the others.

To read a store of years is what a site from nothing waits for most, and one process of Python does one thing at a time.
It is a fresh process and no copy of its owner, since SQLite's connections must not be taken along (Source:
sqlite.org/howtocorrupt.html, "Carrying an open database file across a fork"). It is started before it has anything to
do, so that what it has to import goes beside what its owner imports; so this module imports nothing of ours.

It is a help and nothing that a run depends on: `standing_by_two` says what holds where it does not answer.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self

#: A smaller store is read sooner than a process of Python has begun to help, which takes a third of a second.
LEAST_BYTES = 100 * 1024**2
_CODE = (
    "import json, sys; sys.path[:] = json.loads(sys.argv[1]); "
    "from gatekeep.history.standing_by_two import answer; answer(sys.stdin.buffer, sys.stdout)"
)


class SideReader:
    """
    The process, which is asked once; a context manager that ends it.

    Raises:
        OSError: No process can be started.
    """

    def __init__(self) -> None:
        places = [str(Path(__file__).parents[2]), *sys.path]
        options = ["-I", "-S", *(["-B"] if sys.dont_write_bytecode else [])]
        self._process = subprocess.Popen(
            [sys.executable, *options, "-c", _CODE, json.dumps(places)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )

    @property
    def pid(self) -> int:
        """The process' number."""
        return self._process.pid

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._process.kill()
        # Its context closes the pipes and waits; what it was not told any more is a pipe that broke.
        with suppress(OSError), self._process:
            pass

    def ask(self, request: Mapping[str, Any]) -> None:
        """Ask what `standing_by_two.answer` answers; that it was not heard, the answer says."""
        if self._process.stdin is not None:
            with suppress(OSError):
                self._process.stdin.write(json.dumps(request).encode("ascii"))
            with suppress(OSError):
                self._process.stdin.close()

    def get_answer(self) -> Any:  # noqa: ANN401 - whatever stands in JSON
        """Wait for the answer; None where it broke off."""
        try:
            return json.load(self._process.stdout) if self._process.stdout is not None else None
        except (OSError, ValueError):
            return None
