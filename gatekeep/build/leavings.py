"""
Removes what a job has left while the next one is building.

Removing a few dozen files takes two milliseconds of CPU and, beside a store that makes its journal safe, thirty of
waiting for the disk; a worker that waits builds nothing. So folders are only moved out of the way, and a thread removes
them meanwhile.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from threading import Thread

from gatekeep.build.tree_files import remove_everything

_ASIDE = b".old"


class Leavings:
    """
    The folders of one workplace that a job fills. Not for several threads at once.

    Args:
        folder: The workplace's own; real, ours and writable.
        names: What in it is to go.
    """

    def __init__(self, folder: Path, names: Iterable[str]) -> None:
        self._paths = [os.fsencode(folder / name) for name in names]
        self._trash = os.fsencode(folder / "trash")
        self._removal: Thread | None = None
        self._fault: OSError | None = None

    def clear(self) -> None:
        """
        See to it that nothing is there any more; no process of a job may be alive.

        Raises:
            OSError: Something cannot be removed, of this job or of the one before.
        """
        self._wait()
        aside = []
        for path in self._paths:
            try:
                # Within its folder: to move it elsewhere, it would have to be writable. A link is moved, not followed.
                os.rename(path, path + _ASIDE)  # noqa: PTH104 - pathlib has no paths of bytes
                aside.append(path + _ASIDE)
            except FileNotFoundError:
                continue
            except OSError:
                # A process that was killed has left something there.
                remove_everything((path + _ASIDE, path), self._trash)
        if aside:
            self._removal = Thread(target=self.remove, args=(aside,), name="leavings")
            self._removal.start()

    def close(self) -> None:
        """Remove everything, now; what cannot be removed stays."""
        with suppress(OSError):
            self._wait()
        with suppress(OSError):
            remove_everything([name for path in self._paths for name in (path + _ASIDE, path)], self._trash)

    def remove(self, paths: Iterable[bytes]) -> None:
        """Remove these; a fault is told by the next `clear`."""
        try:
            remove_everything(paths, self._trash)
        except OSError as error:
            self._fault = error

    def _wait(self) -> None:
        if self._removal is not None:
            self._removal.join()
            self._removal = None
        fault, self._fault = self._fault, None
        if fault is not None:
            raise fault
