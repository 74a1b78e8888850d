"""The wall clock is set in the middle of things: nothing is lost, and nothing is judged wrong."""

from __future__ import annotations

import os
import select
import signal
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.faults.sounding import MAKEFILE, Sounding, board, make_tree
from tests.faults.tasks import SoundingSite, SoundingSweep, list_files
from tests.repos import Content, GitFolder
from tests.set_clock import SetClock

HOUR, DAY = 3600, 86400
#: Whoever finds the ticket says that it is here, and waits until it is told to go on.
WAIT = "$(shell mv {place}/ticket {place}/taken 2>/dev/null && {{ echo >{place}/here; read line <{place}/go; }})\n"
#: A sandbox would not show a build what it waits for.
SHARED_FILES = ("--sandbox", "off")
WAIVERS = b"""\
waivers: 1
granted:
  turning: {rule: broken, targets: [arm/ebb], reason: it turns, who: Oda Brekke <oda@sounding.example>,
            since: 2026-05-01, until: 2026-06-30}
  longer: {rule: outgrown, targets: [arm/gauge], reason: a part comes, who: Oda Brekke <oda@sounding.example>,
           since: 2026-05-01, until: 2026-06-30}
"""
JUNE, JULY = datetime(2026, 6, 20, 12, tzinfo=UTC), datetime(2026, 7, 5, 12, tzinfo=UTC)


class Held:
    """The tree Sounding, of whose last commit one build waits until the test lets it go on."""

    def __init__(self, folder: Path) -> None:
        self.tree: GitFolder = make_tree(folder / "tree")
        self._wait = WAIT.format(place=folder).encode()
        self.commit_wait()
        self._ticket = folder / "ticket"
        # Held open at both ends, so that neither side ever waits for the other to open.
        self._here, self._go = (self._open(folder / name) for name in ("here", "go"))

    def commit_wait(self) -> None:
        tip = self.tree.ask("rev-parse", "change")
        files: dict[str | bytes, Content] = {"Makefile": self._wait + MAKEFILE}
        self.tree.commit(files, message="Wait", branch="change", parents=[tip])

    def _open(self, path: Path) -> int:
        os.mkfifo(path)
        return os.open(path, os.O_RDWR | os.O_CLOEXEC)

    def hold(self) -> None:
        """Let the next build wait."""
        self._ticket.touch()

    def wait_until_held(self) -> None:
        ready = select.select([self._here], [], [], 120)[0]
        assert ready, "no build of the last commit has begun"
        os.read(self._here, 64)

    def let_go(self) -> None:
        os.write(self._go, b"go\n")

    def close(self) -> None:
        os.close(self._here)
        os.close(self._go)


@pytest.fixture
def clock(tmp_path: Path) -> SetClock:
    return SetClock(tmp_path)


@pytest.fixture
def held(tmp_path: Path) -> Iterator[Held]:
    held = Held(tmp_path)
    yield held
    held.close()


def test_a_build_in_which_the_clock_is_set_back_is_built_again(held: Held, clock: SetClock, tmp_path: Path) -> None:
    sounding = Sounding(held.tree, tmp_path / "store", environment=clock.environment)
    held.hold()
    process = sounding.start(*SHARED_FILES)
    held.wait_until_held()
    clock.set_ahead(-HOUR)
    held.let_go()
    answer = sounding.finish(process)
    assert "is tried again: the machine's clock was set back by 3600.0" in answer.errors
    assert answer.verdict() == Sounding(held.tree, tmp_path / "undisturbed").run(*SHARED_FILES).verdict()
    assert answer.exit_code == 1


def test_a_clock_that_is_set_forward_by_years_changes_nothing(held: Held, clock: SetClock, tmp_path: Path) -> None:
    sounding = Sounding(held.tree, tmp_path / "store", environment=clock.environment)
    held.hold()
    process = sounding.start(*SHARED_FILES)
    held.wait_until_held()
    # Past every time limit, were any held against this clock.
    clock.set_ahead(1000 * DAY)
    held.let_go()
    answer = sounding.finish(process)
    assert "tried again" not in answer.errors
    assert answer.verdict() == Sounding(held.tree, tmp_path / "undisturbed").run(*SHARED_FILES).verdict()
    assert sounding.list_lost(answer.errors) == []


def test_a_clock_from_before_the_source_date_decides_nothing(held: Held, clock: SetClock, tmp_path: Path) -> None:
    clock.set_to(datetime(1990, 1, 1, 12, tzinfo=UTC))
    sounding = Sounding(held.tree, tmp_path / "store", environment=clock.environment)
    answer = sounding.run(*SHARED_FILES)
    assert answer.exit_code == 3
    assert "the machine's clock says 1990-01-01, and the matrix's source_date is 2024-05-01" in answer.output
    assert {state for state, _ in answer.outcomes().values()} == {"not decided"}
    clock.set_ahead(0)
    assert sounding.run(*SHARED_FILES).exit_code == 1


