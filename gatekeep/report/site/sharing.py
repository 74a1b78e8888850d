"""
Work in many pieces, done by this process and by one copy of itself at once.

A copy (fork) holds all that the pieces are made from without a word being sent, and takes little memory besides; what
it has done comes back through a pipe. Both take the next piece from another pipe when they are ready, so that neither
waits for the other on a machine that is busy with other work.

The copy is a help and nothing that a run depends on: what it has not reported, for whatever reason, this process does
itself, and so meets the same fault, if it is one.
"""

from __future__ import annotations

import json
import os
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from typing import Any

#: Fewer are done sooner than a process is copied, which takes some 10 ms with 150 MB in it; a port's page takes 30 ms.
LEAST_SHARED = 8
#: A number of a parcel is one byte.
_PARCELS = 250
_HEAD_BYTES = 65536


def share_work(
    count: int, do: Callable[[int], Any], *, workers: int, meanwhile: Callable[[], object] = lambda: None
) -> list[Any]:
    """
    Do pieces of work, in no promised order.

    Args:
        count: How many; their numbers begin at 0.
        do: Does one, and gives a plain JSON value. It may be called twice for the same piece, in two processes.
        workers: With 2 or more a copy of this process helps, where there is enough to do.
        meanwhile: Called once, in this process: what cannot be shared, done while the copy is at work already. What it
            changes, the copy does not see, and so `do` must not depend on it.

    Returns:
        What `do` gave, by number.

    Raises:
        Exception: What `do` or `meanwhile` raised, in this process.
    """
    # A copy of a process with threads may hold a lock that nobody lets go of.
    if workers < 2 or count < LEAST_SHARED or threading.active_count() > 1:
        meanwhile()
        return [do(number) for number in range(count)]
    parcel = -(-count // _PARCELS)
    tokens, giving = os.pipe()
    reports, reporting = os.pipe()
    os.write(giving, bytes(range(-(-count // parcel))))
    os.close(giving)
    this_process = os.getpid()
    # An interrupt must not meet the copy before it is told to leave that to the first process.
    unblocked = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    helper = os.fork()
    if helper == 0:
        # Else a report that nobody reads any more would wait for ever.
        os.close(reports)
        _help(reporting, lambda: os.getppid() == this_process, _iter_claimed(tokens, parcel, count), do)
    os.close(reporting)
    try:
        signal.pthread_sigmask(signal.SIG_SETMASK, unblocked)
        meanwhile()
        done = {number: do(number) for number in _iter_claimed(tokens, parcel, count)}
        done |= _read_report(reports)
    except BaseException:
        with suppress(ProcessLookupError):
            os.kill(helper, signal.SIGKILL)
        raise
    finally:
        os.close(tokens)
        os.close(reports)
        os.waitpid(helper, 0)
    return [done[number] if number in done else do(number) for number in range(count)]


def _iter_claimed(tokens: int, parcel: int, count: int) -> Iterator[int]:
    """Take parcel after parcel, until none is left."""
    while token := os.read(tokens, 1):
        start = token[0] * parcel
        yield from range(start, min(start + parcel, count))


def _help(reporting: int, is_wanted: Callable[[], bool], claimed: Iterator[int], do: Callable[[int], Any]) -> None:
    """Be the copy: report what was done, and end without a trace of what the first process has open."""
    done: dict[int, Any] = {}
    try:
        # Interrupts stay blocked: whoever stops a run stops the first process, and that ends this one.
        try:
            for number in claimed:
                done[number] = do(number)
                if not is_wanted():
                    return
        finally:
            left = memoryview(json.dumps(list(done.items())).encode("ascii"))
            while left:
                left = left[os.write(reporting, left) :]
    finally:
        os._exit(0)


def _read_report(reports: int) -> dict[int, Any]:
    """Read what the copy has done; nothing of a report that broke off."""
    content = bytearray()
    while part := os.read(reports, _HEAD_BYTES):
        content += part
    try:
        return dict(json.loads(content))
    except ValueError:
        return {}
