"""
The geometry of what is drawn: a flash part to scale, and a region's size over commits. Numbers only; templates draw.

Positions across are percentages of the drawing's width or counts of its thousand columns, so that one drawing serves a
phone and a desktop without distorting its text. A history that is longer than its columns keeps the least and the most
of each: no peak is lost, however long it grows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

from gatekeep.model.evidence import Footprint, RegionUse
from gatekeep.model.health import Outlook, Run
from gatekeep.model.matrix import Part

COLUMNS = 1000
ROWS = 200
#: An axis ends at a multiple of some 64th of the history: until the next one is reached, a target that nothing touches
#: keeps its page byte for byte, and what stays blank is thinner than a pencil.
_AXIS_PARTS = 64
#: Where a history lies wholly in the upper part of its region, the drawing begins below it, and says so.
_ZOOM_FROM = 0.5
#: A letter takes some 2 % of a phone's width.
_LETTER_PERCENT = 2
_ALL_PERCENT = 100
#: A line that stays below this share of the field would run through names at its foot.
_LOW_SHARE = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """A piece of a bar, in percent: `kind` is used, late (in the reserve or too much), reserve, free or gap."""

    kind: str
    left: str
    width: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """The name of a region, where there is room for it; `left` and `width` in percent."""

    text: str
    left: str
    width: str
    fits: bool
    write_protected: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PartDrawing:
    """A whole flash part, from its first byte to its last."""

    segments: tuple[Segment, ...]
    labels: tuple[Label, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A tag: `x` in percent; `name` is "" where it would run into the next one's; `is_left` says on which side."""

    x: str
    name: str
    is_left: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """
    A region's size over commits, in a field of `COLUMNS` by `ROWS`, y downwards.

    `line` is an SVG path; `faults` (x, width) are stretches without an image. `capacity_y` and `reserve_y` are where
    the region ends and where its reserve begins (None without one). `band` is the path of the forecast's interval, and
    `trend` that of its middle; "" without one. `marks` are tags; `is_low` says that the line runs so far below that
    their names stand above it. `low_bytes` is the bottom of the field, `growth_bytes` newest minus oldest.
    """

    line: str
    faults: tuple[tuple[str, str], ...]
    capacity_y: str
    reserve_y: str | None
    band: str
    trend: str
    marks: tuple[Mark, ...]
    is_low: bool
    low_bytes: int
    high_bytes: int
    least_bytes: int
    most_bytes: int
    growth_bytes: int
    now_x: str


def draw_part(part: Part, footprint: Footprint | None) -> PartDrawing:
    """Draw a part to scale; regions without a measured use are free."""
    segments: list[Segment] = []
    labels: list[Label] = []
    at = 0
    whole = part.capacity_bytes

    def add(kind: str, start: int, end: int) -> None:
        if end > start:
            segments.append(Segment(kind=kind, left=percent(start, whole), width=percent(end - start, whole)))

    for region in part.regions:
        add("gap", at, region.at_bytes)
        use = footprint.get_region(region.name) if footprint is not None else None
        used = min(use.used_bytes, region.capacity_bytes) if use is not None else 0
        is_over = use is not None and use.over_bytes > 0
        safe = region.capacity_bytes - region.reserve_bytes
        start = region.at_bytes
        # What does not fit is drawn late as a whole: no part of it would be flashed.
        add("late" if is_over else "used", start, start + min(used, region.capacity_bytes if is_over else safe))
        if not is_over:
            add("late", start + safe, start + used)
        add("free", start + used, start + safe)
        add("reserve", start + max(used, safe), region.end_bytes)
        share = region.capacity_bytes / whole
        labels.append(
            Label(
                text=region.name,
                left=percent(region.at_bytes, whole),
                width=percent(region.capacity_bytes, whole),
                fits=share * 100 / _LETTER_PERCENT > len(region.name) + 1,
                write_protected=region.write_protected,
            )
        )
        at = region.end_bytes
    add("gap", at, whole)
    return PartDrawing(segments=tuple(segments), labels=tuple(labels))


