"""Trees, differences, contents and submodules, on real repositories; answers are compared with git's own."""

import os
import random
import shutil
import subprocess
import sys
import threading
import tracemalloc
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from gatekeep.errors import GitEndedError, RepositoryError
from gatekeep.model.change import FileLines, Hunk
from gatekeep.tree.blob_sizes import load_blob_sizes
from gatekeep.tree.listing import EXECUTABLE, FILE, SUBMODULE, SYMLINK, Entry
from gatekeep.tree.objects import MOST_BYTES
from gatekeep.tree.repository import GitRepository, Repository, open_repository
from tests.fakes import FakeRepository
from tests.lacking import do_without
from tests.repos import Content, Executable, GitFolder, Link, Submodule, clone_repository, make_repository

ODD_NAMES = [
    "with space",
    "new\nline",
    "tab\t",
    '"quoted"',
    "back\\slash",
    "-option",
    "häfen",
    "\udcff\udcfe",
    "é",
    "*?[",
]


@pytest.fixture
def folder(tmp_path: Path) -> GitFolder:
    return make_repository(tmp_path / "r")


def message_of(call: Callable[[], object]) -> str:
    with pytest.raises(RepositoryError) as caught:
        call()
    return str(caught.value)


def list_with_git(folder: GitFolder, tree_id: str) -> dict[str, Entry]:
    """Source: git-ls-tree(1)."""
    listed = {}
    for line in folder.git("ls-tree", "-r", "-z", tree_id).split(b"\0")[:-1]:
        facts, _, path = line.partition(b"\t")
        mode, _, object_id = facts.decode().split()
        listed[path.decode("utf-8", "surrogateescape")] = Entry(int(mode, 8), object_id)
    return listed


# --- one contract for the fake and the real thing ---


TREES: list[dict[str, bytes]] = [
    {"a.c": b"1\n2\n", "d/b.c": b"1\n"},
    {"a.c": b"3\n", "d/b.c": b"1\n", "new.c": b""},
    {"a.c": b"1\n2\n", "d/b.c": b"1\n"},
    {"a.c": b"4\n"},
]


@pytest.fixture(params=["fake", "git"])
def repository(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Repository]:
    if request.param == "fake":
        yield FakeRepository(TREES)
        return
    folder = make_repository(tmp_path / "contract")
    before: dict[str, bytes] = {}
    for tree in TREES:
        changes: dict[str | bytes, Content] = dict.fromkeys(before.keys() - tree.keys())
        for path, content in tree.items():
            changes[path] = content
        folder.commit(changes)
        before = tree
    with open_repository(folder.path) as opened:
        yield opened


def test_contract_change_and_names(repository: Repository):
    change = repository.load_change("main~3", "main")
    assert [commit.commit_id for commit in change.commits] == [
        repository.resolve("main~2").commit_id,
        repository.resolve("main").commit_id,
    ]
    assert change.commit_count == 3
    assert repository.load_change("main", "main~2").commits == ()
    with pytest.raises(
        RepositoryError, match="there is no commit 'nowhere' here; check its spelling, or run git fetch"
    ):
        repository.resolve("nowhere")


def test_contract_trees_and_files(repository: Repository):
    first, second = repository.resolve("main~3").tree_id, repository.resolve("main~2").tree_id
    assert list(repository.list_tree(second).entries) == ["a.c", "d/b.c", "new.c"]
    assert {entry.mode for entry in repository.list_tree(second).entries.values()} == {FILE}
    old, new = repository.list_tree(first).entries, repository.list_tree(second).entries
    assert (old["d/b.c"] == new["d/b.c"], old["a.c"] == new["a.c"]) == (True, False)
    assert repository.read_file(second, "a.c") == b"3\n"
    assert repository.read_file(second, "new.c") == b""
    assert repository.read_file(first, "new.c") is None
    assert repository.read_file(first, "d") is None
    assert repository.read_file(first, "a.c/x") is None
    with pytest.raises(RepositoryError, match=f"the tree {'0' * 40} is missing here"):
        repository.list_tree("0" * 40)


