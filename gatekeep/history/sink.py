"""
What a run needs of a store, and what it keeps: said apart from the store itself, which takes a while to import.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Protocol

from gatekeep.model.evidence import Broken, Built, Evidence, NotDecided, Outgrown, TimedOut


class ResultSink(Protocol):
    """Where results go as they come."""

    def add(self, evidence: Evidence) -> None:
        """Keep one result; on return it is on the disk."""

    def add_carried(self, evidence: Sequence[Evidence]) -> None:
        """Keep that results were taken over; on return it is on the disk."""


class ResultStore(ResultSink, Protocol):
    """What a run needs of a store."""

    def list_evidence(self, tree_ids: Iterable[str]) -> tuple[Evidence, ...]:
        """Give all that is stored for these trees, built or carried, in no promised order."""

    def list_newest(self) -> tuple[Evidence, ...]:
        """Give the newest build of every target that can be carried from."""

    def load_durations(self) -> dict[str, float]:
        """Give the newest build time of every target, in seconds."""


def is_reusable(evidence: Evidence) -> bool:
    """
    Tell whether a later run may take this result over.

    A time limit that ran out and a machine's fault say too little: those are tried again.
    """
    return isinstance(evidence.outcome, Built | Broken | Outgrown)


def is_final(evidence: Evidence) -> bool:
    """
    Tell whether a result stands for its own tree, so that nobody builds it there again.

    That is what may be reused, and what shows that builds of the same inputs contradict each other: it is never carried
    anywhere, and stands until somebody clears it.
    """
    return is_reusable(evidence) or (isinstance(evidence.outcome, NotDecided) and bool(evidence.outcome.tries))


def is_kept(evidence: Evidence) -> bool:
    """
    Tell whether the store keeps this result.

    That is what stands for its tree, and a build that ran past its time limit: people must see it, although every run
    tries it again.
    """
    return is_final(evidence) or isinstance(evidence.outcome, TimedOut)
