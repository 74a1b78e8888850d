"""
Which commit broke a target, as sweeps have found it: results alone can only say at which commit it first shows. Pure.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

from gatekeep.model.change import Commit
from gatekeep.model.health import State
from gatekeep.model.history import Sweep, Turn

_TURNS = {State.BROKEN: Turn.BROKE, State.OUTGROWN: Turn.OUTGREW, State.TIMED_OUT: Turn.TIMED_OUT}
#: A target that reaches its reserve has an image again, if it had none.
_TOLD_TURNS = {**_TURNS, State.WELL: Turn.MENDED, State.IN_RESERVE: Turn.MENDED}


def list_culprit_ids(sweeps: Iterable[Sweep]) -> frozenset[str]:
    """Give the names of all culprits that sweeps have found."""
    return frozenset(turn.culprit_commit_id for sweep in sweeps for turn in sweep.turns if turn.culprit_commit_id)


class Culprits:
    """
    What sweeps have found, by target.

    Args:
        sweeps: Oldest first.
        commits: By name: those of the branch, and those of its merges' sides that are known.
        positions: On the branch, by name.
    """

    def __init__(self, sweeps: Iterable[Sweep], commits: Mapping[str, Commit], positions: Mapping[str, int]) -> None:
        self._positions = positions
        self._found: dict[tuple[str, Turn], list[tuple[int, Commit]]] = {}
        self._told: dict[tuple[str, Turn], list[tuple[int, Sweep]]] = {}
        for sweep in sweeps:
            at = positions.get(sweep.commit_id)
            if at is None:
                continue
            for turn in sweep.turns:
                self._told.setdefault((turn.target, turn.turn), []).append((at, sweep))
                culprit = commits.get(turn.culprit_commit_id or "")
                if culprit is not None:
                    self._found.setdefault((turn.target, turn.turn), []).append((at, culprit))

    def get(self, target: str, state: State, *, places: Collection[int], stretch: range) -> Commit | None:
        """
        Give the commit that brought a target into a state; None where no sweep has found it.

        Args:
            target: Its name.
            state: Broken, outgrown or timed out; of others no culprit is searched.
            places: Positions at which the turn may have happened. What a sweep found elsewhere on the branch is about
                something else.
            stretch: Positions at which the state lasted; the sweep that found the culprit lies among them.
        """
        turn = _TURNS.get(state)
        if turn is None:
            return None
        for at, culprit in self._found.get((target, turn), ()):
            place = self._positions.get(culprit.commit_id)
            if at in stretch and (place is None or place in places):
                return culprit
        return None

    def get_teller(self, target: str, state: State, stretch: range) -> Sweep | None:
        """
        Give the sweep that first told of a target's turn into a state; None where none has.

        Args:
            target: Its name.
            state: The new one.
            stretch: Positions at which the state lasted.
        """
        turn = _TOLD_TURNS.get(state)
        told = self._told.get((target, turn), ()) if turn is not None else ()
        return next((sweep for at, sweep in told if at in stretch), None)