def test_contract_line_map(repository: Repository):
    ids = [repository.resolve(f"main~{back}").tree_id for back in (3, 2, 0)]
    assert repository.load_line_map(ids[0], ids[1]).files == {
        "a.c": FileLines(
            old_path="a.c", new_path="a.c", hunks=(Hunk(old_start=1, old_count=2, new_start=1, new_count=1),)
        )
    }
    assert repository.load_line_map(ids[1], ids[2]).removed == {"d/b.c", "new.c"}


# --- opening ---


def test_repository_opens_from_every_kind_of_folder(folder: GitFolder, tmp_path: Path):
    head = folder.commit({"sub/a": b"0"})
    folder.git("checkout", "-q", "main")
    folder.git("worktree", "add", "-q", "-b", "other", str(tmp_path / "linked"))
    bare = clone_repository(folder, tmp_path / "bare.git", "--bare")
    common = folder.path / ".git"
    for path, git_common_dir in [
        (folder.path, common),
        (folder.path / "sub", common),
        (common, common),
        (tmp_path / "linked", common),
        (tmp_path / "linked" / "sub", common),
        (bare.path, bare.path),
        (bare.path / "refs", bare.path),
    ]:
        with open_repository(path) as repository:
            assert repository.resolve("HEAD").commit_id == head
            assert repository.git_common_dir == git_common_dir
            assert repository.read_file(folder.tree_of(head), "sub/a") == b"0"


def test_folder_without_repository_is_refused(tmp_path: Path):
    assert message_of(lambda: open_repository(tmp_path)) == (
        f"{tmp_path}: this is no git repository; name a folder of one, or run git init"
    )
    gone = tmp_path / "gone"
    assert message_of(lambda: open_repository(gone)) == (
        f"{gone}: there is no such folder; name a folder of a git repository"
    )
    # Not taken for the value of a variable.
    assert message_of(lambda: open_repository(Path("$HOME/x"))).endswith(
        "there is no such folder; name a folder of a git repository"
    )


def test_git_that_is_ended_from_outside_is_no_answer(folder: GitFolder, tmp_path: Path):
    """Whether a commit is there: a git that was killed has not said no."""
    commit_id = folder.commit({"a": b"1"})
    front = tmp_path / "front"
    front.mkdir()
    real = shutil.which("git")
    script = 'for word in "$@"; do [ "$word" = rev-parse ] && kill -9 $$; done'
    with open_repository(folder.path, {"PATH": f"{front}:{os.environ['PATH']}"}) as repository:
        # From here on: to open a repository takes git as well.
        (front / "git").write_text(f'#!/bin/sh\n{script}\nexec {real} "$@"\n')
        (front / "git").chmod(0o755)
        with pytest.raises(GitEndedError, match="git was ended from outside, by signal 9; see whether"):
            repository.resolve(commit_id)


def test_a_file_of_a_gigabyte_is_refused_unread_and_the_next_ones_are_read(folder: GitFolder) -> None:
    """In a push it takes some hundred kilobytes."""
    huge, small = folder.write_blob(bytes(MOST_BYTES + 1)), folder.write_blob(b"small")
    folder.commit({"a": b"a"})
    with open_repository(folder.path) as repository:
        tracemalloc.start()
        try:
            said = message_of(lambda: list(repository.iter_blobs([small, huge, small])))
            peak = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
        assert f"the blob {huge} is {MOST_BYTES + 1} B large; 256 MiB are the most; remove it from the change" in said
        assert peak < 1024**2
        assert [blob.content for blob in repository.iter_blobs([small, small])] == [b"small", b"small"]


def test_large_files_are_not_held_in_memory_together(folder: GitFolder) -> None:
    blobs = {folder.write_blob(content): content for content in (bytes(20 << 20), b"1" * (20 << 20), b"small")}
    folder.commit({"a": b"a"})
    names = [*blobs] * 10
    with open_repository(folder.path) as repository:
        tracemalloc.start()
        try:
            for name, blob in zip(names, repository.iter_blobs(names), strict=True):
                assert blob.object_id == name
                assert blob.content == blobs[name]
            peak = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
    # Of 400 MiB; one batch and the one before it.
    assert peak < 130 << 20


