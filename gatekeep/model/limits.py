"""
How much of a machine one build may use.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """
    What all processes of a build may use together: bytes of memory, processes, bytes written to the disk.

    A file may be as large as a third of a build's disk: an image of 10 GB is none, and a log that runs over is stopped
    before the rest suffers.
    """

    memory_bytes: int
    process_count: int
    disk_bytes: int

    @property
    def file_bytes(self) -> int:
        """How large one file may be."""
        return self.disk_bytes // 3
