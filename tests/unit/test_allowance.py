"""Limits of builds: the smaller of the base's and the change's own; for new targets the base's largest."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gatekeep.judge.loosening import list_loosenings
from gatekeep.model.allowance import DEFAULT_ALLOWANCE, Allowance, allowance_of, find_largest, hold_to_base
from gatekeep.model.matrix import Boot, Matrix, Target
from tests.cases import make_matrix

TARGETS = make_matrix().targets
PLAIN = replace(TARGETS[0], boot=Boot(command=("emulate",), expect=("kelp",)))


def give(target: Target, asked: Allowance) -> Target:
    """The target with these limits."""
    recipe = replace(
        target.recipe,
        time_limit_s=asked.time_limit_s,
        memory_limit_bytes=asked.memory_limit_bytes,
        disk_limit_bytes=asked.disk_limit_bytes,
    )
    boot = Boot(command=("emulate",), expect=("kelp",), time_limit_s=asked.boot_time_limit_s)
    return replace(target, recipe=recipe, boot=boot if asked.boot_time_limit_s else None)


def make(*targets: Target) -> Matrix:
    return replace(make_matrix(), targets=targets)


def renamed(target: Target) -> Target:
    return replace(target, board="jetty")


seconds = st.sampled_from((0.5, 60.0, 600.0, 86400.0))
sizes = st.sampled_from((1 << 20, 8 << 30, 12 << 30, 1 << 40))
allowances = st.builds(
    Allowance, time_limit_s=seconds, memory_limit_bytes=sizes, disk_limit_bytes=sizes, boot_time_limit_s=seconds
)


@given(allowances, allowances)
def test_a_target_of_the_base_gets_the_smaller_of_both(base: Allowance, head: Allowance) -> None:
    (held,) = hold_to_base(make(give(PLAIN, head)), make(give(PLAIN, base))).targets
    assert allowance_of(held) == Allowance(
        time_limit_s=min(base.time_limit_s, head.time_limit_s),
        memory_limit_bytes=min(base.memory_limit_bytes, head.memory_limit_bytes),
        disk_limit_bytes=min(base.disk_limit_bytes, head.disk_limit_bytes),
        boot_time_limit_s=min(base.boot_time_limit_s, head.boot_time_limit_s),
    )
    # Nothing else of it is another: it is the very target that the base would have of this.
    assert give(held, head) == give(PLAIN, head)


@given(allowances, allowances)
def test_whatever_is_lowered_is_told_and_nothing_else(base: Allowance, head: Allowance) -> None:
    """So there is always something to approve, of new targets too."""
    for added in (give(PLAIN, head), renamed(give(PLAIN, head))):
        before = make(give(PLAIN, base))
        after = make(give(PLAIN, base), added) if added.name != PLAIN.name else make(added)
        is_held = hold_to_base(after, before) is not after
        assert bool(list_loosenings(before, after)) is is_held


def test_a_new_target_gets_what_the_base_grants_to_any_or_the_format_to_all() -> None:
    most = replace(DEFAULT_ALLOWANCE, time_limit_s=900.0)
    base = make(give(PLAIN, replace(most, memory_limit_bytes=1 << 20)), *TARGETS[1:])
    assert find_largest(base) == most
    week = replace(most, time_limit_s=604800.0, disk_limit_bytes=24 << 30, boot_time_limit_s=3600.0)
    head = replace(base, targets=(*base.targets, renamed(give(PLAIN, week))))
    held = hold_to_base(head, base)
    assert held.targets[:-1] == base.targets
    assert allowance_of(held.targets[-1]) == most
    assert [told.statement for told in list_loosenings(base, head)] == [
        "its boot's time limit is 3600 s, and no target of the base may take above 10 s; arm/jetty",
        "its disk limit is 24 GiB, and no target of the base may take above 12 GiB; arm/jetty",
        "its time limit is 604800 s, and no target of the base may take above 900 s; arm/jetty",
    ]


def test_a_target_that_was_not_booted_may_boot_as_long_as_any() -> None:
    base = make(replace(PLAIN, boot=None))
    boots = make(give(PLAIN, replace(DEFAULT_ALLOWANCE, boot_time_limit_s=3600.0)))
    assert allowance_of(hold_to_base(boots, base).targets[0]).boot_time_limit_s == 10.0
    (told,) = list_loosenings(base, boots)
    assert told.message == "its boot's time limit is 3600 s, and no target of the base may take above 10 s"


@pytest.mark.parametrize("count", [0, 1, len(TARGETS)])
def test_what_asks_for_no_more_is_the_same_value(count: int) -> None:
    base = make(*TARGETS)
    head = make(*TARGETS[:count])
    assert hold_to_base(head, base) is head
