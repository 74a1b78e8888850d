"""A wording is used only when it fits exactly, and says as much about the cause as it can."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gatekeep.judge.wording import describe_targets
from tests.cases import TARGET_NAMES, make_matrix

MATRIX = make_matrix()
ARM = [name for name in TARGET_NAMES if name.startswith("arm/")]
LOONGARCH = [name for name in TARGET_NAMES if name.startswith("loongarch64/")]
RISCV = [name for name in TARGET_NAMES if name.startswith("riscv64/")]


@pytest.mark.parametrize(
    ("names", "words"),
    [
        (TARGET_NAMES, "all 9 targets"),
        (RISCV, "both targets of riscv64"),
        (LOONGARCH, "all 3 targets of loongarch64"),
        (["mips/holm"], "mips/holm, the only target of mips,"),
        (["arm/mere"], "arm/mere"),
        (LOONGARCH + RISCV, "every 64-bit target"),
        ([*ARM, "mips/holm"], "every 32-bit target"),
        ([name for name in TARGET_NAMES if name != "mips/holm"], "every little-endian target"),
        (["arm/tarn/debug", "riscv64/skaw/debug"], "every debug target"),
        (["arm/tarn/debug", "arm/tarn/release"], "both configurations of arm/tarn"),
        (ARM + LOONGARCH, "all 6 targets of arm and loongarch64"),
        (["arm/mere", "mips/holm"], "arm/mere and mips/holm"),
        ([*LOONGARCH, "arm/mere"], "all 3 targets of loongarch64 and arm/mere"),
        (
            ["arm/mere", "arm/tarn/debug", "mips/holm", "riscv64/vale", "loongarch64/ness", "loongarch64/wick"],
            "6 targets (arm/mere, arm/tarn/debug, mips/holm and 3 more)",
        ),
    ],
)
def test_wording(names: list[str], words: str) -> None:
    assert describe_targets(names, MATRIX) == words


@given(st.sets(st.sampled_from(TARGET_NAMES), min_size=1))
def test_every_is_never_said_of_a_part(names: set[str]) -> None:
    words = describe_targets(names, MATRIX)
    if words.startswith("every 64-bit target"):
        assert names == set(LOONGARCH + RISCV)
    if words.startswith("all 9 targets"):
        assert names == set(TARGET_NAMES)
