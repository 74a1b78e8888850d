"""
What a linker says about regions that did not fit.

Wordings as GNU ld 2.40 and LLD 22 print them; both are run for real in
`tests/integration/test_diagnostics_compilers.py`:

- GNU ld: ``region `FLASH' overflowed by 568 bytes``: once a region, and it is the whole excess. The lines ``section
  `.text' will not fit in region `FLASH'`` and ``address 0x3000 of x.elf section `.bss' is not within region `RAM'``
  name sections and no amount.
- LLD: ``section '.text' will not fit in region 'FLASH': overflowed by 568 bytes``: once for every section past the
  end, each time counted from the end of the region to the end of that section, so the largest is the whole excess.

Thus the largest amount of a region is its excess; adding them up would count LLD's twice. A log that links two images
with the same region name cannot be told from one that links once: there, too, the larger of the two is given.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from gatekeep.model.evidence import Overflow

_QUOTED_REGION = r"region [`'‘\"](?P<region>[^`'‘’\"]{1,200})['’\"]"
_OVERFLOW = re.compile(
    rf"(?:^|: ){_QUOTED_REGION} overflowed by (?P<total>[0-9]{{1,20}}) bytes?"
    rf"|\bsection [^ ]{{1,300}} will not fit in {_QUOTED_REGION.replace('region>', 'full>')}"
    r"(?:: overflowed by (?P<so_far>[0-9]{1,20}) bytes?)?"
    rf"|\baddress 0x[0-9a-fA-F]{{1,16}} of .{{1,1000}} is not within {_QUOTED_REGION.replace('region>', 'outside>')}"
)


def is_overflow(line: str) -> bool:
    """Tell whether a line of a log speaks of a region that did not fit."""
    return "region " in line and _OVERFLOW.search(line) is not None


def find_overflows(lines: Iterable[str]) -> tuple[Overflow, ...]:
    """
    Find the regions that a linker could not fit.

    Args:
        lines: Lines of a log, without colours; what is not a linker's complaint about a region is passed over.

    Returns:
        One entry a region, in the order in which the log names them first; the excess in bytes, or None where the
        linker only said that it does not fit. May be empty.
    """
    excess: dict[str, int | None] = {}
    for line in lines:
        if "region " not in line or (match := _OVERFLOW.search(line)) is None:
            continue
        region = match["region"] or match["full"] or match["outside"]
        amount = int(match["total"] or match["so_far"] or 0)
        known = excess.get(region)
        excess[region] = max(amount, known or 0) or None
    return tuple(Overflow(region=region, over_bytes=over_bytes) for region, over_bytes in excess.items())
