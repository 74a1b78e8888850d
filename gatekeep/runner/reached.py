"""
Which targets the difference between two trees reaches, by what their builds have read so far. Pure.

An answer before anything is built: for an author who wants to know whom a change concerns, and for whoever asks why a
target was built or not.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from gatekeep.model.evidence import Evidence
from gatekeep.model.matrix import Matrix
from gatekeep.runner.reach import Reached, TreeChange
from gatekeep.runner.reach_book import WordBook
from gatekeep.runner.reach_index import ReachIndex
from gatekeep.runner.reach_words import words_of_target

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
    base: Matrix,
    head: Matrix,
    *,
    witnesses: Mapping[str, Evidence],
    change: TreeChange,
    book: WordBook,
    environment: Mapping[str, str],
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
        environment: The one that we were started with.
    """
    own_words = {target.name: words_of_target(target, environment) for target in head.targets}
    read_sets = {
        target.name: witness.read_set
        for target in head.targets
        if (witness := witnesses.get(target.name)) is not None and witness.read_set is not None
    }
    entries = {} if base is head else _compare_entries(base, head)
    reached = ReachIndex(read_sets, book=book, own_words=own_words).reached(change)
    return tuple(
        TargetReach(
            target=target.name,
            witness=witnesses.get(target.name),
            cause=reached.get(target.name),
            entry=entries.get(target.name),
        )
        for target in head.targets
    )


def _compare_entries(base: Matrix, head: Matrix) -> dict[str, str]:
    """Say for each target of the head whose entry asks for a build, why."""
    known = {target.name: target for target in base.targets}
    ports, dated_anew = _port_facts(base), base.source_date != head.source_date
    other_ports = {name for name, facts in _port_facts(head).items() if ports.get(name) != facts}
    found: dict[str, str] = {}
    for target in head.targets:
        if target.name not in known:
            found[target.name] = NEW_TARGET
        elif dated_anew or target.port in other_ports or known[target.name] != target:
            found[target.name] = OTHER_ENTRY
    return found


def _port_facts(matrix: Matrix) -> dict[str, tuple[str | int | None, ...]]:
    """What the evidence key takes of each port; maintainers change no build."""
    return {port.name: (port.machine, port.bits, port.byte_order) for port in matrix.ports}
