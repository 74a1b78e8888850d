"""Errors become messages and exit codes; nothing that went wrong is ever taken for "blocked" or "pass"."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import click
import pytest

from gatekeep.cli.main import cli, run
from gatekeep.errors import GatekeepError, MatrixError, RepositoryError, StoreError, UsageError

SOUND = Path(__file__).parents[1] / "data" / "matrices" / "sound.yml"


@pytest.fixture
def failing(monkeypatch: pytest.MonkeyPatch) -> list[BaseException]:
    """A command that raises what the list holds, in place of all others."""
    errors: list[BaseException] = []

    @click.command()
    def fail() -> None:
        raise errors[0]

    monkeypatch.setattr(cli, "get_command", lambda ctx, name: fail)
    return errors


@pytest.mark.parametrize(
    ("error", "code", "said"),
    [
        (UsageError("there is none"), 2, "gatekeep: there is none\n"),
        (MatrixError("m.yml", 3, 1, "unknown key 'bords'"), 2, "m.yml:3:1: unknown key 'bords'\n"),
        (RepositoryError("x: gone\x1b[2J"), 3, "gatekeep: x: gone\\x1b[2J\nverdict: undecided; this is never a pass\n"),
        (StoreError("damaged"), 3, "gatekeep: damaged\nverdict: undecided; this is never a pass\n"),
        (
            OSError(errno.ENOSPC, "No space left on device"),
            3,
            "gatekeep: standard output, or a file: No space left on device; free the disk or have it writable, and run "
            "again\nverdict: undecided; this is never a pass\n",
        ),
        (
            OSError(errno.EROFS, "Read-only file system", "/s/x"),
            3,
            "gatekeep: /s/x: Read-only file system; free the disk or have it writable, and run again\n"
            "verdict: undecided; this is never a pass\n",
        ),
        (GatekeepError("other"), 3, "gatekeep: other\nverdict: undecided; this is never a pass\n"),
        (
            KeyboardInterrupt(),
            130,
            # After the ^C that the terminal has echoed, click begins a new line.
            "\ngatekeep: stopped; what had ended is kept, the same command goes on from there\n",
        ),
    ],
    ids=lambda value: type(value).__name__ if isinstance(value, BaseException) else "",
)
def test_exit_code_and_message(
    failing: list[BaseException], capsys: pytest.CaptureFixture[str], error: BaseException, code: int, said: str
) -> None:
    failing.append(error)
    assert run(["anything"]) == code
    assert capsys.readouterr().err == said


def test_every_fault_of_a_matrix_is_told(failing: list[BaseException], capsys: pytest.CaptureFixture[str]) -> None:
    failing.append(MatrixError("m.yml", 3, 1, "one", others=(MatrixError("m.yml", 5, 2, "two"),)))
    assert run(["anything"]) == 2
    assert capsys.readouterr().err == "m.yml:3:1: one\nm.yml:5:2: two\n"


def test_a_fault_of_our_own_is_undecided_and_not_blocked(
    failing: list[BaseException], capsys: pytest.CaptureFixture[str]
) -> None:
    failing.append(ZeroDivisionError("hostile \x1b[2J"))
    assert run(["anything"]) == 3
    said = capsys.readouterr().err.splitlines()
    assert said[0] == "Traceback (most recent call last):"
    assert said[-3] == "ZeroDivisionError: hostile \\x1b[2J"
    assert said[-1] == "verdict: undecided; this is never a pass"


def test_unknown_commands_and_options_are_usage_errors(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["no-such-command"]) == 2
    assert run(["gate", "--no-such-option"]) == 2
    capsys.readouterr()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["gat", "main", "HEAD"], "Error: there is no command 'gat'; did you mean gate?"),
        (["x\x1b[2J"], "Error: there is no command 'x\\x1b[2J'; known are gate, land, "),
        (
            ["gate", "main..HEAD"],
            "Error: two commits are named as two words, got 'main..HEAD'; write gatekeep gate main HEAD\n",
        ),
        (["land", "main..", "topic"], "got 'main..'; write gatekeep land main HEAD\n"),
        (["approve", "...topic"], "got '...topic'; write gatekeep approve BASE topic\n"),
    ],
)
def test_a_near_miss_is_answered_with_what_to_write(
    capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    assert run(words) == 2
    assert said in capsys.readouterr().err


def test_help_teaches_and_passes(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--help"]) == 0
    said = capsys.readouterr().out
    for words in ("gatekeep gate main HEAD", "Exit codes:", "3  undecided"):
        assert words in said


def test_a_terminal_that_lacks_a_sign_gets_an_escape(tmp_path: Path) -> None:
    matrix = tmp_path / "matrix.yml"
    text = SOUND.read_text(encoding="utf-8").replace("Isa Thorne", "Zoë Śliwa")
    matrix.write_text(text, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "gatekeep", "targets", "--matrix", str(matrix)],
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": "iso-8859-1"},
    )
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"Zo\xeb \\u015aliwa\n" in done.stdout
