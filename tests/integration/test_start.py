"""The start of a run: what goes side by side, and what is left alone until it is needed."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from gatekeep.build.sandbox import SandboxChoice, SandboxWish
from gatekeep.cli.edges import open_edges
from gatekeep.cli.start import begin_toolchains, ready_toolchains
from gatekeep.errors import RunnerError, StoreError, ToolchainError
from gatekeep.matrix.load import parse_matrix
from gatekeep.model.matrix import Matrix
from tests.repos import GitFolder, make_repository

OFF = SandboxChoice(wish=SandboxWish.OFF)


@pytest.fixture
def repository(tmp_path: Path) -> GitFolder:
    return make_repository(tmp_path / "repository")


def make_matrix(*scripts: str) -> Matrix:
    """One target for each toolchain, and one toolchain for each script, its probe."""
    tools = "".join(f"  tool-{at}: {{probe: [sh, -c, '{script}']}}\n" for at, script in enumerate(scripts))
    boards = "".join(f"      board-{at}: {{toolchain: tool-{at}}}\n" for at in range(len(scripts)))
    text = (
        f"matrix: 1\ntree: kelp\nsource_date: 2001-01-01\ntoolchains:\n{tools}"
        'recipes:\n  shell: {build: ["true"], elf: "{out}/a", time_limit: 9 s}\n'
        "every: {recipe: shell}\nports:\n  arm:\n    maintainers: ['Oda Brekke <oda@kelp.example>']\n"
        f"    bits: 32\n    byte_order: little\n    boards:\n{boards}"
    )
    return parse_matrix(text.encode(), path="matrix.yml")


def test_each_toolchain_has_its_own_answer(repository: GitFolder, tmp_path: Path) -> None:
    """More of them than there are threads."""
    matrix = make_matrix(*(f"echo tool 1.{at}" for at in range(6)), "exit 7")
    with open_edges(repository.path, store=tmp_path / "store", verbose=False, sandbox=OFF) as edges:
        found = ready_toolchains(edges, [matrix])
    answers = {toolchain.name: answer for toolchain, answer in found.items()}
    missing = answers.pop("tool-6")
    assert isinstance(missing, ToolchainError)
    assert "exit code 7" in str(missing)
    assert [getattr(answer, "version", None) for answer in answers.values()] == [f"1.{at}" for at in range(6)]


def test_who_leaves_waits_for_no_probe(repository: GitFolder, tmp_path: Path) -> None:
    """Its limit is half a minute, which an interrupted run would otherwise go on for."""
    os.mkfifo(tmp_path / "begun")
    with open_edges(repository.path, store=tmp_path / "store", verbose=False, sandbox=OFF) as edges:
        get = begin_toolchains(edges, [make_matrix(f"echo >{tmp_path}/begun; exec sleep 1000")])
        (tmp_path / "begun").read_bytes()
    with pytest.raises(RunnerError, match="was cancelled"):
        get()


def test_machine_is_looked_at_once_a_run(repository: GitFolder, tmp_path: Path) -> None:
    with open_edges(repository.path, store=tmp_path / "store", verbose=False, sandbox=OFF) as edges:
        first = edges.start.look_at_machine(edges, tmp_path / "trees")
        assert edges.start.look_at_machine(edges, tmp_path / "trees") is first
        assert edges.start.look_at_machine(edges, tmp_path / "others") is not first
        assert first.result().reads_fault is None


def test_sandbox_is_tried_once_and_its_lack_said_once(
    repository: GitFolder, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Beside the start, by the toolchains and by whoever builds: all of them ask."""
    monkeypatch.setenv("PATH", str(tmp_path / "nothing"))
    with open_edges(repository.path, store=tmp_path / "store", verbose=False, sandbox=SandboxChoice()) as edges:
        ready_toolchains(edges, [make_matrix("echo 1.0", "echo 2.0")])
        assert edges.sandbox.get() is None
    assert capsys.readouterr().err.count("no sandbox: bwrap is not on PATH") == 1


def test_store_is_opened_when_it_is_asked(repository: GitFolder, tmp_path: Path) -> None:
    (tmp_path / "evidence.db").write_bytes(b"this is no database, and longer than its header would be" * 20)
    with open_edges(repository.path, store=tmp_path, verbose=False) as edges:
        for _again in range(2):
            with pytest.raises(StoreError, match="the store cannot be opened"):
                edges.store.list_barred()


@pytest.mark.parametrize("command", ["gate", "culprit"])
def test_nothing_waits_for_the_stores_library_before_other_programs_are_asked(command: str) -> None:
    code = f"import sys, gatekeep.cli.{command}; print([name for name in sys.modules if name.startswith('sqlalchemy')])"
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout == "[]\n"
