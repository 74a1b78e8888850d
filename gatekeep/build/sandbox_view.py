"""
What a build in the sandbox sees of this machine: the system's programs, the programs on PATH, and nothing else.

A list of what is shown, and not of what is hidden: other people's homes, mounted disks, sockets of services and the
checkout itself are absent without anybody having thought of them. Shown, all read-only, are

- the folders in which a system keeps its programs (Filesystem Hierarchy Standard 3.0, and the stores of Nix and Guix);
  of /etc only what everybody may read, because gatekeep may run as root;
- the folders of gatekeep's own PATH, wherever they lie, with what belongs to the programs in them: a compiler in
  `tools/bin` needs `tools/lib`, a virtual environment's `python` needs the interpreter that it was made from. Only
  folders by which a program's own files are known are shown beside a `bin`: a home has a `bin` too.
- what the operator shows on the command line.

Nothing of this comes from the matrix: a change could show itself the machine.
"""

from __future__ import annotations

import os
import pwd
import stat
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from gatekeep.errors import RunnerError

_SYSTEM_FOLDERS = frozenset(("usr", "bin", "sbin", "etc", "opt"))
_STORES = (Path("/nix/store"), Path("/gnu/store"))
_PROGRAM_FOLDERS = frozenset(("bin", "sbin"))
#: Filesystem Hierarchy Standard 3.0, "/usr hierarchy"; any `lib…` too.
_BESIDE_PROGRAMS = frozenset(("bin", "sbin", "include", "libexec", "share"))
#: A folder of programs has some hundred entries; one with more is no reason to look for a minute.
_MOST_ENTRIES = 20_000


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineView:
    """
    What builds see of this machine besides the system's folders, or do not see of those.

    `programs` and `extra` are folders and files, outer ones first: those of PATH, and those that the operator shows.
    `private` as `list_private` gives it; empty where the kernel keeps such things from us.
    """

    programs: tuple[Path, ...]
    extra: tuple[Path, ...]
    private: tuple[tuple[str, bool], ...]


def survey(search_path: str, show: Iterable[Path] = ()) -> MachineView:
    """
    Look at what builds would see of this machine; takes thousands of system calls and no other program.

    Args:
        search_path: As in the environment of builds.
        show: What the operator shows besides.

    Raises:
        RunnerError: What is to be shown does not exist.
    """
    extra = drop_inner(path.absolute() for path in show)
    for path in extra:
        if not path.exists():
            raise RunnerError(f"--sandbox-show: {path} does not exist; name a file or folder of this machine")
    # To anybody but root the kernel says what is private.
    private = tuple(list_private(Path("/etc"))) if os.geteuid() == 0 else ()
    return MachineView(programs=list_programs(search_path), extra=extra, private=private)


def list_system() -> list[tuple[str, str | None]]:
    """Give the system's folders as (path, None), and those that are links as (path, target); in order."""
    found: list[tuple[str, str | None]] = []
    for name in sorted(os.listdir("/")):  # noqa: PTH208 - names are all that is asked for
        if name in _SYSTEM_FOLDERS or name.startswith("lib"):
            path = Path("/", name)
            found.append((str(path), str(path.readlink()) if path.is_symlink() else None))
    return [*found, *((str(store), None) for store in _STORES if store.is_dir())]


def list_private(folder: Path) -> list[tuple[str, bool]]:
    """
    List what others than owner and group may not read below a folder, as (path, whether it is a folder).

    A keeper of secrets says so by its mode; a build of an ordinary user does not see it, and neither shall one that
    root starts.
    """
    found: list[tuple[str, bool]] = []
    waiting = [str(folder)]
    while waiting:
        try:
            with os.scandir(waiting.pop()) as listing:
                for item in listing:
                    mode = item.stat(follow_symlinks=False).st_mode
                    if stat.S_ISDIR(mode):
                        if mode & 0o005 == 0o005:
                            waiting.append(item.path)
                        else:
                            found.append((item.path, True))
                    elif stat.S_ISREG(mode) and not mode & 0o004:
                        found.append((item.path, False))
        except OSError:
            continue  # we may not read it, and neither may a build
    return sorted(found)


