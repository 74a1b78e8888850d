"""
Parts, regions and memories: entries to model, and nothing may overlap or reach past its end.
"""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

from gatekeep.matrix.entries import MemoryEntry, PartEntry, RegionEntry
from gatekeep.matrix.faults import Faults
from gatekeep.model.matrix import Bits, Memory, Part, Region, reserve_of
from gatekeep.model.quantity import render_bytes

WHOLE_PART = "flash"
"""The region of a part that has no regions of its own."""


def resolve_part(name: str, entry: PartEntry, faults: Faults) -> Part | None:
    """Make a part; None when a fault was noted."""
    if entry.regions is None:
        reserve_bytes = _resolve_reserve(entry.reserve, entry.capacity, entry, faults)
        if reserve_bytes is None:
            return None
        region = Region(name=WHOLE_PART, at_bytes=0, capacity_bytes=entry.capacity, reserve_bytes=reserve_bytes)
        return Part(name=name, capacity_bytes=entry.capacity, regions=(region,))
    sound = True
    if entry.reserve is not None:
        problem = f"part {name} has regions, so each has its own reserve; write reserve: in the regions"
        faults.add(entry.key_at("reserve"), problem)
        sound = False
    regions = []
    for region_name, said in entry.regions.items():
        mark = entry.name_at("regions", region_name)
        end_bytes = said.at + said.size
        if end_bytes > entry.capacity:
            problem = (
                f"region {region_name} ends at {render_bytes(end_bytes)}, past the {render_bytes(entry.capacity)} "
                f"of part {name}; shrink it by {render_bytes(end_bytes - entry.capacity)} or move it"
            )
            faults.add(mark, problem)
            sound = False
        reserve_bytes = _resolve_reserve(said.reserve, said.size, said, faults)
        if reserve_bytes is None:
            sound = False
            continue
        regions.append(
            Region(
                name=region_name,
                at_bytes=said.at,
                capacity_bytes=said.size,
                reserve_bytes=reserve_bytes,
                write_protected=said.write_protected,
            )
        )
    regions.sort(key=lambda region: (region.at_bytes, region.name))
    for before, after in pairwise(regions):
        if before.end_bytes > after.at_bytes:
            problem = (
                f"region {after.name} begins at {render_bytes(after.at_bytes)}, within region {before.name}, "
                f"which ends at {render_bytes(before.end_bytes)}; move one of them"
            )
            faults.add(entry.name_at("regions", after.name), problem)
            sound = False
    return Part(name=name, capacity_bytes=entry.capacity, regions=tuple(regions)) if sound else None


def resolve_memory(name: str, entry: MemoryEntry, faults: Faults) -> Memory | None:
    """Make a memory; None when a fault was noted."""
    reserve_bytes = _resolve_reserve(entry.reserve, entry.size, entry, faults)
    if reserve_bytes is None:
        return None
    return Memory(name=name, address=entry.at, capacity_bytes=entry.size, reserve_bytes=reserve_bytes)


def _resolve_reserve(
    reserve: int | Fraction | None, capacity_bytes: int, entry: PartEntry | RegionEntry | MemoryEntry, faults: Faults
) -> int | None:
    """Bytes that must stay free; None when that is everything."""
    if reserve is None:
        return 0
    reserve_bytes = reserve_of(capacity_bytes, reserve) if isinstance(reserve, Fraction) else reserve
    if reserve_bytes < capacity_bytes:
        return reserve_bytes
    problem = f"the reserve takes all of {render_bytes(capacity_bytes)}; leave room for the image"
    faults.add(entry.value_at("reserve"), problem)
    return None


def list_clashes(
    *, part: Part | None, part_address: int | None, memories: tuple[Memory, ...], bits: Bits | None
) -> tuple[str, ...]:
    """
    Word what cannot be true of the memories of one target: names twice, ranges that overlap or do not exist.

    Returns:
        Messages without the name of the target; empty when all is well.
    """
    problems = []
    regions = {region.name for region in part.regions} if part else set()
    for memory in memories:
        if memory.name in regions:
            problems.append(f"memory {memory.name} has the name of a region of part {part.name if part else ''}")
    ranges = [(memory.address, memory.address + memory.capacity_bytes, f"memory {memory.name}") for memory in memories]
    if part is not None and part_address is not None:
        ranges.append((part_address, part_address + part.capacity_bytes, f"part {part.name}"))
    ranges.sort()
    width = bits or 64
    for start, end, what in ranges:
        if end > 1 << width:
            problems.append(f"{what} at 0x{start:X} ends past the {width}-bit address space")
    for (_, end, before), (start, _, after) in pairwise(ranges):
        if end > start:
            problems.append(f"{after} begins at 0x{start:X}, within {before}, which ends at 0x{end:X}")
    return tuple(problems)
