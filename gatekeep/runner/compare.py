"""
Holds a carried result against clean builds of the same tree. Pure.

What counts as different: the outcome and its words, regions, sections, symbols, diagnostics, and the digests of the
artifacts. What does not: time, logs, excerpts, and the order of diagnostics, which a parallel make may change.

A difference does not say yet that carrying is wrong: a build that puts the time, a random number or its own path into
the image differs from itself. So what differs is built clean once more, in another folder. What differs between the two
clean builds as well is the build's own unsteadiness. Carrying is to blame when

- a fact (all but the bytes of artifacts) differs from both clean builds: a verdict may rest on it, and unsteadiness
  is no excuse;
- or only bytes differ, and some of them in an artifact that is the same in both clean builds.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence

from gatekeep.model.audit import Aspect, Difference, Standing
from gatekeep.model.evidence import (
    Broken,
    Built,
    Diagnostic,
    Evidence,
    NotDecided,
    Outcome,
    Outgrown,
    RegionUse,
    TimedOut,
    name_outcome,
)

_ABSENT = "none"
#: Of a digest, as many digits as people compare by eye.
_DIGITS = 12


def compare_results(ours: Evidence, clean: Evidence) -> tuple[Difference, ...]:
    """
    List in what two results of one target at one tree differ.

    Args:
        ours: The carried one, with sections and symbols.
        clean: The clean build's, likewise.

    Returns:
        Differences by aspect, then in the order of the results; empty when the two are equal.
    """
    if type(ours.outcome) is not type(clean.outcome):
        first = Difference(
            aspect=Aspect.OUTCOME,
            name="outcome",
            ours=name_outcome(ours.outcome),
            clean=name_outcome(clean.outcome),
        )
        return (first, *_compare_diagnostics(ours, clean))
    return (
        *_compare_words(ours.outcome, clean.outcome),
        *_compare_diagnostics(ours, clean),
        *_compare_footprints(ours, clean),
        *_compare_artifacts(ours.outcome, clean.outcome),
    )


def settle(ours: Evidence, clean: Evidence, again: Evidence) -> Standing:
    """
    Say whether carrying is to blame for a difference.

    Args:
        ours: The carried result.
        clean: A clean build's, which differs from it.
        again: A second clean build's, made in another folder.

    Returns:
        Equal (when there was no difference after all), a mismatch, or not reproducible.
    """
    differing = compare_results(ours, clean)
    if not differing:
        return Standing.EQUAL
    if any(entry.aspect.is_fact for entry in differing):
        agrees = not any(entry.aspect.is_fact for entry in compare_results(ours, again))
        return Standing.NOT_REPRODUCIBLE if agrees else Standing.MISMATCH
    unsteady = {(entry.aspect, entry.name) for entry in compare_results(clean, again)}
    is_steady = any((entry.aspect, entry.name) not in unsteady for entry in differing)
    return Standing.MISMATCH if is_steady else Standing.NOT_REPRODUCIBLE


def _compare_words(ours: Outcome, clean: Outcome) -> Iterator[Difference]:
    for name, one, other in zip(("message", "first error", "overflow"), _say(ours), _say(clean), strict=True):
        if one != other:
            yield Difference(aspect=Aspect.OUTCOME, name=name, ours=one or _ABSENT, clean=other or _ABSENT)


def _say(outcome: Outcome) -> tuple[str, str, str]:
    """Give message, first error and overflows of an outcome, as far as it has them."""
    match outcome:
        case Broken():
            return outcome.message, _say_diagnostic(outcome.first_error) if outcome.first_error else "", ""
        case Outgrown():
            overflows = ", ".join(f"{entry.region} by {entry.over_bytes} bytes" for entry in outcome.overflows)
            return outcome.message, "", overflows
        case NotDecided():
            return outcome.message, "", ""
        case Built() | TimedOut():
            return "", "", ""


def _compare_diagnostics(ours: Evidence, clean: Evidence) -> Iterator[Difference]:
    before = Counter(map(_say_diagnostic, ours.diagnostics))
    after = Counter(map(_say_diagnostic, clean.diagnostics))
    for words in dict.fromkeys((*before, *after)):
        if before[words] != after[words]:
            yield Difference(
                aspect=Aspect.DIAGNOSTIC,
                name=words,
                ours=_say_times(before[words]),
                clean=_say_times(after[words]),
            )


def _say_diagnostic(entry: Diagnostic) -> str:
    place = entry.place + (f":{entry.column}" if entry.column is not None else "")
    option = f" [{entry.option}]" if entry.option else ""
    return f"{place + ': ' if place else ''}{entry.severity.value}: {entry.message}{option}"


def _say_times(number: int) -> str:
    return _ABSENT if number == 0 else "there" if number == 1 else f"{number} times"


def _compare_footprints(ours: Evidence, clean: Evidence) -> Iterator[Difference]:
    one, other = ours.footprint, clean.footprint
    if one == other:
        return
    regions = ([(use.name, use) for use in side.regions] if side else [] for side in (one, other))
    sections = ([*side.sections] if side else [] for side in (one, other))
    symbols = ([*side.symbols] if side else [] for side in (one, other))
    yield from _compare_named(Aspect.REGION, *map(_say_regions, regions))
    yield from _compare_named(Aspect.SECTION, *map(_say_sizes, sections))
    yield from _compare_named(Aspect.SYMBOL, *map(_say_sizes, symbols))


def _say_regions(uses: Iterable[tuple[str, RegionUse]]) -> list[tuple[str, str]]:
    return [(name, f"{use.used_bytes} of {use.capacity_bytes} bytes") for name, use in uses]


def _say_sizes(sizes: Iterable[tuple[str, int]]) -> list[tuple[str, str]]:
    return [(name, f"{amount} bytes") for name, amount in sizes]


def _compare_named(
    aspect: Aspect, ours: Sequence[tuple[str, str]], clean: Sequence[tuple[str, str]]
) -> Iterator[Difference]:
    """Compare named amounts; names may repeat, as those of sections and static symbols do."""
    before, after = _gather(ours), _gather(clean)
    for name in dict.fromkeys((*before, *after)):
        one, other = before.get(name, []), after.get(name, [])
        if one != other:
            yield Difference(
                aspect=aspect, name=name, ours=", ".join(one) or _ABSENT, clean=", ".join(other) or _ABSENT
            )


def _gather(entries: Iterable[tuple[str, str]]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for name, words in entries:
        found.setdefault(name, []).append(words)
    return found


def _compare_artifacts(ours: Outcome, clean: Outcome) -> Iterator[Difference]:
    if not isinstance(ours, Built) or not isinstance(clean, Built):
        return
    before, after = ({entry.name: entry for entry in side.artifacts} for side in (ours, clean))
    for name in dict.fromkeys((*before, *after)):
        one, other = before.get(name), after.get(name)
        if one is None or other is None or one.sha256 != other.sha256:
            yield Difference(
                aspect=Aspect.ARTIFACT,
                name=name,
                ours=f"SHA-256 {one.sha256[:_DIGITS]}" if one else _ABSENT,
                clean=f"SHA-256 {other.sha256[:_DIGITS]}" if other else _ABSENT,
            )