def test_sizes_are_told_of_blobs_alone(folder: GitFolder) -> None:
    """Source: git-cat-file(1), "BATCH OUTPUT"."""
    commit, blob = folder.commit({"a": b"abc"}), folder.write_blob(b"abc")
    with open_repository(folder.path) as repository:
        assert load_blob_sizes(repository, [commit, "0" * 40, blob]) == {blob: 3}


def test_git_that_is_killed_while_it_reads_objects_is_no_damage(folder: GitFolder, tmp_path: Path):
    commit_id = folder.commit({"a": b"1"})
    front = tmp_path / "front"
    front.mkdir()
    script = 'for word in "$@"; do [ "$word" = --batch ] && kill -9 $$; done'
    with open_repository(folder.path, {"PATH": f"{front}:{os.environ['PATH']}"}) as repository:
        (front / "git").write_text(f'#!/bin/sh\n{script}\nexec {shutil.which("git")} "$@"\n')
        (front / "git").chmod(0o755)
        with pytest.raises(GitEndedError, match="git was ended from outside, by signal 9; see whether"):
            repository.list_tree(repository.resolve(commit_id).tree_id)


def test_machine_without_git_is_told_so(folder: GitFolder, tmp_path: Path):
    with open_repository(folder.path, {"PATH": str(tmp_path)}) as repository:
        assert message_of(lambda: repository.resolve("main")) == (
            f"{folder.path}: git is not on PATH; install git 2.39 or later"
        )


def test_repository_of_another_user_works(folder: GitFolder):
    """A container in CI sees the host's checkout; git itself refuses it until safe.directory names it."""
    if os.getuid() != 0:
        do_without("only root can give a repository to somebody else")
    head = folder.commit({"a": b"0"})
    for path in [folder.path, *folder.path.rglob("*")]:
        os.chown(path, 12345, 12345)
    refused = subprocess.run(
        ["git", "-C", folder.path, "log"], capture_output=True, text=True, env={"PATH": os.environ["PATH"]}
    )
    assert "dubious ownership" in refused.stderr
    with open_repository(folder.path) as repository:
        assert repository.load_change(head, head).base.commit_id == head
        assert repository.read_file(repository.resolve("main").tree_id, "a") == b"0"


def test_sha256_repository_is_read(tmp_path: Path):
    folder = make_repository(tmp_path / "r", object_format="sha256")
    base = folder.commit({"d/a": b"0\n"})
    head = folder.commit({"d/a": b"1\n"})
    with open_repository(folder.path) as repository:
        change = repository.load_change(base, head)
        assert repository.object_format == "sha256"
        assert repository.list_tree(change.head.tree_id).entries == list_with_git(folder, change.head.tree_id)
        assert repository.load_line_map(change.base.tree_id, change.head.tree_id).files.keys() == {"d/a"}


# --- trees ---


def test_listing_and_difference_agree_with_git_over_a_random_history(folder: GitFolder):
    """Source: git-ls-tree(1) and git-diff-tree(1), asked about the same trees."""
    rng = random.Random(20010101)
    names = ["a", "b", "a.c", "a-b", *ODD_NAMES]
    commits = []
    for number in range(25):
        paths: list[str] = []
        files: dict[str | bytes, Content] = {}
        # One branch of the tree a commit: a file and a folder of the same name never meet in one commit.
        for _ in range(4):
            path = "/".join(rng.choice(names) for _ in range(rng.randint(1, 3)))
            if any(path.startswith(f"{other}/") or other.startswith(f"{path}/") for other in paths):
                continue
            content = b"%d\n" % rng.randint(0, 5)
            paths.append(path)
            files[path] = rng.choice([content, content, Executable(content), Link(b"x" + content.strip()), None])
        commits.append(folder.commit(files, message=f"{number}"))
    trees = [folder.tree_of(commit) for commit in commits]
    with open_repository(folder.path) as repository:
        for old, new in pairwise(trees):
            listing = repository.list_tree(new).entries
            assert list(listing.items()) == list(list_with_git(folder, new).items())
            expected = []
            fields = folder.git("diff-tree", "-r", "-z", "--raw", old, new).split(b"\0")[:-1]
            for raw, name in zip(fields[::2], fields[1::2], strict=True):
                old_mode, new_mode, old_id, new_id, _ = raw.decode().lstrip(":").split()
                expected.append(
                    (
                        name.decode("utf-8", "surrogateescape"),
                        Entry(int(old_mode, 8), old_id) if int(old_mode, 8) else None,
                        Entry(int(new_mode, 8), new_id) if int(new_mode, 8) else None,
                    )
                )
            found = [(delta.path, delta.old, delta.new) for delta in repository.diff_trees(old, new)]
            assert sorted(found, key=repr) == sorted(expected, key=repr)


