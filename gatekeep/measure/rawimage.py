"""
How full the regions of a part are in a raw image: byte 0 of the file goes to byte 0 of the part.
"""

from __future__ import annotations

from gatekeep.errors import ImageError
from gatekeep.measure.elf import Bytes
from gatekeep.model.evidence import RegionUse
from gatekeep.model.matrix import Part

#: What erased NOR and NAND flash reads as (common practice, no source).
ERASED = b"\xff"
_STEP_BYTES = 1024**2


def measure_raw_image(data: Bytes, part: Part, *, name: str) -> tuple[RegionUse, ...]:
    """
    Count the regions of a part in a raw image.

    A region is used up to its last byte that is not erased. A raw image does not say how long it should be, so one
    that was cut short reads as a shorter one; a hex file does not.

    Args:
        data: The whole file.
        part: The part that it goes into.
        name: The file's name, for messages.

    Returns:
        One for each region, in the order of the part. Where the image is longer than the part, the region at the part's
        end is used to the end of the image, erased or not: what does not fit cannot be written.

    Raises:
        ImageError: Nothing but erased bytes, or content outside the regions that does not run on from one.
    """
    length = len(data)
    ends = []
    for region in part.regions:
        end = _find_last(data, region.at_bytes, min(region.end_bytes, length))
        ends.append(region.at_bytes if end is None else end)
    starts = [region.at_bytes for region in part.regions]
    if not any(end > start for start, end in zip(starts, ends, strict=True)):
        raise ImageError(name, "is erased from end to end: every byte of every region is FF")

    gap_starts = [0, *(region.end_bytes for region in part.regions)]
    for index, (gap_start, gap_end) in enumerate(zip(gap_starts, [*starts, part.capacity_bytes], strict=True)):
        end = _find_last(data, gap_start, min(gap_end, length))
        if end is None:
            continue
        runs_on = index and ends[index - 1] == gap_start and data[gap_start : gap_start + 1] != ERASED
        if not runs_on:
            first = _find_first(data, gap_start, end)
            raise ImageError(name, f"has content that lies in no region of part {part.name}", offset=first)
        ends[index - 1] = end
    if length > part.capacity_bytes == part.regions[-1].end_bytes:
        ends[-1] = length
    return tuple(
        RegionUse(
            name=region.name,
            used_bytes=end - region.at_bytes,
            capacity_bytes=region.capacity_bytes,
            reserve_bytes=region.reserve_bytes,
        )
        for region, end in zip(part.regions, ends, strict=True)
    )


def _find_last(data: Bytes, start: int, end: int) -> int | None:
    """Give the place after the last byte of a range that is not erased; None when there is none."""
    while end > start:
        step_start = max(start, end - _STEP_BYTES)
        written = data[step_start:end].rstrip(ERASED)
        if written:
            return step_start + len(written)
        end = step_start
    return None


def _find_first(data: Bytes, start: int, end: int) -> int:
    """Give the place of the first byte of a range that is not erased; `end` when there is none."""
    while start < end:
        step = data[start : min(end, start + _STEP_BYTES)]
        written = step.lstrip(ERASED)
        if written:
            return start + len(step) - len(written)
        start += len(step)
    return end