def draw_use(use: RegionUse) -> tuple[Segment, ...]:
    """Draw one region as a bar."""
    whole = max(use.capacity_bytes, use.used_bytes)
    safe = use.capacity_bytes - use.reserve_bytes
    pieces = [
        ("used", 0, min(use.used_bytes, safe)),
        ("late", safe, use.used_bytes),
        ("reserve", max(use.used_bytes, safe), use.capacity_bytes),
    ]
    return tuple(
        Segment(kind=kind, left=percent(start, whole), width=percent(end - start, whole))
        for kind, start, end in pieces
        if end > start
    )


def draw_plot(
    runs: Sequence[Run],
    region: str,
    *,
    commit_count: int,
    outlook: Outlook | None = None,
    tags: Sequence[tuple[str, int]] = (),
) -> Plot | None:
    """
    Draw a region's size over the commits of the branch.

    Returns:
        None where the region was never measured.
    """
    end = end_of_axis(commit_count)
    # What stands at the newest commit stands until now.
    runs = [run._replace(last=end - 1) if run.last == commit_count - 1 else run for run in runs]
    known = [(run, use) for run in runs for use in run.regions if use.name == region]
    if not known:
        return None
    newest = known[-1][1]
    amounts = [use.used_bytes for _, use in known]
    most, least = max(amounts), min(amounts)
    high = max(newest.capacity_bytes, most)
    low = 0
    if least > high * _ZOOM_FROM:
        step = _nice_step(high - least)
        low = max(0, (least - (high - least) // 2) // step * step)
    # The future begins at the last image, wherever the branch is by now.
    since = known[-1][0].last + 1
    # One that is worth drawing takes at most a third of the width.
    ahead = min(_days_ahead(outlook) * outlook.commits_per_day * 1.1, end / 2) if outlook is not None else 0.0
    across = _Across(max(end, since + ahead))
    # Room above the capacity, so that its line does not hide in the edge.
    top = high + (high - low) // 20
    upright = _Upright(low, top)
    return Plot(
        line=_draw_line([(run.first, run.last, use.used_bytes) for run, use in known], across, upright),
        faults=tuple((across.at(run.first), across.span(run.last + 1 - run.first)) for run in runs if not run.regions),
        capacity_y=upright.at(newest.capacity_bytes),
        reserve_y=upright.at(newest.capacity_bytes - newest.reserve_bytes) if newest.reserve_bytes else None,
        band=_draw_band(outlook, since, ahead, across, upright) if outlook is not None else "",
        trend=_draw_trend(outlook, since, ahead, across, upright) if outlook is not None else "",
        marks=_place_marks(tags, across),
        is_low=most < low + (high - low) * _LOW_SHARE,
        low_bytes=low,
        high_bytes=high,
        least_bytes=least,
        most_bytes=most,
        growth_bytes=newest.used_bytes - known[0][1].used_bytes,
        now_x=across.at(since),
    )


def _place_marks(tags: Sequence[tuple[str, int]], across: _Across) -> tuple[Mark, ...]:
    """Leave out names for which there is no room before the next one; a newer tag is of more interest."""
    marks: list[Mark] = []
    free_until = inf
    for name, position in reversed(tags):
        place = across.column(position) * 100 / COLUMNS
        length = (len(name) + 1) * _LETTER_PERCENT
        is_left = place + length > _ALL_PERCENT
        begin, end = (place - length, place) if is_left else (place, place + length)
        fits = end <= free_until
        marks.append(Mark(x=_short(place), name=name if fits else "", is_left=is_left))
        free_until = begin if fits else free_until
    return tuple(reversed(marks))


def end_of_axis(commit_count: int) -> int:
    """Give how many commits an axis spans: the branch's, rounded up a little."""
    step = _step_of_axis(commit_count)
    return -(-commit_count // step) * step


def last_step_of_axis(commit_count: int) -> int:
    """Give the position at which the last step of an axis begins: it stays for as long as the end of the axis does."""
    return end_of_axis(commit_count) - _step_of_axis(commit_count)


def _step_of_axis(commit_count: int) -> int:
    return 1 << max((commit_count // _AXIS_PARTS).bit_length() - 1, 0)


class _Across:
    """Positions on the branch to columns; a commit is as wide as its share."""

    def __init__(self, width: float) -> None:
        self._scale = COLUMNS / max(width, 1)

    def column(self, position: float) -> float:
        return position * self._scale

    def at(self, position: float) -> str:
        return _short(self.column(position))

    def span(self, length: float) -> str:
        return _short(max(self.column(length), 1.0))

    def percent(self, position: float) -> str:
        return _short(self.column(position) * 100 / COLUMNS)


class _Upright:
    """Bytes to rows."""

    def __init__(self, low: int, high: int) -> None:
        self._low, self._scale = low, ROWS / max(high - low, 1)

    def row(self, amount_bytes: float) -> float:
        return ROWS - (amount_bytes - self._low) * self._scale

    def at(self, amount_bytes: float) -> str:
        return _short(self.row(amount_bytes))


def _draw_line(stretches: Sequence[tuple[int, int, int]], across: _Across, upright: _Upright) -> str:
    """Draw (first, last, bytes) as steps; where several meet in a column, from the least to the most of it."""
    if len(stretches) <= COLUMNS:
        steps: list[str] = []
        end = -1
        # Most of the work of a site: the same as `at`, with less said.
        x_of, y_of = across.column, upright.row
        for first, last, amount in stretches:
            # A gap lifts the pen: nothing is drawn where nothing is known.
            if first == end:
                steps.append(f"V{y_of(amount):.5g}H{x_of(last + 1):.5g}")
            else:
                steps.append(f"M{x_of(first):.5g} {y_of(amount):.5g}H{x_of(last + 1):.5g}")
            end = last + 1
        return "".join(steps)
    columns: dict[int, tuple[int, int]] = {}
    for first, last, amount in stretches:
        for column in range(int(across.column(first)), int(across.column(last)) + 1):
            low, high = columns.get(column, (amount, amount))
            columns[column] = (min(low, amount), max(high, amount))
    pieces: list[str] = []
    before = -2
    for column, (low, high) in sorted(columns.items()):
        move = "L" if column == before + 1 else "M"
        pieces.append(f"{move}{column} {upright.at(low)}V{upright.at(high)}")
        before = column
    return "".join(pieces)


def _days_ahead(outlook: Outlook) -> float:
    return max((outlook.reached_on - outlook.from_on).days, 1)


def _draw_band(outlook: Outlook, now: int, ahead: float, across: _Across, upright: _Upright) -> str:
    """The fan between the low and the high slope, from the newest image to the end of the drawing."""
    low, _, high = outlook.bytes_per_day
    days = ahead / outlook.commits_per_day
    x0, x1 = across.at(now), across.at(now + ahead)
    return (
        f"M{x0} {upright.at(outlook.from_bytes)}L{x1} {upright.at(outlook.from_bytes + high * days)}"
        f"L{x1} {upright.at(outlook.from_bytes + low * days)}Z"
    )


def _draw_trend(outlook: Outlook, now: int, ahead: float, across: _Across, upright: _Upright) -> str:
    """The middle slope: where the interval is narrow, the fan is too thin to be seen."""
    reached = outlook.from_bytes + outlook.bytes_per_day[1] * ahead / outlook.commits_per_day
    return f"M{across.at(now)} {upright.at(outlook.from_bytes)}L{across.at(now + ahead)} {upright.at(reached)}"


def percent(part: float, whole: float) -> str:
    """Give a share of a width: `61.204%`."""
    return f"{_short(part * 100 / whole)}%"


def _short(number: float) -> str:
    return f"{number:.3f}".rstrip("0").rstrip(".") if number % 1 else str(int(number))


def _nice_step(span: int) -> int:
    """The power of two at or below a quarter of the span: an edge that reads as a round amount."""
    return 1 << max((span // 4).bit_length() - 1, 0)