def test_tree_made_by_hand_to_do_harm_is_refused_by_name(folder: GitFolder):
    blob = folder.write_blob(b"x")
    inner = folder.write_tree([(b"100644", b"config", blob)])
    tree = folder.write_tree([(b"40000", b".Git", inner)])
    above = folder.write_tree([(b"40000", b"sub", tree)])
    with open_repository(folder.path) as repository:
        for bad in (tree, above):
            assert message_of(lambda bad=bad: repository.list_tree(bad)) == (  # type: ignore[misc] # bound now
                f"{folder.path}: tree {tree} cannot be used: it holds an entry named '.Git', which no work tree may "
                "hold; remove it from the change"
            )


def test_object_of_another_kind_is_refused(folder: GitFolder):
    blob = folder.write_blob(b"x")
    with open_repository(folder.path) as repository:
        assert message_of(lambda: repository.list_tree(blob)) == (
            f"{folder.path}: object {blob} is a blob, wanted a tree; run git fsck"
        )
        assert message_of(lambda: repository.list_tree("HEAD\nHEAD")) == (
            f"{folder.path}: reading an object failed, git said: 'HEAD\\nHEAD' is not a full object name; "
            "run git fsck there, and try again"
        )


def test_damaged_object_is_an_error_and_the_next_read_works(folder: GitFolder):
    good, bad = folder.write_blob(b"good"), folder.write_blob(b"bad" * 1000)
    path = folder.path / ".git" / "objects" / bad[:2] / bad[2:]
    path.chmod(0o644)
    whole = path.read_bytes()
    with open_repository(folder.path) as repository:
        for length in range(0, len(whole) - 1, 7):
            path.write_bytes(whole[:length])
            with pytest.raises(RepositoryError, match=str(folder.path)):
                list(repository.iter_blobs([good, bad]))
        assert [blob.content for blob in repository.iter_blobs([good])] == [b"good"]


def test_partial_clone_says_what_it_lacks_and_fetches_nothing(folder: GitFolder, tmp_path: Path):
    base = folder.commit({"a": b"0\n"})
    head = folder.commit({"a": b"1\n"})
    folder.git("config", "uploadpack.allowFilter", "true")
    clone = clone_repository(folder, tmp_path / "partial", "--filter=blob:none", "--bare")
    with open_repository(clone.path) as repository:
        change = repository.load_change(base, head)
        blob = repository.list_tree(change.head.tree_id).entries["a"].object_id
        assert message_of(lambda: repository.read_file(change.head.tree_id, "a")) == (
            f"{clone.path}: the blob {blob} is missing here; "
            "in a partial clone run git fetch --refetch --no-filter, else git fsck"
        )
        assert message_of(lambda: repository.load_line_map(change.base.tree_id, change.head.tree_id)).endswith(
            "the object is missing here (a partial clone, or damage); run git fetch --refetch, then git fsck"
        )
    present = clone.git("cat-file", "--batch-all-objects", "--batch-check").decode()
    assert blob not in present


def test_pushed_objects_in_quarantine_are_seen(folder: GitFolder, tmp_path: Path):
    """Source: git-receive-pack(1), "Quarantine Environment": what a hook sees is not in the repository yet."""
    folder.commit({"a": b"0"})
    server = clone_repository(folder, tmp_path / "server.git", "--bare")
    head = folder.commit({"a": b"1"})
    hook = server.path / "hooks" / "pre-receive"
    hook.parent.mkdir(exist_ok=True)
    hook.write_text(
        f"#!/bin/sh\nread old new ref\nPYTHONPATH={os.pathsep.join(sys.path)} exec {sys.executable} -c '\n"
        "import sys; from pathlib import Path; from gatekeep.tree.repository import open_repository\n"
        "with open_repository(Path.cwd()) as r:\n"
        "    c = r.load_change(sys.argv[1], sys.argv[2])\n"
        "    m = r.load_line_map(c.base.tree_id, c.head.tree_id)\n"
        '    print(c.head.commit_id, r.read_file(c.head.tree_id, "a"), list(m.files))\' "$old" "$new"\n'
    )
    hook.chmod(0o755)
    done = subprocess.run(
        ["git", "push", str(server.path), "main"],
        cwd=folder.path,
        capture_output=True,
        text=True,
        env={"PATH": os.environ["PATH"]},
    )
    assert f"remote: {head} b'1' ['a']" in done.stderr
    assert done.returncode == 0


