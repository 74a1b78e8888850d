"""Which names of a tree a search for a header may come upon."""

from __future__ import annotations

import pytest

from gatekeep.build.tree_names import MOST_FOLDERS, digest_below, digest_names, is_header
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


@pytest.mark.parametrize(
    ("more", "changed"),
    [
        ({"include/b.c": Entry(FILE, "3")}, set()),
        ({"include/more.h": Entry(FILE, "3")}, {b"", b"include"}),
        ({"include/port/more.h": Entry(FILE, "3")}, {b"", b"include", b"include/port"}),
        ({"own/more.h": Entry(FILE, "3")}, {b"", b"own"}),
        ({"more.h": Entry(FILE, "3")}, {b""}),
    ],
    ids=["source", "header", "header of a sub folder", "header elsewhere", "header beside the folders"],
)
def test_a_folder_has_a_digest_of_what_is_below_it(more: dict[str, Entry], changed: set[bytes]) -> None:
    folders = (*FOLDERS, b"include/port", b"own")
    before, after = digest_below(ENTRIES, folders), digest_below(ENTRIES | more, folders)
    assert before.keys() == after.keys() == set(folders)
    assert {folder for folder in folders if before[folder] != after[folder]} == changed


def test_a_folder_that_comes_changes_the_digest_of_those_around_it() -> None:
    before, after = digest_below(ENTRIES, FOLDERS), digest_below(ENTRIES, (*FOLDERS, b"include/port"))
    assert before[b"include"] != after[b"include"]
    assert before[b""] != after[b""]


def test_folders_have_no_digest_of_their_own_where_links_lead_anywhere_or_they_are_many() -> None:
    assert digest_below(ENTRIES | {"link": Entry(SYMLINK, "3")}, FOLDERS) == {}
    many = [b"d%d" % number for number in range(MOST_FOLDERS)]
    assert len(digest_below(ENTRIES, (b"", b"include", *many[2:]))) == MOST_FOLDERS
    assert digest_below(ENTRIES, (*FOLDERS, *many)) == {}
