"""Which options of a command ask for warnings."""

from __future__ import annotations

import pytest

from gatekeep.judge.warning_options import count_options, is_silencing


@pytest.mark.parametrize(
    ("text", "options"),
    [
        ("make", []),
        ("CFLAGS=-Wall -Werror=pointer-to-int-cast", ["-Wall", "-Werror=pointer-to-int-cast"]),
        ("make CFLAGS='-Wextra' LD=\"-Wframe-larger-than=64\"", ["-Wextra", "-Wframe-larger-than=64"]),
        ("cc\n-w\n-pedantic\n-pedantic-errors\nx.c", ["-w", "-pedantic", "-pedantic-errors"]),
        ("-Wno-unused -Wno-error=format", ["-Wno-unused", "-Wno-error=format"]),
        # Handed on: what they carry counts, not they themselves.
        ("-Wl,-z,now -Wa,-mthumb -Wp,-DX", []),
        ("-Wl,--fatal-warnings,--warn-common,--no-warn-mismatch -Wa,--fatal-warnings,--warn", None),
        ("make --warn-undefined-variables", ["--warn-undefined-variables"]),
        ("-std=c++11 -Wc++11-compat", ["-Wc++11-compat"]),
        # Not options: parts of words and of paths.
        ("build-Wall out/-w x-pedantic --workers -writable -words", []),
    ],
)
def test_options_of_one_text(text: str, options: list[str] | None) -> None:
    if options is None:
        options = ["--fatal-warnings", "--warn-common", "--no-warn-mismatch", "--warn"]
    assert list(count_options([text])) == options


def test_an_option_counts_once_a_text() -> None:
    assert count_options(["-Wall -Wall", "-Wall", ""]) == {"-Wall": 2}


@pytest.mark.parametrize(
    ("option", "silencing"),
    [("-w", True), ("-Wno-unused", True), ("--no-warn-mismatch", True), ("-Wall", False), ("-Wnormalized", False)],
)
def test_silencing_options(option: str, silencing: bool) -> None:
    assert is_silencing(option) is silencing
