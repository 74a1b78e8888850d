"""What linkers say about regions; the same wordings are made by the linkers themselves in tests/integration."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gatekeep.measure.overflow import find_overflows
from gatekeep.model.evidence import Overflow


def amounts(*lines: str) -> list[tuple[str, int | None]]:
    return [(entry.region, entry.over_bytes) for entry in find_overflows(lines)]


def test_gnu_ld_says_the_whole_excess_once_a_region() -> None:
    assert amounts(
        "arm-none-eabi-ld: x.elf section `.text' will not fit in region `FLASH'",
        "arm-none-eabi-ld: x.elf section `.bss' will not fit in region `RAM'",
        "arm-none-eabi-ld: region `FLASH' overflowed by 568 bytes",
        "arm-none-eabi-ld: region `RAM' overflowed by 1 byte",
    ) == [("FLASH", 568), ("RAM", 1)]


def test_lld_counts_every_section_from_the_end_of_the_region() -> None:
    assert amounts(
        "ld.lld: error: section '.text' will not fit in region 'FLASH': overflowed by 100 bytes",
        "ld.lld: error: section '.data' will not fit in region 'FLASH': overflowed by 568 bytes",
        "ld.lld: error: section '.bss' will not fit in region 'RAM': overflowed by 7 bytes",
    ) == [("FLASH", 568), ("RAM", 7)]


def test_region_without_an_amount_is_still_outgrown() -> None:
    assert amounts("ld: x.elf section `.text' will not fit in region `FLASH'") == [("FLASH", None)]
    assert amounts("ld: address 0x3000 of x y.elf section `.bss' is not within region `RAM'") == [("RAM", None)]


def test_quotes_of_other_locales_are_read() -> None:
    assert amounts("ld: region ‘FLASH’ overflowed by 568 bytes") == [("FLASH", 568)]


@pytest.mark.parametrize(
    "line",
    [
        "",
        "the region `FLASH' is nearly full",
        "echo the region `FLASH' overflowed by 568 bytes",
        "region FLASH overflowed by 568 bytes",
        "ld: section .data LMA [00001004,00003eef] overlaps section .text LMA [00001000,0000103f]",
        "FLASH:        1234 B         4 KB     30.13%",
    ],
)
def test_other_lines_are_passed_over(line: str) -> None:
    assert find_overflows([line]) == ()


@given(st.lists(st.tuples(st.sampled_from(["FLASH", "RAM", "main code"]), st.integers(1, 10**9)), max_size=8))
def test_largest_amount_of_a_region_is_its_excess(said: list[tuple[str, int]]) -> None:
    largest: dict[str, int | None] = {}
    for region, amount in said:
        largest[region] = max(amount, largest.get(region) or 0)
    lines = [
        f"ld.lld: error: section '.x' will not fit in region '{name}': overflowed by {n} bytes" for name, n in said
    ]
    assert find_overflows(lines) == tuple(Overflow(region=name, over_bytes=n) for name, n in largest.items())
