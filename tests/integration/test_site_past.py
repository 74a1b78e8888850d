"""A site that is written from what the last writing knew has the same bytes as one from nothing, whatever happened."""

from __future__ import annotations

import hashlib
import marshal
import random
import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from gatekeep.cli.health_site import SiteSources, show_site
from gatekeep.errors import StoreError
from gatekeep.history.store import SqliteStore
from gatekeep.history.sweeps import SweepSink, begin_sweep, finish_sweep, list_sweeps
from gatekeep.model.change import Commit
from gatekeep.model.evidence import Evidence, Outcome, Outgrown, Overflow, RegionUse, TimedOut
from gatekeep.model.history import SweepState, Turn, TurnRecord
from gatekeep.model.readset import Carried
from gatekeep.report.site.write import MANIFEST
from tests.cases import broken, make_matrix, outgrown
from tests.site_cases import PART, image, make_line

TARGETS = ("arm/mere", "arm/holm", "riscv64/vale")
MATRIX = make_matrix(TARGETS, part=PART)
LINE = make_line(90)
PAST = "site-past.bin"
LATE = TimedOut(limit_s=60, stopped_by="SIGTERM", excerpt=("the last words",))


class Branch:
    """A store with some branch in it, and sites of it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.store = SqliteStore(folder / "evidence.db")
        self.commits: list[Commit] = []
        self.newest: dict[str, Evidence] = {}
        self.sizes = dict.fromkeys(TARGETS, 300)
        self.targets: tuple[str, ...] = TARGETS
        self.tags: tuple[tuple[str, str], ...] = ()
        self.today = LINE[30].committed_at.date()
        self.site_count = 0

    def build(self, target: str, commit: Commit, outcome: Outcome | None = None) -> None:
        self.sizes[target] += 3
        evidence = Evidence(
            target=target,
            tree_id=commit.tree_id,
            commit_id=commit.commit_id,
            key="k",
            toolchain_version="1",
            outcome=outcome or image(self.sizes[target]),
            elapsed_s=1.0,
            started_at=commit.committed_at,
        )
        self.store.add(evidence)
        # One that ran past its limit is never carried.
        if not isinstance(outcome, TimedOut):
            self.newest[target] = evidence

    def commit(self, built: tuple[str, ...] = (), outcome: Outcome | None = None) -> None:
        commit = LINE[len(self.commits)]
        self.commits.append(commit)
        for target in TARGETS:
            if target in built or target not in self.newest:
                self.build(target, commit, outcome)
            else:
                found = self.newest[target]
                source = Carried(tree_id=found.tree_id, commit_id=found.commit_id)
                carried = replace(found, tree_id=commit.tree_id, commit_id=commit.commit_id, carried=source)
                self.store.add_carried([carried])

    def commit_level(self, built: tuple[str, ...]) -> None:
        """Build some anew, as large as they were: what nights do most of the time."""
        for target in built:
            self.sizes[target] -= 3
        self.commit(built)

    def sweep(self, commit: Commit, outcomes: Mapping[str, Outcome], *, has_ended: bool) -> None:
        """Let a sweep of a commit build these, name some commit for the first of them, and come to its end."""
        at = LINE[-1].committed_at + timedelta(days=len(list_sweeps(self.store)))
        sweep = begin_sweep(self.store, commit, at)
        for target, outcome in outcomes.items():
            evidence = replace(self.newest[target], tree_id=commit.tree_id, commit_id=commit.commit_id)
            SweepSink(self.store, sweep.sweep_id).add(replace(evidence, outcome=outcome, started_at=at))
        if has_ended:
            good, culprit = self.commits[0].commit_id, self.commits[-2].commit_id
            turns = [
                TurnRecord(target=target, turn=Turn.BROKE, good_commit_id=good, culprit_commit_id=culprit)
                for target in list(outcomes)[:1]
            ]
            state = SweepState.FINISHED if len(outcomes) == len(TARGETS) else SweepState.UNDECIDED
            finish_sweep(self.store, sweep.sweep_id, state, turns, at + timedelta(hours=1))

    def show(self, out: Path) -> int:
        """Write the site, hold it against one from nothing, and give how many files were written."""
        sources = SiteSources(
            matrix=make_matrix(self.targets, part=PART),
            branch="main",
            commits=tuple(self.commits),
            tags=self.tags,
            sweeps=list_sweeps(self.store),
            today=self.today,
        )
        _, done = show_site(self.store, self.folder, sources, out)
        self.site_count += 1
        anew = self.folder / f"anew-{self.site_count}"
        past = (self.folder / PAST).read_bytes()
        (self.folder / PAST).unlink()
        show_site(self.store, self.folder, sources, anew)
        (self.folder / PAST).write_bytes(past)
        assert read_site(out) == read_site(anew)
        check_links(out)
        return done.written


def read_site(out: Path) -> dict[str, bytes]:
    return {
        path.relative_to(out).as_posix(): path.read_bytes()
        for path in out.rglob("*")
        if path.is_file() and not path.name.startswith(".")
    }


def check_links(out: Path) -> None:
    """Every commit to which a page leads has one; other links are held by test_site_pages."""
    there = {path.name for path in (out / "commits").iterdir()}
    for path in out.rglob("*.html"):
        assert set(re.findall(r'href="[./]*commits/([^"]+)"', path.read_text())) <= there, path


@pytest.fixture
def branch(tmp_path: Path) -> Branch:
    folder = tmp_path / "store"
    folder.mkdir()
    made = Branch(folder)
    for number in range(30):
        made.commit((TARGETS[number % 3],))
    return made


@pytest.mark.parametrize("seed", range(6))
def test_same_bytes_with_and_without_a_past(branch: Branch, tmp_path: Path, seed: int) -> None:
    drawn = random.Random(seed)
    out = tmp_path / "site"
    branch.show(out)
    for _ in range(9):
        what = drawn.choice(
            ["commit", "commit", "level", "again", "sweep", "tag", "day", "rewrite", "matrix", "tamper"]
        )
        if what == "commit":
            for _ in range(drawn.randrange(1, 4)):
                built = tuple(target for target in TARGETS if drawn.random() < 0.3)
                branch.commit(built, drawn.choice([None, None, broken(), outgrown(5, "main")]))
        elif what == "level":
            branch.commit_level(TARGETS[: drawn.randrange(4)])
        elif what == "again":
            # A sweep or a search for a culprit builds an old commit, and finds something else.
            branch.build(
                drawn.choice(TARGETS), drawn.choice(branch.commits), drawn.choice([None, broken("other"), LATE])
            )
        elif what == "sweep":
            swept = TARGETS[: drawn.randrange(4)]
            outcomes: dict[str, Outcome] = {
                target: broken() if drawn.random() < 0.5 else image(branch.sizes[target]) for target in swept
            }
            branch.sweep(drawn.choice(branch.commits[-5:]), outcomes, has_ended=drawn.random() < 0.8)
        elif what == "tag":
            branch.tags += ((f"v{len(branch.tags)}", drawn.choice(branch.commits).commit_id),)
        elif what == "day":
            branch.today += timedelta(days=drawn.randrange(1, 40))
        elif what == "rewrite":
            at = drawn.randrange(len(branch.commits))
            branch.commits[at] = replace(
                branch.commits[at], commit_id=f"{drawn.randrange(16**40):040x}", subject="Anew"
            )
        elif what == "matrix":
            branch.targets = TARGETS[: drawn.randrange(1, 4)]
        elif what == "tamper":
            drawn.choice(sorted(out.glob("*/*.html"))).write_text("somebody was here")
        branch.show(out)


def test_one_more_commit_writes_what_it_touched_alone(branch: Branch, tmp_path: Path) -> None:
    out = tmp_path / "site"
    for _ in range(4):
        branch.commit()
    branch.show(out)
    kept = {path: path.stat().st_ino for path in (out / "commits").iterdir()}
    branch.commit(("arm/mere",))
    branch.show(out)
    assert {path: path.stat().st_ino for path in kept} == kept
    assert branch.show(out) == 0


def damage(content: bytes, way: str) -> bytes:
    match way:
        case "cut":
            return content[: len(content) // 2]
        case "flip":
            at = content.index(b"runs") + 40
            return content[:at] + bytes([content[at] ^ 1]) + content[at + 1 :]
        case "empty":
            return b""
        case "list":
            body = content[32:64] + marshal.dumps([])
            return hashlib.sha256(body).digest() + body
        case _:
            return b"\xff" * 100


@pytest.mark.parametrize("way", ["cut", "flip", "empty", "list", "noise"])
def test_a_damaged_past_is_no_past(branch: Branch, tmp_path: Path, way: str) -> None:
    out = tmp_path / "site"
    branch.show(out)
    past = branch.folder / PAST
    past.write_bytes(damage(past.read_bytes(), way))
    branch.commit(("arm/holm",), broken())
    assert branch.show(out) > 0


@pytest.mark.parametrize("has_past", [True, False])
def test_where_the_look_for_damage_fails_nothing_is_written(branch: Branch, tmp_path: Path, has_past: bool) -> None:
    out, past = tmp_path / "site", branch.folder / PAST
    branch.show(out)
    if not has_past:
        past.unlink()
    branch.commit(TARGETS)

    def fail() -> None:
        raise StoreError("the store is damaged")

    def list_all() -> dict[Path, tuple[bytes, int]]:
        paths = [path for path in (*out.rglob("*"), past) if path.is_file()]
        return {path: (path.read_bytes(), path.stat().st_ino) for path in paths}

    before = list_all()
    sources = SiteSources(matrix=MATRIX, branch="main", commits=tuple(branch.commits))
    with pytest.raises(StoreError, match="is damaged"):
        show_site(branch.store, branch.folder, sources, out, await_check=fail)
    assert list_all() == before
    assert branch.show(out) > 0


def test_what_a_killed_run_has_left_of_a_past_goes(branch: Branch, tmp_path: Path) -> None:
    left = branch.folder / f".{PAST}-0123456789abcdef"
    left.write_bytes(b"half a p")
    branch.show(tmp_path / "site")
    assert not left.exists()
    assert (branch.folder / PAST).exists()


def test_another_folder_gets_a_whole_site(branch: Branch, tmp_path: Path) -> None:
    branch.show(tmp_path / "one")
    branch.show(tmp_path / "two")
    (tmp_path / "two" / MANIFEST).unlink()
    branch.commit(("arm/holm",))
    branch.show(tmp_path / "two")
    branch.show(tmp_path / "one")


@pytest.mark.parametrize("is_first", [True, False], ids=["the page comes", "the page goes"])
def test_a_page_leads_to_a_commit_by_what_other_targets_did_there(
    branch: Branch, tmp_path: Path, is_first: bool
) -> None:
    """Built anew and as large as before, a target changes nothing there: another decides whether there is a page."""
    other = "riscv64/vale"
    was = branch.sizes[other]
    branch.sizes["arm/mere"] -= 3
    branch.commit(("arm/mere",))
    at = branch.commits[-1]
    later = dict(branch.newest)
    if not is_first:
        branch.build(other, at, image(was + 50))
    branch.newest = later
    for _ in range(3):
        branch.commit()
    out = tmp_path / "site"
    branch.show(out)
    page = out / "commits" / f"{at.commit_id}.html"
    assert page.exists() is not is_first
    branch.build(other, at, image(was + 50 if is_first else was))
    branch.show(out)
    assert page.exists() is is_first
    assert (page.name in (out / "targets" / "arm,mere.html").read_text()) is is_first


def test_a_result_that_goes_while_others_are_read_is_no_fault(branch: Branch, tmp_path: Path) -> None:
    branch.commit(("arm/mere",), LATE)
    at = branch.commits[-1]

    def build_again() -> None:
        # As a gate does at the same time: it comes out, and what had run past its limit goes.
        branch.build("arm/mere", at)

    sources = SiteSources(matrix=MATRIX, branch="main", commits=tuple(branch.commits))
    show_site(branch.store, branch.folder, sources, tmp_path / "site", await_check=build_again)
    assert "timed out" not in (tmp_path / "site" / "targets" / "arm,mere.html").read_text()
    branch.show(tmp_path / "site")


def test_an_image_that_claims_all_addresses_is_shown(branch: Branch, tmp_path: Path) -> None:
    whole = image(300).footprint
    ram = RegionUse(name="ram", used_bytes=2**64 - 2**29, capacity_bytes=65536, flash=False)
    over = Overflow(region="ram", over_bytes=ram.used_bytes - ram.capacity_bytes)
    huge = Outgrown(overflows=(over,), footprint=replace(whole, regions=(*whole.regions, ram)), message="too large")
    branch.commit(("arm/mere",), huge)
    branch.show(tmp_path / "site")
    branch.commit(("arm/holm",))
    assert branch.show(tmp_path / "site") > 0
    assert "ram is 17179869183.50 GiB too small" in (tmp_path / "site" / "targets" / "arm,mere.html").read_text()
