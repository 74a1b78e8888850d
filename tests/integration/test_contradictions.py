"""
A compiler that fails now and then: what it says is tried again, shown with both logs, and never passed over.

Real git, real GNU make, Debian's cross GCC behind a program that fails when a file beside it says so; it removes that
file, which a sandbox would not let it.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from tests.integration.test_sweep import WARN, Kelp

GCC = "arm-none-eabi-gcc"
_PROGRAM = """#!/bin/sh
case "$*" in *--version* | *-print-prog-name*) exec {real} "$@" ;; esac
for mood in "{folder}"/fail.*; do
    if rm "$mood" 2>/dev/null; then
        echo "the compiler has the moods" >&2
        exit 1
    fi
done
exec {real} "$@"
"""


class Moody:
    """A folder for the front of PATH with a compiler that fails as often as it is told."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "moody"
        self.folder.mkdir()
        real = shutil.which(GCC)
        assert real is not None
        program = self.folder / GCC
        program.write_text(_PROGRAM.format(real=real, folder=self.folder))
        program.chmod(0o755)

    @property
    def path(self) -> str:
        return f"{self.folder}:{os.environ['PATH']}"

    def fail(self, count: int) -> None:
        for number in range(count):
            (self.folder / f"fail.{number}").touch()


@pytest.fixture
def kelp(tmp_path: Path) -> Kelp:
    return Kelp(tmp_path)


def gate(kelp: Kelp, path: str, *arguments: str) -> tuple[int, str]:
    code, output, _errors = kelp.run(
        "gate", "main~1", "main", "--workers", "1", "--sandbox", "off", *arguments, path=path
    )
    return code, output


def test_a_build_that_fails_once_is_undecided_until_somebody_clears_it(kelp: Kelp, tmp_path: Path) -> None:
    moody = Moody(tmp_path)
    assert kelp.run("sweep", "main", "--sandbox", "off", path=moody.path)[0] == 0
    kelp.append("app/main.c", b"/* deep */\n", "main: Say how deep")
    moody.fail(1)
    code, output = gate(kelp, moody.path)
    assert code == 3, output
    assert "failed and passed on the same inputs" in output
    logs = sorted(path.name for path in kelp.store.glob("logs/*/cortex-m.buoy-*.log"))
    assert len(logs) == 2
    assert logs[0].removesuffix(".log") + "-2.log" == logs[1] or logs[1].removesuffix(".log") + "-2.log" == logs[0]
    # Neither asking again nor building anew washes it away.
    assert gate(kelp, moody.path)[0] == 3
    assert gate(kelp, moody.path, "--rebuild")[0] == 3
    code, said, _errors = kelp.run("audit", "--clear", "cortex-m/buoy", path=moody.path)
    assert (code, said) == (0, "cortex-m/buoy: builds contradicted each other at 1 tree; built anew from now on\n")
    assert gate(kelp, moody.path)[0] == 0


def test_a_red_result_of_an_earlier_run_is_not_washed_away_by_a_lucky_one(kelp: Kelp, tmp_path: Path) -> None:
    moody = Moody(tmp_path)
    kelp.append("app/main.c", b"/* deep */\n", "main: Say how deep")
    assert kelp.run("sweep", "main~1", "--sandbox", "off", path=moody.path)[0] == 0
    # Both looks fail, so that the first run believes it: the makefile calls the compiler once before it gives up.
    moody.fail(2)
    assert gate(kelp, moody.path)[0] == 1
    code, output = gate(kelp, moody.path, "--rebuild")
    assert code == 3, output
    assert "failed and passed on the same inputs" in output


def test_a_program_that_is_missing_leaves_it_undecided_and_is_named(kelp: Kelp, tmp_path: Path) -> None:
    moody = Moody(tmp_path)
    assert kelp.run("sweep", "main", "--sandbox", "off", path=moody.path)[0] == 0
    kelp.files["Makefile"] += b"\nall: sounded\nsounded:\n\tsound-the-depth app/kelp.elf\n"
    kelp.append("app/main.c", WARN.replace(b"int unused; ", b""), "main: Sound the depth")
    kelp.repository.commit({"Makefile": kelp.files["Makefile"]}, message="Sound the depth of each image")
    code, output = gate(kelp, moody.path)
    assert code == 3, output
    assert "the build calls sound-the-depth, which is not on this machine" in " ".join(output.split())
