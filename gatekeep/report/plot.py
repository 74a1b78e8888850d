"""
A small plot in text: one column a stretch of commits, a mark at the height of the value.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from gatekeep.report.layout import pad_left

_ROWS = 7
_MARK, _EDGE, _LINE, _CORNER = "•", "│", "─", "└"
#: Stands under a column without any value.
NO_VALUE = "×"
#: A limit that is further above the values than this many times their span would flatten them to a line.
_FARTHEST = 3


def draw_plot(values: Sequence[int | None], *, limit: int | None, width: int) -> Iterator[str]:
    """
    Draw values over equal steps.

    Args:
        values: Oldest first; None leaves a gap, and a mark beneath it.
        limit: A value drawn as a line where it is near enough to be seen; None for none.
        width: Cells a line may take, the scale included.

    Returns:
        Lines from the greatest value down, each with the scale on its left, and the floor; nothing where there is no
        value.
    """
    known = [value for value in values if value is not None]
    if not known:
        return
    low, high = min(known), max(known)
    shows_limit = limit is not None and high <= limit <= high + _FARTHEST * max(high - low, high // 50, 1)
    if shows_limit and limit is not None:
        high = limit
    scale = max(len(str(high)), len(str(low)))
    columns = squeeze(values, max(1, width - scale - 2))
    rows = _ROWS if high > low else 1
    for row in range(rows - 1, -1, -1):
        cells = "".join(
            _MARK
            if value is not None and _row_of(value, low, high, rows) == row
            else _LINE
            if shows_limit and row == rows - 1
            else " "
            for value in columns
        )
        label = str(high) if row == rows - 1 else str(low) if row == 0 else ""
        yield f"{pad_left(label, scale)} {_EDGE}{cells}".rstrip()
    yield f"{' ' * scale} {_CORNER}{''.join(_LINE if value is not None else NO_VALUE for value in columns)}"


def squeeze(values: Sequence[int | None], width: int) -> list[int | None]:
    """Give at most `width` values: of each stretch its greatest, so that no peak is lost; None where it has none."""
    if len(values) <= width:
        return list(values)
    stretches = (values[at * len(values) // width : (at + 1) * len(values) // width] for at in range(width))
    return [max((value for value in stretch if value is not None), default=None) for stretch in stretches]


def _row_of(value: int, low: int, high: int, rows: int) -> int:
    return (value - low) * (rows - 1) // (high - low) if high > low else 0
