"""
What an audit says: carried results, each held against a clean build.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import Enum

from gatekeep.model.change import Change, Commit
from gatekeep.model.matrix import Matrix
from gatekeep.model.readset import Carried
from gatekeep.model.verdict import Decision


class Aspect(Enum):
    """What of a result can differ; all but the artifacts' bytes are facts that a verdict may rest on."""

    OUTCOME = "outcome"
    DIAGNOSTIC = "diagnostic"
    REGION = "region"
    SECTION = "section"
    SYMBOL = "symbol"
    ARTIFACT = "artifact"

    @property
    def is_fact(self) -> bool:
        """Whether a verdict may rest on it."""
        return self is not Aspect.ARTIFACT


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """
    One thing in which two results differ.

    `name` says which (an artifact, a region, a place and its message); `ours` is what was carried and `clean` what the
    clean build gave, worded for people ("120 bytes", "none"). All three are hostile.
    """

    aspect: Aspect
    name: str
    ours: str
    clean: str


class Standing(Enum):
    """How a carried result stands after its audit."""

    EQUAL = "equal"
    MISMATCH = "mismatch"
    NOT_REPRODUCIBLE = "not-reproducible"
    NOT_DECIDED = "not-decided"


@dataclass(frozen=True, slots=True, kw_only=True)
class Audited:
    """
    One carried result and what a clean build said about it.

    `commit` is the first of the range that has the tree. `carried` says where the result came from, None where it was
    never known whether anything could be carried (a missing toolchain). `differences` is empty for what is equal or not
    decided. `changed_paths` are the paths that differ between the tree that was built and this one, each with what
    happened to it ("docs/a.txt is modified"): by the rule for carrying none of them reaches the target; given for a
    mismatch only. `read_count` is the number of files and folders that the carried build read. `notes` are further
    sentences: where files differ, why it is not decided, what to do.
    """

    target: str
    commit: Commit
    key: str
    standing: Standing
    carried: Carried | None
    differences: tuple[Difference, ...] = ()
    changed_paths: tuple[str, ...] = ()
    read_count: int = 0
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditCause:
    """
    Results with one standing and one cause, for people.

    `whom` words the targets, `message` is one sentence without its place, `details` are further lines; hostile, as are
    all texts of an audit. `commits` are those at which it shows, in the order of the change, never empty. `targets` are
    sorted.
    """

    standing: Standing
    whom: str
    targets: tuple[str, ...]
    commits: tuple[Commit, ...]
    message: str
    details: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """
    A target whose results are not carried, since an audit found one wrong.

    `what` says in one line what differed; `tree_id` and `commit_id` say where. `barred_at` is aware, in UTC.
    """

    target: str
    key: str
    tree_id: str
    commit_id: str
    barred_at: datetime
    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Audit:
    """
    The result of one audit.

    `change` holds the commits (base and head are the same commit where one was named). `matrix` is the base's.
    `carried_count` results of the range were carried; `results` are those that were audited, sorted by commit in the
    order of the change, then by target; so are targets that could not be planned. `causes` groups those that are not
    equal: what cannot be reproduced first, then what is not decided, mismatches last, where they are read first.
    """

    change: Change
    matrix: Matrix
    carried_count: int
    results: tuple[Audited, ...]
    causes: tuple[AuditCause, ...] = ()

    def select(self, standing: Standing) -> tuple[Audited, ...]:
        """Give the results of one standing."""
        return tuple(result for result in self.results if result.standing is standing)

    @property
    def decision(self) -> Decision:
        """Pass when every audited result is equal in all that a verdict rests on; else undecided, never block."""
        wrong = any(result.standing in (Standing.MISMATCH, Standing.NOT_DECIDED) for result in self.results)
        return Decision.UNDECIDED if wrong else Decision.PASS
