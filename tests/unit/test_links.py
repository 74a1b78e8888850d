"""
Symlinks that lead out of a tree.

Checked against the kernel: the same links are made in a folder and followed by `realpath`.
"""

import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gatekeep.build.links import find_leaving_links


@pytest.mark.parametrize(
    ("links", "leaving"),
    [
        ({b"a": b"b"}, ()),
        ({b"a": b"/etc/passwd"}, (b"a",)),
        ({b"a": b".."}, (b"a",)),
        ({b"a": b"../x"}, (b"a",)),
        ({b"d/a": b"../x"}, ()),
        ({b"d/a": b"../../x"}, (b"d/a",)),
        ({b"d/a": b".././/./x/../../y"}, (b"d/a",)),
        # The text alone stays inside; the kernel goes to the root by the first link and out by the second.
        ({b"d/e/up": b"../..", b"z": b"d/e/up/.."}, (b"z",)),
        # The text alone leaves; the kernel goes three levels down first.
        ({b"short": b"a/b/c", b"z": b"short/../../.."}, ()),
        ({b"a": b"b", b"b": b"/etc"}, (b"a", b"b")),
        # Round and round leads nowhere, and so not out.
        ({b"a": b"b", b"b": b"a"}, ()),
        ({b"a": b"a/../../x"}, ()),
    ],
)
def test_links_that_leave_are_found(links: dict[bytes, bytes], leaving: tuple[bytes, ...]):
    assert find_leaving_links(links) == leaving


PARTS = st.lists(st.sampled_from(["..", ".", "d", "e", "l", "m", "x"]), min_size=1, max_size=6).map("/".join)


@settings(max_examples=150, deadline=None)
@given(targets=st.dictionaries(st.sampled_from(["l", "m", "d/l", "d/m", "d/e/l", "d/e/m"]), PARTS, min_size=1))
def test_links_agree_with_the_kernel(tmp_path_factory: pytest.TempPathFactory, targets: dict[str, str]):
    """Where realpath(3) can follow a link, we say the same of where it ends; where it cannot, a link may be either."""
    root = tmp_path_factory.mktemp("links").resolve() / "tree"
    (root / "d" / "e").mkdir(parents=True)
    for path, target in targets.items():
        (root / path).symlink_to(target)
    leaving = find_leaving_links({path.encode(): target.encode() for path, target in targets.items()})
    for path in targets:
        try:
            real = Path(os.path.realpath(root / path, strict=True))
        except OSError:
            continue
        if not real.is_relative_to(root):
            assert path.encode() in leaving
