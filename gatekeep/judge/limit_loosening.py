"""
What a new target, or a new boot, asks of the machine beyond what the base grants to any of its own.

New targets ask for nothing less strictly, so nothing else of them is a loosening. But whoever may add one could keep a
server busy for a week; so their builds are held to the base's largest limits, and asking for more is approved first.
"""

from __future__ import annotations

from collections.abc import Iterator

from gatekeep.judge.storage_limits import Looser
from gatekeep.model.allowance import Allowance, allowance_of, find_largest
from gatekeep.model.matrix import Matrix, Target
from gatekeep.model.quantity import render_exact_bytes


def list_new_demands(base: Matrix, head: Matrix) -> Iterator[tuple[Target, Looser]]:
    """Give each limit that is new and above the largest of the base's targets and of the format's defaults."""
    largest = find_largest(base)
    for target in head.targets:
        before, asked = base.get_target(target.name), allowance_of(target)
        if before is None:
            yield from ((target, looser) for looser in _compare_builds(asked, largest))
        if before is None or before.boot is None:
            yield from ((target, looser) for looser in _compare_boots(asked, largest))


def _compare_builds(asked: Allowance, largest: Allowance) -> Iterator[Looser]:
    if asked.time_limit_s > largest.time_limit_s:
        yield (
            ("time_limit",),
            _say_above("time limit", f"{asked.time_limit_s:.15g} s", f"{largest.time_limit_s:.15g} s"),
        )
    for aspect, now, most in (
        ("memory_limit", asked.memory_limit_bytes, largest.memory_limit_bytes),
        ("disk_limit", asked.disk_limit_bytes, largest.disk_limit_bytes),
    ):
        if now > most:
            yield (aspect,), _say_above(aspect.replace("_", " "), render_exact_bytes(now), render_exact_bytes(most))


def _compare_boots(asked: Allowance, largest: Allowance) -> Iterator[Looser]:
    now_s, most_s = asked.boot_time_limit_s, largest.boot_time_limit_s
    if now_s > most_s:
        yield ("boot", "time_limit"), _say_above("boot's time limit", f"{now_s:.15g} s", f"{most_s:.15g} s")


def _say_above(what: str, now: str, most: str) -> str:
    return f"its {what} is {now}, and no target of the base may take above {most}"
