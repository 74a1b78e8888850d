"""
The machine fails in the middle of a gate: nothing reported is lost, nothing wrong is said, and the next run works.

The store's disk is full, its bytes are changed, git fails midway, the compiler goes away midway, four gates work on one
store at once, whoever reads the output goes away.
"""

from __future__ import annotations

import os
import random
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from gatekeep.cli.main import run
from tests.faults.sounding import MAKEFILE, Answer, Sounding, make_tree
from tests.faults.tasks import SoundingSweep, Task, make_task
from tests.repos import GitFolder
from tests.small_disk import fill, mount_small_disk

GCC = "arm-none-eabi-gcc"


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> GitFolder:
    return make_tree(tmp_path_factory.mktemp("sounding") / "tree")


@pytest.fixture(scope="module")
def whole_store(tree: GitFolder, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The store that an undisturbed run has left."""
    store = tmp_path_factory.mktemp("undisturbed") / "store"
    Sounding(tree, store).run()
    return store


@pytest.fixture(scope="module")
def undisturbed(tree: GitFolder, whole_store: Path) -> Answer:
    answer = Sounding(tree, whole_store).run()
    assert answer.exit_code == 1, answer.errors
    return answer


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    with mount_small_disk(tmp_path / "disk", size_bytes=3 * 1024**2) as place:
        yield place


def test_a_full_disk_is_undecided_and_when_there_is_room_again_the_gate_decides(
    tree: GitFolder, small_disk: Path, undisturbed: Answer
) -> None:
    # The disk is full when the store has just been made.
    ballast = fill(small_disk, leave_bytes=160 * 1024)
    sounding = Sounding(tree, small_disk / "store")
    sounding.report = small_disk.parent / "full.json"
    full = sounding.run()
    assert full.exit_code == 3, full.output + full.errors
    assert "space" in full.output + full.errors
    ballast.unlink()
    if (sounding.store / "evidence.db").exists():
        assert sounding.list_lost(full.errors) == []
    again = sounding.run()
    assert again.verdict() == undisturbed.verdict()


@pytest.fixture(scope="module")
def night(tree: GitFolder, tmp_path_factory: pytest.TempPathFactory) -> Task:
    return make_task("sweep", tree, tmp_path_factory.mktemp("night") / "sweep")


@pytest.mark.parametrize("leave_kib", [100, 160, 220, 300])
def test_a_disk_that_fills_during_a_sweep_loses_nothing_and_the_same_sweep_ends_when_there_is_room(
    night: Task, tmp_path: Path, leave_kib: int
) -> None:
    """At the start, amid the builds, amid the search for culprits: when it is full depends on what was left of it."""
    begun = night.start_anew(f"begun-{leave_kib}")
    with mount_small_disk(tmp_path / "disk", size_bytes=6 * 1024**2) as disk:
        shutil.copytree(begun.store, disk / "store", symlinks=True)
        ballast = fill(disk, leave_bytes=leave_kib * 1024)
        sounding = SoundingSweep(begun.repository, disk / "store")
        sounding.report = tmp_path / "full.json"
        full = sounding.run()
        said = full.output + full.errors
        if leave_kib == 100:
            assert full.exit_code == 3, said
        if full.exit_code == 3:
            assert "space" in said or "full" in said
        else:
            assert full.verdict() == night.undisturbed.verdict(), said
        assert sounding.list_lost(full.errors) == []
        assert sounding.check_store() == "ok"
        if full.report is not None:
            truth = night.undisturbed.outcomes()
            decided = {key: found for key, found in full.outcomes().items() if found[0] != "not decided"}
            assert decided.items() <= truth.items()
        ballast.unlink()
        again = sounding.run()
        assert again.verdict() in (night.undisturbed.verdict(), night.told_before.verdict()), again.errors


def test_a_file_for_which_a_nearly_full_disk_has_no_room_is_undecided(tmp_path: Path) -> None:
    """Far from the recipe's own limit; the room that is left for one build is less."""
    tree = make_tree(tmp_path / "tree")
    tip = tree.ask("rev-parse", "main")
    scratch = b"$(O)/main.o: main.c\n\tdd if=/dev/zero of=$(O)/scratch bs=1M count=16\n"
    makefile = MAKEFILE.replace(b"$(O)/main.o: main.c\n", scratch)
    tree.commit({"Makefile": makefile}, message="Take more room", branch="change", parents=[tip])
    with mount_small_disk(tmp_path / "disk", size_bytes=256 * 1024**2) as disk:
        ballast = fill(disk, leave_bytes=80 * 1024**2)
        sounding = Sounding(tree, disk / "store")
        sounding.report = tmp_path / "report.json"
        answer = sounding.run()
        assert answer.exit_code == 3, answer.output
        assert "the disk is full" in answer.output
        ballast.unlink()
        assert sounding.run().exit_code == 0


def test_changed_bytes_of_the_store_are_noticed_and_never_turn_a_verdict(
    tree: GitFolder, whole_store: Path, undisturbed: Answer, tmp_path: Path
) -> None:
    data = (whole_store / "evidence.db").read_bytes()
    drawn = random.Random(20240501)
    noticed = []
    for trial in range(12):
        sounding = Sounding(tree, tmp_path / f"store-{trial}")
        shutil.copytree(whole_store, sounding.store)
        for name in ("evidence.db-wal", "evidence.db-shm"):
            (sounding.store / name).unlink(missing_ok=True)
        changed = bytearray(data)
        for _byte in range(40):
            changed[drawn.randrange(len(changed))] ^= 1 << drawn.randrange(8)
        (sounding.store / "evidence.db").write_bytes(changed)
        answer = sounding.run()
        if answer.report is not None and answer.exit_code in (0, 1):
            assert answer.verdict() == undisturbed.verdict(), f"trial {trial}"
        else:
            noticed.append(trial)
            assert answer.exit_code in (2, 3), f"trial {trial}: {answer.errors}"
            assert "this is a fault of gatekeep itself" not in answer.errors, f"trial {trial}: {answer.errors}"
            assert (sounding.store / "evidence.db").read_bytes()[:100] == bytes(changed[:100])
    # Forty bits of that file: a store that took most of them in without a word would be none.
    assert len(noticed) >= 6, noticed


def test_changed_bytes_of_a_log_are_noticed(
    tree: GitFolder, whole_store: Path, tmp_path: Path, capsysbinary: pytest.CaptureFixture[bytes]
) -> None:
    """Each log there is, changed at random bytes, cut and emptied; `gatekeep log` gives none of it out."""
    store, drawn = tmp_path / "store", random.Random(20261127)
    shutil.copytree(whole_store, store)
    where = ("--repository", str(tree.path), "--store", str(store))
    paths = sorted((store / "logs").rglob("*.log"))
    assert paths
    for path in paths:
        whole = path.read_bytes()
        assert run(["log", str(path), *where]) == 0
        assert capsysbinary.readouterr().out == whole
        changed = bytearray(whole)
        for _byte in range(3):
            changed[drawn.randrange(len(changed))] ^= 1 << drawn.randrange(8)
        for content in (bytes(changed), whole[: drawn.randrange(len(whole))], b""):
            path.write_bytes(content)
            assert run(["log", str(path), *where]) == 3
            out, errors = capsysbinary.readouterr()
            assert out == b""
            assert b"this is not the log that its result was stored with" in b" ".join(errors.split())


def test_a_git_whose_objects_end_midway_is_undecided_and_says_so(
    tree: GitFolder, undisturbed: Answer, tmp_path: Path
) -> None:
    """The long-lived cat-file, cut at several places of its answers, within a content and within a header."""
    front = tmp_path / "front"
    front.mkdir()
    cut = tmp_path / "cut"
    real = shutil.which("git")
    # The git behind it ends when its input is closed.
    script = (
        "#!/bin/bash\n"
        f'for word in "$@"; do [ "$word" = --batch ] && '
        f'{{ exec 3<&0; exec stdbuf -o0 head -c "$(cat {cut})" < <(exec {real} "$@" <&3 3<&-); }}; done\n'
        f'exec {real} "$@"\n'
    )
    (front / "git").write_text(script)
    (front / "git").chmod(0o755)
    for most_bytes in (0, 7, 60, 400, 1500):
        cut.write_text(f"{most_bytes}\n")
        environment = {"PATH": f"{front}:{os.environ['PATH']}"}
        answer = Sounding(tree, tmp_path / "store", environment=environment).run()
        assert answer.exit_code in (2, 3), f"{most_bytes}: {answer.output}{answer.errors}"
        assert "fault of gatekeep itself" not in answer.errors
    assert Sounding(tree, tmp_path / "store").run().verdict() == undisturbed.verdict()


@pytest.mark.parametrize("call", [3, 6, 9, 12])
def test_a_git_that_fails_midway_is_undecided_and_says_so(
    call: int, tree: GitFolder, undisturbed: Answer, tmp_path: Path
) -> None:
    front = tmp_path / "front"
    front.mkdir()
    real = shutil.which("git")
    calls = tmp_path / "calls"
    fail = 'echo "fatal: the disk is gone" >&2; exit 128'
    (front / "git").write_text(
        f'#!/bin/sh\necho x >> {calls}\nif [ "$(wc -l < {calls})" -ge {call} ]; then {fail}; fi\nexec {real} "$@"\n'
    )
    (front / "git").chmod(0o755)
    path = f"{front}:{os.environ['PATH']}"
    answer = Sounding(tree, tmp_path / "store", environment={"PATH": path}).run()
    if len(calls.read_text().splitlines()) < call:
        pytest.fail(f"a gate calls git fewer than {call} times; try earlier calls")
    assert answer.exit_code in (2, 3), answer.output + answer.errors
    assert "fault of gatekeep itself" not in answer.errors
    assert Sounding(tree, tmp_path / "store").run().verdict() == undisturbed.verdict()


def test_a_compiler_that_goes_away_midway_leaves_the_rest_undecided(
    tree: GitFolder, undisturbed: Answer, tmp_path: Path
) -> None:
    front = tmp_path / "front"
    front.mkdir()
    real = shutil.which(GCC)
    assert real is not None
    (front / GCC).symlink_to(real)
    kept = [folder for folder in os.environ["PATH"].split(":") if not Path(folder, GCC).exists()]
    others = tmp_path / "others"
    others.mkdir()
    for name in ("make", "git", "sh"):
        found = shutil.which(name)
        assert found is not None
        (others / name).symlink_to(found)
    environment = {"PATH": ":".join([str(front), str(others), *kept])}
    sounding = Sounding(tree, tmp_path / "store", environment=environment)
    process = sounding.start("--sandbox", "off")
    assert process.stderr is not None
    told = []
    for line in process.stderr:
        told.append(line)
        if " built in " in line:
            (front / GCC).unlink(missing_ok=True)
            break
    answer = sounding.finish(process)
    assert answer.exit_code == 3, answer.output + answer.errors
    assert GCC in answer.output
    assert sounding.list_lost("".join(told) + answer.errors) == []
    (front / GCC).symlink_to(real)
    assert sounding.run("--sandbox", "off").verdict() == undisturbed.verdict()


def test_four_gates_on_one_store_say_what_one_says(tree: GitFolder, undisturbed: Answer, tmp_path: Path) -> None:
    store = tmp_path / "store"
    four = [Sounding(tree, store) for _gate in range(4)]
    for number, sounding in enumerate(four):
        sounding.report = tmp_path / f"{number}.json"
    running = [sounding.start() for sounding in four]
    answers = [sounding.finish(process) for sounding, process in zip(four, running, strict=True)]
    for sounding, answer in zip(four, answers, strict=True):
        assert answer.verdict() == undisturbed.verdict()
        assert sounding.list_lost(answer.errors) == []
    assert four[0].check_store() == "ok"


@pytest.mark.parametrize("stream", ["stdout", "stderr"])
def test_a_reader_that_goes_away_costs_nothing_that_was_built(
    stream: str, tree: GitFolder, undisturbed: Answer, tmp_path: Path
) -> None:
    sounding = Sounding(tree, tmp_path / "store")
    process = sounding.start()
    pipe = process.stdout if stream == "stdout" else process.stderr
    assert pipe is not None
    pipe.close()
    if stream == "stdout":
        process.stdout = None
    else:
        process.stderr = None
    answer = sounding.finish(process)
    # Who asked on standard output did not get the answer; the JSON is whole all the same.
    assert answer.exit_code == (3 if stream == "stdout" else 1)
    assert answer.report is not None
    assert answer.report["verdict"] == "block"
    assert sounding.run().verdict() == undisturbed.verdict()
