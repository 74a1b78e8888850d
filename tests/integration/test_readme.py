"""What the README shows is what the gate prints."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import yaml

from gatekeep.matrix.load import parse_matrix

ROOT = Path(__file__).parents[2]


def test_the_shown_run_is_current() -> None:
    script = ROOT / "ci" / "readme_output.py"
    done = subprocess.run([sys.executable, str(script), "--check", str(ROOT / "README.md")], check=False)
    assert done.returncode == 0, "run ./ci/readme"


def test_the_shown_matrix_is_right() -> None:
    page = (ROOT / "README.md").read_text()
    text = page.split("```yaml\n")[1].split("```")[0]
    matrix = parse_matrix(text.encode(), path="README.md")
    assert [target.name for target in matrix.targets] == [
        "cortex-m/buoy",
        "cortex-m/float/debug",
        "cortex-m/float/release",
    ]
    assert yaml.safe_load(text)["tree"] == "kelp"
