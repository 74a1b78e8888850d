"""However many workplaces stand ready, never more builds run at once than were asked for."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from gatekeep.cli.main import run
from tests.repos import Content, make_repository

MATRIX = """\
matrix: 1
tree: kelp
source_date: 2024-05-01
toolchains: {shell: {probe: [make, --version], allow: ">=4"}}
recipes:
  shell:
    build: [sh, build.sh, "{board}", "{out}"]
    image: "{out}/image"
    time_limit: 60 s
parts: {small: {capacity: 64 KiB}}
every: {toolchain: shell, part: small, recipe: shell}
ports:
  arm:
    maintainers: ["Oda Brekke <oda@kelp.example>"]
    boards: {BOARDS}
"""
#: Notes when it began and when it ended, where the test finds it, and takes a little while.
SCRIPT = """\
date +%s.%N >"{notes}/$1"
head -c 4000000 /dev/zero | cksum >"$2/image"
date +%s.%N >>"{notes}/$1"
"""
BOARDS = [f"board-{number:02}" for number in range(40)]


@pytest.mark.parametrize("workers", [1, 2])
def test_spare_workplace_adds_no_build_at_once(tmp_path: Path, workers: int) -> None:
    """Builds are much shorter than what comes between them, so that it pays soon."""
    repository = make_repository(tmp_path / "kelp")
    notes = tmp_path / "notes"
    notes.mkdir()
    script = SCRIPT.format(notes=notes).encode()
    files: dict[str | bytes, Content] = {
        "matrix.yml": MATRIX.replace("BOARDS", ", ".join(f"{board}: {{}}" for board in BOARDS)).encode(),
        "build.sh": script,
    }
    base = repository.commit(files, message="Import")
    head = repository.commit({"build.sh": script + b"exit 0\n"}, message="End")
    out = tmp_path / "out.json"
    where = ["--repository", str(repository.path), "--store", str(tmp_path / "store"), "--sandbox", "off"]
    assert run(["gate", base, head, "--json", str(out), "--workers", str(workers), *where]) == 0
    results = json.loads(out.read_text())["results"]
    assert {result["outcome"] for result in results} == {"built"}
    # The second build of each board has the last word of its notes.
    spans = [tuple(map(float, (notes / board).read_text().split())) for board in BOARDS]
    moments = sorted([(begin, 1) for begin, _ in spans] + [(end, -1) for _, end in spans])
    at_once, most = 0, 0
    for _moment, step in moments:
        at_once += step
        most = max(most, at_once)
    assert most <= workers
    assert len(list((tmp_path / "store" / "trees").glob("*/tree"))) in (workers, workers + 1)
