"""A wall clock of a test's own, for the programs that it starts."""

from __future__ import annotations

import subprocess
from datetime import datetime
from pathlib import Path

_SOURCE = Path(__file__).parent / "data" / "clock" / "set_clock.c"


class SetClock:
    """
    A clock that can be set while programs run by it; `environment` is what makes them.

    File times stay the kernel's own, and builds go by the machine's clock, for they get nothing of the environment. The
    steady clock is nobody's to set.
    """

    def __init__(self, folder: Path) -> None:
        """Make one that goes right."""
        library = folder / "set_clock.so"
        command = ["gcc", "-shared", "-fPIC", "-O1", "-Wall", "-Werror", "-o", str(library), str(_SOURCE)]
        subprocess.run(command, check=True)
        self._file = folder / "clock"
        self.set_ahead(0)
        self.environment = {"LD_PRELOAD": str(library), "SET_CLOCK": str(self._file)}

    def set_ahead(self, seconds: int) -> None:
        """Set it so far ahead of the machine's clock; behind it, where that is negative."""
        fresh = self._file.with_suffix(".new")
        fresh.write_text(f"{seconds}\n", encoding="ascii")
        fresh.replace(self._file)

    def set_to(self, moment: datetime) -> None:
        """Set it to an instant, from which it goes on."""
        self.set_ahead(round((moment - datetime.now(moment.tzinfo)).total_seconds()))
