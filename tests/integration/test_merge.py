"""What would land, computed on real repositories; held against `git merge` in a checkout of its own."""

from __future__ import annotations

import os
import random
import stat
import subprocess
from pathlib import Path

import pytest

from gatekeep.errors import RepositoryError
from gatekeep.model.change import Change, Commit, Conflict
from gatekeep.tree.merge import Person, Signature, keep_merge, load_landing
from gatekeep.tree.repository import open_repository
from tests.lacking import do_without
from tests.repos import GitFolder, clean_environment, clone_repository, make_repository

OURS = Signature(
    author=Person(name="Oda Brekke", email="oda@kelp.example", at="@1700000000 +0100"),
    committer=Person(name="Isa Thorne", email="isa@skerry.example", at="@1700000001 +0000"),
    message="Merge the lamps\n\nhäfen\n",
)


@pytest.fixture
def folder(tmp_path: Path) -> GitFolder:
    return make_repository(tmp_path / "r")


def fork(folder: GitFolder) -> tuple[str, str, str]:
    """Give where the histories part, main's tip and topic's."""
    start = folder.commit({"a": b"1\n2\n3\n", "b": b"1\n"})
    tip = folder.commit({"a": b"1\n2\n3\nmain\n"})
    head = folder.commit({"b": b"topic\n"}, branch="topic", parents=[start])
    return start, tip, head


def load(folder: GitFolder, base: str = "main", head: str = "topic") -> Change:
    with open_repository(folder.path) as repository:
        return load_landing(repository, base, head)


def merge_with_git(folder: GitFolder, place: Path, base: str, head: str) -> tuple[str | None, list[str]]:
    """Merge in a checkout, as a person would: give the tree, or None and the files in conflict."""
    folder.git("worktree", "add", "-q", "--detach", str(place), base)
    done = subprocess.run(
        ["git", "merge", "-q", "--no-ff", "--no-edit", head], cwd=place, env=clean_environment(), capture_output=True
    )
    inside = GitFolder(place)
    if done.returncode == 0:
        tree, conflicts = inside.tree_of("HEAD"), []
    else:
        listed = inside.git("diff", "--name-only", "-z", "--diff-filter=U").decode().split("\0")[:-1]
        tree, conflicts = "", sorted(set(listed))
    folder.git("worktree", "remove", "--force", str(place))
    return tree or None, conflicts


def test_change_on_the_bases_tip_has_nothing_to_merge(folder: GitFolder):
    folder.commit({"a": b"1"})
    folder.commit({"a": b"2"}, branch="topic", parents=["main"])
    change = load(folder)
    assert (change.merge, change.forks, change.landing) == (None, {}, change.head)
    assert change.judged == change.commits


def test_merge_is_what_git_makes_of_it(folder: GitFolder, tmp_path: Path):
    start, tip, head = fork(folder)
    change = load(folder)
    assert isinstance(change.merge, Commit)
    tree, _ = merge_with_git(folder, tmp_path / "place", "main", "topic")
    assert change.merge.tree_id == tree
    assert change.merge.parent_ids == (tip, head)
    assert change.landing is change.merge
    assert [commit.commit_id for commit in change.judged] == [head, change.merge.commit_id]
    assert change.base_of(change.commits[0]).commit_id == start
    assert change.base_of(change.merge).commit_id == tip
    assert [commit.commit_id for commit in change.iter_trees()] == [tip, start, head, change.merge.commit_id]
    assert load(folder) == change


