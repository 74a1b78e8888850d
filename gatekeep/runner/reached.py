"""
Which targets the difference between two trees reaches, by what their builds have read so far. Pure.

An answer before anything is built: for an author who wants to know whom a change concerns, and for whoever asks why a
target was built or not.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from gatekeep.model.evidence import Evidence
from gatekeep.model.matrix import Matrix, Target
from gatekeep.runner.reach import Reached, TreeChange
from gatekeep.runner.reach_index import ReachIndex
from gatekeep.runner.reach_words import WordBook, words_of_target

#: Why a target is reached whatever it reads.
NEW_TARGET = "its entry in the matrix is new"
OTHER_ENTRY = "its entry in the matrix differs"


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetReach:
    """
    What is known of one target.

    `witness` is the build whose read set answers, None when the target was never built with one. `cause` is the first
    path that reaches it, with its rule; `entry` says that the matrix itself does. Neither, with a witness: not reached.
    """

    target: str
    witness: Evidence | None
    cause: Reached | None = None
    entry: str | None = None

    @property
    def is_reached(self) -> bool:
        """Whether the difference reaches it."""
        return self.cause is not None or self.entry is not None

    @property
    def is_known(self) -> bool:
        """Whether there is an answer."""
        return self.is_reached or self.witness is not None


def choose_witnesses(at_base: Iterable[Evidence], newest: Iterable[Evidence]) -> dict[str, Evidence]:
    """
    Choose by target the build that answers: one at the base's tree, else the newest; built before carried.

    Args:
        at_base: What is stored for the base's tree.
        newest: What is stored for any tree.
    """
    chosen: dict[str, tuple[tuple[bool, bool, str], Evidence]] = {}
    for is_at_base, entries in ((False, newest), (True, at_base)):
        for entry in entries:
            if entry.read_set is None:
                continue
            started = entry.started_at.isoformat() if entry.started_at else ""
            rank = (is_at_base, entry.carried is None, started)
            known = chosen.get(entry.target)
            if known is None or known[0] <= rank:
                chosen[entry.target] = (rank, entry)
    return {target: entry for target, (_, entry) in chosen.items()}


def find_reached(
    base: Matrix, head: Matrix, *, witnesses: Mapping[str, Evidence], change: TreeChange, book: WordBook
) -> tuple[TargetReach, ...]:
    """
    Answer for every target of the head's matrix, in its order.

    Args:
        base: The matrix at the base.
        head: The matrix at the head.
        witnesses: As `choose_witnesses` gives them. One of another tree than the base's answers as if it had read the
            same there.
        change: From the base's tree to the head's.
        book: The words of files.
    """
    own_words = {target.name: words_of_target(target) for target in head.targets}
    read_sets = {
        target.name: witness.read_set
        for target in head.targets
        if (witness := witnesses.get(target.name)) is not None and witness.read_set is not None
    }
    reached = ReachIndex(read_sets, book=book, own_words=own_words).reached(change)
    return tuple(
        TargetReach(
            target=target.name,
            witness=witnesses.get(target.name),
            cause=reached.get(target.name),
            entry=_compare_entries(target, base, head),
        )
        for target in head.targets
    )


def _compare_entries(target: Target, base: Matrix, head: Matrix) -> str | None:
    known = base.get_target(target.name)
    if known is None:
        return NEW_TARGET
    here, there = head.get_port(target.port), base.get_port(target.port)
    # What the evidence key takes of a port; maintainers change no build.
    facts = [(port.machine, port.bits, port.byte_order) if port is not None else None for port in (here, there)]
    return OTHER_ENTRY if known != target or facts[0] != facts[1] or base.source_date != head.source_date else None
