"""
How much a target's builds and boots may use, and holding those of a change to what the base allows.

A change cannot loosen its own gate, so it cannot let its builds run for a week either: builds of a change get the
smaller of what the base and the change's own matrix say. A target that the base has not may use what the base grants
to any of its targets, or what the format grants to a recipe that says nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from gatekeep.model.matrix import Boot, Matrix, Recipe, Target

_PLAIN_RECIPE = Recipe(name="none", build=(("true",),), image="none")
_PLAIN_BOOT = Boot(command=("true",), expect=("none",))


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowance:
    """
    The most that one target's build and its boot may take; `boot_time_limit_s` is 0 for a target that is not booted.
    """

    time_limit_s: float
    memory_limit_bytes: int
    disk_limit_bytes: int
    boot_time_limit_s: float = 0.0


#: Of a recipe and a boot that say nothing.
DEFAULT_ALLOWANCE = Allowance(
    time_limit_s=_PLAIN_RECIPE.time_limit_s,
    memory_limit_bytes=_PLAIN_RECIPE.memory_limit_bytes,
    disk_limit_bytes=_PLAIN_RECIPE.disk_limit_bytes,
    boot_time_limit_s=_PLAIN_BOOT.time_limit_s,
)


def allowance_of(target: Target) -> Allowance:
    """Give what a target's own matrix allows it."""
    recipe = target.recipe
    return Allowance(
        time_limit_s=recipe.time_limit_s,
        memory_limit_bytes=recipe.memory_limit_bytes,
        disk_limit_bytes=recipe.disk_limit_bytes,
        boot_time_limit_s=target.boot.time_limit_s if target.boot is not None else 0.0,
    )


def find_largest(matrix: Matrix) -> Allowance:
    """Give, limit by limit, the largest of the matrix' targets and of the format's defaults."""
    every = [DEFAULT_ALLOWANCE, *map(allowance_of, matrix.targets)]
    return Allowance(
        time_limit_s=max(one.time_limit_s for one in every),
        memory_limit_bytes=max(one.memory_limit_bytes for one in every),
        disk_limit_bytes=max(one.disk_limit_bytes for one in every),
        boot_time_limit_s=max(one.boot_time_limit_s for one in every),
    )


def hold_to_base(matrix: Matrix, base: Matrix) -> Matrix:
    """
    Lower the limits of a matrix to what the base's allows.

    Args:
        matrix: One of the change.
        base: The one that judges.

    Returns:
        The same value where nothing is above.
    """
    if matrix is base:
        return matrix
    largest = find_largest(base)
    targets = tuple(_hold(target, base.get_target(target.name), largest) for target in matrix.targets)
    return matrix if targets == matrix.targets else replace(matrix, targets=targets)


def _hold(target: Target, before: Target | None, largest: Allowance) -> Target:
    asked = allowance_of(target)
    granted = largest if before is None else allowance_of(before)
    # One that was not booted at the base has no limit there that could bind.
    boot_s = granted.boot_time_limit_s or largest.boot_time_limit_s
    if not any(_iter_excess(asked, replace(granted, boot_time_limit_s=boot_s))):
        return target
    recipe = replace(
        target.recipe,
        time_limit_s=min(asked.time_limit_s, granted.time_limit_s),
        memory_limit_bytes=min(asked.memory_limit_bytes, granted.memory_limit_bytes),
        disk_limit_bytes=min(asked.disk_limit_bytes, granted.disk_limit_bytes),
    )
    boot = target.boot
    if boot is not None:
        boot = replace(boot, time_limit_s=min(boot.time_limit_s, boot_s))
    return replace(target, recipe=recipe, boot=boot)


def _iter_excess(asked: Allowance, granted: Allowance) -> Iterator[bool]:
    yield asked.time_limit_s > granted.time_limit_s
    yield asked.memory_limit_bytes > granted.memory_limit_bytes
    yield asked.disk_limit_bytes > granted.disk_limit_bytes
    yield asked.boot_time_limit_s > granted.boot_time_limit_s
