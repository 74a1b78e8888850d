"""
What the base's waivers excuse, and what they no longer do.

A waiver of the base (or one that is approved with the change) that is in force on the day of the judgement takes the
block from a fault of its rule and targets; the fault stands in every report. Two ways past its last day are closed
here, both by way of the rule that a change need not answer for what was so at the base already:

- A fault that landed under a waiver is at the base from then on. For a rule and target that a waiver of the base names,
  the waiver is the only excuse: when it has ended, the fault blocks every change until one mends it.
- A change that takes the waiver away while the fault still stands would leave it excused for good. So what a waiver
  excuses blocks when the change's own file excuses it no longer.

Neither holds for growth and new warnings: they are faults of a change, and none once it has landed.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from gatekeep.judge.case import Case
from gatekeep.model.rule import STANDING_RULES, WAIVABLE_RULES, Rule
from gatekeep.model.verdict import Reason
from gatekeep.model.waiver import Waiver, WaiverStanding, WaiverUse


@dataclass(frozen=True, slots=True, kw_only=True)
class Ruling:
    """What a waiver says of one fault of one target. `words` is a sentence for people."""

    waiver: Waiver
    blocks: bool
    words: str


def rule_on(case: Case, rule: Rule, target: str, *, was_at_base: bool, is_mended: bool) -> Ruling | None:
    """
    Ask the waivers of the base about a fault.

    Args:
        case: Has the waivers of every tree, and the day.
        rule: Which the fault breaks.
        target: Whose it is.
        was_at_base: It was so at the base already.
        is_mended: The change has it no more at its end.

    Returns:
        None where no waiver speaks of it, and the fault is judged as it is.
    """
    named = [waiver for waiver in case.counted_waivers if waiver.covers(rule, target)]
    named = [waiver for waiver in named if waiver.since <= case.judged_on]
    if rule not in WAIVABLE_RULES or not named:
        return None
    waiver = max(named, key=lambda one: (one.until, one.name))
    if not waiver.is_in_force(case.judged_on):
        # A change that mends it at last is not held up by its first commits.
        if was_at_base and is_mended:
            return None
        return Ruling(waiver=waiver, blocks=True, words=f"the waiver {waiver.name} ended on {waiver.until}")
    if rule in STANDING_RULES and not is_mended and not _is_kept(case, rule, target):
        words = f"the change takes the waiver {waiver.name} away, and what it excuses still stands"
        return Ruling(waiver=waiver, blocks=True, words=words)
    return Ruling(waiver=waiver, blocks=False, words=say_waived(waiver))


def say_waived(waiver: Waiver) -> str:
    """Word an exception: `waived until 2026-06-30 by lough-part: the new part comes in June (Isa Thorne)`."""
    return f"waived until {waiver.until} by {waiver.name}: {waiver.reason} ({waiver.who.name})"


def list_uses(waivers: Iterable[Waiver], day: date, used: frozenset[str]) -> tuple[WaiverUse, ...]:
    """
    Say what became of each waiver on a day.

    Args:
        waivers: In the order of their file.
        day: In UTC.
        used: Names of those that excused something.
    """
    return tuple(
        WaiverUse(waiver=waiver, standing=_standing_of(waiver, day, used), days_left=(waiver.until - day).days)
        for waiver in waivers
    )


def split_waived(reason: Reason, waivers: Iterable[Waiver], day: date) -> dict[Waiver | None, list[str]]:
    """
    Part the targets of a reason by the waiver that excuses them on a day; None for those that none does.

    Returns:
        Waivers in no promised order, each with its targets in the order of the reason's.
    """
    in_force = sorted((one for one in waivers if one.is_in_force(day)), key=lambda one: (one.until, one.name))
    groups: dict[Waiver | None, list[str]] = {}
    for name in reason.targets:
        waiver = next((one for one in reversed(in_force) if one.covers(reason.rule, name)), None)
        groups.setdefault(waiver, []).append(name)
    return groups


def _standing_of(waiver: Waiver, day: date, used: frozenset[str]) -> WaiverStanding:
    if waiver.until < day:
        return WaiverStanding.ENDED
    if waiver.since > day:
        return WaiverStanding.TO_COME
    return WaiverStanding.USED if waiver.name in used else WaiverStanding.UNUSED


def _is_kept(case: Case, rule: Rule, target: str) -> bool:
    """Whether the file of waivers that would land still excuses it."""
    last = case.landing()
    # A file that cannot be read blocks by itself.
    if last is None or last.tree_id not in case.waivers:
        return True
    return any(one.covers(rule, target) and one.is_in_force(case.judged_on) for one in case.waivers_of(last))
