"""Imports only point down, the pure rooms stay pure, and no module outgrows its noun."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "gatekeep"
#: Lower rooms last. A room may import from itself and from what stands below it.
ORDER = ["cli", "report", "judge", "runner", "history", "boot", "build", "measure", "tree", "matrix", "model"]
#: Any room may use these; they import nothing of ours but each other.
SHARED = {"errors", "logs", "scratch", ""}
#: Rooms that decide or render: no clock, no files, no processes, no logging.
PURE = {"model", "judge"}
IMPURE_MODULES = {"os", "subprocess", "logging", "time", "socket", "shutil", "tempfile", "threading", "sqlite3"}
MOST_LINES = 500


def iter_modules() -> Iterator[Path]:
    yield from sorted(PACKAGE.rglob("*.py"))


def room_of(path: Path) -> str:
    parts = path.relative_to(PACKAGE).parts
    return (
        parts[0] if len(parts) > 1 else parts[0].removesuffix(".py").replace("__init__", "").replace("__main__", "cli")
    )


def iter_imports(path: Path) -> Iterator[tuple[int, str]]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield node.lineno, alias.name
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            yield node.lineno, node.module


@pytest.mark.parametrize("path", list(iter_modules()), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_only_point_down(path: Path) -> None:
    room = room_of(path)
    for line, name in iter_imports(path):
        if not name.startswith("gatekeep"):
            continue
        other = [*name.split("."), ""][1]
        place = f"{path.relative_to(PACKAGE)}:{line} imports {name}"
        if other in SHARED:
            continue
        if room in SHARED:
            pytest.fail(place)
        assert ORDER.index(other) >= ORDER.index(room), place


@pytest.mark.parametrize(
    "path",
    [path for path in iter_modules() if room_of(path) in PURE],
    ids=lambda path: str(path.relative_to(PACKAGE)),
)
def test_pure_rooms_touch_nothing(path: Path) -> None:
    for line, name in iter_imports(path):
        assert name.split(".")[0] not in IMPURE_MODULES, f"{path.relative_to(PACKAGE)}:{line} imports {name}"


def test_the_heavy_libraries_are_not_imported_before_they_are_needed() -> None:
    for path in (PACKAGE / "__init__.py", PACKAGE / "cli" / "main.py", PACKAGE / "errors.py"):
        for line, name in iter_imports(path):
            assert name.split(".")[0] not in {"git", "sqlalchemy", "jinja2", "rich", "pydantic", "yaml"}, (
                f"{path}:{line}"
            )


def test_no_module_outgrows_its_noun() -> None:
    long = {str(path.relative_to(PACKAGE)): len(path.read_text().splitlines()) for path in iter_modules()}
    assert {name: count for name, count in long.items() if count > MOST_LINES} == {}


def test_only_a_line_feed_ends_a_line_of_git() -> None:
    """`splitlines` takes U+2028 for an end, and a branch may be called so: `git_command.split_lines` does not."""
    for path in (PACKAGE / "tree").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            found = isinstance(node, ast.Attribute) and node.attr in ("splitlines", "readlines")
            assert not found, f"{path.name}:{getattr(node, 'lineno', 0)}"


def test_only_two_modules_speak_sqlite() -> None:
    """What a server database would need written again is in one place."""
    own = re.compile(
        r"^(?:import|from) sqlite3|dialects\.sqlite|PRAGMA|group_concat|CREATE TRIGGER|sqlite_master", re.M
    )
    found = {path.name for path in PACKAGE.rglob("*.py") if own.search(path.read_text())}
    assert found == {"integrity.py", "sqlite.py"}


def test_the_top_level_is_the_designs() -> None:
    root = PACKAGE.parent
    wanted = {"README.md", "DEVELOPERS.md", "pyproject.toml", "gatekeep", "matrices", "tests", "ci"}
    litter = {"build", "dist"}
    found = {
        path.name for path in root.iterdir() if not path.name.startswith(".") and not path.name.endswith(".egg-info")
    }
    assert found - litter == wanted
