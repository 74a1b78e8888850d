"""A workplace more than workers makes ready and looks through what others build beside; never more run at once."""

from __future__ import annotations

import subprocess
import sys
from itertools import accumulate
from pathlib import Path

from tests.repos import clean_environment, make_repository

BOARD_COUNT = 60
MATRIX = """\
matrix: 1
tree: moor
source_date: 2001-01-01
toolchains:
  host-gcc: {{probe: [gcc, --version]}}
recipes:
  told: {{build: [[sh, -c, "echo 1 >>{said}; gcc -c main.c -o {{out}}/{{board}}.o; ar rc {{out}}/lib.a {{out}}/*.o; \
echo -1 >>{said}"]], archives: ["{{out}}/lib.a"], time_limit: 60 s}}
every: {{toolchain: host-gcc, recipe: told}}
ports:
  x86:
    maintainers: [Isa Thorne <isa@skerry.example>]
    machine: X86_64
    boards: {{{boards}}}
"""


def sweep(folder: Path, board_count: int, worker_count: int) -> tuple[list[int], set[str]]:
    """Build so many boards; give how many ran at each start and end, and the workplaces that there were."""
    repository = make_repository(folder / "moor")
    said = folder / "said"
    boards = ", ".join(f"b{number}: " for number in range(board_count))
    matrix = MATRIX.format(said=said, boards=boards)
    repository.commit({"matrix.yml": matrix.encode(), "main.c": b"int main(void) { return 0; }\n"})
    store = folder / "store"
    command = [sys.executable, "-m", "gatekeep", "sweep", "main", "--sandbox", "off", "--workers", str(worker_count)]
    done = subprocess.run(
        [*command, "--store", str(store)], cwd=repository.path, env=clean_environment(), capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert said.read_text().split().count("1") == board_count
    running = list(accumulate(map(int, said.read_text().split())))
    places = {path.parent.name for path in store.glob("*/*/tree")}
    return running, places


def test_many_builds_have_one_more_workplace_and_no_more_of_them_run_at_once(tmp_path: Path) -> None:
    running, places = sweep(tmp_path, BOARD_COUNT, 2)
    assert max(running) == 2
    assert places == {"001", "002", "003"}


def test_few_builds_have_as_many_workplaces_as_workers(tmp_path: Path) -> None:
    running, places = sweep(tmp_path, 5, 2)
    assert max(running) <= 2
    assert places <= {"001", "002"}


def test_one_worker_is_never_two(tmp_path: Path) -> None:
    running, places = sweep(tmp_path, BOARD_COUNT, 1)
    assert max(running) == 1
    assert places == {"001", "002"}
