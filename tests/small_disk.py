"""A file system of a test's own that is soon full; making one takes root, which CI is."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.lacking import do_without


@contextmanager
def mount_small_disk(place: Path, *, size_bytes: int) -> Iterator[Path]:
    """Give a new folder with so much room; without root the test is skipped, and in CI it fails."""
    place.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size_bytes}", "tmpfs", str(place)],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        do_without(f"no file system of its own: {done.stderr.strip()}; it takes root")
    try:
        yield place
    finally:
        subprocess.run(["umount", "--lazy", str(place)], check=True)


def fill(disk: Path, *, leave_bytes: int) -> Path:
    """Fill the disk with one file that can be removed again."""
    status = os.statvfs(disk)
    ballast = disk / "ballast"
    ballast.write_bytes(b"\0" * max(0, status.f_bavail * status.f_frsize - leave_bytes))
    return ballast
