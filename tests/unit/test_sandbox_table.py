"""The contributor's table of attempts on the sandbox names tests that are there."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
FILES = {
    letter: ROOT / "tests" / "integration" / f"test_sandbox{name}.py"
    for letter, name in {"E": "_escapes", "L": "_limits", "O": "_outputs", "S": ""}.items()
}


def test_every_test_that_the_table_names_is_there() -> None:
    section = (ROOT / "DEVELOPERS.md").read_text().partition("## The sandbox\n")[2].partition("\n## ")[0]
    rows = [line for line in section.splitlines() if line.startswith("| ")][2:]
    assert len(rows) > 15
    for row in rows:
        cell = row.rstrip("| ").rpartition("|")[2]
        named = re.findall(r"([ELOS]) ((?:`[^`]+`(?:, )?)+)", cell)
        assert named or "test_" in cell, row
        for letter, names in named:
            text = FILES[letter].read_text()
            for name in re.findall(r"`([^`…]+)…?`", names):
                # Of the outputs, tricks have names too.
                assert f"def test_{name}" in text or (letter == "O" and f'"{name}":' in text), (row, name)
