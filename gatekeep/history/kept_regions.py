"""
Regions of many builds in one table, each read when it is looked at.

Over years there are some 50,000 different ones, of which a site after one more commit shows those of few targets: to
make values of them all took a quarter of its time.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from itertools import accumulate, chain
from typing import Any, overload

from gatekeep.history.packed import pack, unpack
from gatekeep.model.evidence import RegionUse


class KeptRegions(Sequence[RegionUse]):
    """The regions of one build, which stand at a place of a table: equal to a tuple of the same."""

    __slots__ = ("at", "table")

    def __init__(self, table: RegionTable, at: int) -> None:
        self.table = table
        self.at = at

    def __len__(self) -> int:
        return self.table.starts[self.at + 1] - self.table.starts[self.at]

    def __iter__(self) -> Iterator[RegionUse]:
        return iter(self.table.read(self.at))

    @overload
    def __getitem__(self, index: int) -> RegionUse: ...

    @overload
    def __getitem__(self, index: slice) -> tuple[RegionUse, ...]: ...

    def __getitem__(self, index: int | slice) -> RegionUse | tuple[RegionUse, ...]:
        return self.table.read(self.at)[index]

    def __eq__(self, other: object) -> bool:
        if isinstance(other, KeptRegions):
            return (self.table is other.table and self.at == other.at) or tuple(self) == tuple(other)
        return tuple(self) == other if isinstance(other, tuple) else NotImplemented

    def __hash__(self) -> int:
        return hash(tuple(self))

    def __repr__(self) -> str:
        return repr(tuple(self))


class RegionTable:
    """
    What `encode_regions` gave.

    Args:
        document: It; `document` gives it back as it is.

    Raises:
        KeyError, TypeError, ValueError: It is something else.
    """

    def __init__(self, document: dict[str, Any]) -> None:
        self.document = document
        self.starts = [0, *accumulate(unpack(document["counts"]))]
        self._kinds = [(name, capacity, reserve, flash) for name, capacity, reserve, flash in document["kinds"]]
        self._of, self._uses = unpack(document["of"]), unpack(document["uses"])
        self._used = _unpack_used(document["used"])
        self._known: dict[int, tuple[RegionUse, ...]] = {}
        if len(self._of) != len(self._used) or len(self._uses) != self.starts[-1] or min(self.starts) < 0:
            raise ValueError("the columns are not of one length")
        for places, end in ((self._of, len(self._kinds)), (self._uses, len(self._of))):
            if places and not (min(places) >= 0 and max(places) < end):
                raise ValueError("a number leads nowhere")

    def __len__(self) -> int:
        return len(self.starts) - 1

    def read(self, at: int) -> tuple[RegionUse, ...]:
        """Give the regions that stand at a place."""
        found = self._known.get(at)
        if found is None:
            found = tuple(map(self._make, self._uses[self.starts[at] : self.starts[at + 1]]))
            self._known[at] = found
        return found

    def _make(self, use: int) -> RegionUse:
        name, capacity_bytes, reserve_bytes, flash = self._kinds[self._of[use]]
        return RegionUse(name, self._used[use], capacity_bytes, reserve_bytes, flash)


def encode_regions(regions: Collection[Sequence[RegionUse]]) -> dict[str, Any]:
    """
    Give regions of builds as plain values, in their order.

    Each use stands there once, and of what a use is of (all but how much is used) each once: thousands share few.
    """
    uses = {use: number for number, use in enumerate(dict.fromkeys(chain.from_iterable(regions)))}
    kinds: dict[tuple[Any, ...], int] = {}
    of = [kinds.setdefault((name, *rest), len(kinds)) for name, _, *rest in uses]
    return {
        "kinds": list(kinds),
        "of": pack(of),
        "used": _pack_used([use.used_bytes for use in uses]),
        "counts": pack([len(entry) for entry in regions]),
        "uses": pack([uses[use] for use in chain.from_iterable(regions)]),
    }


def _pack_used(used: list[int]) -> bytes | list[int]:
    """Pack sizes; an image may claim nearly all addresses of 64 bits, which is more than is packed."""
    try:
        return pack(used)
    except OverflowError:
        return used


def _unpack_used(stored: bytes | list[int]) -> Sequence[int]:
    return stored if isinstance(stored, list) else unpack(stored)
