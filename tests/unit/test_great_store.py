"""The store that benchmarks ask is what the store's own methods would have made of the same years."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest
from sqlalchemy import func, select

from gatekeep.history.clean_builds import load_clean_builds
from gatekeep.history.integrity import check_contents
from gatekeep.history.kept_logs import read_log
from gatekeep.history.schema import metadata
from gatekeep.history.standing import load_standing
from gatekeep.history.store import SqliteStore
from gatekeep.history.sweeps import list_sweeps, list_swept
from gatekeep.history.timeline import load_mainline
from gatekeep.matrix.load import parse_matrix
from gatekeep.model.evidence import Built, Evidence, name_outcome
from gatekeep.model.health import Run
from gatekeep.model.history import SweepState, Turn
from tests.benchmarks.great_store import (
    add_commits,
    fill,
    list_commits,
    make_great_store,
    write_logs,
    write_matrix,
    write_step,
)
from tests.benchmarks.great_tree import SWEPT_EVERY, iter_steps, name_targets
from tests.site_cases import make_line

COMMITS = make_line(261)
NAMES = name_targets(12)
#: In this history of few targets something breaks, something outgrows its region, and both are mended.
SEED = 3


@pytest.fixture(scope="module")
def paths(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return [tmp_path_factory.mktemp(name) / "evidence.db" for name in ("many", "own")]


@pytest.fixture(scope="module")
def stores(paths: Sequence[Path]) -> Iterator[tuple[SqliteStore, SqliteStore]]:
    """The same years, filled many rows at a time and through the store's methods."""
    with SqliteStore(paths[0]) as many, SqliteStore(paths[1]) as own:
        fill(many, paths[0].parent, iter_steps(NAMES, COMMITS, 0.1, is_swept=True, seed=SEED), COMMITS)
        for position, step in enumerate(iter_steps(NAMES, COMMITS, 0.1, is_swept=True, seed=SEED)):
            write_step(own, step, COMMITS[: position + 1])
            write_logs(paths[1].parent, step, COMMITS[-1].committed_at)
        yield many, own


def order(evidence: Evidence) -> tuple[str, str, bool]:
    return evidence.tree_id, evidence.target, evidence.carried is None


def test_every_tree_has_the_same_results(stores: tuple[SqliteStore, SqliteStore]) -> None:
    trees = [commit.tree_id for commit in COMMITS]
    found, wanted = (sorted(store.list_evidence(trees, whole=True), key=order) for store in stores)
    assert len(wanted) == len(NAMES) * len(COMMITS)
    assert found == wanted
    assert {name_outcome(entry.outcome) for entry in found} == {"built", "broken", "outgrown"}


def test_sweeps_are_the_same(stores: tuple[SqliteStore, SqliteStore]) -> None:
    found, wanted = map(list_sweeps, stores)
    assert found == wanted
    assert len(found) == len(COMMITS) // SWEPT_EVERY + 1
    assert SweepState.UNDECIDED in {sweep.state for sweep in found}
    assert {turn.turn for sweep in found for turn in sweep.turns} >= {Turn.BROKE, Turn.MENDED, Turn.WARNED}
    for sweep in found:
        builds = [list_swept(store, sweep.sweep_id) for store in stores]
        assert builds[0] == builds[1]


def test_what_the_site_asks_is_answered_the_same(stores: tuple[SqliteStore, SqliteStore]) -> None:
    found, wanted = (load_standing(store, COMMITS, NAMES).runs for store in stores)
    assert {name: list(map(strip, line)) for name, line in found.items()} == {
        name: list(map(strip, line)) for name, line in wanted.items()
    }
    clean, clean_wanted = (load_clean_builds(store, list_sweeps(store), COMMITS, NAMES) for store in stores)
    assert clean == clean_wanted
    assert load_mainline(stores[0]) == load_mainline(stores[1]) == COMMITS


def strip(run: Run) -> Run:
    """Without the numbers of results, which are given in the order of writing."""
    return run._replace(first_evidence_id=0, evidence_id=0)


