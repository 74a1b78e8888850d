"""Which path in the tree a name on the command line means."""

from __future__ import annotations

from pathlib import Path

import pytest

from gatekeep.runner.matrices import _path_in_tree


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    (tmp_path / "kelp" / "ci").mkdir(parents=True)
    return tmp_path / "kelp"


def test_a_name_in_the_checkout_is_a_path_in_the_tree(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tree / "ci")
    for name in ("matrix.yml", "../ci/matrix.yml", "./matrix.yml", str(tree / "ci" / "matrix.yml")):
        assert _path_in_tree(Path(name), tree) == "ci/matrix.yml"


def test_a_name_beside_the_checkout_is_none(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tree)
    assert _path_in_tree(Path("../matrix.yml"), tree) is None
    assert _path_in_tree(tree.parent / "kelp-2" / "matrix.yml", tree) is None


def test_a_checkout_that_is_reached_by_a_link_is_the_same(tree: Path) -> None:
    link = tree.parent / "link"
    link.symlink_to(tree)
    assert _path_in_tree(link / "ci" / "matrix.yml", tree) == "ci/matrix.yml"
    assert _path_in_tree(tree / "ci" / "matrix.yml", link) == "ci/matrix.yml"


def test_a_link_within_the_checkout_is_not_followed(tree: Path) -> None:
    (tree / "ci" / "matrix.yml").symlink_to("../evil.yml")
    (tree / "root").symlink_to(".")
    (tree / "out").symlink_to("..")
    assert _path_in_tree(tree / "ci" / "matrix.yml", tree) == "ci/matrix.yml"
    assert _path_in_tree(tree / "root" / "matrix.yml", tree) == "root/matrix.yml"
    assert _path_in_tree(tree / "out" / "matrix.yml", tree) == "out/matrix.yml"
