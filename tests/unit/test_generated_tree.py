"""The generated tree is the same everywhere, has the shape it says, and its history the mix it says."""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from pathlib import Path

import pytest

from gatekeep.matrix.load import parse_matrix
from tests.benchmarks.measured_gate import LEAVINGS, STORE, GateFacts
from tests.generated_tree import KINDS, Shape, Step, commit_history, generate_history
from tests.repos import make_repository

SMALL = Shape(target_count=12, port_count=4, file_count=260, commit_count=20, seed=7)


@pytest.fixture(scope="module")
def history() -> tuple[Step, ...]:
    return generate_history(SMALL)


def replay(history: tuple[Step, ...], count: int) -> dict[str, bytes]:
    """The files after so many commits."""
    files: dict[str, bytes] = {}
    for step in history[:count]:
        for path, content in step.changes.items():
            if content is None:
                del files[path]
            else:
                files[path] = content
    return files


def test_the_same_seed_gives_the_same_bytes() -> None:
    texts = [
        repr(generate_history(Shape(target_count=5, port_count=2, file_count=250, commit_count=3))) for _ in range(2)
    ]
    assert texts[0] == texts[1]
    assert texts[0] != repr(
        generate_history(Shape(target_count=5, port_count=2, file_count=250, commit_count=3, seed=2))
    )


def test_goals_are_measured_at_the_size_that_they_name() -> None:
    first = generate_history(Shape(commit_count=0))[0].changes
    assert len(first) == 2000
    text = first["matrix.yml"]
    assert text is not None
    matrix = parse_matrix(text, path="matrix.yml")
    assert (len(matrix.targets), len(matrix.ports)) == (300, 10)


def test_every_commit_changes_something_and_every_kind_comes_once_a_round(history: tuple[Step, ...]) -> None:
    assert len(history) == 21
    assert all(step.changes for step in history)
    assert Counter(step.kind for step in history[1:]) == Counter(KINDS)
    assert Counter(KINDS).most_common(2) == [("board", 7), ("chip", 4)]


def test_two_rounds_of_the_measured_size_change_something_each() -> None:
    assert len(generate_history(Shape(commit_count=2 * len(KINDS)))) == 41


def test_kinds_touch_what_they_are_named_after(history: tuple[Step, ...]) -> None:
    patterns = {
        "board": r"boards/[a-z]+/board\.[ch]",
        "chip": r"chips/[a-z]+/(chip\.c|registers\.h)",
        "driver": r"drivers/[a-z]+/[a-z_]+\.c",
        "core": r"include/tick\.h",
        "port": r"ports/[a-z0-9-]+/cpu\.c",
        "document": r"docs/[a-z]+/[a-z]+\.md",
        "added board": r"matrix\.yml|boards/[a-z]+/(board\.mk|board\.[ch]|README\.md)",
        "moved document": r"docs/[a-z]+/[a-z]+\.md",
        "moved driver": r"drivers/[a-z]+/[a-z_]+\.[ch]|boards/[a-z]+/board\.mk",
    }
    for step in history[1:]:
        for path in step.changes:
            assert re.fullmatch(patterns[step.kind], path), (step.kind, path)
        if not step.kind.startswith(("added", "moved")):
            assert len(step.changes) == 1


def test_targets_of_the_matrix_are_the_boards_of_the_tree_at_every_commit(history: tuple[Step, ...]) -> None:
    for count in range(1, len(history) + 1):
        files = replay(history, count)
        boards = {path.split("/")[1]: files[path].decode() for path in files if path.endswith("/board.mk")}
        matrix = parse_matrix(files["matrix.yml"], path="matrix.yml")
        assert {target.board for target in matrix.targets} == boards.keys()
        for target in matrix.targets:
            assert f"PORT := {target.port}\n" in boards[target.board]
            (drivers,) = re.findall(r"DRIVERS := (.*)", boards[target.board])
            assert all(f"drivers/{driver}.c" in files for driver in drivers.split())


def test_history_is_committed_as_it_was_drawn(history: tuple[Step, ...], tmp_path: Path) -> None:
    repository = make_repository(tmp_path / "repository")
    commits = commit_history(repository, history)
    assert repository.ask("rev-list", "--count", "main") == str(len(history)) == str(len(commits))
    listed = repository.ask("ls-tree", "-r", "--format=%(path) %(objectname)", commits[-1]).splitlines()
    files = replay(history, len(history))
    # gitformat: an object's name is the digest of its kind, size and bytes.
    names = {path: hashlib.sha1(b"blob %d\0" % len(content) + content).hexdigest() for path, content in files.items()}
    assert dict(line.split() for line in listed) == names


def test_too_few_files_for_so_many_boards_is_refused() -> None:
    with pytest.raises(ValueError, match=r"file_count must be [0-9]+ or more for 300 targets"):
        generate_history(Shape(file_count=500))


def facts(*elapsed_s: float) -> GateFacts:
    jobs = tuple((f"arm/board-{number}", "t", "built", each, each, 0.01) for number, each in enumerate(elapsed_s))
    return GateFacts(
        exit_code=0,
        wall_s=20.0,
        own_cpu_s=1.0,
        builds_cpu_s=sum(elapsed_s),
        probes_cpu_s=0.0,
        keepers_cpu_s=0.3,
        peak_rss_bytes=1,
        import_s=0.1,
        jobs=jobs,
        parts={STORE: (len(jobs), 0.3, 0.3, 0.1), LEAVINGS: (len(jobs), 0.15, 0.6, 0.05)},
        start_s=0.5,
        end_s=19.0,
        output="",
    )


@pytest.mark.parametrize(
    ("elapsed_s", "cores", "bound_s"),
    [
        ((4.0, 4.0, 4.0, 4.0), 2, 8.0),  # all work, shared evenly
        ((9.0, 1.0, 1.0), 2, 9.0),  # nothing ends before its longest part
        ((5.0,), 8, 5.0),
        ((), 2, 0.0),
    ],
)
def test_bound_is_the_longest_job_or_all_work_shared(elapsed_s: tuple[float, ...], cores: int, bound_s: float) -> None:
    assert facts(*elapsed_s).bound_s(cores) == bound_s


def test_cpu_of_a_job_is_its_thread_and_its_share_of_what_all_have() -> None:
    assert facts(1.0, 2.0, 3.0).job_cpu_s == pytest.approx(0.01 + 0.3 / 3 + 0.3 / 3 + 0.15 / 3)
    assert facts().job_cpu_s == 0.0
