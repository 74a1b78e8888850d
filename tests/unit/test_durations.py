"""How long builds took, of each target the newest."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from gatekeep.history.durations import load_durations
from gatekeep.history.store import SqliteStore
from gatekeep.model.evidence import Evidence, NotDecided
from tests.site_cases import image, make_line

LINE = make_line(5)


def took(at: int, elapsed_s: float, target: str = "arm/mere") -> Evidence:
    return Evidence(
        target=target,
        tree_id=LINE[at].tree_id,
        commit_id=LINE[at].commit_id,
        key="k",
        toolchain_version="1",
        outcome=image(500),
        elapsed_s=elapsed_s,
    )


def test_the_newest_builds_count_and_the_newest_is_last(tmp_path: Path):
    with SqliteStore(tmp_path / "evidence.db") as store:
        for at, elapsed_s in enumerate((9.0, 2.0, 1.5, 3.0)):
            store.add(took(at, elapsed_s))
        store.add(took(0, 0.5, "arm/holm"))
        # What did not run took no time.
        store.add(replace(took(4, 0.0, "arm/holm"), outcome=NotDecided(message="no room")))
        found = load_durations(store, ["arm/mere", "arm/holm", "riscv64/vale"], most=3)
    assert found == {"arm/mere": (2.0, 1.5, 3.0), "arm/holm": (0.5,)}
