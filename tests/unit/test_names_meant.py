"""What an unknown name is answered with."""

from __future__ import annotations

import pytest

from gatekeep.matrix.faults import suggest

_NAMES = ("arm/spar", "arm/gaff/debug", "arm/gaff/release", "riscv/boom", *(f"mips/lough-{n}" for n in range(9)))


@pytest.mark.parametrize(
    ("word", "way_out"),
    [
        ("arm/gaff", "did you mean arm/gaff/debug or arm/gaff/release?"),
        ("gaff", "did you mean arm/gaff/debug or arm/gaff/release?"),
        ("gaff/debug", "did you mean arm/gaff/debug?"),
        ("spar", "did you mean arm/spar?"),
        ("arm", "did you mean arm/spar or arm/gaff/debug or arm/gaff/release?"),
        ("arm/spra", "did you mean arm/spar?"),
        ("mips", f"known are {', '.join(_NAMES)}"),
        ("quay", f"known are {', '.join(_NAMES)}"),
    ],
)
def test_a_target_is_found_by_a_part_of_its_name_and_by_a_misspelt_one(word: str, way_out: str) -> None:
    assert suggest(word, _NAMES, none="") == way_out
