"""
Scratch folders that no killed process leaves behind for good.

Who is killed outright tidies nothing. So each folder is held by a lock, which ends with its process, and whoever makes
one removes those of the same kind that nobody holds any more. A folder gets its name only when it is locked already:
one by which a folder is looked for is never seen unlocked while its process lives. (What is left of a process that was
killed between these two steps is an empty folder.)

Source: flock(2): a lock belongs to the open file, and ends with the last process that has it open.
"""

from __future__ import annotations

import errno
import fcntl
import os
import shutil
import stat
import tempfile
import weakref
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from gatekeep.errors import RunnerError

_UNNAMED = ".new-"
#: The common folder goes with the last folder in it, perhaps while another process is about to use it.
_ATTEMPTS = 5


class ScratchFolder:
    """
    A folder that is gone when it is closed, when its process ends, or else when the next one of its kind is made.

    Args:
        parent: Lies on a file system of this machine; where that knows no locks, nothing is looked for.
        prefix: Of its name; the kind.

    Raises:
        OSError: It cannot be made.
    """

    def __init__(self, parent: Path, prefix: str) -> None:
        _remove_forsaken(parent, prefix)
        unnamed = Path(tempfile.mkdtemp(prefix=_UNNAMED, dir=parent))
        held = os.open(unnamed, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        with suppress(OSError):
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        self.path = parent / (prefix + unnamed.name.removeprefix(_UNNAMED))
        unnamed.rename(self.path)
        self._end = weakref.finalize(self, _end, self.path, held)

    def close(self) -> None:
        """Remove it with all that is in it; once is enough."""
        self._end()


class OwnScratchFolder(ScratchFolder):
    """
    A scratch folder in this user's own part of TMPDIR, which goes with the last one in it.

    Raises:
        OSError: It cannot be made.
    """

    def __init__(self, prefix: str) -> None:
        for attempt in range(1, _ATTEMPTS + 1):
            try:
                super().__init__(_find_own_part(), prefix)
            except FileNotFoundError:
                if attempt == _ATTEMPTS:
                    raise
            else:
                return

    def close(self) -> None:
        """Remove it with all that is in it; once is enough."""
        super().close()
        if self.path.parent != Path(tempfile.gettempdir()):
            with suppress(OSError):
                self.path.parent.rmdir()


@contextmanager
def scratch_folder(parent: Path, prefix: str) -> Iterator[Path]:
    """
    Give a scratch folder for as long as something is done in it.

    Raises:
        RunnerError: It cannot be made.
    """
    try:
        folder = ScratchFolder(parent, prefix)
    except OSError as error:
        raise RunnerError(
            f"{parent}: no scratch folder can be made: {error.strerror}; free some space, or make it writable"
        ) from error
    try:
        yield folder.path
    finally:
        folder.close()


def _find_own_part() -> Path:
    """Give the folder in TMPDIR that holds ours alone, since TMPDIR may hold very many; or TMPDIR itself."""
    shared = Path(tempfile.gettempdir())
    own = shared / f"gatekeep-{os.geteuid()}"
    try:
        own.mkdir(mode=0o700)
    except FileExistsError:
        with suppress(FileNotFoundError):
            found = own.lstat()
            # Somebody else may have made it, and could then put a link in the place of what we make in it.
            if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.geteuid() or found.st_mode & 0o022:
                return shared
    return own


def _remove_forsaken(parent: Path, prefix: str) -> None:
    with os.scandir(parent) as listing:
        names = [item.name for item in listing if item.name.startswith(prefix)]
    for name in names:
        try:
            held = os.open(parent / name, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
        except OSError:
            continue  # another user's, or gone
        try:
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            os.close(held)
            if error.errno in (errno.EWOULDBLOCK, errno.EINTR):
                continue
            return  # a file system without locks tells nobody's folder from somebody's
        _end(parent / name, held)


def _end(path: Path, held: int) -> None:
    try:
        shutil.rmtree(path)
    except OSError:
        # A command that ran in it may have left folders that cannot be listed.
        for inner, names, _ in os.walk(path):
            for name in names:
                _open_up(Path(inner, name))
        shutil.rmtree(path, ignore_errors=True)
    os.close(held)


def _open_up(path: Path) -> None:
    with suppress(OSError):
        if not path.is_symlink():
            path.chmod(stat.S_IRWXU)
