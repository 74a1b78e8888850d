"""What standard output is taken for: a real pseudo-terminal, and a file."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import redirect_stdout
from pathlib import Path
from typing import TextIO

import pytest

from gatekeep.cli.screen import Screen, find_screen


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Iterator[TextIO]:
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    ours, theirs = os.openpty()
    with os.fdopen(theirs, "w") as stream:
        yield stream
    os.close(ours)


def look(stream: TextIO, colour: str = "auto") -> Screen:
    with redirect_stdout(stream):
        return find_screen(colour)


def test_colours_are_shown_on_a_terminal(terminal: TextIO) -> None:
    assert look(terminal).colour
    assert not look(terminal, "never").colour


@pytest.mark.parametrize("kind", ["dumb", None])
def test_a_terminal_that_obeys_no_escape_codes_gets_none(
    terminal: TextIO, monkeypatch: pytest.MonkeyPatch, kind: str | None
) -> None:
    if kind is None:
        monkeypatch.delenv("TERM")
    else:
        monkeypatch.setenv("TERM", kind)
    assert not look(terminal).colour
    assert look(terminal).is_terminal
    assert look(terminal, "always").colour


@pytest.mark.parametrize(("value", "colour"), [("1", False), ("0", False), ("", True)])
def test_no_color_counts_where_it_is_not_empty(
    terminal: TextIO, monkeypatch: pytest.MonkeyPatch, value: str, *, colour: bool
) -> None:
    """Source: no-color.org, "when present and not an empty string (regardless of its value)"."""
    monkeypatch.setenv("NO_COLOR", value)
    assert look(terminal).colour is colour


def test_a_file_gets_colours_only_where_they_are_asked_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    with (tmp_path / "report.txt").open("w") as stream:
        assert not look(stream).colour
        assert look(stream, "always").colour
        assert look(stream).width == 100
