"""
A range is called narrower only where it is.

Outside check: packaging's own answer, version by version, with pre-releases admitted as the toolchain's check admits
them.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from packaging.specifiers import SpecifierSet
from packaging.version import Version

from gatekeep.judge.version_range import is_within

RELEASES = ("0.9", "1", "1.0", "1.0.1", "1.1", "1.2", "1.2.0", "2", "2.0", "2.1", "3")
SUFFIXES = ("", ".dev0", "a1", "rc1", "rc1.dev2", ".post1", ".post1.dev1", "+local.1")
EVERY_VERSION = tuple(
    Version(f"{epoch}{release}{suffix}") for epoch in ("", "1!") for release in RELEASES for suffix in SUFFIXES
)


@st.composite
def clauses(draw: st.DrawFn) -> str:
    operator = draw(st.sampled_from(("==", "!=", ">=", ">", "<=", "<", "~=", "===")))
    release = draw(st.sampled_from(RELEASES))
    if operator in ("==", "!=") and draw(st.booleans()):
        return f"{operator}{release}.*"
    if operator == "~=" and "." not in release:
        return f"~={release}.0"
    # A local label is allowed with == and != only.
    suffix = draw(st.sampled_from(("", "", "", "", *SUFFIXES[1:-1])))
    return f"{operator}{release}{suffix}"


RANGES = st.lists(clauses(), max_size=3).map(",".join)


@given(RANGES, RANGES)
def test_what_is_within_admits_no_version_that_the_other_keeps_out(head: str, base: str) -> None:
    if is_within(head, base):
        ours, theirs = SpecifierSet(head), SpecifierSet(base)
        for version in EVERY_VERSION:
            assert not ours.contains(version, prereleases=True) or theirs.contains(version, prereleases=True), version


def test_every_pair_of_single_clauses_is_judged_as_packaging_does() -> None:
    """The random ranges above seldom are within one another; here every pair of simple clauses is asked."""
    single = [f"{operator}{release}" for operator in ("==", "!=", ">=", ">", "<=", "<") for release in RELEASES]
    single += [f"{operator}{release}.*" for operator in ("==", "!=") for release in RELEASES]
    single += [f"~={release}" for release in RELEASES if "." in release]
    admitted = {
        text: frozenset(version for version in EVERY_VERSION if SpecifierSet(text).contains(version, prereleases=True))
        for text in single
    }
    for head in single:
        for base in single:
            if is_within(head, base):
                assert admitted[head] <= admitted[base], (head, base)


@given(RANGES, RANGES)
def test_more_clauses_are_within_fewer(head: str, more: str) -> None:
    assert is_within(",".join(filter(None, (head, more))), head)


@pytest.mark.parametrize(
    ("head", "base", "within"),
    [
        (">=0.15,<1", "", True),
        ("", ">=0.15,<1", False),
        ("", "", True),
        (">=0.16,<1", ">=0.15,<1", True),
        (">=0.14,<1", ">=0.15,<1", False),
        (">=0.15,<2", ">=0.15,<1", False),
        ("<1 , >=0.15.0", ">=0.15,<1", True),
        ("==0.15.2", ">=0.15,<1", True),
        ("==0.15.*", ">=0.15,<1", False),  # 0.15.dev0 comes before 0.15
        ("~=0.15.1", ">=0.15,<1", True),
        ("~=0.15.1", "==0.15.*", True),
        ("==13.2.*", "==13.*", True),
        ("==13.*", "==13.2.*", False),
        (">=12.2,<14", ">=12.2,<14,!=13.1", False),
        (">=13.2,<14", ">=12.2,<14,!=13.1", True),
        (">=12.2,<14,!=13.*", ">=12.2,<14,!=13.*", True),
        ("<=1", "<1", False),
        # `<1` keeps 1.0rc1 out, `<1rc2` does not.
        ("<1rc2", "<1", False),
        ("===1.0", "==1.0", False),
        ("no range", ">=1", False),
        ("no range", "no range", True),
    ],
)
def test_known_pairs(head: str, base: str, within: bool) -> None:
    assert is_within(head, base) is within
