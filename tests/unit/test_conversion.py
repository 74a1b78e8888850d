"""Which attribute files are worth asking git about."""

import pytest

from gatekeep.tree.conversion import list_attribute_files, mentions_conversion
from gatekeep.tree.listing import EXECUTABLE, FILE, SYMLINK, Entry


@pytest.mark.parametrize(
    ("attributes", "expected"),
    [
        (b"", False),
        (b"* text=auto\n*.sh text eol=lf\n*.png binary\n*.bin filter=big diff=big -text\n", False),
        (b"*.bat text eol=crlf\n", True),
        (b"*.bat eol=crlf", True),
        (b"[attr]dos text eol=crlf\n", True),
        (b"*.c ident\n", True),
        (b"*.rc working-tree-encoding=UTF-16\n", True),
    ],
)
def test_only_attributes_that_change_bytes_count(attributes: bytes, expected: bool):
    """Source: gitattributes(5), "Checking-out and checking-in", with core.eol=lf and core.autocrlf=false."""
    assert mentions_conversion(attributes) is expected


def test_attribute_files_are_regular_files_of_that_very_name():
    entries = {
        ".gitattributes": Entry(FILE, "1"),
        "a/.gitattributes": Entry(EXECUTABLE, "2"),
        "b/.gitattributes": Entry(SYMLINK, "3"),
        "c/x.gitattributes": Entry(FILE, "4"),
        "d.gitattributes": Entry(FILE, "5"),
    }
    assert list(list_attribute_files(entries)) == [".gitattributes", "a/.gitattributes"]
