"""
The environment of a build: made from nothing, so that results depend on the tree alone.

A variable of the caller can change an image (CFLAGS), break the build (MAKEFLAGS of a make around us), lead it out of
its tree (PYTHONPATH, GIT_DIR), or hand it a secret. So nothing is passed on but PATH and what the recipe asks for by
name.

Source: the reproducible-builds SOURCE_DATE_EPOCH specification; GNU make manual, "Communicating Options to a Sub-make".
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from gatekeep.model.matrix import Recipe
from gatekeep.model.placeholders import fill_at_run_time

#: Never taken from the host, also when a recipe keeps them: they speak of a make around us and of its job slots.
NEVER_KEPT = frozenset(("MAKEFLAGS", "MFLAGS", "MAKELEVEL", "MAKEFILES", "MAKEOVERRIDES", "GNUMAKEFLAGS"))
#: Where PATH is not set at all.
_DEFAULT_PATH = "/usr/local/bin:/usr/bin:/bin"


def build_environment(
    recipe: Recipe,
    *,
    host: Mapping[str, str],
    source_date: int,
    home: Path,
    tmp: Path,
    out: Path,
    tree: Path,
    jobs: int,
) -> dict[str, str]:
    """
    Make the environment of a recipe's commands.

    What the recipe sets wins over everything; what it keeps from the host wins over nothing.

    Args:
        recipe: Its `environment` values are filled, its `keep_environment` names are taken where the host has them.
        host: The environment that we were started with.
        source_date: Becomes SOURCE_DATE_EPOCH; seconds since 1970-01-01 UTC.
        home: An empty folder of the job's own; some tools do not start without HOME.
        tmp: A folder of the job's own for temporary files.
        out: Fills `{out}`; the job's output folder.
        tree: Fills `{tree}`; the worker's copy of the tree.
        jobs: Fills `{jobs}`.

    Returns:
        Variables by name, sorted by name.
    """
    kept = {name: host[name] for name in recipe.keep_environment if name in host and name not in NEVER_KEPT}
    named = {name: fill_at_run_time(text, out=str(out), tree=str(tree), jobs=jobs) for name, text in recipe.environment}
    environment = kept | make_base_environment(host, home=home, tmp=tmp, source_date=source_date) | named
    return dict(sorted(environment.items()))


def make_base_environment(
    host: Mapping[str, str], *, home: Path, tmp: Path, source_date: int | None = None
) -> dict[str, str]:
    """
    Make what every command of ours gets, toolchain probes included.

    Args:
        host: The environment that we were started with; only its PATH is taken.
        home: Becomes HOME; git looks for no repository in its parent or above.
        tmp: Becomes TMPDIR.
        source_date: Becomes SOURCE_DATE_EPOCH; None leaves it out.
    """
    environment = {
        # A worker's tree may lie in a repository's own git folder; `git describe` in a recipe must not find that.
        "GIT_CEILING_DIRECTORIES": str(home.parent),
        "HOME": str(home),
        "LANG": "C.UTF-8",
        "LC_ALL": "C.UTF-8",
        "PATH": clean_search_path(host.get("PATH", _DEFAULT_PATH)),
        "TMPDIR": str(tmp),
        "TZ": "UTC",
    }
    if source_date is not None:
        environment["SOURCE_DATE_EPOCH"] = str(source_date)
    return environment


def clean_search_path(text: str) -> str:
    """
    Drop the entries of a PATH that are empty or relative: they would find programs in the tree that is built.

    Source: POSIX.1-2017, "Environment Variables", PATH: an empty entry is the current folder.
    """
    return ":".join(entry for entry in text.split(":") if entry.startswith("/")) or _DEFAULT_PATH
