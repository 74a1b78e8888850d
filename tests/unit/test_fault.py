"""Which fault a search is after, and whether a build shows it."""

from __future__ import annotations

import pytest

from gatekeep.judge.fault import Look, find_fault, list_shown, look_at_outcome, look_for_fault, word_fault
from gatekeep.model.change import FileLines, Hunk, LineMap
from gatekeep.model.culprit import Sight
from gatekeep.model.evidence import NotDecided, Outcome, TimedOut
from tests.cases import broken, built, make_commit, make_evidence, outgrown, warning

GOOD, MIDDLE, BAD = (make_commit(number) for number in (1, 2, 3))
TARGET = "arm/mere"


def still(_old: str, _new: str) -> LineMap:
    return LineMap()


@pytest.mark.parametrize(
    ("outcome", "look"),
    [
        (built(), Look(sight=Sight.WELL)),
        (broken(), Look(sight=Sight.FAULTY)),
        (outgrown(), Look(sight=Sight.FAULTY)),
        (
            TimedOut(limit_s=60, stopped_by="SIGTERM"),
            Look(sight=Sight.UNKNOWN, why="it ran past its time limit of 60 s"),
        ),
        (
            NotDecided(message="out of memory", hint="use fewer workers"),
            Look(sight=Sight.UNKNOWN, why="out of memory; use fewer workers"),
        ),
        (NotDecided(message="a worker was lost"), Look(sight=Sight.UNKNOWN, why="a worker was lost")),
    ],
)
def test_an_outcome_is_well_faulty_or_says_nothing(outcome: Outcome, look: Look) -> None:
    assert look_at_outcome(make_evidence(MIDDLE, TARGET, outcome)) == look


def test_a_target_that_is_built_at_both_ends_with_the_same_warnings_has_no_fault() -> None:
    old = (warning("old"),)
    good, bad = (make_evidence(commit, TARGET, built(), old) for commit in (GOOD, BAD))
    assert find_fault(good, bad, still) is None


def test_new_warnings_are_a_fault_and_old_or_passing_ones_are_none() -> None:
    old, new, passing = warning("old", line=3), warning("new", line=9), warning("passing", line=12)
    good = make_evidence(GOOD, TARGET, built(), (old,))
    fault = find_fault(good, make_evidence(BAD, TARGET, built(), (old, new)), still)
    assert fault is not None
    assert fault.warnings == (new,)
    shows = make_evidence(MIDDLE, TARGET, built(), (old, new, passing))
    assert look_for_fault(fault, shows, still) == Look(sight=Sight.FAULTY)
    assert list_shown(fault, shows, still) == (new,)
    assert look_for_fault(fault, make_evidence(MIDDLE, TARGET, built(), (old, passing)), still) == Look(
        sight=Sight.WELL
    )
    assert look_for_fault(fault, make_evidence(MIDDLE, TARGET, built()), still) == Look(sight=Sight.WELL)


def test_a_warning_that_moves_between_the_ends_is_the_same_warning() -> None:
    good = make_evidence(GOOD, TARGET, built())
    fault = find_fault(good, make_evidence(BAD, TARGET, built(), (warning("new", line=19),)), still)
    assert fault is not None
    down = FileLines(
        old_path="include/lamp.h",
        new_path="include/lamp.h",
        hunks=(Hunk(old_start=1, old_count=0, new_start=2, new_count=10),),
    )

    def map_lines(old: str, new: str) -> LineMap:
        return LineMap(files={"include/lamp.h": down}) if (old, new) == (MIDDLE.tree_id, BAD.tree_id) else LineMap()

    shows = make_evidence(MIDDLE, TARGET, built(), (warning("new", line=9),))
    assert look_for_fault(fault, shows, map_lines) == Look(sight=Sight.FAULTY)


def test_a_broken_build_does_not_tell_its_warnings() -> None:
    good = make_evidence(GOOD, TARGET, built())
    fault = find_fault(good, make_evidence(BAD, TARGET, built(), (warning(),)), still)
    assert fault is not None
    assert look_for_fault(fault, make_evidence(MIDDLE, TARGET, broken()), still) == Look(
        sight=Sight.UNKNOWN, why="it is broken there, so its warnings are not known"
    )


def test_a_broken_end_makes_everything_faulty_that_does_not_come_out() -> None:
    fault = find_fault(make_evidence(GOOD, TARGET, built()), make_evidence(BAD, TARGET, broken()), still)
    assert fault is not None
    assert look_for_fault(fault, make_evidence(MIDDLE, TARGET, outgrown()), still) == Look(sight=Sight.FAULTY)
    noisy = make_evidence(MIDDLE, TARGET, built(), (warning(),))
    assert look_for_fault(fault, noisy, still) == Look(sight=Sight.WELL)


def test_a_fault_is_worded_with_its_place() -> None:
    assert word_fault(make_evidence(BAD, TARGET, broken()), ()) == ("a pointer is cut to 32 bits", "drivers/uart.c:41")
    assert word_fault(make_evidence(BAD, TARGET, outgrown()), ()) == ("outgrows FLASH by 568 B", "")
    assert word_fault(make_evidence(BAD, TARGET, built()), (warning(),)) == (
        "new warning: unused variable 'i' [-Wunused-variable]",
        "include/lamp.h:7",
    )
    assert word_fault(make_evidence(BAD, TARGET, built()), ()) == ("", "")
