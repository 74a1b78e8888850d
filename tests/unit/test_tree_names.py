"""Which names of a tree a search for a header may come upon."""

from __future__ import annotations

import pytest

from gatekeep.build.tree_names import digest_names, is_header
from gatekeep.tree.listing import FILE, SYMLINK, Entry

ENTRIES = {"a.c": Entry(FILE, "1"), "include/pins.h": Entry(FILE, "2")}
FOLDERS = (b"", b"include")


@pytest.mark.parametrize(
    ("path", "is_one"),
    [
        ("include/pins.h", True),
        ("vector", True),
        ("more.d/vector", True),
        ("pins.h.gch", True),
        ("a.c", False),
        ("pins.h.orig", False),
        ("notes.", False),
        (".config", False),
        ("pins.h/a.c", False),
    ],
)
def test_names_of_headers(path: str, is_one: bool) -> None:
    """Source: GCC manual, "Using Precompiled Headers"; C++ has headers without an ending."""
    assert is_header(path) == is_one


@pytest.mark.parametrize(
    ("more", "is_same"),
    [
        ({"b.c": Entry(FILE, "3")}, True),
        ({"include/pins.h": Entry(FILE, "3")}, True),
        ({"more.h": Entry(FILE, "3")}, False),
        ({"link.txt": Entry(SYMLINK, "3")}, False),
    ],
    ids=["source", "content", "header", "symlink"],
)
def test_digest_changes_with_names_alone(more: dict[str, Entry], is_same: bool) -> None:
    assert (digest_names(ENTRIES | more, FOLDERS) == digest_names(ENTRIES, FOLDERS)) == is_same


def test_digest_knows_folders() -> None:
    assert digest_names(ENTRIES, FOLDERS) != digest_names(ENTRIES, (*FOLDERS, b"own"))


def test_in_a_tree_with_symlinks_every_name_counts() -> None:
    """The link may lead to any of them, and where it leads counts too."""
    linked = ENTRIES | {"link.h": Entry(SYMLINK, "3")}
    assert digest_names(linked, FOLDERS) != digest_names(linked | {"b.txt": Entry(FILE, "4")}, FOLDERS)
    assert digest_names(linked, FOLDERS) != digest_names(linked | {"link.h": Entry(SYMLINK, "4")}, FOLDERS)


def test_names_are_not_run_together() -> None:
    one = {"ab.h": Entry(FILE, "1"), "c.h": Entry(FILE, "1")}
    other = {"a.h": Entry(FILE, "1"), "bc.h": Entry(FILE, "1")}
    assert digest_names(one, ()) != digest_names(other, ())
