"""What two processes read is what one reads, whatever becomes of the second."""

from __future__ import annotations

import json
import os
import signal
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from io import BytesIO, StringIO
from pathlib import Path
from typing import Any

import pytest

from gatekeep.history.side_reader import SideReader
from gatekeep.history.standing import Standing, load_standing
from gatekeep.history.standing_by_two import answer, load_standing_by_two
from gatekeep.history.store import SqliteStore
from gatekeep.model.evidence import Evidence
from gatekeep.model.readset import Carried
from tests.cases import broken
from tests.site_cases import image, make_line

COMMITS = make_line(6)
TARGETS = ["arm/mere", "arm/holm", "riscv/tarn", "arm/none"]


class Answering:
    """A second process of the test's own: what it is asked, and what it answers."""

    def __init__(self, give: Callable[[Mapping[str, Any]], Any]) -> None:
        self._give = give
        self._answer: Any = None

    def ask(self, request: Mapping[str, Any]) -> None:
        self._answer = self._give(request)

    def get_answer(self) -> Any:
        return self._answer


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    with SqliteStore(tmp_path / "evidence.db") as opened:
        for number, target in enumerate(TARGETS[:3]):
            first = make_evidence(target, 0)
            opened.add(first)
            opened.add(replace(make_evidence(target, 3), outcome=broken()))
            opened.add_carried([carry(first, at) for at in (1, 2, 4 + number % 2)])
        yield opened


def make_evidence(target: str, at: int) -> Evidence:
    return Evidence(
        target=target,
        tree_id=COMMITS[at].tree_id,
        commit_id=COMMITS[at].commit_id,
        key="k",
        toolchain_version="1",
        outcome=image(500 + len(target)),
        elapsed_s=2.0,
    )


def carry(entry: Evidence, at: int) -> Evidence:
    source = Carried(tree_id=entry.tree_id, commit_id=entry.commit_id)
    return replace(entry, tree_id=COMMITS[at].tree_id, commit_id=COMMITS[at].commit_id, carried=source)


def read(store: SqliteStore, reader: SideReader | Answering) -> Standing:
    return load_standing_by_two(store, reader, COMMITS, TARGETS)


def test_two_processes_read_what_one_reads(store: SqliteStore) -> None:
    with SideReader() as reader:
        standing = read(store, reader)
        asked = reader.get_answer()
    assert standing == load_standing(store, COMMITS, TARGETS)
    assert list(standing.runs) == TARGETS
    # The other process did answer: nothing is left of it.
    assert asked is None


def test_the_other_process_is_asked_for_half_and_answers_with_it(store: SqliteStore) -> None:
    requests: list[Mapping[str, Any]] = []
    read(store, Answering(requests.append))
    (request,) = requests
    assert request["targets"] == ["arm/holm", "arm/none"]
    with SideReader() as reader:
        reader.ask(request)
        assert sorted(reader.get_answer()["counts"].items()) == [("arm/holm", 3), ("arm/none", 0)]


@pytest.mark.parametrize(
    "wrong",
    [None, [], {}, {"regions": [], "runs": {}, "counts": {}, "marks": []}, {"regions": [{}, 1], "runs": 3}, "x", 7],
)
def test_an_answer_that_is_none_is_read_here(store: SqliteStore, wrong: object) -> None:
    assert read(store, Answering(lambda _: wrong)) == load_standing(store, COMMITS, TARGETS)


def test_a_process_that_is_killed_is_done_without(store: SqliteStore) -> None:
    with SideReader() as reader:
        os.kill(reader.pid, signal.SIGKILL)
        assert read(store, reader) == load_standing(store, COMMITS, TARGETS)


def test_what_another_process_adds_meanwhile_is_seen_of_all_targets_or_of_none(
    store: SqliteStore, tmp_path: Path
) -> None:
    """The second process sees the store before, the first one after: both halves must be of one moment."""

    def see_before(request: Mapping[str, Any]) -> Any:
        told = StringIO()
        answer(BytesIO(json.dumps(request).encode()), told)
        with SqliteStore(tmp_path / "evidence.db") as other:
            other.add(make_evidence("arm/holm", 5))
        return json.loads(told.getvalue())

    standing = read(store, Answering(see_before))
    assert standing == load_standing(store, COMMITS, TARGETS)
    assert standing.runs["arm/holm"][-1].last == 5


def test_an_answer_of_other_targets_is_read_here(store: SqliteStore) -> None:
    def answer_of_others(request: Mapping[str, Any]) -> Any:
        told = StringIO()
        answer(BytesIO(json.dumps({**request, "targets": ["riscv/tarn"]}).encode()), told)
        return json.loads(told.getvalue())

    assert read(store, Answering(answer_of_others)) == load_standing(store, COMMITS, TARGETS)


def test_nobody_is_left_who_is_not_asked() -> None:
    with SideReader() as reader:
        pid = reader.pid
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)
