"""Kill -9 of gatekeep or of a process below it, at random moments; 200 of them are tests/benchmarks/bench_kills.py."""

from __future__ import annotations

import pytest

from tests.faults.kills import measure_s, run_trial
from tests.faults.sounding import make_tree
from tests.faults.tasks import TASKS, Task, make_task
from tests.repos import GitFolder


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> GitFolder:
    return make_tree(tmp_path_factory.mktemp("sounding") / "tree")


@pytest.fixture(scope="module", params=TASKS)
def task(request: pytest.FixtureRequest, tree: GitFolder, tmp_path_factory: pytest.TempPathFactory) -> Task:
    task = make_task(request.param, tree, tmp_path_factory.mktemp("kills") / request.param)
    assert task.undisturbed.exit_code == (0 if task.name == "health" else 1), task.undisturbed.errors
    return task


@pytest.fixture(scope="module")
def longest_s(task: Task) -> float:
    return measure_s(task)


@pytest.mark.parametrize("number", range(6))
def test_what_is_killed_loses_nothing_and_says_nothing_wrong(number: int, task: Task, longest_s: float) -> None:
    trial = run_trial(number, task, longest_s)
    assert not trial.faults, trial
