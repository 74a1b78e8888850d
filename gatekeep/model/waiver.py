"""
Waivers: dated exceptions to one rule for named targets.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from enum import Enum

from gatekeep.model.matrix import Maintainer, Place
from gatekeep.model.rule import WAIVABLE_RULES, Rule

#: How long before its end a waiver is said to end: time to mend what it excuses, or to ask for more.
END_NEAR_DAYS = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiver:
    """
    One exception.

    `targets` are names, sorted, never empty: patterns stand for what the matrix listed where the waiver was read.
    `reason` and `who` are for people, and hostile. It is in force from the day `since` to the day `until`, both
    included and both in UTC.
    """

    name: str
    rule: Rule
    targets: tuple[str, ...]
    reason: str
    who: Maintainer
    since: date
    until: date
    place: Place = field(compare=False, repr=False)

    def __post_init__(self) -> None:
        if self.rule not in WAIVABLE_RULES:
            raise ValueError(f"waiver {self.name}: rule {self.rule.value} cannot be waived")
        if self.until < self.since:
            raise ValueError(f"waiver {self.name}: until must not be before since")

    def is_in_force(self, day: date) -> bool:
        """Whether it excuses anything on a day."""
        return self.since <= day <= self.until

    def covers(self, rule: Rule, target: str) -> bool:
        """Whether it speaks of this rule and this target, on whatever day."""
        return self.rule is rule and target in self.targets


class WaiverStanding(Enum):
    """What a waiver did in one judgement; the values are the words that people read."""

    USED = "used"
    UNUSED = "unused"
    ENDED = "ended"
    TO_COME = "to come"


@dataclass(frozen=True, slots=True, kw_only=True)
class WaiverUse:
    """A waiver on the day of a judgement. `days_left` counts to its last day; 0 on that day, negative behind it."""

    waiver: Waiver
    standing: WaiverStanding
    days_left: int

    @property
    def ends_soon(self) -> bool:
        """In force, and its end is a week away or less."""
        return self.standing in (WaiverStanding.USED, WaiverStanding.UNUSED) and self.days_left <= END_NEAR_DAYS
