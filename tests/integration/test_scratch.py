"""Scratch folders: those of the living stay, those of the killed go."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from gatekeep.errors import RunnerError
from gatekeep.scratch import OwnScratchFolder, ScratchFolder, scratch_folder
from tests.repos import make_repository

_HOLD = """
import sys
from pathlib import Path
from gatekeep.scratch import ScratchFolder
folder = ScratchFolder(Path(sys.argv[1]), "kind-")
(folder.path / "file").write_text("x")
print(folder.path.name, flush=True)
sys.stdin.read()
"""
_READ = """
import sys
from pathlib import Path
from gatekeep.tree.repository import open_repository
with open_repository(Path(sys.argv[1])) as repository:
    repository.list_tree(sys.argv[2])
    print("read", flush=True)
    sys.stdin.read()
"""


def start(code: str, *arguments: object, tmp: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, arguments)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "TMPDIR": str(tmp)},
    )


def read_line(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    return process.stdout.readline().strip()


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def test_folder_of_a_killed_process_goes_with_the_next_one_and_that_of_a_living_one_stays(tmp_path: Path):
    with start(_HOLD, tmp_path, tmp=tmp_path) as killed, start(_HOLD, tmp_path, tmp=tmp_path) as living:
        left, held = read_line(killed), read_line(living)
        killed.send_signal(signal.SIGKILL)
        killed.wait()
        assert names(tmp_path) == {left, held}
        folder = ScratchFolder(tmp_path, "kind-")
        assert names(tmp_path) == {held, folder.path.name}
        folder.close()
        assert names(tmp_path) == {held}
        living.communicate("")
    assert names(tmp_path) == set()


def test_folders_of_another_kind_and_of_threads_beside_stay(tmp_path: Path):
    (tmp_path / "kindred").mkdir()
    (tmp_path / "kind-file").write_text("no folder")
    (tmp_path / "kind-link").symlink_to(tmp_path / "kindred")
    seen: list[set[str]] = []

    def hold(ready: threading.Barrier) -> None:
        with scratch_folder(tmp_path, "kind-") as folder:
            ready.wait()
            seen.append({folder.name} & names(tmp_path))
            ready.wait()

    ready = threading.Barrier(4)
    threads = [threading.Thread(target=hold, args=(ready,)) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(set().union(*seen)) == 4
    assert names(tmp_path) == {"kindred", "kind-file", "kind-link"}


def test_folder_goes_with_what_cannot_be_listed_in_it(tmp_path: Path):
    with scratch_folder(tmp_path, "kind-") as folder:
        inner = folder / "a" / "b"
        inner.mkdir(parents=True)
        (inner / "file").write_text("x")
        (folder / "out").symlink_to(tmp_path)
        inner.chmod(0)
        inner.parent.chmod(0)
    assert names(tmp_path) == set()


def test_folder_that_cannot_be_made_is_the_machines_fault(tmp_path: Path):
    with pytest.raises(RunnerError, match=r"/none: no scratch folder can be made: No such file or directory; free"):
        scratch_folder(tmp_path / "none", "kind-").__enter__()


def test_git_folder_of_a_killed_run_goes_with_the_next_run(tmp_path: Path):
    repository = make_repository(tmp_path / "repository")
    tree = repository.tree_of(repository.commit({"a": b"0"}))
    tmp = tmp_path / "tmp"
    tmp.mkdir()
    with start(_READ, repository.path, tree, tmp=tmp) as killed:
        assert read_line(killed) == "read"
        killed.send_signal(signal.SIGKILL)
    part = tmp / f"gatekeep-{os.geteuid()}"
    assert len(names(part)) == 1
    with start(_READ, repository.path, tree, tmp=tmp) as next_run:
        assert read_line(next_run) == "read"
        assert len(names(part)) == 1
        next_run.communicate("")
    assert names(tmp) == set()


def test_own_part_of_tmpdir_that_somebody_else_could_change_is_not_used(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    part = tmp_path / f"gatekeep-{os.geteuid()}"
    part.symlink_to(elsewhere)
    folder = OwnScratchFolder("git-")
    assert folder.path.parent == tmp_path
    folder.close()
    part.unlink()
    part.mkdir()
    part.chmod(0o777)
    folder = OwnScratchFolder("git-")
    assert folder.path.parent == tmp_path
    folder.close()
    assert names(tmp_path) == {"elsewhere", part.name}
