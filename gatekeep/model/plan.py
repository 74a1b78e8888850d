"""
What must be built, and in which order.
"""

from __future__ import annotations

from dataclasses import dataclass

from gatekeep.model.change import Commit
from gatekeep.model.evidence import Evidence
from gatekeep.model.matrix import Matrix, Port, Target


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """
    One target to build at one tree.

    `key` is the evidence key; `reason` says why it is built and not carried ("drivers/uart.c, which it reads, is
    modified"). `position` counts trees, the base's is 0; `expected_s` comes from earlier builds, None when there were
    none. `rank` orders jobs, lowest first.
    """

    target: Target
    port: Port
    commit: Commit
    source_date: int
    key: str
    toolchain_version: str
    reason: str = ""
    position: int = 0
    rank: tuple[int, ...] = ()
    expected_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """
    The work of one run.

    `matrices` gives the matrix of every tree by tree id (the base's first). `jobs` run in order of rank. `known` is
    evidence that exists already: stored by an earlier run, or not decided before any build (a missing toolchain). Every
    (tree, target) pair of the run is in exactly one of the two.
    """

    matrices: dict[str, Matrix]
    jobs: tuple[Job, ...]
    known: tuple[Evidence, ...]
