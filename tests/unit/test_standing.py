"""Every target over a branch, read from a real store, is what the store says of each by itself."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Connection, text

from gatekeep.errors import StoreError
from gatekeep.history.standing import Standing, load_evidence, load_runs, load_standing
from gatekeep.history.store import SqliteStore
from gatekeep.history.timeline import load_timeline
from gatekeep.model.audit import Bar
from gatekeep.model.change import Commit
from gatekeep.model.evidence import Evidence, Outcome, TimedOut
from gatekeep.model.health import Run, State, state_of
from gatekeep.model.history import TimelinePoint
from gatekeep.model.readset import Carried
from tests.cases import broken
from tests.site_cases import image, make_line

COMMITS = make_line(7)
PAST_LIMIT = TimedOut(limit_s=60, stopped_by="SIGTERM")


def evidence(commit: Commit, outcome: Outcome, *, key: str = "k", target: str = "arm/mere") -> Evidence:
    return Evidence(
        target=target,
        tree_id=commit.tree_id,
        commit_id=commit.commit_id,
        key=key,
        toolchain_version="1",
        outcome=outcome,
        elapsed_s=2.0,
    )


def carried(entry: Evidence, commit: Commit) -> Evidence:
    source = Carried(tree_id=entry.tree_id, commit_id=entry.commit_id)
    return replace(entry, tree_id=commit.tree_id, commit_id=commit.commit_id, carried=source)


def test_runs_say_what_the_timeline_says(tmp_path: Path):
    with SqliteStore(tmp_path / "evidence.db") as store:
        first = evidence(COMMITS[0], image(500))
        bad = evidence(COMMITS[3], broken())
        later = evidence(COMMITS[5], image(510))
        for entry in (first, bad, later):
            store.add(entry)
        store.add_carried([carried(first, COMMITS[1]), carried(bad, COMMITS[4]), carried(first, COMMITS[5])])
        # Another toolchain at the same tree: the newest counts.
        store.add(evidence(COMMITS[6], image(600), key="old"))
        newest = evidence(COMMITS[6], image(610), key="new")
        store.add(newest)
        runs = load_runs(store, COMMITS, ["arm/mere", "arm/holm"])
        timeline = {point.position: point for point in load_timeline(store, "arm/mere", COMMITS)}
        found = load_evidence(store, [run.evidence_id for run in runs["arm/mere"]], whole=True)
    assert runs["arm/holm"] == ()
    assert [(run.first, run.last, run.state) for run in runs["arm/mere"]] == [
        (0, 1, State.WELL),
        (3, 4, State.BROKEN),
        (5, 5, State.WELL),
        (6, 6, State.WELL),
    ]
    compare(runs["arm/mere"], timeline)
    # What it read is shown nowhere.
    assert found[runs["arm/mere"][-1].evidence_id] == replace(newest, read_set=None)


def test_an_outcome_that_no_build_has_is_damage(tmp_path: Path):
    with SqliteStore(tmp_path / "evidence.db") as store:
        store.add(evidence(COMMITS[0], image(500)))
        with store.writing() as connection:
            connection.execute(text("UPDATE evidence SET outcome = 'buill'"))
        with pytest.raises(StoreError, match=r"the store is damaged: a build is said to be 'buill'"):
            load_runs(store, COMMITS, ["arm/mere"])


def compare(runs: Sequence[Run], timeline: Mapping[int, TimelinePoint]) -> None:
    """Hold runs against what is told of each commit."""
    shown = {at: run for run in runs for at in range(run.first, run.last + 1)}
    assert shown.keys() == timeline.keys()
    for at, point in timeline.items():
        run = shown[at]
        is_alike = (run.state, run.regions, run.warning_count) == (
            state_of(point.outcome, point.regions),
            point.regions,
            point.warning_count,
        )
        assert is_alike
        assert at != run.first or run.first_evidence_id == point.evidence_id
        assert at != run.last or run.evidence_id == point.evidence_id
    # None could be longer.
    for one, other in pairwise(runs):
        assert one.last + 1 < other.first or not one.stood_as(other)


class WrittenBetween(SqliteStore):
    """A store to which another process adds a result after the first look at it, and before the second."""

    def __init__(self, path: Path, entry: Evidence) -> None:
        super().__init__(path)
        self._entry, self._place, self._looks = entry, path, 0

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        self._looks += 1
        if self._looks == 2:
            with SqliteStore(self._place) as other:
                other.add_carried([self._entry])
        with super().reading() as connection:
            yield connection


def test_what_is_asked_beside_is_of_the_same_moment(tmp_path: Path):
    path = tmp_path / "evidence.db"
    first, second = evidence(COMMITS[0], image(500)), evidence(COMMITS[1], broken())
    known = evidence(COMMITS[0], image(500), target="arm/holm")
    with SqliteStore(path) as store:
        for entry in (known, first, second):
            store.add(entry)
        # The tree is known by then: it is a row that comes, not a name that nobody knows.
        store.add_carried([carried(known, COMMITS[2])])
        before = load_runs(store, COMMITS, ["arm/mere"])
    with WrittenBetween(path, carried(first, COMMITS[2])) as store, ThreadPoolExecutor(max_workers=1) as threads:
        meanwhile = load_standing(store, COMMITS, ["arm/mere"], beside=threads.submit)
        after = load_standing(store, COMMITS, ["arm/mere"], beside=threads.submit)
    assert meanwhile.runs == before
    assert [(run.first, run.last) for run in after.runs["arm/mere"]] == [(0, 0), (1, 1), (2, 2)]


def test_nights_that_find_everything_as_it_was_make_one_run(tmp_path: Path):
    with SqliteStore(tmp_path / "evidence.db") as store:
        for commit in COMMITS[:4]:
            store.add(evidence(commit, image(500)))
        store.add_carried([carried(evidence(COMMITS[3], image(500)), COMMITS[4])])
        before = load_standing(store, COMMITS[:5], ["arm/mere"])
        (run,) = before.runs["arm/mere"]
        assert (run.first, run.last) == (0, 4)
        store.add(evidence(COMMITS[4], image(500)))
        store.add(evidence(COMMITS[5], image(501)))
        after = load_standing(store, COMMITS[:6], ["arm/mere"], before)
        assert after.known_count == 4
        first, last = after.runs["arm/mere"]
        compare((first, last), {point.position: point for point in load_timeline(store, "arm/mere", COMMITS[:6])})
    assert (first.first, first.last, last.first, last.last) == (0, 4, 5, 5)


def test_a_tree_that_comes_back_has_its_result_again(tmp_path: Path):
    again = (*COMMITS[:2], replace(COMMITS[2], tree_id=COMMITS[0].tree_id))
    with SqliteStore(tmp_path / "evidence.db") as store:
        store.add(evidence(COMMITS[0], image(500)))
        store.add(evidence(COMMITS[1], broken()))
        runs = load_runs(store, again, ["arm/mere"])["arm/mere"]
    assert [(run.first, run.state) for run in runs] == [(0, State.WELL), (1, State.BROKEN), (2, State.WELL)]


TREES = make_line(12)
ON_MAIN = TREES[:9]
TARGETS = ("arm/mere", "arm/holm", "riscv64/vale")
steps = st.lists(
    st.tuples(
        st.sampled_from(["build", "linger", "carry", "clear", "branch"]),
        st.sampled_from(TARGETS),
        st.integers(0, 11),
        st.integers(0, 11),
        st.sampled_from(["k", "other"]),
        st.booleans(),
    ),
    min_size=1,
    max_size=25,
)


@settings(max_examples=60, deadline=None)
@given(steps)
def test_what_is_read_behind_an_earlier_standing_is_what_is_read_from_nothing(taken: list[tuple[Any, ...]]):
    with TemporaryDirectory() as folder, SqliteStore(Path(folder) / "evidence.db") as store:
        commits: tuple[Commit, ...] = ON_MAIN[:3]
        before: Standing | None = None
        for number, (what, target, here, there, key, is_broken) in enumerate(taken):
            if what == "build":
                # Often as before, and then one run goes on.
                size = 300 + number % 2
                store.add(evidence(TREES[here], broken() if is_broken else image(size), target=target, key=key))
            elif what == "linger":
                store.add(evidence(TREES[here], PAST_LIMIT, target=target, key=key))
            elif what == "carry":
                # To any tree, from any, a change's own among them.
                with suppress(StoreError):
                    store.add_carried([carried(evidence(TREES[here], image(), target=target, key=key), TREES[there])])
            elif what == "clear":
                bar = Bar(
                    target=target, key=key, tree_id="t", commit_id="c", barred_at=ON_MAIN[0].committed_at, what=""
                )
                store.bar(bar)
                store.clear_bar(target)
            elif is_broken:
                # Rewritten: another commit, sometimes with the same tree.
                at = min(here, len(commits) - 1)
                anew = replace(TREES[there], commit_id=TREES[there].commit_id[::-1])
                commits = (*commits[:at], anew, *commits[at + 1 :])
            else:
                commits = ON_MAIN[: 1 + here % len(ON_MAIN)]
            behind = load_standing(store, commits, TARGETS, before)
            anew_read = load_standing(store, commits, TARGETS)
            assert (behind.runs, behind.marks) == (anew_read.runs, anew_read.marks)
            before = behind
        if before is not None:
            for target in TARGETS:
                compare(before.runs[target], {point.position: point for point in load_timeline(store, target, commits)})


def test_a_build_past_its_limit_shows_until_the_same_tree_comes_out(tmp_path: Path):
    """It takes the place of no known result, and outweighs what was carried to its tree."""
    with SqliteStore(tmp_path / "evidence.db") as store:
        first, second = evidence(COMMITS[0], image(500)), evidence(COMMITS[2], image(510))
        store.add(first)
        store.add(second)
        store.add_carried([carried(first, COMMITS[1])])
        before = load_standing(store, COMMITS[:3], ["arm/mere"])
        for commit in COMMITS[1:3]:
            store.add(evidence(commit, PAST_LIMIT))
        during = load_standing(store, COMMITS[:3], ["arm/mere"], before)
        # Later, by a gate that carries from a third tree.
        third = evidence(COMMITS[5], image(505))
        store.add(third)
        store.add_carried([carried(third, COMMITS[1])])
        after_gate = load_standing(store, COMMITS[:3], ["arm/mere"], during)
        timeline = [point.outcome for point in load_timeline(store, "arm/mere", COMMITS[:3])]
        store.add(second)
        ended = load_standing(store, COMMITS[:3], ["arm/mere"], after_gate)
        assert [point.outcome for point in load_timeline(store, "arm/mere", COMMITS[:3])] == [
            "built",
            "timed out",
            "built",
        ]
    assert during.known_count == 1
    states = [
        [run.state for run in one.runs["arm/mere"] for _ in range(run.first, run.last + 1)]
        for one in (during, after_gate, ended)
    ]
    late = [State.WELL, State.TIMED_OUT, State.TIMED_OUT]
    assert states == [late, late, [State.WELL, State.TIMED_OUT, State.WELL]]
    assert timeline == ["built", "timed out", "timed out"]


def test_one_more_commit_is_read_alone(tmp_path: Path):
    with SqliteStore(tmp_path / "evidence.db") as store:
        first = evidence(COMMITS[0], image(500))
        store.add(first)
        store.add_carried([carried(first, commit) for commit in COMMITS[1:6]])
        before = load_standing(store, COMMITS[:6], ["arm/mere"])
        store.add_carried([carried(first, COMMITS[6])])
        after = load_standing(store, COMMITS, ["arm/mere"], before)
        assert after.known_count == 6
        assert [(run.first, run.last) for run in after.runs["arm/mere"]] == [(0, 6)]
        # A result that is replaced shows wherever it was carried to.
        store.add(evidence(COMMITS[0], broken()))
        again = load_standing(store, COMMITS, ["arm/mere"], after)
        assert again.known_count == 0
        assert [run.state for run in again.runs["arm/mere"]] == [State.BROKEN]


def test_another_way_from_a_copy_has_other_stamps(tmp_path: Path):
    path, copy = tmp_path / "evidence.db", tmp_path / "copy.db"
    SqliteStore(path).close()
    shutil.copy(path, copy)
    with SqliteStore(path) as store, SqliteStore(copy) as other:
        for kept in (store, other):
            kept.add(evidence(COMMITS[0], image(500)))
        assert load_standing(store, COMMITS, []).marks[0] != load_standing(other, COMMITS, []).marks[0]
