"""
What a target's part and memories limit, and where another matrix limits less.

A region or memory is a range of addresses with a reserve at its end. It limits as much as before when it lies within
what it was and lets nothing be used that it kept free. Anything else is looser: room where nothing could be stored or
where another range counted, as well as a limit that is gone. So a part that is cut anew is looser in every line that
the new cut adds or moves; whether that is meant is for somebody else to say.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from gatekeep.model.matrix import Target
from gatekeep.model.quantity import render_exact_bytes

Looser = tuple[tuple[str, ...], str]
"""An aspect and its message, without what they are about."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Range:
    """A region of a part, or a memory: `kind` says which; all in bytes."""

    kind: str
    name: str
    start: int
    capacity_bytes: int
    reserve_bytes: int
    write_protected: bool = False

    @property
    def end(self) -> int:
        """First byte past it."""
        return self.start + self.capacity_bytes

    @property
    def usable_bytes(self) -> int:
        """What is not reserved."""
        return self.capacity_bytes - self.reserve_bytes

    @property
    def shown_start(self) -> str:
        """Its start as a matrix writes it: a region's as an amount, a memory's as an address."""
        return render_exact_bytes(self.start) if self.kind == "region" else f"0x{self.start:X}"


def compare_parts(base: Target, head: Target, grown: frozenset[str]) -> Iterator[Looser]:
    """
    Compare the parts of one target, which both have one.

    Args:
        base: The target as the base has it.
        head: As a commit of the change has it.
        grown: Regions whose growth the base limits, by name: another name takes them out of that limit's reach.

    Yields:
        In no order that matters.
    """
    if base.part is None or head.part is None:
        return
    if head.part.capacity_bytes > base.part.capacity_bytes:
        was, now = render_exact_bytes(base.part.capacity_bytes), render_exact_bytes(head.part.capacity_bytes)
        yield ("part", "capacity"), f"the capacity is raised from {was} to {now}"
    yield from _compare_ranges(_list_regions(base), _list_regions(head), grown)


def compare_own_storage(base: Target, head: Target, grown: frozenset[str]) -> Iterator[Looser]:
    """
    Compare what a target says of storage besides its part's own limits: that it has one, its address, the memories.

    Memories that a base without any does not know are not looser: before, none was judged.
    """
    if base.part is not None and head.part is None:
        was = f"{base.part.name} of {render_exact_bytes(base.part.capacity_bytes)}"
        yield ("part",), f"its part, {was}, is taken off, and nothing limits its images"
    if base.part is not None and head.part is not None and base.part_address != head.part_address:
        was, now = _show_address(base.part_address), _show_address(head.part_address)
        yield ("part_address",), f"the address of its part is changed from {was} to {now}"
    if base.memories:
        yield from _compare_ranges(_list_memories(base), _list_memories(head), grown)


def _compare_ranges(base: tuple[_Range, ...], head: tuple[_Range, ...], grown: frozenset[str]) -> Iterator[Looser]:
    here = {item.name: item for item in head}
    known = {item.name for item in base}
    for before in base:
        after = here.get(before.name)
        if after is not None:
            yield from _compare_range(before, after)
            continue
        successor = next(
            (
                item
                for item in head
                if item.name not in known and _is_as_strict(replace(item, name=before.name), before)
            ),
            None,
        )
        what = f"{before.kind} {before.name} of {render_exact_bytes(before.capacity_bytes)}"
        if successor is None:
            yield (before.kind, before.name), f"{what} is dropped, and its limit with it"
        else:
            known.add(successor.name)
            if before.name in grown:
                message = f"{what} is renamed to {successor.name}, out of the reach of its growth limit"
                yield (before.kind, before.name), message
    for after in head:
        if after.name not in known:
            over = [item.name for item in base if item.start < after.end and after.start < item.end]
            where = f"where {' and '.join(over)} was" if over else "where nothing could be stored"
            size = render_exact_bytes(after.capacity_bytes)
            yield (after.kind, after.name), f"{after.kind} {after.name} of {size} is new, {where}"


def _compare_range(base: _Range, head: _Range) -> Iterator[Looser]:
    aspect, what = (base.kind, base.name), base.name if base.kind == "region" else f"memory {base.name}"
    if head.capacity_bytes > base.capacity_bytes:
        was, now = render_exact_bytes(base.capacity_bytes), render_exact_bytes(head.capacity_bytes)
        yield (*aspect, "capacity"), f"the capacity of {what} is raised from {was} to {now}"
    if head.start < base.start or (head.start > base.start and head.end > base.end):
        yield (*aspect, "start"), f"{what} is moved from {base.shown_start} to {head.shown_start}"
    # A share of less is less; it is looser only where more can be used than before.
    if head.reserve_bytes < base.reserve_bytes and head.usable_bytes > base.usable_bytes:
        was, now = render_exact_bytes(base.reserve_bytes), render_exact_bytes(head.reserve_bytes)
        yield (*aspect, "reserve"), f"the reserve of {what} is lowered from {was} to {now}"
    if base.write_protected and not head.write_protected:
        yield (*aspect, "write_protected"), f"the write protection of {what} is taken off"


def _is_as_strict(head: _Range, base: _Range) -> bool:
    """Tell whether a range lies where another one did and limits as much."""
    return (head.start, head.end) == (base.start, base.end) and not list(_compare_range(base, head))


def _list_regions(target: Target) -> tuple[_Range, ...]:
    return tuple(
        _Range(
            kind="region",
            name=region.name,
            start=region.at_bytes,
            capacity_bytes=region.capacity_bytes,
            reserve_bytes=region.reserve_bytes,
            write_protected=region.write_protected,
        )
        for region in (target.part.regions if target.part is not None else ())
    )


def _list_memories(target: Target) -> tuple[_Range, ...]:
    return tuple(
        _Range(
            kind="memory",
            name=memory.name,
            start=memory.address,
            capacity_bytes=memory.capacity_bytes,
            reserve_bytes=memory.reserve_bytes,
        )
        for memory in target.memories
    )


def _show_address(address: int | None) -> str:
    return f"0x{address:X}" if address is not None else "none"