def list_programs(search_path: str) -> tuple[Path, ...]:
    """
    List the folders that the programs of a PATH need and that are not the system's.

    Args:
        search_path: As in the environment; what is no absolute path counts for nothing.

    Returns:
        Folders and files that exist, outer ones first; each as it is named and, where that differs, as it really is.
    """
    homes = _list_homes()
    shown: set[Path] = set()
    seen: set[Path] = set()
    waiting = [Path(entry) for entry in reversed(search_path.split(":")) if entry.startswith("/")]
    while waiting:
        folder = waiting.pop()
        if folder in seen or not folder.is_dir():
            continue
        seen.add(folder)
        if not is_system(folder):
            shown.update(_list_around(folder, homes))
        waiting += _list_leads(folder)
    return drop_inner(shown)


def drop_inner(paths: Iterable[Path]) -> tuple[Path, ...]:
    """Leave out what lies in another of the paths; sorted, outer ones first."""
    kept: list[Path] = []
    for path in sorted(set(paths), key=lambda path: (len(path.parts), path)):
        if not any(path.is_relative_to(outer) for outer in kept):
            kept.append(path)
    return tuple(kept)


def is_system(path: Path) -> bool:
    """Tell whether a path lies in what every build sees."""
    first = path.parts[1] if len(path.parts) > 1 else ""
    return first in _SYSTEM_FOLDERS or first.startswith("lib") or any(path.is_relative_to(store) for store in _STORES)


def _list_homes() -> frozenset[Path]:
    homes = {Path(entry.pw_dir) for entry in pwd.getpwall()}
    if home := os.environ.get("HOME"):
        homes.add(Path(home))
    return frozenset(home for home in (*homes, *(Path(os.path.realpath(home)) for home in homes)) if home != Path("/"))


def _list_around(folder: Path, homes: frozenset[Path]) -> Iterator[Path]:
    """Give a folder of programs, and what belongs to them beside it."""
    yield folder
    top = folder.parent
    if folder.name not in _PROGRAM_FOLDERS or top in homes or top == Path("/"):
        return
    # A folder like ~/.local holds data of its user as well, keys among them.
    is_users = top.parent in homes and top.name.startswith(".")
    for path in top.iterdir():
        if path.name == "pyvenv.cfg":
            yield path
        if not path.is_dir():
            continue
        known = path.name in _BESIDE_PROGRAMS or path.name.startswith("lib")
        if is_users:
            known = known and path.name != "share"
        else:
            # A cross compiler keeps its machine's files in a folder of that machine's name.
            known = known or (path / "bin").is_dir() or (path / "lib").is_dir()
        if known:
            yield path


def _resolve(path: str) -> str:
    """Tell where a path really leads, as `os.path.realpath`; the kernel says it in a tenth of the time."""
    try:
        fd = os.open(path, os.O_PATH | os.O_CLOEXEC)
    except OSError:
        return os.path.realpath(path)
    try:
        return os.readlink(f"/proc/self/fd/{fd}")  # noqa: PTH115 - hundreds of them
    except OSError:
        return os.path.realpath(path)
    finally:
        os.close(fd)


def _list_leads(folder: Path) -> Iterator[Path]:
    """Give the folders that a folder's programs come from: where its links lead, and what made an environment."""
    real = Path(os.path.realpath(folder))
    if real != folder:
        yield real
    try:
        with os.scandir(folder) as listing:
            for _number, item in zip(range(_MOST_ENTRIES), listing, strict=False):
                # Most links of a system lead to another name in their own folder.
                if item.is_symlink() and "/" in os.readlink(item.path):  # noqa: PTH115 - thousands of them
                    target = Path(_resolve(item.path))
                    if not is_system(target):
                        yield target.parent
    except OSError:
        return
    # Source: PEP 405, "home" is the folder of the interpreter that the environment was made from.
    try:
        lines = (folder.parent / "pyvenv.cfg").read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return
    for line in lines:
        key, separator, value = line.partition("=")
        if separator and key.strip().lower() == "home" and value.strip().startswith("/"):
            yield Path(value.strip())
