"""What pyproject.toml puts into a wheel: every room, and the whole scenario."""

from __future__ import annotations

import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[2]
SETUPTOOLS = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]


def test_packages_are_the_rooms_and_the_scenario():
    rooms = {
        path.parent.relative_to(ROOT).as_posix().replace("/", ".") for path in ROOT.glob("gatekeep/**/__init__.py")
    }
    assert SETUPTOOLS["packages"] == sorted(rooms | {"gatekeep.skerry"})


def test_package_data_holds_every_file_of_the_scenario():
    folder = ROOT / SETUPTOOLS["package-dir"]["gatekeep.skerry"]
    packed = {path for pattern in SETUPTOOLS["package-data"]["gatekeep.skerry"] for path in folder.glob(pattern)}
    files = {path for path in folder.rglob("*") if path.is_file() and "__pycache__" not in path.parts}
    assert {path for path in packed if path.is_file() and "__pycache__" not in path.parts} == files
    # Patterns of setuptools pass over hidden files, pathlib's do not.
    assert [path for path in files if any(part.startswith(".") for part in path.relative_to(folder).parts)] == []


def test_package_data_of_the_rooms_names_files_that_exist():
    """`report/templates/*` waits for its room; every other pattern has its file."""
    patterns = [pattern for pattern in SETUPTOOLS["package-data"]["gatekeep"] if pattern != "report/templates/*"]
    assert all(list((ROOT / "gatekeep").glob(pattern)) for pattern in patterns)
