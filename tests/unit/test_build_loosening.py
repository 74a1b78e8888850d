"""What of a recipe's commands may lose the warnings that the base's show."""

from __future__ import annotations

from dataclasses import replace

import pytest

from gatekeep.judge.build_loosening import compare_builds
from gatekeep.judge.loosening import list_loosenings
from gatekeep.model.matrix import Recipe, Rules, RuleStrength
from tests.cases import make_matrix, make_target

MAKE = ("make", "BOARD=buoy", "W=-Wall -Werror")
Commands = tuple[tuple[str, ...], ...]


def recipe(*commands: tuple[str, ...], **environment: str) -> Recipe:
    return Recipe(name="board-make", build=commands, elf="{out}/x.elf", environment=tuple(environment.items()))


def say(base: Recipe, head: Recipe) -> list[str]:
    return [message for _, message in compare_builds(base, head, ())]


@pytest.mark.parametrize(
    "head",
    [
        (MAKE,),
        (("make", "-j4", "BOARD=pier", "W=-Wall -Werror"),),
        (("make", "W=-Wextra -Werror -Wall", "V=1"),),
        (MAKE, MAKE),
        (MAKE, ("make", "W=-Wall -Werror", "images")),
    ],
)
def test_the_same_program_with_the_same_options_is_as_good(head: Commands) -> None:
    assert say(recipe(MAKE), recipe(*head)) == []


@pytest.mark.parametrize(
    ("head", "messages"),
    [
        ((("make", "BOARD=buoy", "X=-Wall -Werror"),), ["make is no longer handed -Wall -Werror by W"]),
        ((("make", "W=-Wall -Werror", "W="),), ["make is no longer handed -Wall -Werror by W"]),
        ((("make", "W:=-Wall"), MAKE), ["make is no longer handed -Werror by W"]),
        ((("make", "-Wall", "-Werror"),), ["make is no longer handed -Wall -Werror by W"]),
        (
            (("sh", "-c", "make W=-Wall", "-Wall", "-Werror"),),
            ["sh runs in its build now, where warnings may be lost", "make no longer runs in its build"],
        ),
        ((MAKE, ("true",)), ["true runs in its build now, where warnings may be lost"]),
        ((("/opt/make", "W=-Wall -Werror"), MAKE), ["/opt/make runs in its build now, where warnings may be lost"]),
    ],
)
def test_whatever_may_lose_an_option_is_told(head: Commands, messages: list[str]) -> None:
    assert say(recipe(MAKE), recipe(*head)) == messages


@pytest.mark.parametrize("shell", ["sh", "/bin/bash", "env", "python3", "python3.11", "timeout", "busybox"])
def test_what_a_shell_runs_is_not_changed_at_all(shell: str) -> None:
    base = recipe((shell, "-c", "make -Wall"))
    assert say(base, base) == []
    assert say(base, recipe((shell, "-c", "make -Wall", "more"))) == [
        f"what {shell} runs in its build is changed, and warnings may be lost there"
    ]


def test_a_variable_of_the_environment_keeps_its_options() -> None:
    base = recipe(MAKE, CFLAGS="-Wall -Wextra", LANG="C")
    assert say(base, recipe(MAKE, CFLAGS="-Wextra -Wall -O2")) == []
    assert say(base, recipe(MAKE, NOTHING="-Wall -Wextra")) == ["CFLAGS no longer holds -Wall -Wextra"]


def test_two_commands_of_one_program_are_each_kept() -> None:
    base = recipe(("make", "A=-Wall"), ("make", "B=-Wall"))
    assert say(base, recipe(("make", "A=-Wall"), ("make", "A=-Wall", "more"))) == [
        "make is no longer handed -Wall by B"
    ]
    assert say(base, recipe(("make", "A=-Wall", "B=-Wall"))) == []


def test_it_counts_where_new_warnings_block_and_once_for_all_boards() -> None:
    block, report = (Rules(new_warnings=strength) for strength in (RuleStrength.BLOCK, RuleStrength.REPORT))
    names = ("arm/mere", "mips/holm")
    for rules, count in ((block, 2), (report, 0)):
        before, after = (
            replace(
                make_matrix(names, rules=rules),
                targets=tuple(make_target(name, recipe=recipe((program, f"BOARD={name}"))) for name in names),
            )
            for program in ("make", "sh")
        )
        found = list_loosenings(before, after)
        assert len(found) == count
        assert all(loosening.targets == names for loosening in found)
