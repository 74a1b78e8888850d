"""A program that is not there is told from a program that refuses."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from gatekeep.build.missing_program import find_missing_program

NOWHERE = "no-such-compiler"


def run_make(folder: Path, recipe: str) -> tuple[bytes, int]:
    """Run the machine's own make, shell and env, and give the log and the exit code."""
    (folder / "Makefile").write_text(f"all:\n\t@{recipe}\n")
    done = subprocess.run(
        ["make", "-C", str(folder)],
        env={"PATH": "/usr/bin:/bin"},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        check=False,
    )
    return done.stdout, done.returncode


@pytest.mark.parametrize(
    "recipe",
    [
        f"{NOWHERE} -c x.c",
        f"{NOWHERE} -c x.c; exit $$?",
        f"/usr/bin/env {NOWHERE} -c x.c",
        f'bash -c "{NOWHERE} -c x.c"',
        f"(cd / && {NOWHERE})",
    ],
)
def test_the_program_is_named_as_make_the_shell_and_env_name_it(tmp_path: Path, recipe: str) -> None:
    log, exit_code = run_make(tmp_path, recipe)
    assert find_missing_program(log, exit_code=exit_code, path="/usr/bin:/bin") == NOWHERE


@pytest.mark.parametrize(
    "recipe",
    [
        "false",
        "echo 'x.c:1: error: no-such-compiler: not found'; false",
        "./tools/generate",
        "exit 126",
        "sh -c 'exit 127'",
        "cat no-such-file",
    ],
)
def test_other_failures_are_the_codes(tmp_path: Path, recipe: str) -> None:
    log, exit_code = run_make(tmp_path, recipe)
    assert exit_code != 0
    assert find_missing_program(log, exit_code=exit_code, path="/usr/bin:/bin") is None


def test_a_program_that_is_on_the_path_after_all_was_not_missed() -> None:
    log = b"/bin/sh: 1: ls: not found\nmake: *** [Makefile:2: all] Error 127\n"
    assert find_missing_program(log, exit_code=2, path="/usr/bin:/bin") is None
