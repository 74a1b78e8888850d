"""Which targets a difference reaches, asked from the command line after real builds."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.integration.test_audit import MATRIX, Kelp


@pytest.fixture(scope="module")
def kelp(tmp_path_factory: pytest.TempPathFactory) -> Kelp:
    """Two boards built at main~2; then one gets another source, and a third board comes."""
    kelp = Kelp(tmp_path_factory.mktemp("reached"), "vale: , holm: ")
    kelp.repository.commit({"charts/pier.txt": b"4 m\n"}, message="Sound the pier")
    answer = kelp.gate()
    assert answer.code == 0, answer.errors
    kelp.base = kelp.repository.ask("rev-parse", "main")
    kelp.repository.commit({"boards/holm.c": b"int start(void) { return 3; }\n"}, message="Holm without tide")
    matrix = MATRIX.replace(b"BOARDS", b"vale: , holm: , grown: ")
    kelp.repository.commit({"matrix.yml": matrix}, message="List a new board")
    return kelp


def ask(kelp: Kelp, *arguments: str) -> str:
    answer = kelp.run("targets", *arguments)
    assert answer.code == 0, answer.errors
    return answer.text


def test_reached_targets_are_listed_with_their_cause(kelp: Kelp) -> None:
    base, middle, head = (kelp.repository.ask("rev-parse", name)[:10] for name in (kelp.base, "main~1", "main"))
    assert ask(kelp, "--reached-by", f"{kelp.base}..main~1").splitlines() == [
        "arm/holm  boards/holm.c, which it reads, is modified",
        "",
        f"{base}..{middle}: 1 path differs; 1 target reached, 1 not reached",
    ]
    # A matrix is read by gatekeep, not by the build: only the board that is new in it is reached.
    assert ask(kelp, "--reached-by", f"{kelp.base}..main").splitlines() == [
        "arm/holm   boards/holm.c, which it reads, is modified",
        "arm/grown  its entry in the matrix is new",
        "",
        f"{base}..{head}: 2 paths differ; 2 targets reached, 1 not reached",
    ]


def test_why_says_by_which_file_and_rule_or_why_not(kelp: Kelp) -> None:
    reached = ask(kelp, "--reached-by", f"{kelp.base}..main~1", "--why", "arm/holm").splitlines()
    assert reached[0] == "arm/holm: reached: boards/holm.c, which it reads, is modified"
    assert reached[1].startswith("    by its build at the base, which read ")
    spared = ask(kelp, "--reached-by", f"{kelp.base}..main~1", "--why", "arm/vale").splitlines()
    assert spared[0] == "arm/vale: not reached: 1 path differs, and it does not reach it"


def test_a_base_that_was_never_built_is_answered_by_the_newest_builds(kelp: Kelp) -> None:
    lines = ask(kelp, "--reached-by", "main~1..main", "--why", "arm/vale").splitlines()
    assert lines[0] == "arm/vale: not reached: 1 path differs, and it does not reach it"
    built_at = kelp.repository.ask("rev-parse", "main~3")[:10]
    assert lines[1].startswith(f"    by its build at commit {built_at}, not at the base, which read ")


def test_what_was_never_built_is_not_known(kelp: Kelp, tmp_path: Path) -> None:
    text = ask(kelp, "--reached-by", f"{kelp.base}..main~1", "--json", "--port", "arm")
    report: dict[str, Any] = json.loads(text)
    assert [(one["name"], one["standing"], one["path"], one["rule"]) for one in report["targets"]] == [
        ("arm/vale", "not reached", None, None),
        ("arm/holm", "reached", "boards/holm.c", "read"),
    ]
    fresh = Kelp(tmp_path, "vale: ")
    fresh.repository.commit({"charts/pier.txt": b"4 m\n"}, message="Sound the pier")
    lines = ask(fresh, "--reached-by", "main~1..main").splitlines()
    assert lines[0] == "arm/vale  not known: never built"
    assert lines[-1].endswith(": 1 path differs; 0 targets reached, 0 not reached, 1 not known")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--reached-by", "main"], "--reached-by: wanted BASE..HEAD, got 'main'; write for instance main..HEAD"),
        (["--why", "arm/vale"], "--why: needs --reached-by BASE..HEAD; write for instance --reached-by main..HEAD"),
        (
            ["--reached-by", "main~1..main", "--why", "arm/vail"],
            "--why: the matrix has no target 'arm/vail'; did you mean arm/vale?",
        ),
    ],
)
def test_wrong_usage_says_what_is_wanted(kelp: Kelp, arguments: list[str], message: str) -> None:
    answer = kelp.run("targets", *arguments)
    assert (answer.code, answer.errors) == (2, f"gatekeep: {message}\n")
