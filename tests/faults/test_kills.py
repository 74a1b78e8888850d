"""Kill -9 of the gate or of a process below it, at random moments; 200 of them are tests/benchmarks/bench_kills.py."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.kills import measure_longest_s, run_trial
from tests.faults.sounding import Answer, Sounding, make_tree
from tests.repos import GitFolder


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> GitFolder:
    return make_tree(tmp_path_factory.mktemp("sounding") / "tree")


@pytest.fixture(scope="module")
def undisturbed(tree: GitFolder, tmp_path_factory: pytest.TempPathFactory) -> tuple[Answer, float]:
    answer, elapsed_s = measure_longest_s(Sounding(tree, tmp_path_factory.mktemp("undisturbed") / "store"))
    assert answer.exit_code == 1, answer.errors
    return answer, elapsed_s


@pytest.mark.parametrize("number", range(12))
def test_a_killed_gate_loses_nothing_and_says_nothing_wrong(
    number: int, tree: GitFolder, undisturbed: tuple[Answer, float], tmp_path: Path
) -> None:
    answer, elapsed_s = undisturbed
    trial = run_trial(number, Sounding(tree, tmp_path / "store"), answer, elapsed_s)
    assert not trial.faults, trial
