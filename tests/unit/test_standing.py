"""Every target over a branch, read from a real store, is what the store says of each by itself."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from gatekeep.history.standing import load_evidence, load_runs
from gatekeep.history.store import SqliteStore
from gatekeep.history.timeline import load_timeline, record_mainline
from gatekeep.model.change import Commit
from gatekeep.model.evidence import Evidence, Outcome
from gatekeep.model.health import State
from gatekeep.model.readset import Carried
from tests.cases import broken
from tests.site_cases import image, make_line

COMMITS = make_line(7)


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
        record_mainline(store, COMMITS)
        runs = load_runs(store, COMMITS, ["arm/mere", "arm/holm"])
        timeline = {point.position: point for point in load_timeline(store, "arm/mere")}
        found = load_evidence(store, [run.evidence_id for run in runs["arm/mere"]], whole=True)
    assert runs["arm/holm"] == ()
    assert [(run.first, run.last, run.state, run.built_at) for run in runs["arm/mere"]] == [
        (0, 1, State.WELL, 0),
        (3, 4, State.BROKEN, 3),
        (5, 5, State.WELL, 5),
        (6, 6, State.WELL, 6),
    ]
    points = {
        position: (run.evidence_id, run.regions, run.elapsed_s)
        for run in runs["arm/mere"]
        for position in range(run.first, run.last + 1)
    }
    assert points == {
        position: (point.evidence_id, point.regions, point.elapsed_s) for position, point in timeline.items()
    }
    assert found[runs["arm/mere"][-1].evidence_id] == newest


def test_a_tree_that_comes_back_has_its_result_again(tmp_path: Path):
    again = (*COMMITS[:2], replace(COMMITS[2], tree_id=COMMITS[0].tree_id))
    with SqliteStore(tmp_path / "evidence.db") as store:
        store.add(evidence(COMMITS[0], image(500)))
        store.add(evidence(COMMITS[1], broken()))
        runs = load_runs(store, again, ["arm/mere"])["arm/mere"]
    assert [(run.first, run.state) for run in runs] == [(0, State.WELL), (1, State.BROKEN), (2, State.WELL)]
