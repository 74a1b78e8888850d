"""Hostile bytes, tried: the kept inputs hold, and some seconds of coverage-guided fuzzing find nothing in a reader."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.faults import planted
from tests.faults.fuzz import KEPT, fuzz, read_inputs
from tests.faults.fuzz_subjects import SUBJECTS, BrokenPromise, Subject, check_timed

#: About one minute for all readers together, which is what CI has for it.
SECONDS = 5
ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize("subject", SUBJECTS.values(), ids=SUBJECTS)
def test_seeds_and_kept_inputs_hold(subject: Subject) -> None:
    kept = read_inputs(KEPT / subject.name)
    assert kept, "no corpus is kept for this reader"
    for data in (b"", *subject.seeds(), *kept):
        check_timed(subject, data)


def test_kept_inputs_are_small_and_each_has_a_reader() -> None:
    assert sum(path.stat().st_size for path in KEPT.rglob("*") if path.is_file()) < 200_000
    assert {path.name for path in KEPT.iterdir()} == SUBJECTS.keys()


@pytest.mark.slow
@pytest.mark.parametrize("name", SUBJECTS)
def test_fuzzing_for_some_seconds_finds_nothing(name: str, tmp_path: Path) -> None:
    """A minute for all of them, beside all else that CI tries; ten minutes for each in the benchmark form."""
    command = [sys.executable, "-m", "tests.faults.fuzz", name, "--seconds", str(SECONDS)]
    run = subprocess.run(
        [*command, "--corpus", str(tmp_path / "corpus")], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stderr[-4000:]
    # It did run: the kept inputs alone would not be more.
    executed = next(line for line in run.stderr.splitlines() if "number_of_executed_units" in line)
    assert int(executed.split()[-1]) > len(list((KEPT / name).iterdir()))


@pytest.mark.slow
def test_fuzzer_finds_a_planted_fault_and_keeps_its_input(tmp_path: Path) -> None:
    subject = planted.SUBJECTS["planted"]
    assert fuzz(subject, tmp_path / "corpus", seconds=60, seed=1, instrumented="tests.faults.planted") == 1
    found = list(tmp_path.glob("planted-crash-*"))
    assert [path.read_bytes()[:4] for path in found] == [b"keel"]
    with pytest.raises(BrokenPromise):
        check_timed(subject, found[0].read_bytes())
