"""A generated history of every kind of commit, gated: no result differs from a plain make."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

BENCHMARK = Path(__file__).parents[1] / "benchmarks" / "bench_generated.py"


@pytest.mark.slow
def test_no_carried_result_of_a_generated_history_differs_from_a_clean_build() -> None:
    """The truth is made by git and make alone; see the benchmark."""
    shape = ("--targets", "12", "--ports", "4", "--files", "260", "--commits", "20", "--audit", "40")
    done = subprocess.run([sys.executable, str(BENCHMARK), *shape], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "differences from the plain build: 0 of 264 pairs (goal 0)\n" in done.stdout
    assert "carried though a file that they read differs: 0 (goal 0)\n" in done.stdout
    assert "built cleanly once more: 40 pairs, 0 differ (goal 0)\n" in done.stdout
