"""What fails is tried again before it is believed, and a contradiction is never passed over."""

from __future__ import annotations

from dataclasses import replace

import pytest

from gatekeep.model.evidence import Broken, Evidence, NotDecided, Outcome, TimedOut, Try, name_outcome
from gatekeep.model.plan import Job
from gatekeep.runner.plan import plan_change
from gatekeep.runner.second_look import SecondLook, contradict
from tests.cases import broken, built, make_evidence, outgrown
from tests.unit.test_plan import make_inputs

JOBS = plan_change(make_inputs(0)).jobs
JOB, OTHER = JOBS[0], JOBS[1]
NO_MEMORY = NotDecided(message="the machine ran out of memory", passing=True)
LATE = TimedOut(limit_s=60.0, stopped_by="SIGTERM")
WORDLESS = Broken(message="make was ended by SIGSEGV", first_error=None)


class ScriptedBuilder:
    """Gives the outcomes that it was told, one after another; fails the test when asked once too often."""

    def __init__(self, *outcomes: Outcome) -> None:
        self.left = list(outcomes)
        self.attempts: list[int] = []
        self.dropped: list[str | None] = []

    def build(self, job: Job, attempt: int) -> Evidence:
        self.attempts.append(attempt)
        found = make_evidence(job.commit, job.target.name, self.left.pop(0))
        return replace(found, key=job.key, log_path=f"logs/{attempt}.log")

    def drop_log(self, evidence: Evidence) -> None:
        self.dropped.append(evidence.log_path)


def test_what_is_built_at_once_is_built_once() -> None:
    builder = ScriptedBuilder(built())
    assert SecondLook().build(JOB, builder).outcome == built()
    assert builder.attempts == [1]


def test_a_failure_is_believed_when_it_was_seen_twice() -> None:
    builder = ScriptedBuilder(broken(), broken())
    found = SecondLook().build(JOB, builder)
    assert (found.outcome, found.log_path) == (broken(), "logs/1.log")
    assert (builder.attempts, builder.dropped) == ([1, 2], ["logs/2.log"])


def test_of_failures_that_differ_the_one_is_believed_that_was_seen_twice() -> None:
    builder = ScriptedBuilder(WORDLESS, broken(), broken())
    found = SecondLook().build(JOB, builder)
    assert (found.outcome, found.log_path) == (broken(), "logs/2.log")
    assert (builder.attempts, builder.dropped) == ([1, 2, 3], ["logs/1.log", "logs/3.log"])
    builder = ScriptedBuilder(broken(), WORDLESS, broken())
    assert SecondLook().build(JOB, builder).outcome == broken()
    assert builder.dropped == ["logs/2.log", "logs/3.log"]


def test_where_every_failure_is_another_one_the_last_is_told() -> None:
    found = SecondLook().build(JOB, ScriptedBuilder(WORDLESS, broken(), LATE))
    assert found.outcome == LATE


@pytest.mark.parametrize("red", [broken(), WORDLESS, LATE, outgrown()])
def test_what_fails_once_and_passes_once_is_undecided_with_both_logs(red: Outcome) -> None:
    found = SecondLook().build(JOB, ScriptedBuilder(red, built()))
    assert isinstance(found.outcome, NotDecided)
    assert found.outcome.message.startswith("failed and passed on the same inputs: ")
    assert [entry.log_path for entry in found.outcome.tries] == ["logs/1.log", "logs/2.log"]
    assert [entry.outcome for entry in found.outcome.tries] == [name_outcome(red), "built"]


def test_a_measured_image_is_not_measured_twice() -> None:
    measured = replace(outgrown(), footprint=built().footprint)
    builder = ScriptedBuilder(measured)
    assert SecondLook().build(JOB, builder).outcome == measured


def test_one_target_is_enough_to_confirm_an_error_that_others_share() -> None:
    look = SecondLook()
    builder = ScriptedBuilder(broken(), broken(), broken())
    assert look.build(JOB, builder).outcome == broken()
    assert look.build(OTHER, builder).outcome == broken()
    assert builder.attempts == [1, 2, 1]


def test_an_error_elsewhere_is_confirmed_by_itself() -> None:
    look = SecondLook()
    builder = ScriptedBuilder(broken(), broken(), broken(line=42), broken(line=42), WORDLESS, WORDLESS)
    for _turn in range(3):
        look.build(OTHER, builder)
    assert builder.attempts == [1, 2] * 3


def test_a_machine_that_fails_is_tried_three_times_and_no_more() -> None:
    told: list[str] = []
    builder = ScriptedBuilder(NO_MEMORY, NO_MEMORY, NO_MEMORY)
    assert SecondLook(tell=told.append).build(JOB, builder).outcome == NO_MEMORY
    assert told == [f"{JOB.target.name} is tried again: the machine ran out of memory"] * 2


def test_a_machine_that_recovers_gives_what_the_code_gives() -> None:
    builder = ScriptedBuilder(NO_MEMORY, broken(), NO_MEMORY, broken())
    assert SecondLook().build(JOB, builder).outcome == broken()
    assert builder.attempts == [1, 1, 2, 2]


def test_a_failure_that_the_machine_keeps_from_being_confirmed_is_undecided() -> None:
    stopped = NotDecided(message="the run was stopped")
    assert SecondLook().build(JOB, ScriptedBuilder(broken(), stopped)).outcome == stopped


def test_a_missing_program_is_not_tried_again() -> None:
    missing = NotDecided(message="no arm-none-eabi-gcc", hint="install it")
    builder = ScriptedBuilder(missing)
    assert SecondLook().build(JOB, builder).outcome == missing


def stored(outcome: Outcome, *, key: str | None = None) -> Evidence:
    found = make_evidence(JOB.commit, JOB.target.name, outcome)
    return replace(found, key=JOB.key if key is None else key, log_path="logs/earlier.log")


def test_a_lucky_build_does_not_wash_away_what_is_stored_of_the_same_inputs() -> None:
    found = SecondLook([stored(broken())]).build(JOB, ScriptedBuilder(built()))
    assert isinstance(found.outcome, NotDecided)
    assert [entry.log_path for entry in found.outcome.tries] == ["logs/earlier.log", "logs/1.log"]
    again = SecondLook([replace(found, key=JOB.key)]).build(JOB, ScriptedBuilder(built()))
    assert isinstance(again.outcome, NotDecided)
    assert [entry.outcome for entry in again.outcome.tries] == ["broken", "built", "built"]


def test_an_unlucky_build_does_not_replace_a_well_one_either() -> None:
    found = SecondLook([stored(built())]).build(JOB, ScriptedBuilder(broken(), broken()))
    assert isinstance(found.outcome, NotDecided)
    assert [entry.outcome for entry in found.outcome.tries] == ["built", "broken"]


def test_results_under_another_key_or_carried_from_elsewhere_contradict_nothing() -> None:
    other = stored(broken(), key="another")
    assert SecondLook([other]).build(JOB, ScriptedBuilder(built())).outcome == built()


def test_the_tries_of_a_contradiction_do_not_grow_without_end() -> None:
    found = stored(NotDecided(message="m", tries=(Try(outcome="broken"), Try(outcome="built"))))
    for _night in range(9):
        found = contradict(found, stored(built()))
    assert isinstance(found.outcome, NotDecided)
    assert len(found.outcome.tries) == 4
