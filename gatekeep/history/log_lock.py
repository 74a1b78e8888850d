"""
The lock between those who use the logs of a store and the one who tidies them.

Source: flock(2): a lock belongs to the open file, and ends with its process.
"""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from gatekeep.errors import StoreError

_LOCK = "logs.lock"


@contextmanager
def using_logs(folder: Path) -> Iterator[None]:
    """Keep logs from being tidied by another process; any number may use them."""
    with locked_logs(folder, fcntl.LOCK_SH):
        yield


@contextmanager
def locked_logs(folder: Path, how: int) -> Iterator[None]:
    """
    Lock the logs of a store's folder in a way of flock(2).

    Raises:
        BlockingIOError: With LOCK_NB: somebody holds it in a way that keeps us out.
        StoreError: The folder lets nobody write.
    """
    try:
        descriptor = os.open(folder / _LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o666)
    except OSError as error:
        raise StoreError(
            f"{folder}: the store cannot be written: {error.strerror}; free the disk, have the folder writable, or "
            "name another with --store"
        ) from error
    try:
        fcntl.flock(descriptor, how)
        yield
    finally:
        os.close(descriptor)