def test_merges_and_conflicts_are_gits_over_random_histories(folder: GitFolder, tmp_path: Path):
    """Source: git-merge(1), run in a checkout of the same two commits."""
    rng = random.Random(20010101)
    lines = [b"%d\n" % n for n in range(12)]
    start = folder.commit({name: b"".join(lines) for name in ("a", "d/b", "d/c", "e")})
    seen = set()
    for number in range(12):
        sides = []
        for side in ("x", "y"):
            branch = f"{side}{number}"
            for step in range(rng.randint(1, 3)):
                edited = list(lines)
                edited[rng.randrange(12)] = b"%s %d\n" % (side.encode(), rng.randrange(3))
                name = rng.choice(["a", "d/b", "d/c", "e"])
                content = rng.choice([b"".join(edited), b"".join(edited), b"".join(edited), None])
                folder.commit({name: content}, branch=branch, parents=None if step else [start])
            sides.append(branch)
        base, head = sides
        tree, conflicts = merge_with_git(folder, tmp_path / "place", base, head)
        change = load(folder, base, head)
        if tree is None:
            assert change.merge == Conflict(paths=tuple(conflicts))
        else:
            assert change.merged is not None
            assert change.merged.tree_id == tree
        seen.add(tree is None)
    assert seen == {True, False}


def test_nothing_is_written_into_the_repository_and_the_merged_tree_is_read_all_the_same(folder: GitFolder):
    fork(folder)
    before = sorted(path for path in folder.path.rglob("*"))
    with open_repository(folder.path) as repository:
        # Started before the merge: a reader that runs must see what is written after it.
        assert repository.read_file(repository.resolve("main").tree_id, "b") == b"1\n"
        change = load_landing(repository, "main", "topic")
        tree_id = change.landing.tree_id
        assert repository.read_file(tree_id, "a") == b"1\n2\n3\nmain\n"
        assert repository.read_file(tree_id, "b") == b"topic\n"
        assert repository.load_line_map(change.base.tree_id, tree_id).files.keys() == {"b"}
        assert [delta.path for delta in repository.diff_trees(change.head.tree_id, tree_id)] == ["a"]
        assert repository.has_tree(tree_id)
    assert sorted(path for path in folder.path.rglob("*")) == before
    with open_repository(folder.path) as repository:
        assert not repository.has_tree(tree_id)
        assert repository.has_tree(change.head.tree_id)


def test_read_only_repository_of_somebody_else_is_merged(folder: GitFolder, tmp_path: Path):
    if os.getuid() != 0:
        do_without("only root can become somebody who may not write")
    fork(folder)
    # Once before: modules that are imported late may lie where only root reads.
    assert load(folder).merged is not None
    for path in [folder.path, *folder.path.rglob("*")]:
        path.chmod(path.stat().st_mode & ~(stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH) | 0o444)
    for path in [tmp_path, *tmp_path.parents]:
        if path.stat().st_uid == 0 and path.is_relative_to("/tmp"):
            path.chmod(path.stat().st_mode | 0o011)
    before = os.geteuid()
    os.seteuid(65534)
    try:
        assert load(folder).merged is not None
    finally:
        os.seteuid(before)


def test_kept_merge_is_in_the_repository_signed_as_told_and_moves_nothing(folder: GitFolder):
    _, tip, head = fork(folder)
    refs = folder.ask("for-each-ref")
    with open_repository(folder.path) as repository:
        change = load_landing(repository, "main", "topic", signature=OURS)
        kept = keep_merge(repository, change, OURS)
        assert kept == change.merge
        assert repository.resolve(kept.commit_id) == kept
    assert folder.git("cat-file", "commit", kept.commit_id).decode() == (
        f"tree {kept.tree_id}\nparent {tip}\nparent {head}\n"
        "author Oda Brekke <oda@kelp.example> 1700000000 +0100\n"
        "committer Isa Thorne <isa@skerry.example> 1700000001 +0000\n\nMerge the lamps\n\nhäfen\n"
    )
    assert folder.ask("for-each-ref") == refs
    folder.git("fsck", "--strict", kept.commit_id)