def test_tables_have_as_many_rows_and_are_whole(stores: tuple[SqliteStore, SqliteStore], paths: Sequence[Path]) -> None:
    for table in metadata.sorted_tables:
        counts = []
        for store in stores:
            with store.reading() as connection:
                counts.append(connection.execute(select(func.count()).select_from(table)).scalar_one())
        assert counts[0] == counts[1], table.name
    check_contents(paths[0])


def test_logs_are_those_of_their_results(stores: tuple[SqliteStore, SqliteStore], paths: Sequence[Path]) -> None:
    folders = [path.parent for path in paths]
    names = [{str(path.relative_to(folder)) for path in folder.glob("logs/*/*")} for folder in folders]
    assert names[0] == names[1]
    logged = [entry for entry in stores[0].list_evidence([COMMITS[-1].tree_id]) if entry.log_path in names[0]]
    assert logged
    for entry in logged:
        assert entry.log_path is not None
        assert read_log(folders[0], entry.log_path, sha256=entry.log_sha256) is not None


def test_a_sweep_finds_what_was_carried_but_other_durations(stores: tuple[SqliteStore, SqliteStore]) -> None:
    pairs = [
        (swept, stores[0].load_carried(sweep.tree_id, swept.target, swept.key))
        for sweep in list_sweeps(stores[0])
        for swept in list_swept(stores[0], sweep.sweep_id)
    ]
    shown = [(tell(swept), tell(carried)) for swept, carried in pairs if carried is not None]
    assert len(shown) > len(pairs) * 0.8
    assert sum(one == other for one, other in shown) > len(shown) * 0.98
    durations = {swept.elapsed_s - carried.elapsed_s for swept, carried in pairs if carried is not None}
    assert len(durations) > len(shown) * 0.9


def tell(evidence: Evidence) -> tuple[object, ...]:
    """Give what a page shows of a result."""
    regions = evidence.footprint.regions if evidence.footprint is not None else ()
    return name_outcome(evidence.outcome), regions, evidence.diagnostics


def test_a_folder_is_used_again_and_gone_on_with(tmp_path: Path) -> None:
    make_great_store(tmp_path, targets=10, commits=70)
    before = (tmp_path / "store" / "evidence.db").stat().st_mtime_ns
    make_great_store(tmp_path, targets=10, commits=70)
    assert (tmp_path / "store" / "evidence.db").stat().st_mtime_ns == before
    add_commits(tmp_path, 1)
    add_commits(tmp_path, 1, is_swept=True)
    commits = list_commits(tmp_path)
    assert len(commits) == 72
    with SqliteStore(tmp_path / "store" / "evidence.db") as store:
        runs = load_standing(store, commits, name_targets(10)).runs
        assert {line[-1].last for line in runs.values()} == {71}
        gate = store.list_evidence([commits[-2].tree_id])
        assert Counter(entry.carried is None for entry in gate) == {False: 9, True: 1}
        assert len(list_swept(store, list_sweeps(store)[-1].sweep_id)) == 10
        assert load_mainline(store) == commits


def test_the_matrix_of_the_tree_is_that_of_its_results(tmp_path: Path) -> None:
    make_great_store(tmp_path, targets=10, commits=65, is_swept=False)
    tip = list_commits(tmp_path)[-1]
    matrix = parse_matrix(write_matrix(name_targets(10)).encode(), path="matrix.yml")
    with SqliteStore(tmp_path / "store" / "evidence.db") as store:
        results = store.list_evidence([tip.tree_id])
        assert list_sweeps(store) == ()
    assert sorted(entry.target for entry in results) == sorted(target.name for target in matrix.targets)
    (part,) = {target.part for target in matrix.targets}
    assert part is not None
    wanted = {(region.name, region.capacity_bytes, region.reserve_bytes) for region in part.regions}
    for entry in results:
        uses = entry.footprint.regions if entry.footprint is not None else ()
        shown = {(use.name, use.capacity_bytes, use.reserve_bytes) for use in uses if use.flash}
        assert shown == wanted or not isinstance(entry.outcome, Built)
