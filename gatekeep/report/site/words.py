"""
The sentences of the health site that count and compare.
"""

from __future__ import annotations

from datetime import UTC, date, datetime

from gatekeep.model.health import Beginning, CommitHealth, Health, Outlook, PortHealth, State, TargetHealth
from gatekeep.model.quantity import render_bytes
from gatekeep.report.plain import plain
from gatekeep.report.wording import count

_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
#: What a target "is" or "has" in each state.
_VERBS = {
    State.WELL: ("is well", "are well"),
    State.IN_RESERVE: ("is in its reserve", "are in their reserve"),
    State.BROKEN: ("is broken", "are broken"),
    State.OUTGROWN: ("has outgrown its flash", "have outgrown their flash"),
    State.TIMED_OUT: ("takes too long to build", "take too long to build"),
    State.NOT_DECIDED: ("could not be decided", "could not be decided"),
    State.NEVER_BUILT: ("was never built", "were never built"),
}


def say_day(day: date) -> str:
    """Word a day: `3 July 2026`; the same in every locale, since a page must not depend on who renders it."""
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"


def say_time(moment: datetime) -> str:
    """Word an instant for readers without script: `3 July 2026, 08:05 UTC`."""
    here = moment.astimezone(UTC)
    return f"{say_day(here.date())}, {here:%H:%M} UTC"


def rfc3339(moment: datetime) -> str:
    """Give `2026-07-03T08:05:00Z` (RFC 3339, section 5.6)."""
    return moment.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def say_state(state: State, number: int = 1) -> str:
    """Word a state as the rest of a sentence: `is broken`, `are broken`."""
    return _VERBS[state][number != 1]


def say_port(port: PortHealth) -> str:
    """Word a port: `all 3 targets are well`, `2 of 3 targets are well`, `its only target is broken`."""
    total = len(port.targets)
    if total == 1:
        return f"its only target {say_state(port.targets[0].state)}"
    if port.well_count == total:
        return f"{'both' if total == 2 else f'all {total}'} targets are well"
    if port.well_count == 0:
        return f"{'neither of its two' if total == 2 else f'none of its {total}'} targets is well"
    return f"{port.well_count} of {total} targets {'is' if port.well_count == 1 else 'are'} well"


def sentence_start(whom: str) -> str:
    """Let a sentence begin: our own words get a capital, a name stays as it is."""
    return whom[:1].upper() + whom[1:] if whom.startswith(("all ", "both ", "every ")) else whom


def say_doubt(beginning: Beginning) -> str:
    """Word how sure the first commit is; "" where it is certain."""
    if beginning.culprit is not None:
        return ""
    if beginning.from_start:
        return "the first commit that is known"
    return say_unknown(beginning.unknown_count)


def say_unknown(unknown_count: int) -> str:
    """Word that a turn may be the work of so many commits before the one that is named; "" for none."""
    if unknown_count == 1:
        return "or the commit before it, which has no result"
    return f"or one of the {unknown_count} commits before it, which have no result" if unknown_count else ""


def say_changed(change: CommitHealth) -> str:
    """Word how much a commit changed: `3 targets`; `3 targets over 6 commits` where some of it may be older."""
    words = count(len(change.changes), "target")
    return f"{words} over {change.unknown_count + 1} commits" if change.unknown_count else words


def say_changer(change: CommitHealth) -> str:
    """Word whose work a change is: `It`, `It or the commit before it`, `It or the 5 commits before it`."""
    number = change.unknown_count
    return f"It or the {count(number, 'commit') if number > 1 else 'commit'} before it" if number else "It"


def say_delta(delta_bytes: int) -> str:
    """Word a growth with its sign: `+1.25 KiB`, `−12 B`, `±0 B`."""
    sign = "+" if delta_bytes > 0 else "−" if delta_bytes < 0 else "±"
    return f"{sign}{render_bytes(abs(delta_bytes))}"


def say_behind(health: Health) -> str:
    """Word which of the newest commits have no result, of any target or of some; "" where all have one."""
    behind = [health.count_behind(target) for target in health.targets if target.runs]
    least, most = min(behind, default=0), max(behind, default=0)
    further = sum(number > least for number in behind)
    some = f"{further} of {count(health.target_count, 'target')} {'has' if further == 1 else 'have'}"
    if least:
        whole = "The newest commit has no result" if least == 1 else f"The newest {least} commits have no result"
        return f"{whole}; {some} none at earlier ones either." if further else f"{whole}."
    return f"{some} no result at the newest {'commit' if most == 1 else 'commits'}." if further else ""


def say_outlook(outlook: Outlook, *, pace: str = "") -> str:
    """
    Word when a region reaches its reserve, without a full stop; a day that is over is told as foretold, not as to come.

    Args:
        outlook: As it is told on its day.
        pace: How much it grows a day, in words: then it begins a sentence about a region that the reader has in view.
    """
    reached, early = say_day(outlook.reached_on), say_day(outlook.early_on)
    what = "it" if pace else outlook.region
    if outlook.has_passed:
        start = f"By its growth of {pace} a day" if pace else "by its growth"
        return f"{start} up to {say_day(outlook.from_on)} {what} was to reach its reserve around {reached}"
    start = f"At its present growth of {pace} a day" if pace else "at its present growth"
    if outlook.late_on is not None and outlook.is_due:
        span = f", hardly after {say_day(outlook.late_on)}"
    elif outlook.late_on is not None:
        span = f", likely between {early} and {say_day(outlook.late_on)}"
    else:
        span = "" if outlook.is_due else f", hardly before {early}"
    return f"{start} {what} reaches its reserve around {reached}{span}"


def say_warnings(number: int) -> str:
    """Word a number of warnings: `no warnings`, `1 warning`."""
    return count(number, "warning") if number else "no warnings"


def brief(text: str, most: int, *, at_end: bool = False) -> str:
    """
    Cut a text to so many characters, after what cannot be seen has become visible; `…` stands for what went.

    Args:
        text: Hostile.
        most: How many characters are left, at least 2.
        at_end: Keep its end and not its beginning: of a path and line that says more.
    """
    # What is behind can only make it longer.
    shown = plain(text[-most:] if at_end else text[:most])
    if len(text) <= most and len(shown) <= most:
        return shown
    return f"…{shown[1 - most :]}" if at_end else f"{shown[: most - 1]}…"


def say_elapsed(elapsed_s: float) -> str:
    """Word a duration: `0.42 s`, `12 s`, `3 min 5 s`."""
    if elapsed_s < 10:
        return f"{elapsed_s:.2f} s"
    whole = round(elapsed_s)
    return f"{whole} s" if whole < 60 else f"{whole // 60} min {whole % 60} s"


def say_machine(port: PortHealth) -> str:
    """Word what a port's machine is: `LOONGARCH, 64 bits, little-endian`."""
    facts = [port.port.machine] if port.port.machine else []
    if port.port.bits is not None:
        facts.append(f"{port.port.bits} bits")
    if port.port.byte_order is not None:
        facts.append(f"{port.port.byte_order}-endian")
    return ", ".join(facts)


def short_name(target: TargetHealth) -> str:
    """Give a target's name without its port."""
    return target.name.partition("/")[2]