def test_each_commit_is_compared_with_where_it_left_the_bases_history(folder: GitFolder):
    start = folder.commit({"a": b"0\n"})
    second = folder.commit({"a": b"1\n"})
    tip = folder.commit({"a": b"2\n"})
    one = folder.commit({"t": b"1\n"}, branch="topic", parents=[start])
    two = folder.commit({"t": b"2\n"}, branch="topic")
    brought = folder.commit({"a": b"1\n"}, branch="topic", parents=[two, second])
    three = folder.commit({"t": b"3\n"}, branch="topic")
    side = folder.commit({"s": b"1\n"}, branch="side", parents=[start])
    joined = folder.commit({"s": b"1\n"}, branch="topic", parents=[three, side])
    change = load(folder)
    forks = {commit.commit_id: change.base_of(commit).commit_id for commit in change.judged}
    merged = change.landing.commit_id
    assert forks == {one: start, two: start, brought: second, three: second, side: start, joined: second, merged: tip}
    # Source: git itself, asked for each commit.
    for commit_id in (one, two, brought, three, side, joined):
        assert folder.ask("merge-base", tip, commit_id) == forks[commit_id]
    # With the whole base merged in, nothing is left to merge, and earlier commits keep what they were compared with.
    whole = folder.commit({"a": b"2\n"}, branch="topic", parents=[joined, tip])
    change = load(folder)
    assert change.merge is None
    assert change.base_of(change.commits[-1]).commit_id == tip
    assert change.base_of(change.commits[0]).commit_id == start
    assert change.head.commit_id == whole


def test_history_of_its_own_that_is_merged_in_does_not_pass_for_the_base(folder: GitFolder):
    """A head that contains a second root must not be taken for one that contains the base."""
    start = folder.commit({"a": b"0\n"})
    tip = folder.commit({"a": b"1\n"})
    root = folder.commit({"r": b"1\n"}, branch="root", parents=[])
    one = folder.commit({"t": b"1\n"}, branch="topic", parents=[start])
    head = folder.commit({"r": b"1\n"}, branch="topic", parents=[one, root])
    change = load(folder)
    assert change.merged is not None
    assert change.merged.parent_ids == (tip, head)
    forks = {commit.commit_id: change.base_of(commit).commit_id for commit in change.commits}
    assert forks == {root: tip, one: start, head: start}
    other = folder.commit({"t": b"2\n", "a": b"0\n"}, branch="other", parents=[root, one])
    change = load(folder, head="other")
    assert change.merged is not None
    assert (change.commits[-1].commit_id, change.base_of(change.commits[-1]).commit_id) == (other, start)


def test_commit_that_leaves_the_tree_as_where_it_began_is_not_judged(folder: GitFolder):
    start = folder.commit({"a": b"0\n"})
    folder.commit({"a": b"1\n"})
    folder.commit({}, branch="topic", parents=[start], message="nothing")
    head = folder.commit({"t": b"1\n"}, branch="topic")
    change = load(folder)
    assert [commit.commit_id for commit in change.commits] == [head]
    assert change.commit_count == 2


def test_a_tree_is_judged_once_for_each_that_it_is_compared_with(folder: GitFolder):
    """What was so where one commit left the base's history need not have been so where another did."""
    start = folder.commit({"a": b"0\n"})
    tip = folder.commit({"a": b"1\n"})
    one = folder.commit({"t": b"1\n"}, branch="topic", parents=[start])
    again = folder.commit({"t": b"2\n"}, branch="topic")
    folder.commit({"t": b"1\n"}, branch="topic")
    back = folder.commit({"a": b"0\n"}, branch="back", parents=[tip, "topic"])
    old = folder.commit({"a": b"0\n", "t": b"1\n"}, branch="back")
    change = load(folder, head="back")
    pairs = [(commit.commit_id, change.base_of(commit).commit_id) for commit in change.judged]
    assert pairs == [(one, start), (again, start), (back, tip), (old, tip)]
    assert change.commits[0].tree_id == change.commits[-1].tree_id
    assert change.commits[2].tree_id == change.base_of(change.commits[0]).tree_id
    assert (change.commit_count, change.merge) == (5, None)


def test_the_head_is_judged_last_also_where_an_earlier_commit_has_its_tree(folder: GitFolder):
    """What is mended in between is there again at the end."""
    folder.commit({"a": b"0\n"})
    names = [
        folder.commit({"a": text}, branch="topic", parents=None if n else ["main"])
        for n, text in enumerate((b"1", b"2", b"1"))
    ]
    change = load(folder)
    assert [commit.commit_id for commit in change.judged] == names


