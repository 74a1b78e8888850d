"""Since when, by whom, and what else follows from runs of results."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from gatekeep.judge.health import list_needed
from gatekeep.model.evidence import Broken, NotDecided, Outcome, TimedOut
from gatekeep.model.health import Beginning, EventKind, Health, Run, State, TargetHealth
from gatekeep.model.history import SweepState, Turn, TurnRecord
from tests.cases import broken, outgrown
from tests.site_cases import image, make_health, make_line, make_sweep


def only(health: Health) -> TargetHealth:
    assert len(health.targets) == 1
    return health.targets[0]


def test_broken_since_the_first_commit_of_the_last_stretch():
    target = only(
        make_health({"arm/mere": [(0, 0, broken()), (1, 2, image()), (3, 3, broken()), (4, 5, broken("another"))]})
    )
    assert target.state is State.BROKEN
    assert target.beginning is not None
    assert (target.beginning.commit.subject, target.beginning.unknown_count) == ("Commit 3", 0)
    assert not target.beginning.from_start
    assert (target.message, target.place) == ("a pointer is cut to 32 bits", "drivers/uart.c:41")


def test_commits_without_a_result_make_the_beginning_uncertain():
    target = only(make_health({"arm/mere": [(0, 1, image()), (4, 5, broken())]}))
    assert target.beginning is not None
    assert (target.beginning.commit.subject, target.beginning.unknown_count) == ("Commit 4", 2)


def test_the_machines_fault_in_between_does_not_move_the_beginning():
    undecided = NotDecided(message="the disk is full")
    target = only(make_health({"arm/mere": [(0, 0, image()), (1, 2, broken()), (3, 3, undecided), (4, 5, broken())]}))
    assert target.beginning is not None
    assert target.beginning.commit.subject == "Commit 1"


def test_a_target_without_results_was_never_built():
    health = make_health({"arm/mere": []})
    assert only(health).state is State.NEVER_BUILT
    assert [trouble.whom for trouble in health.troubles] == ["arm/mere"]
    assert health.troubles[0].beginning is None


def test_an_image_in_its_reserve_is_not_well():
    target = only(make_health({"arm/mere": [(0, 2, image()), (3, 5, image(901))]}))
    assert target.state is State.IN_RESERVE
    assert target.message == "main is 1 B into its reserve"


def test_events_tell_every_turn_newest_first_and_no_beginning_that_is_well():
    timed_out = TimedOut(limit_s=60, stopped_by="SIGTERM")
    stretches: list[tuple[int, int, Outcome]] = [
        (0, 0, image()),
        (1, 1, broken()),
        (2, 2, outgrown()),
        (3, 3, image(950)),
        (4, 4, timed_out),
        (5, 5, image()),
    ]
    target = only(make_health({"arm/mere": stretches}))
    assert [(event.kind, event.commit.subject) for event in target.events] == [
        (EventKind.MENDED, "Commit 5"),
        (EventKind.TIMED_OUT, "Commit 4"),
        (EventKind.RESERVE_REACHED, "Commit 3"),
        (EventKind.OUTGREW, "Commit 2"),
        (EventKind.BROKE, "Commit 1"),
    ]


def test_one_cause_is_one_trouble_and_the_newest_comes_first():
    health = make_health(
        {
            "arm/mere": [(0, 1, image()), (2, 5, broken("one"))],
            "arm/tarn/debug": [(0, 1, image()), (2, 5, broken("one"))],
            "riscv64/vale": [(0, 3, image()), (4, 5, broken("two"))],
            "loongarch64/ness": [(0, 3, image()), (4, 5, outgrown(5))],
            "loongarch64/wick": [(0, 3, image()), (4, 5, outgrown(9))],
        }
    )
    assert [(trouble.whom, trouble.message) for trouble in health.troubles] == [
        ("riscv64/vale, the only target of riscv64", "two"),
        ("both targets of arm", "one"),
        ("both targets of loongarch64", ""),
    ]


def test_files_that_are_named_for_their_targets_and_missing_are_one_trouble():
    def missing(name: str) -> Broken:
        return Broken(message=f"the recipe succeeded and left no {{out}}/{name}.elf", first_error=None)

    lines: dict[str, list[tuple[int, int, Outcome]]] = {
        "arm/mere": [(0, 1, image()), (2, 5, missing("mere"))],
        "arm/tarn/debug": [(0, 1, image()), (2, 5, missing("tarn"))],
    }
    shared = [("both targets", "the recipe succeeded and left no {out}/{board}.elf")]
    assert [(trouble.whom, trouble.message) for trouble in make_health(lines).troubles] == shared
    alone = make_health({"arm/mere": lines["arm/mere"]}).troubles
    assert [trouble.message for trouble in alone] == ["the recipe succeeded and left no {out}/mere.elf"]


def test_an_image_keeps_its_figures_while_the_target_is_broken():
    target = only(make_health({"arm/mere": [(0, 2, image(640)), (3, 5, broken())]}))
    assert target.footprint is not None
    assert target.measured is not None
    assert target.measured.subject == "Commit 2"
    use = target.fullest
    assert use is not None
    assert use.used_bytes == 640


def test_changes_name_the_commit_and_compare_with_the_last_image():
    health = make_health({"arm/mere": [(0, 1, image(500)), (2, 3, broken()), (4, 5, image(520))]})
    assert [
        (change.commit.subject, change.changes[0].before, change.changes[0].after) for change in health.changes
    ] == [
        ("Commit 2", State.WELL, State.BROKEN),
        ("Commit 4", State.BROKEN, State.WELL),
    ]
    region = health.changes[1].changes[0].regions[0]
    assert (region.region, region.delta_bytes) == ("main", 20)


def test_only_what_pages_show_is_read_whole():
    def run(at: int, state: State, *, measured: bool = True) -> Run:
        regions = image().footprint.regions if measured else ()
        return Run(first=at, last=at, first_evidence_id=at + 1, evidence_id=at + 11, state=state, regions=regions)

    line = [
        run(0, State.WELL),
        run(1, State.WELL),
        run(2, State.BROKEN, measured=False),
        run(3, State.BROKEN, measured=False),
    ]
    assert list_needed({"arm/mere": line}) == (frozenset({12}), frozenset({3, 14}))


def test_a_culprit_that_a_sweep_found_is_the_beginning():
    commits = make_line(6)
    turn = TurnRecord(target="arm/mere", turn=Turn.BROKE, culprit_commit_id=commits[3].commit_id)
    ended = datetime(2026, 2, 1, tzinfo=UTC)
    results: dict[str, list[tuple[int, int, Outcome]]] = {"arm/mere": [(0, 1, image()), (4, 5, broken())]}
    health = make_health(results, sweeps=[make_sweep(commits[5].commit_id, ended, [turn])])
    target = only(health)
    assert target.beginning == Beginning(commit=commits[3], is_proved=True)
    assert [(event.commit, event.culprit, event.is_proved) for event in target.events] == [
        (commits[4], commits[3], True)
    ]
    assert health.troubles[0].beginning == target.beginning


def test_a_culprit_on_the_side_of_a_merge_is_named_with_the_merge():
    commits = make_line(6)
    side = replace(commits[0], commit_id="f" * 40, subject="On the side", author_name="Isa Thorne")
    turn = TurnRecord(target="arm/mere", turn=Turn.BROKE, culprit_commit_id=side.commit_id)
    found = make_sweep(commits[5].commit_id, datetime(2026, 2, 1, tzinfo=UTC), [turn])
    results: dict[str, list[tuple[int, int, Outcome]]] = {"arm/mere": [(0, 3, image()), (4, 5, broken())]}
    target = only(make_health(results, sweeps=[found], side_commits=[side]))
    assert target.beginning == Beginning(commit=commits[4], culprit=side, is_proved=True)
    assert target.events[0].cause == side
    # Where the repository has it no more, the results say what they know.
    assert only(make_health(results, sweeps=[found])).beginning == Beginning(commit=commits[4])


@pytest.mark.parametrize(
    ("turn", "culprit", "swept"),
    [
        (Turn.OUTGREW, 4, 5),  # another fault
        (Turn.BROKE, 1, 5),  # the target was well after it
        (Turn.BROKE, 5, 5),  # it was broken before
        (Turn.BROKE, 4, 2),  # of an earlier time
    ],
)
def test_a_culprit_of_something_else_is_left_out(turn: Turn, culprit: int, swept: int):
    commits = make_line(6)
    record = TurnRecord(target="arm/mere", turn=turn, culprit_commit_id=commits[culprit].commit_id)
    found = make_sweep(commits[swept].commit_id, datetime(2026, 2, 1, tzinfo=UTC), [record])
    target = only(make_health({"arm/mere": [(0, 1, image()), (4, 5, broken())]}, sweeps=[found]))
    assert target.beginning == Beginning(commit=commits[4], unknown_count=2)


def test_a_sweep_of_what_a_merge_brought_hides_no_sweep_of_the_branch():
    commits = make_line(6)
    ended = datetime(2026, 1, 6, 3, tzinfo=UTC)
    sweeps = [make_sweep(commits[4].commit_id, ended), make_sweep("f" * 40, ended + timedelta(hours=5))]
    health = make_health({"arm/mere": [(0, 5, image())]}, sweeps=sweeps)
    assert (health.swept, health.swept_at, health.swept_state) == (commits[4], ended, SweepState.FINISHED)
    aside = make_health({"arm/mere": [(0, 5, image())]}, sweeps=sweeps[1:])
    assert (aside.swept, aside.swept_at, aside.undecided) == (None, None, ())
