"""
What a command is confined by; made by `sandbox`, carried out by the keeper.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Confinement:
    """
    A sandbox for one command.

    `program` is where bubblewrap lies; `arguments` are all of its own but environment and folder, which are the
    command's.
    """

    program: str
    arguments: tuple[str, ...]

    def __post_init__(self) -> None:
        if any("\0" in text for text in (self.program, *self.arguments)):
            raise ValueError("arguments must not hold NUL")

    def as_request(self) -> dict[str, Any]:
        """Give what the keeper is asked for; see `keeper` for its shape."""
        return {"program": os.fsencode(self.program), "arguments": [os.fsencode(text) for text in self.arguments]}
