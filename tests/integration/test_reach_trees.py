"""Comparing trees of real repositories for the rule for carrying: submodules, attributes, sizes, words."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from gatekeep.model.readset import ReadSet
from gatekeep.runner.reach import find_reach
from gatekeep.runner.reach_trees import TreeComparer
from gatekeep.tree.repository import GitRepository, open_repository
from tests.repos import Content, GitFolder, Submodule, clean_environment, clone_repository, make_repository


def explain(repository: GitRepository, folder: GitFolder, old: str, new: str, *files: str) -> str:
    comparer = TreeComparer(repository)
    change = comparer.compare(folder.tree_of(old), folder.tree_of(new))
    found = find_reach(ReadSet(files=tuple(sorted(files)), folders=()), change, book=comparer.book)
    return "carried" if found is None else found.render()


@pytest.fixture
def folder(tmp_path: Path) -> GitFolder:
    return make_repository(tmp_path / "r")


@pytest.fixture
def repository(folder: GitFolder) -> Iterator[GitRepository]:
    with open_repository(folder.path, clean_environment()) as opened:
        yield opened


def test_plain_trees_are_compared_by_their_differing_paths(folder: GitFolder, repository: GitRepository) -> None:
    old = folder.commit({"lib/a.c": b"1\n", "app/b.c": b"1\n"})
    new = folder.commit({"lib/a.c": b"2\n"})
    assert explain(repository, folder, old, new, "lib/a.c") == "lib/a.c, which it reads, is modified"
    assert explain(repository, folder, old, new, "app/b.c") == "carried"
    assert explain(repository, folder, old, old, "app/b.c") == "carried"


def test_words_come_from_the_old_trees_files(folder: GitFolder, repository: GitRepository) -> None:
    old = folder.commit({"app/Makefile": b"-include ../opt/extra.mk\n", "app/main.c": b"", "opt/other.qq": b""})
    new = folder.commit({"opt/extra.mk": b"X = 1\n"})
    wanted = "opt/extra.mk, whose name it may put together from words that it reads, is added"
    assert explain(repository, folder, old, new, "app/Makefile") == wanted
    assert explain(repository, folder, old, new, "app/main.c") == "carried"


@pytest.mark.parametrize(
    ("before", "after", "reached"),
    [
        (b"*.c diff=cpp\n", b"*.c -diff\n", False),
        (b"*.c diff=cpp\n", b"*.c eol=crlf\n", True),
        (b"*.c eol=crlf\n", b"*.c diff=cpp\n", True),
        (None, b"*.c ident\n", True),
        (None, b"*.c text\n", False),
        (b"*.c working-tree-encoding=UTF-16\n", None, True),
    ],
)
def test_attributes_that_can_convert_reach_who_reads_below(
    folder: GitFolder, repository: GitRepository, before: bytes | None, after: bytes | None, reached: bool
) -> None:
    old = folder.commit({"lib/deep/a.c": b"1\n", "app/b.c": b"1\n", "lib/.gitattributes": before or None, "x": b""})
    new = folder.commit({"lib/.gitattributes": after, "x": b"1"})
    assert (explain(repository, folder, old, new, "lib/deep/a.c") != "carried") is reached
    assert explain(repository, folder, old, new, "app/b.c") == "carried"


def test_attributes_that_only_take_back_what_others_give(folder: GitFolder, repository: GitRepository) -> None:
    """No word in the new file converts anything; that of the root does, and is overruled."""
    old = folder.commit({".gitattributes": b"*.c eol=crlf\n", "lib/deep/a.c": b"1\n", "lib/x": b""})
    new = folder.commit({"lib/.gitattributes": b"*.c -text\n"})
    wanted = "lib/.gitattributes, which says how files that it reads are written, is added"
    assert explain(repository, folder, old, new, "lib/deep/a.c") == wanted


def test_only_a_payload_of_another_size_counts_as_measured(folder: GitFolder, repository: GitRepository) -> None:
    files: dict[str | bytes, Content] = {
        "app/Makefile": b"SIZE = $(shell stat -c %s ../fw/payload.bin notes.md key.pem)\n"
    }
    files |= {"fw/notes.md": b"1\n", "fw/key.pem": b"1\n"}
    old = folder.commit({**files, "fw/payload.bin": b"\0\1"})
    same_size = folder.commit({"fw/payload.bin": b"\0\2"})
    longer = folder.commit({"fw/payload.bin": b"\0\2\3"})
    assert explain(repository, folder, old, same_size, "app/Makefile") == "carried"
    wanted = "fw/payload.bin, whose size it may ask for, is modified"
    assert explain(repository, folder, same_size, longer, "app/Makefile") == wanted
    documented = folder.commit({"fw/notes.md": b"1\n2\n"})
    assert explain(repository, folder, longer, documented, "app/Makefile") == "carried"
    signed = folder.commit({"fw/key.pem": b"1\n2\n"})
    wanted = "fw/key.pem, whose size it may ask for, is modified"
    assert explain(repository, folder, documented, signed, "app/Makefile") == wanted


class Vendor:
    """A tree with a submodule at `vendor/hal`, at two commits of it, cloned as a user would."""

    def __init__(self, tmp_path: Path) -> None:
        hal = make_repository(tmp_path / "hal")
        first = hal.commit({"inc/pins.h": b"1\n", "src/hal.c": b"lamp extra\n", "extra/other.qq": b"1\n"})
        second = hal.commit({"inc/pins.h": b"2\n", "src/lamp.qq": b"", "extra/lamp.c": b""})
        outer = make_repository(tmp_path / "outer")
        modules = b'[submodule "hal"]\n\tpath = vendor/hal\n\turl = %s\n' % str(hal.path).encode()
        outer.commit({".gitmodules": modules, "vendor/hal": Submodule(first), "app/main.c": b"1\n"})
        outer.commit({"vendor/hal": Submodule(second)})
        self.clone = clone_repository(
            outer, tmp_path / "clone", "--recurse-submodules", "-c", "protocol.file.allow=always"
        )


def test_a_moved_submodule_is_compared_from_within(tmp_path: Path) -> None:
    clone = Vendor(tmp_path).clone
    with open_repository(clone.path, clean_environment()) as repository:
        change = TreeComparer(repository).compare(clone.tree_of("HEAD~1"), clone.tree_of("HEAD"))
        assert [item.path for item in change.paths] == [
            "vendor/hal/extra/lamp.c",
            "vendor/hal/inc/pins.h",
            "vendor/hal/src/lamp.qq",
        ]
        reached = explain(repository, clone, "HEAD~1", "HEAD", "vendor/hal/inc/pins.h")
        assert reached == "vendor/hal/inc/pins.h, which it reads, is modified"
        assert explain(repository, clone, "HEAD~1", "HEAD", "app/main.c") == "carried"
        by_its_words = explain(repository, clone, "HEAD~1", "HEAD", "vendor/hal/src/hal.c")
        wanted = "vendor/hal/extra/lamp.c, whose name it may put together from words that it reads, is added"
        assert by_its_words == wanted


def test_a_submodule_that_is_not_here_reaches_everybody(tmp_path: Path) -> None:
    clone = Vendor(tmp_path).clone
    shutil.rmtree(clone.path / ".git" / "modules")
    (clone.path / "vendor" / "hal" / ".git").unlink()
    with open_repository(clone.path, clean_environment()) as repository:
        reached = explain(repository, clone, "HEAD~1", "HEAD", "app/main.c")
    assert reached == "vendor/hal, of which nothing more is known, is a submodule whose content is not here to compare"
