"""Which fault a search is after, and whether a build shows it."""

from __future__ import annotations

import pytest

from gatekeep.judge.fault import (
    FaultSought,
    Look,
    find_faults,
    find_place,
    list_shown,
    look_at_outcome,
    look_for_fault,
    word_fault,
)
from gatekeep.model.change import Commit, FileLines, Hunk, LineMap
from gatekeep.model.culprit import Sight
from gatekeep.model.evidence import Diagnostic, Evidence, NotDecided, Outcome, TimedOut
from tests.cases import broken, built, make_commit, make_evidence, outgrown, warning

GOOD, MIDDLE, BAD = (make_commit(number) for number in (1, 2, 3))
TARGET = "arm/mere"


def still(_old: str, _new: str) -> LineMap:
    return LineMap()


@pytest.mark.parametrize(
    ("outcome", "look"),
    [
        (built(), Look(sight=Sight.WELL)),
        (broken(), Look(sight=Sight.FAULTY, fault="drivers/uart.c: a pointer is cut to 32 bits")),
        (outgrown(), Look(sight=Sight.FAULTY, fault="outgrows FLASH")),
        (TimedOut(limit_s=60, stopped_by="SIGTERM"), Look(sight=Sight.FAULTY, fault="runs past its time limit")),
        (
            NotDecided(message="out of memory", hint="use fewer workers"),
            Look(sight=Sight.UNKNOWN, why="out of memory; use fewer workers"),
        ),
        (NotDecided(message="a worker was lost"), Look(sight=Sight.UNKNOWN, why="a worker was lost")),
    ],
)
def test_an_outcome_is_well_faulty_or_says_nothing(outcome: Outcome, look: Look) -> None:
    assert look_at_outcome(make_evidence(MIDDLE, TARGET, outcome)) == look


def at(commit: Commit, outcome: Outcome, *warnings: Diagnostic) -> Evidence:
    return make_evidence(commit, TARGET, outcome, warnings)


def test_a_target_that_is_built_at_both_ends_with_the_same_warnings_has_no_fault() -> None:
    assert find_faults(at(GOOD, built(), warning("old")), at(BAD, built(), warning("old")), still) == ()


def test_new_warnings_are_a_fault_and_old_or_passing_ones_are_none() -> None:
    old, new, passing = warning("old", line=3), warning("new", line=9), warning("passing", line=12)
    good, bad = at(GOOD, built(), old), at(BAD, built(), old, new)
    (fault,) = find_faults(good, bad, still)
    assert fault == FaultSought(good=good, bad=bad, warnings=(new,))
    shows = at(MIDDLE, built(), old, new, passing)
    assert look_for_fault(fault, shows, still) == ((fault, Look(sight=Sight.FAULTY)),)
    assert list_shown(fault, shows, still) == (new,)
    for other in (at(MIDDLE, built(), old, passing), at(MIDDLE, built())):
        assert look_for_fault(fault, other, still) == ((fault, Look(sight=Sight.WELL)),)


def test_a_build_that_shows_some_of_the_warnings_parts_the_fault() -> None:
    one, other, third = warning("one", line=3), warning("other", line=9), warning("third", line=12)
    good, bad = at(GOOD, built()), at(BAD, built(), one, other, third)
    (fault,) = find_faults(good, bad, still)
    assert look_for_fault(fault, at(MIDDLE, built(), other), still) == (
        (FaultSought(good=good, bad=bad, warnings=(other,)), Look(sight=Sight.FAULTY)),
        (FaultSought(good=good, bad=bad, warnings=(one, third)), Look(sight=Sight.WELL)),
    )


def test_a_target_that_outgrows_its_flash_may_warn_anew_too() -> None:
    good, bad = at(GOOD, built()), at(BAD, outgrown(), warning())
    assert find_faults(good, bad, still) == (
        FaultSought(good=good, bad=bad),
        FaultSought(good=good, bad=bad, warnings=(warning(),)),
    )
    # Outgrown as before: only what is new is looked for.
    before = at(GOOD, outgrown())
    assert find_faults(before, bad, still) == (FaultSought(good=before, bad=bad, warnings=(warning(),)),)
    assert find_faults(before, at(BAD, broken()), still) == (FaultSought(good=before, bad=at(BAD, broken())),)


def test_a_warning_that_moves_between_the_ends_is_the_same_warning() -> None:
    (fault,) = find_faults(at(GOOD, built()), at(BAD, built(), warning("new", line=19)), still)
    down = FileLines(
        old_path="include/lamp.h",
        new_path="include/lamp.h",
        hunks=(Hunk(old_start=1, old_count=0, new_start=2, new_count=10),),
    )

    def map_lines(old: str, new: str) -> LineMap:
        return LineMap(files={"include/lamp.h": down}) if (old, new) == (MIDDLE.tree_id, BAD.tree_id) else LineMap()

    shows = at(MIDDLE, built(), warning("new", line=9))
    assert look_for_fault(fault, shows, map_lines) == ((fault, Look(sight=Sight.FAULTY)),)


def test_a_broken_build_does_not_tell_its_warnings() -> None:
    (fault,) = find_faults(at(GOOD, built()), at(BAD, built(), warning()), still)
    look = Look(sight=Sight.UNKNOWN, why="it does not come out there, so its warnings are not known")
    assert look_for_fault(fault, at(MIDDLE, broken()), still) == ((fault, look),)
    assert find_faults(at(GOOD, broken()), at(BAD, built(), warning()), still) == ()


def test_a_broken_end_makes_everything_faulty_that_does_not_come_out() -> None:
    (fault,) = find_faults(at(GOOD, built()), at(BAD, broken()), still)
    outgrew = Look(sight=Sight.FAULTY, fault="outgrows FLASH")
    assert look_for_fault(fault, at(MIDDLE, outgrown()), still) == ((fault, outgrew),)
    assert look_for_fault(fault, at(MIDDLE, built(), warning()), still) == ((fault, Look(sight=Sight.WELL)),)


def test_the_place_of_a_fault_is_that_of_the_first_complaint() -> None:
    (fault,) = find_faults(at(GOOD, built()), at(BAD, broken()), still)
    assert find_place(fault) == ("drivers/uart.c", 41)
    (fault,) = find_faults(at(GOOD, built()), at(BAD, built(), warning()), still)
    assert find_place(fault) == ("include/lamp.h", 7)
    (fault,) = find_faults(at(GOOD, built()), at(BAD, outgrown()), still)
    assert find_place(fault) is None


def test_a_fault_is_worded_with_its_place() -> None:
    assert word_fault(make_evidence(BAD, TARGET, broken()), ()) == ("a pointer is cut to 32 bits", "drivers/uart.c:41")
    assert word_fault(make_evidence(BAD, TARGET, outgrown()), ()) == ("outgrows FLASH by 568 B", "")
    assert word_fault(make_evidence(BAD, TARGET, built()), (warning(),)) == (
        "new warning: unused variable 'i' [-Wunused-variable]",
        "include/lamp.h:7",
    )
    assert word_fault(make_evidence(BAD, TARGET, built()), ()) == ("", "")