def test_line_map_does_not_depend_on_attributes_or_configuration(folder: GitFolder, tmp_path: Path):
    base = folder.commit({"a.c": b"1\n2\n3\n", ".gitattributes": b"*.c -diff diff=trap\n*.h binary\n", "b.h": b"1\n"})
    head = folder.commit({"a.c": b"0\n1\n2\n3\n", "b.h": b"2\n"})
    trap = tmp_path / "trap"
    trap.write_text(f"#!/bin/sh\ntouch {tmp_path}/sprung\n")
    trap.chmod(0o755)
    for key, value in [
        ("diff.external", str(trap)),
        ("diff.trap.command", str(trap)),
        ("diff.trap.textconv", str(trap)),
        ("diff.noprefix", "true"),
        ("diff.renames", "false"),
        ("diff.interHunkContext", "10"),
        ("diff.orderFile", "/nonexistent"),
        ("color.ui", "always"),
    ]:
        folder.git("config", key, value)
    folder.git("checkout", "-q", "main")
    with open_repository(folder.path) as repository:
        lines = repository.load_line_map(folder.tree_of(base), folder.tree_of(head))
    assert lines.files.keys() == {"a.c", "b.h"}
    assert lines.map_place("a.c", 1) == ("a.c", 2)
    assert not (tmp_path / "sprung").exists()


def test_line_map_follows_a_rename(folder: GitFolder):
    content = b"".join(b"%d\n" % n for n in range(50))
    base = folder.commit({"old name.c": content})
    head = folder.commit({"old name.c": None, "new\nname.c": b"first\n" + content})
    with open_repository(folder.path) as repository:
        lines = repository.load_line_map(folder.tree_of(base), folder.tree_of(head))
    assert lines.map_place("old name.c", 7) == ("new\nname.c", 8)


def test_many_threads_read_at_once(folder: GitFolder):
    files: dict[str | bytes, Content] = {f"d{n % 7}/f{n}": b"%d" % n * (n * 50) for n in range(200)}
    tree = folder.tree_of(folder.commit(files))
    wrong: list[str] = []

    def read_all(repository: GitRepository, seed: int) -> None:
        paths = [str(path) for path in files]
        random.Random(seed).shuffle(paths)
        wrong.extend(path for path in paths if repository.read_file(tree, path) != files[path])

    with open_repository(folder.path) as repository:
        threads = [threading.Thread(target=read_all, args=(repository, seed)) for seed in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert wrong == []


def test_closing_leaves_no_process_and_no_scratch_folder(folder: GitFolder, tmp_path: Path):
    tree = folder.tree_of(folder.commit({"a": b"0"}))
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    code = (
        "import sys; from pathlib import Path; from gatekeep.tree.repository import open_repository\n"
        "with open_repository(Path(sys.argv[1])) as r:\n"
        "    r.list_tree(sys.argv[2]); print(len(list(Path(sys.argv[3]).iterdir())))\n"
    )
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code, folder.path, tree, scratch],
        capture_output=True,
        text=True,
        env={**os.environ, "TMPDIR": str(scratch)},
    )
    assert (done.stdout, done.stderr) == ("1\n", "")
    assert list(scratch.iterdir()) == []


# --- submodules ---


