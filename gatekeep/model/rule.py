"""
The rules that a change may break.
"""

from __future__ import annotations

from enum import Enum


class Rule(Enum):
    """The cause of a reason."""

    BROKEN = "broken"
    OUTGROWN = "outgrown"
    RESERVE = "reserve"
    GROWTH = "growth"
    NEW_WARNING = "new-warning"
    TIMED_OUT = "timed-out"
    PREBUILT = "prebuilt"
    UNCLAIMED_BOARD = "unclaimed-board"
    DROPPED_TARGET = "dropped-target"
    LOOSENED = "loosened"
    MATRIX = "matrix"
    CONFLICT = "conflict"
    WROTE_IN_TREE = "wrote-in-tree"
    UNDECIDED = "undecided"


#: What a waiver may excuse: what is wrong with an image or its build. Never what could not be judged, nor what the
#: change says of the gate itself.
WAIVABLE_RULES = (Rule.BROKEN, Rule.OUTGROWN, Rule.RESERVE, Rule.GROWTH, Rule.NEW_WARNING, Rule.TIMED_OUT)

#: Of these, what a tree has or has not, whatever it was compared with: it stands until somebody mends it.
STANDING_RULES = frozenset({Rule.BROKEN, Rule.OUTGROWN, Rule.RESERVE, Rule.TIMED_OUT})

#: What somebody whom the base trusts may approve, for one exact change.
APPROVABLE_RULES = frozenset({Rule.DROPPED_TARGET, Rule.LOOSENED})
