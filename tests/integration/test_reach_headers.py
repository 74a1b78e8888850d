"""
What the headers of a C library ask for, against the compilers themselves: each such name must be one that is known.

A compiler looks for it along the whole include path, the tree's folders first, and none of those look-ups leaves a
trace.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from gatekeep.runner.reach_words import TOOLS_KNOW, is_always_found, letter_runs
from tests.repos import clean_environment

COMPILERS = (("gcc",), ("arm-none-eabi-gcc",), ("riscv64-unknown-elf-gcc",), (sys.executable, "-m", "ziglang", "cc"))


def run(*command: str, place: Path, text: str = "") -> subprocess.CompletedProcess[str]:
    environment = clean_environment() | {"ZIG_GLOBAL_CACHE_DIR": str(place), "ZIG_LOCAL_CACHE_DIR": str(place)}
    return subprocess.run(command, input=text, capture_output=True, text=True, env=environment, timeout=60)


def find_folders(compiler: tuple[str, ...], place: Path) -> list[str]:
    """Ask where it looks. Source: GCC manual, "Directory Options"."""
    told = run(*compiler, "-x", "c", "-E", "-v", "/dev/null", "-o", "/dev/null", place=place).stderr
    listed = told.partition("<...> search starts here:")[2].partition("End of search list")[0]
    return sorted({os.path.realpath(line.strip()) for line in listed.splitlines() if line.strip()}, key=len)[::-1]


def is_known(name: str) -> bool:
    return is_always_found(name) or all(letters in TOOLS_KNOW for letters in letter_runs(name))


@pytest.mark.parametrize("compiler", COMPILERS, ids=lambda compiler: compiler[-1])
def test_headers_of_a_c_library_ask_for_known_names_alone(compiler: tuple[str, ...], tmp_path: Path) -> None:
    folders = find_folders(compiler, tmp_path)
    names = {
        path.relative_to(folder).as_posix()
        for folder in folders
        for path in (*Path(folder).glob("*.h"), *Path(folder).glob("sys/*.h"))
    }
    # As in reach_includes.py: whoever includes these alone asks for nothing else. One file each would take a minute.
    known = sorted(name for name in names if is_known(name) and not is_always_found(name))
    assert {"stdint.h", "stddef.h", "stdarg.h", "limits.h"} <= set(known)
    asked = set()
    for name in known:
        rules = run(
            *compiler, "-x", "c", "-D_GNU_SOURCE", "-M", "-", place=tmp_path, text=f"#include <{name}>\n"
        ).stdout
        asked |= set(rules.replace("\\\n", " ").split()[1:])
    found = set()
    for path in map(os.path.realpath, asked):
        inside = next((folder for folder in folders if path.startswith(f"{folder}/")), None)
        if inside is not None:
            found.add(path.removeprefix(f"{inside}/").partition("/")[0])
    assert len(found) > 3
    assert sorted(name for name in found if not is_known(name)) == []
