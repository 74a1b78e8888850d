"""Which submodule names may become paths."""

import pytest

from gatekeep.tree.submodules import is_safe_name


@pytest.mark.parametrize("name", ["lib", "third party/lib", "-option", "a..b", "...", "lib\n"])
def test_name_that_git_takes_is_taken(name: str):
    """Source: git's check_submodule_name, submodule-config.c: everything but empty names and `..` components."""
    assert is_safe_name(name)


@pytest.mark.parametrize("name", ["", "..", "../x", "a/../b", "a/..", "a\\..\\b", "/abs", "nul\0"])
def test_name_that_leads_elsewhere_is_not_taken(name: str):
    assert not is_safe_name(name)
