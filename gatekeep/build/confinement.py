"""
What a command is confined by; made by `sandbox`, carried out by the keeper.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from gatekeep.model.limits import Limits


@dataclass(frozen=True, slots=True, kw_only=True)
class Confinement:
    """
    A sandbox for one command.

    `program` is where bubblewrap lies; `arguments` are all of its own but environment and folder, which are the
    command's. `limits` hold for everything in it; what lies in `places` counts as written. `groups` are folders in
    which control groups can be made, by controller.
    """

    program: str
    arguments: tuple[str, ...]
    limits: Limits
    places: tuple[Path, ...]
    groups: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if any("\0" in text for text in (self.program, *self.arguments)):
            raise ValueError("arguments must not hold NUL")

    def as_request(self) -> dict[str, Any]:
        """Give what the keeper is asked for; see `keeper` for its shape."""
        return {
            "program": os.fsencode(self.program),
            "arguments": [os.fsencode(text) for text in self.arguments],
            "memory_bytes": self.limits.memory_bytes,
            "processes": self.limits.process_count,
            "disk_bytes": self.limits.disk_bytes,
            "file_bytes": self.limits.file_bytes,
            "places": [os.fsencode(place) for place in self.places],
            "groups": dict(self.groups),
        }
