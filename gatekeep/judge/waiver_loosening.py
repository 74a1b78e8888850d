"""
What one file of waivers excuses that another does not.

A name, a reason or a person may change freely. What counts is on which days which rule is excused for which target: a
day that the base's file does not excuse is looser, whether by a new waiver, a later end, an earlier beginning, or one
more target (a pattern such as `arm/*` grows with the matrix).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from gatekeep.model.matrix import Place
from gatekeep.model.rule import Rule
from gatekeep.model.waiver import Waiver


@dataclass(frozen=True, slots=True, kw_only=True)
class LooserWaiver:
    """A waiver that excuses more for one target; `message` is one sentence without its name."""

    name: str
    rule: Rule
    target: str
    message: str
    place: Place


def compare_waivers(base: Sequence[Waiver], head: Sequence[Waiver]) -> Iterator[LooserWaiver]:
    """
    Compare two files of waivers.

    Args:
        base: The waivers that count.
        head: Those of one commit of the change.

    Yields:
        One for each waiver and target, in the order of the head's file.
    """
    for waiver in head:
        for target in waiver.targets:
            before = [(one.since, one.until) for one in base if one.covers(waiver.rule, target)]
            if not _is_within((waiver.since, waiver.until), before):
                yield LooserWaiver(
                    name=waiver.name,
                    rule=waiver.rule,
                    target=target,
                    message=_say_more(waiver, before),
                    place=waiver.place,
                )


def _say_more(waiver: Waiver, before: Sequence[tuple[date, date]]) -> str:
    days = f"rule {waiver.rule.value} is waived from {waiver.since} to {waiver.until}"
    if not before:
        return f"{days}, and was not waived"
    known = ", ".join(f"from {since} to {until}" for since, until in sorted(before))
    return f"{days}, and no longer only {known}"


def _is_within(span: tuple[date, date], others: Sequence[tuple[date, date]]) -> bool:
    """Whether every day of a span is one of the others'; first and last days are included."""
    since, until = span
    for first, last in sorted(others):
        if first <= since <= last:
            if last >= until:
                return True
            since = last + timedelta(days=1)
    return False
