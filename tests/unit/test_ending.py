"""What the end of a command says, and what the machine has to answer for."""

from __future__ import annotations

from signal import SIGBUS, SIGXFSZ

import pytest

from gatekeep.build.command import CommandEnd, CommandResult, Exited, Signalled
from gatekeep.build.ending import outcome_of_command
from gatekeep.model.evidence import Broken, NotDecided
from tests.cases import make_matrix

RECIPE = make_matrix().targets[0].recipe


def test_a_file_past_the_recipes_own_limit_is_the_codes_fault() -> None:
    result = CommandResult(end=Signalled(signal=SIGXFSZ), file_limit_bytes=RECIPE.limits.file_bytes)
    outcome = outcome_of_command("ld", result, RECIPE)
    assert isinstance(outcome, Broken)
    assert "a third of its disk limit" in outcome.message


def test_a_file_past_what_a_full_disk_leaves_is_undecided() -> None:
    result = CommandResult(end=Signalled(signal=SIGXFSZ), file_limit_bytes=RECIPE.limits.file_bytes - 1)
    outcome = outcome_of_command("ld", result, RECIPE)
    assert isinstance(outcome, NotDecided)
    assert (outcome.message, outcome.passing) == ("the disk is full", True)


@pytest.mark.parametrize("end", [Exited(code=0), Exited(code=2), Signalled(signal=SIGBUS)])
def test_a_build_whose_log_had_no_room_is_undecided_however_it_ended(end: CommandEnd) -> None:
    outcome = outcome_of_command("make", CommandResult(end=end, log_fault="No space left on device"), RECIPE)
    assert isinstance(outcome, NotDecided)
    assert outcome.message == "the log could not be written: No space left on device"