def test_a_sweep_goes_on_when_the_clock_was_set_back_behind_its_beginning(
    held: Held, clock: SetClock, tmp_path: Path
) -> None:
    clock.set_ahead(DAY)
    sweep = SoundingSweep(held.tree, tmp_path / "store", environment=clock.environment)
    held.hold()
    process = sweep.start("--workers", "1", *SHARED_FILES)
    held.wait_until_held()
    clock.set_ahead(-DAY)
    process.send_signal(signal.SIGKILL)
    told = sweep.finish(process).errors.count(" of 4  ")
    answer = sweep.run(*SHARED_FILES)
    assert answer.report is not None
    assert (answer.report["sweep"], answer.report["built_before"]) == (1, told)
    assert (answer.report["verdict"], answer.report["remarks"]) == ("block", [])
    # The next one begins before the last one did, and says so.
    answer = sweep.run(*SHARED_FILES)
    assert answer.report is not None
    assert answer.report["sweep"] == 2
    assert [remark.rpartition(": ")[2] for remark in answer.report["remarks"]] == [
        "the clock was set back; see that it is right now"
    ]
    assert (len(answer.report["new"]), len(answer.report["as_before"])) == (0, 2)


def grant(tree: GitFolder) -> None:
    """Have `main` excuse what `change` does, in May and June."""
    main = tree.ask("rev-parse", "main")
    base = tree.commit({"waivers.yml": WAIVERS}, message="Excuse both", parents=[main])
    files: dict[str | bytes, Content] = {
        "boards/gauge.c": board("gauge", 1100),
        "boards/ebb.c": board("ebb") + b"int ebb(void) { return tide; }\n",
    }
    tree.commit(files, message="Turn, and be longer", branch="change", parents=[base])


def test_a_waiver_that_ends_between_two_days_that_it_may_be_excuses_nothing(clock: SetClock, tmp_path: Path) -> None:
    tree = make_tree(tmp_path / "tree")
    grant(tree)
    sounding = Sounding(tree, tmp_path / "store", environment=clock.environment)
    sweep = SoundingSweep(tree, tmp_path / "store", environment=clock.environment)
    clock.set_to(JUNE)
    assert sounding.run().exit_code == 0
    clock.set_to(JULY)
    assert sounding.run().exit_code == 1
    assert sweep.run().exit_code == 1
    # Set back behind the last sweep: the waivers have ended, or they have not.
    clock.set_to(JUNE)
    answer = sounding.run()
    assert (answer.exit_code, answer.report) == (3, None)
    assert answer.errors.splitlines()[-2] == (
        "gatekeep: the machine's clock says 2026-06-20, and the last sweep began on 2026-07-05: which is right decides "
        "waiver turning, waiver longer; set the clock, or, where it is right now, sweep once"
    )
    answer = sweep.run()
    assert answer.report is not None
    assert "the clock was set back" in str(answer.report["remarks"])
    assert sounding.run().exit_code == 0


def test_a_waiver_that_ends_while_the_clock_is_set_excuses_nothing(held: Held, clock: SetClock, tmp_path: Path) -> None:
    grant(held.tree)
    held.commit_wait()
    sounding = Sounding(held.tree, tmp_path / "store", environment=clock.environment)
    clock.set_to(JUNE)
    held.hold()
    process = sounding.start(*SHARED_FILES)
    held.wait_until_held()
    clock.set_to(JULY)
    held.let_go()
    answer = sounding.finish(process)
    assert (answer.exit_code, answer.report) == (3, None)
    assert answer.errors.splitlines()[-2] == (
        "gatekeep: the machine's clock says 2026-07-05, and said 2026-06-20 before it was set during this run: which "
        "is right decides waiver turning, waiver longer; see that it is right now, and run again"
    )
    assert sounding.run(*SHARED_FILES).exit_code == 1


def test_logs_stay_when_a_night_is_swept_years_ahead(clock: SetClock, tmp_path: Path) -> None:
    tree = make_tree(tmp_path / "tree")
    sweep = SoundingSweep(tree, tmp_path / "store", environment=clock.environment)
    assert sweep.run().exit_code == 1
    kept = sorted(path.name for path in tmp_path.glob("store/logs/*/*"))
    assert len(kept) >= 2
    tip = tree.ask("rev-parse", "change")
    tree.commit({"boards/gauge.c": board("gauge")}, message="gauge: A short table", branch="change", parents=[tip])
    tree.commit({"boards/ebb.c": board("ebb")}, message="ebb: Stand", branch="change")
    clock.set_ahead(4000 * DAY)
    answer = sweep.run()
    assert answer.report is not None
    assert answer.report["mended"] == ["arm/ebb", "arm/gauge"]
    assert sorted(path.name for path in tmp_path.glob("store/logs/*/*")) == kept


def test_the_site_is_the_same_whatever_the_clock_says(clock: SetClock, tmp_path: Path) -> None:
    tree = make_tree(tmp_path / "tree")
    SoundingSweep(tree, tmp_path / "store").run()
    site = SoundingSite(tree, tmp_path / "store", environment=clock.environment)
    assert site.run().exit_code == 0
    before = list_files(site.site)
    for ahead in (-20_000 * DAY, 20_000 * DAY):
        clock.set_ahead(ahead)
        answer = site.run()
        assert (answer.exit_code, "0 files written" in answer.output) == (0, True), answer
        assert list_files(site.site) == before
