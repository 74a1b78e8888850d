"""
The script of the night, as a scheduler calls it: a bare repository to fetch from, real sweeps, real pages and signals.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from gatekeep.history.store import SqliteStore
from gatekeep.history.sweeps import list_sweeps
from gatekeep.model.history import SweepState
from tests.integration.test_sweep import (
    BREAK,
    SHARED_FILES,
    Kelp,
    hide_programs,
    hold_the_second_build,
    wait_for_first_build,
)
from tests.repos import clone_repository

NIGHTLY = Path(__file__).parents[2] / "ci" / "nightly"


class Night(Kelp):
    """Somebody's clone (`repository`), the bare repository that it is pushed to, and the night's own clone of that."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.bare = clone_repository(self.repository, folder / "kelp.git", "--bare")
        self.clone = clone_repository(self.bare, folder / "night")
        self.summary = folder / "summary.txt"
        programs = folder / "programs"
        programs.mkdir()
        script = programs / "gatekeep"
        script.write_text(f'#!/bin/sh\nexec {sys.executable} -m gatekeep "$@"\n')
        script.chmod(0o755)
        self.path = f"{programs}:{os.environ['PATH']}"

    def push(self, *options: str) -> str:
        """Publish main; give its commit."""
        self.repository.git("push", "-q", *options, str(self.bare.path), "main")
        return self.repository.ask("rev-parse", "main")

    def begin(self, *arguments: str, path: str = "") -> subprocess.Popen[str]:
        """Call the script on the night's clone."""
        return subprocess.Popen(
            [str(NIGHTLY), "--store", str(self.store), *arguments, str(self.clone.path), "origin/main"],
            env={"PATH": path or self.path, "HOME": str(self.folder), "PYTHONPATH": str(NIGHTLY.parents[1])},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def call(self, *arguments: str, path: str = "") -> tuple[int, list[str], str]:
        """Let it end; give exit code, the lines of the summary, and what stood on standard error."""
        self.summary.unlink(missing_ok=True)
        process = self.begin("--fetch", "origin", "--summary", str(self.summary), *arguments, path=path)
        output, errors = process.communicate(timeout=240)
        assert output == ""
        lines = self.summary.read_text().splitlines() if self.summary.exists() else []
        return process.returncode, lines, errors


@pytest.fixture
def night(tmp_path: Path) -> Night:
    return Night(tmp_path)


def test_nights_fetch_sweep_render_and_leave_a_summary(night: Night) -> None:
    site = night.folder / "site"
    files = {name: night.folder / f"night.{name}" for name in ("json", "sarif", "junit")}
    options = [word for name, file in files.items() for word in (f"--{name}", str(file))]
    code, lines, errors = night.call("--out", str(site), *options)
    assert (code, lines[0]) == (0, f"kelp {night.base[:10]}: both targets are well"), errors
    assert (site / "index.html").exists()
    assert json.loads(files["json"].read_text())["sum"] == "both targets are well"
    assert all(file.stat().st_size > 0 for file in files.values())

    night.append("lib/crc.c", BREAK, "crc: Sound \x1b[31mthe depth")
    head = night.push()
    code, lines, errors = night.call("--out", str(site))
    assert (code, lines[0], lines[1]) == (1, f"kelp {head[:10]}: 2 targets newly broken", ""), errors
    said = " ".join(" ".join(lines).split())
    assert f"since commit {head[:10]} (crc: Sound \\x1b[31mthe depth)" in said
    # Fit for mail: nothing that a terminal would obey, and lines that RFC 5322, 2.1.1, calls fit (78), but for paths.
    assert all(line.isprintable() for line in lines)
    assert max(len(line) for line in lines if str(night.store) not in line) <= 78
    assert head[:10] in (site / "index.html").read_text()

    code, lines, errors = night.call()
    assert (code, lines[0]) == (0, f"kelp {head[:10]}: nothing new; 2 as bad as before"), errors


def test_a_summary_goes_to_standard_output_where_no_file_is_named(night: Night) -> None:
    output, errors = (process := night.begin()).communicate(timeout=240)
    assert process.returncode == 0, errors
    assert output.splitlines()[0] == f"kelp {night.base[:10]}: both targets are well"
    assert "2 of 2" in errors


def test_a_branch_that_was_rewritten_is_told_in_the_summary(night: Night) -> None:
    night.append("lib/crc.c", b"/* deeper */\n", "crc: Say deeper")
    night.push()
    night.call()
    night.repository.git("reset", "-q", "--hard", night.base)
    night.repository.commit({"lib/crc.c": night.files["lib/crc.c"] + b"/* less deep */\n"}, message="crc: Say less")
    night.push("--force")
    code, lines, errors = night.call()
    assert code == 0, errors
    assert "were of commits that this one does not follow" in " ".join(" ".join(lines).split())


def test_where_the_site_cannot_be_rendered_the_summary_still_says_what_was_found(night: Night) -> None:
    other = night.folder / "other"
    other.mkdir()
    (other / "letters.txt").write_text("not ours\n")
    code, lines, _ = night.call("--out", str(other))
    assert (code, lines[0]) == (3, f"kelp {night.base[:10]}: both targets are well")
    assert "the health site was not rendered:" in lines
    night.append("lib/crc.c", BREAK, "crc: Sound the depth")
    head = night.push()
    code, lines, _ = night.call("--out", str(other))
    # What is certain outweighs it.
    assert (code, lines[0]) == (1, f"kelp {head[:10]}: 2 targets newly broken")
    place = lines.index("the health site was not rendered:")
    assert str(other) in lines[place + 1]
    assert sorted(path.name for path in other.iterdir()) == ["letters.txt"]


def test_a_night_in_which_nothing_could_be_swept_says_so(night: Night) -> None:
    night.bare.path.rename(night.folder / "moved.git")
    code, lines, _ = night.call()
    assert (code, lines[0]) == (3, "nothing was swept: origin could not be fetched")
    assert any("kelp.git" in line for line in lines[2:])
    (night.folder / "moved.git").rename(night.bare.path)

    night.repository.commit({"matrix.yml": b"matrix: 1\ntre: kelp\n"}, message="matrix: Misspell the tree")
    night.push()
    code, lines, _ = night.call()
    assert (code, lines[0]) == (2, "nothing was judged: gatekeep sweep ended with exit code 2")
    assert any(line.startswith("matrix.yml:2:1: ") for line in lines)

    script = [str(NIGHTLY), "--fetch", "origin", str(night.clone.path)]
    found = subprocess.run(script, capture_output=True, text=True, check=False, env={"PATH": night.path})
    assert (found.returncode, found.stdout) == (2, "")
    assert "--fetch origin moves no HEAD: name REPOSITORY and COMMIT, for instance . origin/main" in found.stderr

    process = night.begin("--no-such-option")
    output, errors = process.communicate(timeout=60)
    assert (process.returncode, output) == (2, "")
    assert errors == "ci/nightly: unknown option --no-such-option; ./ci/nightly --help says what there is\n"


def test_a_night_without_a_compiler_is_undecided_and_says_what_to_do(night: Night) -> None:
    tools = hide_programs("riscv64-", night.path, night.folder / "tools")
    code, lines, _ = night.call(path=tools)
    assert code == 3
    assert lines[0] == f"kelp {night.base[:10]}: 1 of 2 targets undecided, nothing new in the others"
    assert "riscv64-" in " ".join(lines)


def test_a_summary_that_cannot_be_written_is_no_silent_night(night: Night) -> None:
    night.summary = night.folder / "no-such-folder" / "summary.txt"
    code, _, errors = night.call()
    assert code == 3
    assert errors.splitlines()[-1] == f"ci/nightly: {night.summary} cannot be written"


def iter_children(process: subprocess.Popen[str]) -> Iterator[tuple[int, list[str]]]:
    """Give id and command of what a process has started. Source: proc(5), /proc/pid/task/tid/children."""
    for name in Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split():
        yield int(name), Path(f"/proc/{name}/cmdline").read_text().split("\0")


def test_a_stopped_night_says_so_and_goes_on(night: Night) -> None:
    gate = hold_the_second_build(night)
    head = night.push()
    options = ("--fetch", "origin", "--workers", "1", *SHARED_FILES)
    process = night.begin(*options)
    wait_for_first_build(process)
    process.send_signal(signal.SIGTERM)
    output, errors = process.communicate(timeout=60)
    assert (process.returncode, output) == (130, ""), errors
    assert errors.splitlines()[-1] == "ci/nightly: stopped; the same command goes on from there"
    with SqliteStore(night.store / "evidence.db") as store:
        assert [sweep.state for sweep in list_sweeps(store)] == [SweepState.RUNNING]

    gate.touch()
    process = night.begin(*options)
    output, errors = process.communicate(timeout=240)
    assert process.returncode == 0, errors
    assert output.startswith(f"kelp {head[:10]}: both targets are well\n")
    assert "1 built now, 1 in an earlier run of this sweep" in output


def test_a_sweep_that_was_killed_leaves_the_night_undecided_with_a_summary(night: Night) -> None:
    hold_the_second_build(night)
    night.push()
    process = night.begin("--fetch", "origin", "--workers", "1", *SHARED_FILES)
    wait_for_first_build(process)
    (sweep,) = [number for number, command in iter_children(process) if "sweep" in command]
    os.kill(sweep, signal.SIGKILL)
    output, errors = process.communicate(timeout=60)
    assert process.returncode == 3, errors
    lines = output.splitlines()
    assert lines[0] == "nothing was judged: gatekeep sweep ended with exit code 137"
    assert any(line.startswith("1 of 2 ") for line in lines)