@pytest.fixture
def nested(tmp_path: Path) -> tuple[GitFolder, str]:
    """A tree with a submodule that has a submodule, checked out as a user would."""
    inner = make_repository(tmp_path / "inner")
    inner_id = inner.commit({"deep.c": b"deep\n"})
    middle = make_repository(tmp_path / "middle")
    middle_id = middle.commit(
        {
            ".gitmodules": b'[submodule "in ner"]\n\tpath = sub dir/inner\n\turl = %s\n' % str(inner.path).encode(),
            "sub dir/inner": Submodule(inner_id),
            "lib.c": b"lib\n",
        }
    )
    outer = make_repository(tmp_path / "outer")
    outer_id = outer.commit(
        {
            ".gitmodules": b'[submodule "middle"]\n\tpath = lib/middle\n\turl = %s\n' % str(middle.path).encode(),
            "lib/middle": Submodule(middle_id),
            "main.c": b"main\n",
            "lib/middle.c": b"beside\n",
        }
    )
    clone = clone_repository(outer, tmp_path / "clone", "--recurse-submodules", "-c", "protocol.file.allow=always")
    for source in (inner, middle, outer):
        shutil.rmtree(source.path)
    return clone, outer_id


def test_submodules_are_single_entries_and_expanded_from_local_clones(nested: tuple[GitFolder, str]):
    clone, commit_id = nested
    with open_repository(clone.path) as repository:
        tree_id = repository.resolve(commit_id).tree_id
        entries = repository.list_tree(tree_id).entries
        assert {path: entry.mode for path, entry in entries.items()} == {
            ".gitmodules": FILE,
            "lib/middle": SUBMODULE,
            "lib/middle.c": FILE,
            "main.c": FILE,
        }
        expanded = repository.expand_tree(tree_id)
        assert sorted(expanded.entries) == [
            ".gitmodules",
            "lib/middle.c",
            "lib/middle/.gitmodules",
            "lib/middle/lib.c",
            "lib/middle/sub dir/inner/deep.c",
            "main.c",
        ]
        assert [mount.prefix for mount in expanded.mounts] == ["", "lib/middle/", "lib/middle/sub dir/inner/"]
        contents: dict[str, bytes] = {}
        for mount, paths in expanded.group_by_mount(sorted(expanded.entries)):
            blobs = mount.repository.iter_blobs([expanded.entries[path].object_id for path in paths])
            contents |= {path: blob.content for path, blob in zip(paths, blobs, strict=True) if path.endswith(".c")}
        assert contents == {
            "lib/middle.c": b"beside\n",
            "lib/middle/lib.c": b"lib\n",
            "lib/middle/sub dir/inner/deep.c": b"deep\n",
            "main.c": b"main\n",
        }


def test_submodule_with_a_git_folder_of_its_own_is_found_in_the_work_tree(nested: tuple[GitFolder, str]):
    """An old clone, or one made by hand: `.git` is a folder in the submodule, not a file that points to modules/."""
    clone, commit_id = nested
    modules = clone.path / ".git" / "modules" / "middle"
    own = clone.path / "lib" / "middle" / ".git"
    own.unlink()
    modules.rename(own)
    with open_repository(clone.path) as repository:
        assert len(repository.expand_tree(repository.resolve(commit_id).tree_id).mounts) == 3


def test_submodule_that_is_not_cloned_is_named_with_the_way_out(nested: tuple[GitFolder, str]):
    clone, commit_id = nested
    shutil.rmtree(clone.path / ".git" / "modules" / "middle" / "modules")
    shutil.rmtree(clone.path / "lib" / "middle" / "sub dir")
    with open_repository(clone.path) as repository:
        tree_id = repository.resolve(commit_id).tree_id
        assert message_of(lambda: repository.expand_tree(tree_id)) == (
            f"{clone.path}/.git/modules/middle: submodule 'in ner' at 'lib/middle/sub dir/inner': it is not cloned on "
            "this machine; run git submodule update --init --recursive"
        )
        assert len(repository.list_tree(tree_id).entries) == 4


def test_submodule_commit_that_its_clone_lacks_is_named(nested: tuple[GitFolder, str]):
    clone, _ = nested
    commit_id = clone.commit({"lib/middle": Submodule("12" * 20)})
    with open_repository(clone.path) as repository:
        assert message_of(lambda: repository.expand_tree(repository.resolve(commit_id).tree_id)) == (
            f"{clone.path}: submodule 'middle' at 'lib/middle': its clone lacks commit 1212121212; "
            "run git submodule update --init --recursive"
        )


