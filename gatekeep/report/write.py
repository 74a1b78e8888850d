"""
The one place where a report becomes a file.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import stat
from pathlib import Path

from gatekeep.errors import UsageError


def write_text(path: Path, text: str) -> None:
    """
    Write a report whole or not at all.

    The text goes to a new file in the same folder, to the disk, and then into place, so that a reader sees the old
    report or the new one, also after a power cut. A symbolic link keeps pointing where it does. What is not a regular
    file (a pipe, `/dev/stdout`) is written straight into: it must not be replaced.

    Args:
        path: Where; the folder must exist.
        text: Written as UTF-8; a lone surrogate becomes a visible escape.

    Raises:
        UsageError: The file cannot be written; an older file of that name is as it was.
    """
    data = text.encode("utf-8", "backslashreplace")
    try:
        real = Path(os.path.realpath(path))
        if real.exists() and not real.is_file():
            _write_into(real, data)
        else:
            _write_beside(real, data)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise UsageError(
            f"{path}: the report cannot be written: {reason}; name a file in a folder that exists and can be written"
        ) from error


def _write_into(path: Path, data: bytes) -> None:
    with path.open("wb") as stream:
        stream.write(data)


def _write_beside(path: Path, data: bytes) -> None:
    # A name of its own length, since the report's may already be as long as a file system allows.
    temporary = path.parent / f".report-{secrets.token_hex(8)}"
    try:
        # Made like any new file, so that the umask decides who may read it, unless an older one had its own mode.
        with temporary.open("xb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        if path.exists():
            temporary.chmod(stat.S_IMODE(path.stat().st_mode))
        temporary.replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            temporary.unlink()
        raise
    _sync_folder(path.parent)


def _sync_folder(folder: Path) -> None:
    """Bring the rename to the disk, where folders can be synced."""
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
