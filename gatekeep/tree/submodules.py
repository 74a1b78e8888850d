"""
Where the content of a submodule is, on this machine.

A tree holds only a commit for a submodule. The commit is looked for in clones that are here already: below `modules/`
of the repository's git folder, where git itself keeps them, and in the submodule's folder of the work tree. Nothing is
ever fetched, and addresses are not even read.

`.gitmodules` comes from the change: a name may be `../../etc` and a path may be anything. Git parses the file; a name
is used only if git would use it, and a folder of the work tree only if it is really inside it.

Source: gitmodules(5); gitsubmodules(7); git's check_submodule_name in submodule-config.c.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

from gatekeep.tree.git_command import GitCommand

WAY_OUT = "run git submodule update --init --recursive"


def load_submodule_names(command: GitCommand, blob_id: str) -> Mapping[str, str]:
    """
    Read one `.gitmodules`.

    Args:
        blob_id: Its full object name.

    Returns:
        Submodule names by path; one that git would refuse is left out.

    Raises:
        RepositoryError: Git cannot parse it.
    """
    output = command.ask_content("config", "-z", f"--blob={blob_id}", "--list", doing="reading .gitmodules")
    names: dict[str, str] = {}
    for setting in output.decode("utf-8", "surrogateescape").split("\0"):
        key, _, value = setting.partition("\n")
        section, _, rest = key.partition(".")
        name, _, variable = rest.rpartition(".")
        if section == "submodule" and variable == "path" and is_safe_name(name):
            names[value.rstrip("/")] = name
    return names


def is_safe_name(name: str) -> bool:
    """Say whether a submodule's name may become a path below `modules/`."""
    return (
        bool(name) and "\0" not in name and not name.startswith("/") and ".." not in name.replace("\\", "/").split("/")
    )


def iter_clone_folders(
    name: str, path: str, *, git_dir: Path, common_dir: Path, work_tree: Path | None
) -> Iterator[tuple[Path, Path | None]]:
    """
    Give the places where a clone of a submodule may be, the likeliest first.

    Yields:
        Its git folder and its work tree (None where it has none that we know); the git folder exists.
    """
    folder = None if work_tree is None else _stay_inside(work_tree, path)
    for modules in dict.fromkeys((git_dir / "modules", common_dir / "modules")):
        if (modules / name / "HEAD").is_file():
            yield modules / name, folder
    if folder is not None:
        git_folder = _follow_git_file(folder)
        if git_folder is not None:
            yield git_folder, folder


def _stay_inside(work_tree: Path, path: str) -> Path | None:
    """Give the submodule's folder; None when a symlink leads it out of the work tree, or it is not there."""
    try:
        folder = (work_tree / path).resolve(strict=True)
        inside = folder.is_relative_to(work_tree.resolve(strict=True)) and folder.is_dir()
    except (OSError, RuntimeError, ValueError):
        return None
    return folder if inside else None


def _follow_git_file(folder: Path) -> Path | None:
    """Give the git folder of a work tree that is a repository of its own: `.git`, or where the file `.git` points."""
    git_folder = folder / ".git"
    try:
        if git_folder.is_file():
            text = git_folder.read_text(encoding="utf-8", errors="surrogateescape")
            git_folder = folder / text.removeprefix("gitdir:").strip()
        return git_folder.resolve() if (git_folder / "HEAD").is_file() else None
    except (OSError, RuntimeError, ValueError):
        return None