def test_attributes_drivers_and_hooks_have_no_say_in_a_merge(folder: GitFolder, tmp_path: Path):
    trap = tmp_path / "trap"
    trap.write_text(f"#!/bin/sh\ntouch {tmp_path}/sprung\n")
    trap.chmod(0o755)
    attributes = b"* merge=trap\n"
    start = folder.commit({"a": b"1\n", ".gitattributes": attributes})
    folder.commit({"a": b"2\n"})
    folder.commit({"a": b"3\n"}, branch="topic", parents=[start])
    folder.git("checkout", "-q", "main")
    (folder.path / ".git" / "info").mkdir(exist_ok=True)
    (folder.path / ".git" / "info" / "attributes").write_bytes(attributes)
    folder.git("config", "merge.trap.driver", f"{trap} %A")
    folder.git("config", "merge.default", "union")
    folder.git("config", "core.fsmonitor", str(trap))
    for name in ("reference-transaction", "pre-merge-commit", "post-merge", "post-commit"):
        hook = folder.path / ".git" / "hooks" / name
        hook.parent.mkdir(exist_ok=True)
        hook.write_text(trap.read_text())
        hook.chmod(0o755)
    assert load(folder).merge == Conflict(paths=("a",))
    assert not (tmp_path / "sprung").exists()


@pytest.mark.parametrize("object_format", ["sha1", "sha256"])
def test_place_with_separators_and_every_object_format(tmp_path: Path, object_format: str):
    folder = make_repository(tmp_path / 'a:b "c"' / "r", object_format=object_format)
    fork(folder)
    assert load(folder).merged is not None


def test_shallow_clone_is_merged_as_far_as_it_goes(folder: GitFolder, tmp_path: Path):
    for number in range(4):
        folder.commit({"old": b"%d" % number})
    start = folder.commit({"a": b"0\n"})
    folder.commit({"a": b"1\n"})
    folder.commit({"t": b"1\n"}, branch="topic", parents=[start])
    clone = clone_repository(folder, tmp_path / "clone", "--depth=2", "--no-single-branch")
    whole, shallow = load(folder), load(clone, "origin/main", "origin/topic")
    assert shallow.landing.tree_id == whole.landing.tree_id


def test_older_git_is_told_to_be_too_old(folder: GitFolder, tmp_path: Path):
    """The wrapper does what git 2.37 does: it knows no --write-tree."""
    fork(folder)
    wrapper = tmp_path / "bin" / "git"
    wrapper.parent.mkdir()
    wrapper.write_text(
        '#!/bin/sh\nfor word in "$@"; do case $word in\n'
        "--write-tree) echo 'usage: git merge-tree <base-tree> <branch1> <branch2>' >&2; exit 129;;\n"
        "version) echo 'git version 2.37.1'; exit;; esac; done\n"
        f'PATH={os.environ["PATH"]} exec git "$@"\n'
    )
    wrapper.chmod(0o755)
    environment = {**os.environ, "PATH": f"{wrapper.parent}:{os.environ['PATH']}"}
    with open_repository(folder.path, environment) as repository, pytest.raises(RepositoryError) as caught:
        load_landing(repository, "main", "topic")
    base, head = folder.ask("rev-parse", "main")[:10], folder.ask("rev-parse", "topic")[:10]
    assert str(caught.value) == (
        f"{folder.path}: merging {head} onto {base} needs git 2.38 or later, got 2.37; install a newer git, or rebase "
        "the change so that nothing has to be merged"
    )


def test_object_that_is_missing_is_an_error_and_no_conflict(folder: GitFolder):
    fork(folder)
    blob = folder.ask("rev-parse", "topic:b")
    folder.commit({"b": b"main\n"})
    (folder.path / ".git" / "objects" / blob[:2] / blob[2:]).unlink(missing_ok=True)
    folder.git("-c", "pack.threads=1", "count-objects")
    for pack in (folder.path / ".git" / "objects" / "pack").glob("*"):
        pytest.fail(f"fast-import left {pack}")
    with open_repository(folder.path) as repository, pytest.raises(RepositoryError) as caught:
        load_landing(repository, "main", "topic")
    assert "the object is missing here" in str(caught.value)