def test_submodule_that_gitmodules_does_not_name_is_refused(folder: GitFolder):
    commit_id = folder.commit({"stray": Submodule("12" * 20)})
    with open_repository(folder.path) as repository:
        assert message_of(lambda: repository.expand_tree(repository.resolve(commit_id).tree_id)) == (
            f"{folder.path}: the tree holds a submodule at 'stray' (commit 1212121212), and .gitmodules does not name "
            "it; add it there, or remove the entry with git rm --cached"
        )


@pytest.mark.parametrize("name", ["../../../other/.git", "a/../../other", "/etc", ".."])
def test_submodule_name_that_leads_out_of_the_git_folder_is_not_used(folder: GitFolder, tmp_path: Path, name: str):
    other = make_repository(tmp_path / "other")
    stolen = other.commit({"secret": b"s"})
    commit_id = folder.commit(
        {
            "sub": Submodule(stolen),
            ".gitmodules": b'[submodule "%s"]\n\tpath = sub\n\turl = --upload-pack=touch sprung\n' % name.encode(),
        }
    )
    with open_repository(folder.path) as repository:
        message = message_of(lambda: repository.expand_tree(repository.resolve(commit_id).tree_id))
    assert message.startswith(f"{folder.path}: the tree holds a submodule at 'sub'")


def test_submodule_folder_that_is_a_link_out_of_the_work_tree_is_not_used(folder: GitFolder, tmp_path: Path):
    other = make_repository(tmp_path / "other")
    stolen = other.commit({"secret": b"s"})
    commit_id = folder.commit(
        {
            "-sub": Submodule(stolen),
            ".gitmodules": b'[submodule "-x"]\n\tpath = -sub\n\turl = -x\n[submodule "self"]\n\tpath = ../other\n',
        }
    )
    (folder.path / "-sub").symlink_to(other.path)
    with open_repository(folder.path) as repository:
        assert message_of(lambda: repository.expand_tree(repository.resolve(commit_id).tree_id)) == (
            f"{folder.path}: submodule '-x' at '-sub': it is not cloned on this machine; "
            "run git submodule update --init --recursive"
        )


def test_damaged_gitmodules_is_an_error(folder: GitFolder):
    commit_id = folder.commit({"sub": Submodule("12" * 20), ".gitmodules": b"[submodule\n"})
    with open_repository(folder.path) as repository:
        message = message_of(lambda: repository.expand_tree(repository.resolve(commit_id).tree_id))
    assert message.startswith(f"{folder.path}: reading .gitmodules failed, git said: error: bad config line 1 in blob")
    assert message.endswith("; correct the file")


def test_modes_are_those_of_git(folder: GitFolder):
    tree = folder.tree_of(folder.commit({"f": b"", "x": Executable(b""), "l": Link(b"f")}))
    with open_repository(folder.path) as repository:
        entries = repository.list_tree(tree).entries
        assert {path: entry.mode for path, entry in entries.items()} == {"f": FILE, "l": SYMLINK, "x": EXECUTABLE}
        assert repository.read_file(tree, "l") is None


def test_the_commit_that_wrote_a_line_is_found_within_a_range_only(folder: GitFolder) -> None:
    old = folder.commit({"tide.c": b"one\ntwo\nthree\n"}, message="Import")
    side = folder.commit({"tide.c": b"one\ntwo\nTHREE\n"}, message="On a side", parents=[old], branch="side")
    main = folder.commit({"other.c": b"1\n", "\n:(top)*": b"odd\n"}, message="Beside it")
    head = folder.commit({"tide.c": b"zero\none\ntwo\nTHREE\n"}, message="Join", parents=[main, side])
    with open_repository(folder.path) as opened:
        assert opened.find_line_author(old, head, "tide.c", 4) == side
        assert opened.find_line_author(old, head, "tide.c", 1) == head
        assert opened.find_line_author(old, head, "\n:(top)*", 1) == main
        # Older than the range, past the end of the file, not there, outside the tree.
        assert opened.find_line_author(old, head, "tide.c", 2) is None
        assert opened.find_line_author(old, head, "tide.c", 9) is None
        assert opened.find_line_author(old, head, "gone.c", 1) is None
        assert opened.find_line_author(old, head, "../tide.c", 1) is None
