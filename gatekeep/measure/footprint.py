"""
How full the regions of a target are: pure, from what the readers of this room found.

Counted as the linker counts (`ld --print-memory-usage`): a region is used up to the end of what lies furthest in it,
gaps and alignment included. What counts where:

- content that is stored (`.text`, `.data`) counts at its load address, in the flash region or memory that lies there;
- whatever takes memory when it runs (`.data`, `.bss`) counts at its run address, in the memory that lies there; in the
  flash part too, where code runs in place or space is kept free;
- thread-local space (`.tbss`) takes nothing of any region: every thread has its own copy, made at run time.

Sections are preferred to segments, since linkers pad segments. A stripped image is counted by its segments.

Nothing is left out silently. What begins past the end of a region, right behind its content, is the overgrowth of that
region (its linker script did not watch the limit), and stored content that lies nowhere is an error.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

from gatekeep.errors import ImageError
from gatekeep.measure.archive import Archive
from gatekeep.measure.elf import TYPE_RELOCATABLE, Elf
from gatekeep.measure.hexfile import Run
from gatekeep.measure.rawimage import ERASED
from gatekeep.measure.symbols import sort_sizes
from gatekeep.model.evidence import Artifact, Footprint, Overflow, RegionUse
from gatekeep.model.matrix import ImageFormat, Part, Target

#: Linker scripts align to pages, so what a full region pushed out may begin this far behind it. The smallest page of
#: the processors that have pages; common practice, no source.
SPILL_BYTES = 4096


@dataclass(frozen=True, slots=True, kw_only=True)
class Extent:
    """A range of addresses that something takes: a section, a segment, or a run of records; never empty."""

    name: str
    start: int
    end: int
    alignment: int = 1


def measure_elf(elf: Elf, target: Target, *, name: str, measure_flash: bool) -> Footprint:
    """
    Count what a linked image takes.

    Args:
        elf: The image.
        target: Whose part and memories are filled.
        name: The image's name, for messages.
        measure_flash: False where the flash regions are measured from the file that goes into the part.

    Returns:
        Flash regions (where measured), then memories, in the order of the matrix.

    Raises:
        ImageError: It has no addresses yet, stores nothing, or stores something where the target has neither flash nor
            memory.
    """
    if elf.file_type == TYPE_RELOCATABLE and (target.part or target.memories):
        raise ImageError(name, "is an object file without addresses; name the linked image in the recipe")
    stored, taken = _find_extents(elf)
    if target.part is not None and measure_flash and not stored:
        raise ImageError(name, f"stores nothing that could go into part {target.part.name}")
    flash = _open_flash(target)
    memories = [_Window(memory.address, memory.address + memory.capacity_bytes) for memory in target.memories]

    outside = [extent for extent in stored if not (_fill(flash, extent) or _fill(memories, extent))]
    if target.part is not None and measure_flash:
        _refuse_strays(_spill(flash, outside), target.part, name)
    # Run addresses say where in the part something lies only where the part has an address of its own.
    in_place = flash if target.part_address is not None else []
    _spill(memories, [extent for extent in taken if not (_fill(memories, extent) or _fill(in_place, extent))])
    return Footprint(
        regions=(_name_flash(target, flash) if measure_flash else ()) + _name_memories(target, memories),
        sections=tuple((section.name, section.size_bytes) for section in elf.sections if section.allocated),
        symbols=elf.symbols,
    )


def measure_runs(runs: tuple[Run, ...], target: Target, *, name: str) -> tuple[RegionUse, ...]:
    """
    Count the regions of the part that a hex file writes.

    As in a raw image, a region is used up to its last byte that is not erased: padding written out in full is padding
    still. Runs in a memory of the target (option bytes, fuses) are none of the part's.

    Raises:
        ImageError: No data, nothing but erased bytes, nothing into the part, or data where the target has neither flash
            nor memory.
    """
    if not runs:
        raise ImageError(name, "has no data records")
    if not any(run.content.strip(ERASED) for run in runs):
        raise ImageError(name, "is erased from end to end: every byte that it writes is FF")
    if target.part is None:
        return ()
    base = target.part_address or 0
    part_end = base + target.part.capacity_bytes
    flash = _open_flash(target)
    memories = [_Window(memory.address, memory.address + memory.capacity_bytes) for memory in target.memories]
    # One run may go through several regions without a gap.
    borders = sorted({base, part_end, *(border for window in flash for border in (window.start, window.limit))})
    outside = []
    for run in runs:
        cuts = [run.start, *(border for border in borders if run.start < border < run.end), run.end]
        for start, end in pairwise(cuts):
            written = end
            if base <= start < part_end:
                written = start + len(run.content[start - run.start : end - run.start].rstrip(ERASED))
            extent = Extent(name="data", start=start, end=written)
            if written == start or _fill(flash, extent) or _fill(memories, extent):
                continue
            if start == part_end == flash[-1].limit and run.start < start:
                flash[-1].end = end  # as for a raw image: what does not fit cannot be written, erased or not
            else:
                outside.append(extent)
    _refuse_strays(_spill(flash, outside), target.part, name)
    if not any(window.end > window.start for window in flash):
        # As for an erased image: fuses alone would else pass for an image of no bytes.
        raise ImageError(name, f"writes nothing into part {target.part.name}")
    return _name_flash(target, flash)


def measure_archives(archives: Iterable[Archive], target: Target) -> Footprint:
    """
    Count what libraries hold together.

    Without addresses there is nothing to tell regions apart by: a part of one region counts all stored bytes, any other
    part and the memories have no figure.
    """
    sections: dict[str, int] = {}
    symbols: dict[str, int] = {}
    stored = 0
    for archive in archives:
        stored += archive.stored_bytes
        for section, size in archive.sections:
            sections[section] = sections.get(section, 0) + size
        for symbol, size in archive.symbols:
            symbols[symbol] = symbols.get(symbol, 0) + size
    flash = _open_flash(target)
    if len(flash) == 1:
        flash[0].end += stored
    return Footprint(
        regions=_name_flash(target, flash) if len(flash) == 1 else (),
        sections=tuple(sections.items()),
        symbols=sort_sizes(symbols),
    )


def find_overflows(
    footprint: Footprint, *, target: Target, artifacts: tuple[Artifact, ...] = ()
) -> tuple[Overflow, ...]:
    """
    Find what does not fit.

    Args:
        footprint: What was measured.
        target: Whose part it was measured against.
        artifacts: The files measured; a raw image longer than the part is an overflow, whatever it holds.

    Returns:
        One for each region past its capacity, in the order of the footprint; then one named like the part, where a raw
        image is too long for it and no region at its end says so already. May be empty.
    """
    overflows = [Overflow(region=use.name, over_bytes=use.over_bytes) for use in footprint.regions if use.over_bytes]
    part = target.part
    if part is None or target.recipe.image_format is not ImageFormat.RAW:
        return tuple(overflows)
    last = part.regions[-1]
    if last.end_bytes == part.capacity_bytes and any(overflow.region == last.name for overflow in overflows):
        return tuple(overflows)
    for artifact in artifacts:
        if artifact.kind == "image" and artifact.size_bytes > part.capacity_bytes:
            overflows.append(Overflow(region=part.name, over_bytes=artifact.size_bytes - part.capacity_bytes))
    return tuple(overflows)


@dataclass(slots=True)
class _Window:
    """A range of addresses that fills up: the furthest `end` past `limit` is an overflow."""

    start: int
    limit: int
    end: int = -1

    def __post_init__(self) -> None:
        self.end = self.start


def _open_flash(target: Target) -> list[_Window]:
    """Give a window for each region of the part, ascending; none without a part."""
    if target.part is None:
        return []
    base = target.part_address or 0
    return [_Window(base + region.at_bytes, base + region.end_bytes) for region in target.part.regions]


def _find_extents(elf: Elf) -> tuple[list[Extent], list[Extent]]:
    """Give what is stored, at load addresses, and what takes memory, at run addresses; by address."""
    stored = []
    taken = []
    sections = [section for section in elf.sections if section.allocated and section.size_bytes]
    for section in sections:
        name, size = f"section {section.name}", section.size_bytes
        if section.stored:
            start = section.load_address
            stored.append(Extent(name=name, start=start, end=start + size, alignment=section.alignment))
        if section.stored or not section.thread_local:
            start = section.address
            taken.append(Extent(name=name, start=start, end=start + size, alignment=section.alignment))
    if not sections:
        for index, segment in enumerate(elf.segments):
            name = f"segment {index}"
            if segment.loaded and segment.file_bytes:
                start, end = segment.load_address, segment.load_address + segment.file_bytes
                stored.append(Extent(name=name, start=start, end=end, alignment=segment.alignment))
            if segment.loaded and segment.memory_bytes:
                start, end = segment.address, segment.address + segment.memory_bytes
                taken.append(Extent(name=name, start=start, end=end, alignment=segment.alignment))
    return sorted(stored, key=_get_start), sorted(taken, key=_get_start)


def _get_start(extent: Extent) -> int:
    return extent.start


def _fill(windows: list[_Window], extent: Extent) -> bool:
    """Count an extent in the window in which it begins; False where it begins in none."""
    for window in windows:
        if window.start <= extent.start < window.limit:
            window.end = max(window.end, extent.end)
            return True
    return False


def _spill(windows: list[_Window], extents: list[Extent]) -> list[Extent]:
    """Count extents (ascending, in no window) in the window that pushed them out; give those that none did."""
    strays = []
    ascending = sorted(windows, key=lambda window: window.start)
    starts = [window.start for window in ascending]
    for extent in extents:
        index = bisect_right(starts, extent.start) - 1
        window = ascending[index] if index >= 0 else None
        reach = max(SPILL_BYTES, extent.alignment)
        if window is not None and window.start < window.end and extent.start - window.end <= reach:
            window.end = max(window.end, extent.end)
        else:
            strays.append(extent)
    return strays


def _refuse_strays(strays: list[Extent], part: Part, name: str) -> None:
    if strays:
        first = strays[0]
        more = f" (and {len(strays) - 1} more)" if len(strays) > 1 else ""
        raise ImageError(
            name,
            f"{first.name} at 0x{first.start:X}, {first.end - first.start} B, lies in no region of part {part.name} "
            f"and in no memory{more}; correct the linker script, or the part's regions and address in the matrix",
        )


def _name_flash(target: Target, windows: list[_Window]) -> tuple[RegionUse, ...]:
    regions = target.part.regions if target.part is not None else ()
    return tuple(
        RegionUse(
            name=region.name,
            used_bytes=window.end - window.start,
            capacity_bytes=region.capacity_bytes,
            reserve_bytes=region.reserve_bytes,
        )
        for region, window in zip(regions, windows, strict=True)
    )


def _name_memories(target: Target, windows: list[_Window]) -> tuple[RegionUse, ...]:
    return tuple(
        RegionUse(
            name=memory.name,
            used_bytes=window.end - window.start,
            capacity_bytes=memory.capacity_bytes,
            reserve_bytes=memory.reserve_bytes,
            flash=False,
        )
        for memory, window in zip(target.memories, windows, strict=True)
    )
