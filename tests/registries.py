"""
Files of others that tests hold ours against, from the registries that hold them; unpacked once into the virtual
environment.
"""

from __future__ import annotations

import subprocess
import sys
import tarfile
from pathlib import Path


def unpack_npm(package: str, folder: Path | None = None) -> Path:
    """
    Unpack a package of the npm registry.

    Args:
        package: Its name and version, `name@1.2.3`.
        folder: Where; by default in the virtual environment.

    Returns:
        The folder of its files.
    """
    where = folder or Path(sys.prefix) / ".npm" / package.replace("/", "+")
    if not (where / "package").exists():
        where.mkdir(parents=True, exist_ok=True)
        subprocess.run(["npm", "pack", "--silent", package], cwd=where, check=True, stdout=subprocess.DEVNULL)
        _unpack(next(where.glob("*.tgz")), where)
    return where / "package"


def unpack_source(package: str) -> Path:
    """
    Unpack the source of a Python package, which holds its tests and their data as well.

    Args:
        package: Its name and version, `name==1.2.3`.
    """
    where = Path(sys.prefix) / ".sources" / package
    unpacked = where / package.replace("==", "-")
    if not unpacked.exists():
        where.mkdir(parents=True, exist_ok=True)
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check"]
        subprocess.run([*command, "--no-deps", "--no-binary", ":all:", "--dest", where, package], check=True)
        _unpack(next(where.glob("*.tar.gz")), where)
    return unpacked


def _unpack(packed: Path, folder: Path) -> None:
    with tarfile.open(packed) as archive:
        archive.extractall(folder, filter="data")
