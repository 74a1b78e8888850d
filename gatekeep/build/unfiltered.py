"""
A thread of the keeper that may ask the kernel for what builds may not.

A seccomp filter holds for the thread that asked for it, and for all that this thread starts. The keeper installs that
of `refused_calls` on itself, for its builds to inherit, and so denies itself what it denies them. A thread that was
there before goes on as before; nothing is ever started from it.

Runs on the standard library alone: the keeper imports it.

Source: seccomp(2), "SECCOMP_SET_MODE_FILTER" (SECCOMP_FILTER_FLAG_TSYNC, which is not given).
"""

from __future__ import annotations

import _thread  # `threading` takes milliseconds to import, for every keeper
from collections.abc import Callable


class UnfilteredThread:
    """
    Calls functions for another thread; start it before the filter.

    One call at a time, which is waited for. It ends with the process.
    """

    def __init__(self) -> None:
        self._asked, self._answered = _thread.allocate_lock(), _thread.allocate_lock()
        self._asked.acquire()
        self._answered.acquire()
        self._call: Callable[[], None] | None = None
        self._fault: Exception | None = None
        _thread.start_new_thread(self._serve, ())

    def run(self, call: Callable[[], None]) -> None:
        """Have it called, and raise what it raises."""
        self._call, self._fault = call, None
        self._asked.release()
        self._answered.acquire()
        if self._fault is not None:
            raise self._fault

    def _serve(self) -> None:
        while True:
            self._asked.acquire()
            try:
                if self._call is not None:
                    self._call()
            except Exception as error:
                self._fault = error
            self._answered.release()
