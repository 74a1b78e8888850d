"""A worker's tree on real repositories and real disks: what a checkout holds, and what is left of a job's mischief."""

import io
import os
import random
import shutil
import socket
import stat
import subprocess
import sys
import tarfile
import tempfile
import traceback
from collections.abc import Callable, Iterator
from mmap import mmap
from pathlib import Path

import pytest

from gatekeep.build.tree_files import folders_tell, maps_tell, remove_everything, wait_for_next_tick
from gatekeep.build.worktree import MaterialisedTree, TreeTakenError
from gatekeep.errors import RepositoryError, RunnerError
from gatekeep.tree.repository import GitRepository, open_repository
from tests.repos import Content, Executable, GitFolder, Link, Submodule, clone_repository, make_repository

SOURCE_DATE = 978307200

#: Path to (kind, permissions, content); folders too.
Snapshot = dict[bytes, tuple[str, int, bytes]]


def take_snapshot(root: Path) -> Snapshot:
    """Read a folder by plain means; every modification time must be the source date."""
    found: Snapshot = {}
    for folder, names, files in os.walk(os.fsencode(root)):
        for path in (folder, *(os.path.join(folder, name) for name in (*names, *files))):
            status = os.lstat(path)
            assert status.st_mtime_ns == SOURCE_DATE * 10**9, path
            relative = os.path.relpath(path, os.fsencode(root))
            mode = stat.S_IMODE(status.st_mode)
            if stat.S_ISLNK(status.st_mode):
                found[relative] = ("link", 0o777, os.readlink(path))
            elif stat.S_ISDIR(status.st_mode):
                found[relative] = ("folder", mode, b"")
            else:
                assert stat.S_ISREG(status.st_mode), path
                with open(path, "rb") as content:
                    found[relative] = ("file", mode, content.read())
    return found


def snapshot_of_archive(folder: GitFolder, tree_id: str) -> Snapshot:
    """Source: git-archive(1), which converts files by the tree's own attributes as a checkout does."""
    data = folder.git("-c", "core.eol=lf", "archive", "--format=tar", tree_id)
    found: Snapshot = {b".": ("folder", 0o755, b"")}
    with tarfile.open(fileobj=io.BytesIO(data), errors="surrogateescape") as archive:
        for member in archive:
            path = os.fsencode(member.name.rstrip("/"))
            if member.issym():
                found[path] = ("link", 0o777, os.fsencode(member.linkname))
            elif member.isdir():
                found[path] = ("folder", 0o755, b"")
            else:
                content = archive.extractfile(member)
                assert content is not None
                # git archive adds the group's write bit by default (tar.umask).
                found[path] = ("file", 0o755 if member.mode & 0o100 else 0o644, content.read())
    return found


def message_of(call: Callable[[], object], kind: type[Exception] = RepositoryError) -> str:
    with pytest.raises(kind) as caught:
        call()
    return str(caught.value)


def remove_tree(path: Path) -> None:
    remove_everything([os.fsencode(path)], os.fsencode(path) + b".trash")


@pytest.fixture
def folder(tmp_path: Path) -> GitFolder:
    return make_repository(tmp_path / "r")


@pytest.fixture
def repository(folder: GitFolder) -> Iterator[GitRepository]:
    with open_repository(folder.path) as opened:
        yield opened


@pytest.fixture(params=["folders tell", "folders do not tell"])
def tree(repository: GitRepository, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[MaterialisedTree]:
    """With and without a file system on which folders need not be listed."""
    tells = request.param == "folders tell"
    with MaterialisedTree(
        tmp_path / "w" / "tree", repository, source_date=SOURCE_DATE, try_folders=lambda _place: tells
    ) as opened:
        yield opened


# --- moving ---


ATTRIBUTES = [
    b"* text=auto\n",
    b"*.c text eol=crlf\n",
    b"*.c ident\n*.h text eol=crlf\n",
    b"[attr]dos text eol=crlf\n*.h dos\na/*.c -text\n",
    b"*.txt text working-tree-encoding=UTF-16LE-BOM\n*.c filter=trap\n",
    None,
]
NAMES = ["a", "b", "a.c", "b.h", "c.txt", "new\nline", "with space", "\udcff\udcfe.c", "-x", "häfen.h"]


def make_random_history(folder: GitFolder, count: int, seed: int, *, attributes: bool) -> list[str]:
    rng = random.Random(seed)
    trees = []
    for _ in range(count):
        paths: list[str] = []
        files: dict[str | bytes, Content] = {}
        for _ in range(rng.randint(1, 6)):
            path = "/".join(rng.choice(NAMES) for _ in range(rng.randint(1, 3)))
            if any(path.startswith(f"{other}/") or other.startswith(f"{path}/") for other in paths):
                continue
            text = b"$Id$ h\xc3\xa4fen\n" + b"line\r\nline\n"[rng.randint(0, 11) :] * rng.randint(0, 3)
            paths.append(path)
            files[path] = rng.choice([text, text, Executable(text), Link(b"nowhere/x"), None])
        if attributes and rng.random() < 0.5:
            files[rng.choice([".gitattributes", "a/.gitattributes"])] = rng.choice(ATTRIBUTES)
            files.pop("a", None)
        trees.append(folder.tree_of(folder.commit(files)))
    return trees


def move_at_random(tree: MaterialisedTree, expected: dict[str, Snapshot], count: int) -> None:
    rng = random.Random(8)
    for _ in range(count):
        tree_id = rng.choice(list(expected))
        tree.move_to(tree_id)
        assert take_snapshot(tree.root) == expected[tree_id]
    assert tree.restore() == ()


def test_random_moves_give_what_git_gives(folder: GitFolder, tree: MaterialisedTree):
    """Files, folders and links take each other's place, 170 times."""
    trees = make_random_history(folder, 30, seed=7, attributes=False)
    move_at_random(tree, {tree_id: snapshot_of_archive(folder, tree_id) for tree_id in trees}, 170)


def test_random_moves_with_attributes_give_what_git_gives_and_run_no_filter(
    folder: GitFolder, tree: MaterialisedTree, tmp_path: Path
):
    trees = make_random_history(folder, 12, seed=5, attributes=True)
    expected = {tree_id: snapshot_of_archive(folder, tree_id) for tree_id in trees}
    folder.git("config", "filter.trap.smudge", f"touch {tmp_path}/sprung; cat")
    folder.git("config", "filter.trap.required", "true")
    move_at_random(tree, expected, 30)
    assert not (tmp_path / "sprung").exists()


def test_archive_and_checkout_agree_so_that_either_may_be_the_oracle(folder: GitFolder):
    for tree_id in make_random_history(folder, 6, seed=9, attributes=True):
        folder.git("read-tree", "--reset", tree_id)
        folder.git("-c", "core.eol=lf", "checkout-index", "-a", "-f")
        found = {
            path: (
                os.readlink(folder.path / path)
                if (folder.path / path).is_symlink()
                else (folder.path / path).read_bytes()
            )
            for path in folder.git("ls-files", "-z").decode("utf-8", "surrogateescape").split("\0")[:-1]
        }
        archived = snapshot_of_archive(folder, tree_id)
        for path, content in found.items():
            assert archived[os.fsencode(path)][2] == (os.fsencode(content) if isinstance(content, str) else content)
        for name in folder.path.iterdir():
            if name.name != ".git":
                remove_tree(name)


def test_move_touches_changed_paths_only(folder: GitFolder, tree: MaterialisedTree):
    first = folder.tree_of(folder.commit({"a/x": b"1", "a/y": b"1", "b/z": b"1", "run": b"1"}))
    second = folder.tree_of(folder.commit({"a/x": b"2", "b/z": None, "run": Executable(b"1")}))
    assert tree.move_to(first) == 4
    kept = os.lstat(tree.root / "a" / "y")
    assert tree.move_to(second) == 2
    assert os.lstat(tree.root / "a" / "y") == kept
    assert tree.move_to(second) == 0
    assert tree.tree_id == second
    assert take_snapshot(tree.root) == snapshot_of_archive(folder, second)
    assert tree.move_to(first) == 3
    assert tree.restore() == ()


def test_another_date_is_that_of_everything_after_the_next_move(
    folder: GitFolder, repository: GitRepository, tmp_path: Path
) -> None:
    folder.commit({"a": b"1\n", "d/b": b"2\n", "l": Link(b"a")})
    tree_id, place = folder.tree_of("main"), tmp_path / "w" / "tree"
    with MaterialisedTree(place, repository, source_date=5) as tree:
        tree.move_to(tree_id)
        tree.date(SOURCE_DATE)
        assert tree.tree_id is None
        assert tree.move_to(tree_id) == 3
        assert take_snapshot(place) == snapshot_of_archive(folder, tree_id)
        tree.date(SOURCE_DATE)
        assert tree.move_to(tree_id) == 0
        assert tree.restore() == ()
    # Whoever comes next with the first date finds nothing to take over.
    with MaterialisedTree(place, repository, source_date=5) as tree:
        assert tree.tree_id is None
        tree.date(SOURCE_DATE)
        tree.move_to(tree_id)
        take_snapshot(place)


def test_modes_do_not_depend_on_the_umask(folder: GitFolder, tree: MaterialisedTree):
    tree_id = folder.tree_of(folder.commit({"d/e/run": Executable(b"1"), "d/f": b"1", "l": Link(b"d/f")}))
    old = os.umask(0o077)
    try:
        tree.move_to(tree_id)
    finally:
        os.umask(old)
    assert take_snapshot(tree.root) == {
        b".": ("folder", 0o755, b""),
        b"d": ("folder", 0o755, b""),
        b"d/e": ("folder", 0o755, b""),
        b"d/e/run": ("file", 0o755, b"1"),
        b"d/f": ("file", 0o644, b"1"),
        b"l": ("link", 0o777, b"d/f"),
    }


def test_access_times_start_older_so_that_a_read_moves_them(folder: GitFolder, tree: MaterialisedTree):
    tree.move_to(folder.tree_of(folder.commit({"d/f": b"1", "l": Link(b"d/f")})))
    for name in ("d/f", "d", "l", "."):
        status = os.lstat(tree.root / name)
        assert status.st_atime_ns < status.st_mtime_ns


def test_empty_tree_is_an_empty_folder(folder: GitFolder, tree: MaterialisedTree):
    full = folder.tree_of(folder.commit({"d/f": b"1"}))
    empty = folder.tree_of(folder.commit({"d": None}))
    for tree_id in (empty, full, empty):
        tree.move_to(tree_id)
        assert take_snapshot(tree.root) == snapshot_of_archive(folder, tree_id)


def test_changed_attributes_write_the_files_they_reach_again(folder: GitFolder, tree: MaterialisedTree):
    plain = folder.tree_of(folder.commit({"a.bat": b"1\n", "b.c": b"1\n"}))
    dos = folder.tree_of(folder.commit({".gitattributes": b"*.bat text eol=crlf\n"}))
    tree.move_to(plain)
    assert tree.move_to(dos) == 2
    assert (tree.root / "a.bat").read_bytes() == b"1\r\n"
    assert tree.move_to(plain) == 1
    assert (tree.root / "a.bat").read_bytes() == b"1\n"


def test_attributes_outside_of_the_tree_have_no_say(folder: GitFolder, tree: MaterialisedTree):
    tree_id = folder.tree_of(folder.commit({"a.c": b"$Id$\n"}))
    (folder.path / ".git" / "info").mkdir(exist_ok=True)
    (folder.path / ".git" / "info" / "attributes").write_text("*.c text eol=crlf ident\n")
    (folder.path / ".gitattributes").write_text("*.c text eol=crlf ident\n")
    folder.git("config", "core.autocrlf", "true")
    tree.move_to(tree_id)
    assert (tree.root / "a.c").read_bytes() == b"$Id$\n"


def test_attributes_that_are_hostile_do_no_harm(folder: GitFolder, tree: MaterialisedTree):
    """Attribute files of odd kinds: a link to a file, a folder, encodings that do not exist, endless lines."""
    link = folder.tree_of(folder.commit({".gitattributes": Link(b"x"), "x": b"*.c text eol=crlf\n", "a.c": b"1\n"}))
    tree.move_to(link)
    assert (tree.root / "a.c").read_bytes() == b"1\n"
    odd = b"*.c text working-tree-encoding=../../etc eol=crlf\n" + b"*" * 5000 + b" eol=crlf\n\xff\xfe ident\n"
    tree_id = folder.tree_of(folder.commit({".gitattributes": odd, "a/.gitattributes/x": b"* eol=crlf\n"}))
    tree.move_to(tree_id)
    assert take_snapshot(tree.root) == snapshot_of_archive(folder, tree_id)


def test_submodules_stand_in_the_tree_with_their_own_attributes(folder: GitFolder, tmp_path: Path):
    library = make_repository(tmp_path / "library")
    first = library.commit({"lib.c": b"1\n", "sub/x": b"1\n", ".gitattributes": b"*.c eol=crlf\n"})
    second = library.commit({"lib.c": b"2\n", "sub": None, "l": Link(b"../main.c")})
    modules = b'[submodule "lib"]\n\tpath = lib\n\turl = %s\n' % str(library.path).encode()
    folder.commit({"main.c": b"m\n", "lib": Submodule(first), ".gitmodules": modules})
    folder.commit({"lib": Submodule(second)})
    folder.commit({"lib": b"a file now\n", ".gitmodules": None})
    clone = clone_repository(folder, tmp_path / "clone")
    clone.git("checkout", "-q", "main~1")
    clone.git("submodule", "update", "-q", "--init")
    expected = [
        {"lib/.gitattributes", "lib/lib.c", "lib/sub/x", "main.c", ".gitmodules"},
        {"lib/.gitattributes", "lib/lib.c", "lib/l", "main.c", ".gitmodules"},
        {"lib", "main.c"},
    ]
    with (
        open_repository(clone.path) as repository,
        MaterialisedTree.open(tmp_path / "trees", repository, source_date=SOURCE_DATE) as tree,
    ):
        for back in (2, 1, 0, 2, 0, 1):
            tree.move_to(repository.resolve(f"origin/main~{back}").tree_id)
            snapshot = take_snapshot(tree.root)
            files = {os.fsdecode(path) for path, (kind, _, _) in snapshot.items() if kind != "folder"}
            assert files == expected[2 - back]
            assert snapshot[b"main.c"][2] == b"m\n"
        assert snapshot[b"lib/lib.c"][2] == b"2\r\n"
        (tree.root / "lib" / "lib.c").write_bytes(b"spoiled")
        assert tree.restore() == ("lib/lib.c",)
        assert take_snapshot(tree.root) == snapshot


@pytest.mark.parametrize("target", [b"/etc/passwd", b"../../x", b"d/../.."])
def test_symlink_that_leads_out_is_refused_and_the_old_tree_stays(
    folder: GitFolder, tree: MaterialisedTree, target: bytes
):
    good = folder.tree_of(folder.commit({"d/f": b"1"}))
    bad = folder.tree_of(folder.commit({"e/l": Link(target), "l2": Link(b"e/l"), "e/ok": Link(b"../d/f")}))
    tree.move_to(good)
    shown = "e/l' leads out of the tree, to '" + target.decode() + "' (and 1 more)"
    if target == b"d/../..":
        # Relative to e/, where there is no d: as the kernel would, once somebody makes it.
        tree.move_to(bad)
        return
    assert message_of(lambda: tree.move_to(bad)) == (
        f"{folder.path}: tree {bad[:10]}: symlink '{shown}; let it point to something in the tree, by a relative path"
    )
    assert tree.tree_id == good
    assert take_snapshot(tree.root) == snapshot_of_archive(folder, good)


def test_symlink_without_target_is_refused(folder: GitFolder, tree: MaterialisedTree):
    tree_id = folder.write_tree([(b"120000", b"l", folder.write_blob(b"a\0b"))])
    assert message_of(lambda: tree.move_to(tree_id)) == (
        f"{folder.path}: tree {tree_id[:10]}: symlink 'l' leads out of the tree, to 'a\\x00b'; "
        "let it point to something in the tree, by a relative path"
    )


def test_tree_with_names_that_no_work_tree_may_hold_is_refused(folder: GitFolder, tree: MaterialisedTree):
    blob = folder.write_blob(b"x")
    for name in (b".git", b".GIT", b"..", b"../x", b"/x"):
        bad = folder.write_tree([(b"100644", name, blob)])
        assert "which no work tree may hold" in message_of(lambda bad=bad: tree.move_to(bad))  # type: ignore[misc] # bound now
    assert not tree.root.exists()


# --- what jobs do ---


def litter(root: Path) -> None:
    """What an honest build leaves that works in its sources."""
    (root / "src" / "a.o").write_bytes(b"o")
    (root / "build" / "deep" / "er").mkdir(parents=True)
    (root / "build" / "deep" / "er" / "x").write_bytes(b"x")


def overwrite(root: Path) -> None:
    (root / "src" / "a.c").write_bytes(b"changed")


def overwrite_and_hide(root: Path) -> None:
    """The same length, and the old times put back."""
    path = root / "src" / "a.c"
    status = path.stat()
    path.write_bytes(b"x" * status.st_size)
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))


def remove_files(root: Path) -> None:
    (root / "src" / "a.c").unlink()
    shutil.rmtree(root / "deep")


def folder_to_link(root: Path) -> None:
    (root / "src").rename(root / "moved")
    (root / "src").symlink_to("/etc")


def file_to_folder(root: Path) -> None:
    (root / "run").unlink()
    (root / "run" / "x").mkdir(parents=True)


def link_to_file(root: Path) -> None:
    (root / "link").unlink()
    (root / "link").write_bytes(b"x")


def retarget_link(root: Path) -> None:
    (root / "link").unlink()
    (root / "link").symlink_to("/etc/passwd")


def hard_links(root: Path) -> None:
    os.link(root / "src" / "a.c", root.parent / "kept")
    os.link(root / "src" / "a.c", root / "second")


def modes(root: Path) -> None:
    (root / "run").chmod(0o4777)
    (root / "deep" / "down").chmod(0)
    (root / "src").chmod(0o555)
    root.chmod(0)


def locked_litter(root: Path) -> None:
    (root / "locked" / "in").mkdir(parents=True)
    (root / "locked" / "in" / "f").write_bytes(b"x")
    (root / "locked" / "in").chmod(0)
    (root / "locked").chmod(0o111)


def odd_kinds(root: Path) -> None:
    os.mkfifo(root / "pipe")
    with socket.socket(socket.AF_UNIX) as door:
        here = Path.cwd()
        os.chdir(root)
        door.bind("door")
        os.chdir(here)
    (root / os.fsdecode(b"\xff\n\x1b[31m")).write_bytes(b"x")
    (root / "dangling").symlink_to("/nowhere")
    (root / "loop").symlink_to("loop")


def bottomless(root: Path) -> None:
    """Four times deeper than any path may be long."""
    here = os.open(root, os.O_RDONLY)
    for _ in range(300):
        os.mkdir("deeper" * 10, dir_fd=here)
        below = os.open("deeper" * 10, os.O_RDONLY, dir_fd=here)
        os.close(here)
        here = below
    os.close(here)


def many(root: Path) -> None:
    for number in range(10_000):
        os.close(os.open(root / "src" / f"{number}.o", os.O_CREAT | os.O_WRONLY))


def re_date(root: Path) -> None:
    os.utime(root / "src" / "a.c")
    os.utime(root / "deep")


def without_a_trace(root: Path) -> None:
    (root / "src" / "t").write_bytes(b"")
    (root / "src" / "t").unlink()
    (root / "t").mkdir()
    (root / "t").rmdir()


def replace_root(root: Path) -> None:
    root.rename(root.with_name("elsewhere"))
    root.symlink_to("/etc")


def default_access_list(root: Path) -> None:
    os.setxattr(root / "src", "user.note", b"x")


MISCHIEF: list[tuple[Callable[[Path], None], tuple[str, ...]]] = [
    (litter, ("build", "src/a.o")),
    (overwrite, ("src/a.c",)),
    (overwrite_and_hide, ("src/a.c",)),
    (remove_files, ("deep/down/x", "src/a.c")),
    (folder_to_link, ("moved", "src", "src/a.c", "src/dos.bat")),
    (file_to_folder, ("run",)),
    (link_to_file, ("link",)),
    (retarget_link, ("link",)),
    (hard_links, ("second", "src/a.c")),
    (modes, (".", "deep/down", "run", "src")),
    (locked_litter, ("locked",)),
    (odd_kinds, ("dangling", "door", "loop", "pipe", "\udcff\n\x1b[31m")),
    (bottomless, ("deeper" * 10,)),
    (many, tuple(sorted(f"src/{number}.o" for number in range(10_000)))),
    (re_date, ("deep", "src/a.c")),
    (without_a_trace, (".", "src")),
    (default_access_list, ("src",)),
    (replace_root, ("deep/down/x", "link", "run", "src/a.c", "src/dos.bat", ".gitattributes")),
]

FILES: dict[str | bytes, Content] = {
    "src/a.c": b"int a;\n",
    "src/dos.bat": b"rem\n",
    ".gitattributes": b"*.bat eol=crlf\n",
    "run": Executable(b"#!/bin/sh\n"),
    "link": Link(b"src/a.c"),
    "deep/down/x": b"x",
}


@pytest.mark.parametrize(("mischief", "touched"), MISCHIEF, ids=[mischief.__name__ for mischief, _ in MISCHIEF])
def test_whatever_a_job_does_is_found_and_put_back(
    folder: GitFolder, tree: MaterialisedTree, mischief: Callable[[Path], None], touched: tuple[str, ...]
):
    tree_id = folder.tree_of(folder.commit(FILES))
    next_id = folder.tree_of(folder.commit({"src/a.c": b"next\n", "deep": None}))
    tree.move_to(tree_id)
    before = take_snapshot(tree.root)
    mischief(tree.root)
    assert tree.restore() == tuple(sorted(touched))
    assert take_snapshot(tree.root) == before
    assert tree.restore() == ()
    assert not Path(f"{tree.root}.trash").exists()
    tree.move_to(next_id)
    assert take_snapshot(tree.root) == snapshot_of_archive(folder, next_id)


def test_hard_link_that_a_job_kept_no_longer_leads_into_the_tree(folder: GitFolder, tree: MaterialisedTree):
    tree.move_to(folder.tree_of(folder.commit({"a": b"0"})))
    os.link(tree.root / "a", tree.root.parent / "kept")
    assert tree.restore() == ("a",)
    (tree.root.parent / "kept").write_bytes(b"late")
    assert (tree.root / "a").read_bytes() == b"0"
    assert tree.restore() == ()


def test_change_within_the_same_clock_tick_is_found(folder: GitFolder, tree: MaterialisedTree):
    """A build that starts at once, writes as many bytes and puts the times back, thirty times over."""
    trees = [folder.tree_of(folder.commit({"src/a.c": b"int %c;\n" % letter})) for letter in b"ab"]
    for round_number in range(30):
        tree.move_to(trees[round_number % 2])
        overwrite_and_hide(tree.root)
        assert tree.restore() == ("src/a.c",)
        overwrite_and_hide(tree.root)
        assert tree.restore() == ("src/a.c",)


def write_through_a_map(path: Path) -> None:
    """Read a page first: on tmpfs no time moves when it is written then."""
    with path.open("r+b") as file, mmap(file.fileno(), 0) as mapped:
        mapped.find(b"?")
        mapped[0] = ord("x")


@pytest.mark.parametrize("place", ["/dev/shm", None], ids=["tmpfs", "here"])
def test_what_is_written_through_a_map_is_put_back(
    folder: GitFolder, repository: GitRepository, tmp_path: Path, place: str | None
):
    names = ("a.c", "a.bat", "src/b.c")
    files: dict[str | bytes, bytes] = {
        ".gitattributes": b"*.bat text eol=crlf\n",
        "a.c": b"int a;\n",
        "a.bat": b"dir\n",
        "src/b.c": b"int b;\n",
    }
    wanted = (b"int a;\n", b"dir\r\n", b"int b;\n")
    tree_id = folder.tree_of(folder.commit(files))
    with (
        tempfile.TemporaryDirectory(dir=place or tmp_path) as parent,
        MaterialisedTree(Path(parent) / "tree", repository, source_date=SOURCE_DATE) as tree,
    ):
        for name in names:
            tree.move_to(tree_id)
            assert tuple((tree.root / each).read_bytes() for each in names) == wanted
            assert tree.restore() == ()
            assert tree.accesses is not None
            assert not tree.accesses.wrote_tracked
            tree.move_to(tree_id)
            write_through_a_map(tree.root / name)
            assert tree.restore() == (name,)
            assert tree.accesses is not None
            assert tree.accesses.wrote_tracked
        assert tuple((tree.root / each).read_bytes() for each in names) == wanted
    # Taken over by the next process, which has written none of them.
    with (
        tempfile.TemporaryDirectory(dir=place or tmp_path) as parent,
        MaterialisedTree(Path(parent) / "tree", repository, source_date=SOURCE_DATE) as tree,
    ):
        tree.move_to(tree_id)
        tree.close()
        with MaterialisedTree(tree.root, repository, source_date=SOURCE_DATE) as heir:
            heir.move_to(tree_id)
            (heir.root / "a.bat").read_bytes()
            assert heir.restore() == ()
            heir.move_to(tree_id)
            write_through_a_map(heir.root / "a.bat")
            assert heir.restore() == ("a.bat",)


@pytest.mark.parametrize("stranger", [False, True])
def test_accesses_are_those_of_the_job_whether_or_not_folders_are_listed(
    folder: GitFolder, tree: MaterialisedTree, stranger: bool
):
    """A folder is looked at before we ourselves list it."""
    tree.move_to(folder.tree_of(folder.commit({"read/a": b"0", "not/b": b"0", "listed/c": b"0", "not/empty": b""})))
    for _ in range(2):
        (tree.root / "read" / "a").read_bytes()
        os.listdir(tree.root / "listed")
        if stranger:
            (tree.root / "not" / "new").touch()
        tree.restore()
        # Only where the file system keeps access times at all (mounts with noatime exist).
        probe = tree.root.parent / "probe"
        probe.write_bytes(b"x")
        os.utime(probe, ns=(0, 10**9))
        probe.read_bytes()
        keeps_times = probe.stat().st_atime_ns > 0
        assert tree.accesses is not None
        assert tree.accesses.files == ((b"read/a",) if keeps_times else ())
        assert tree.accesses.empty_files == (b"not/empty",)
        assert set(tree.accesses.folders) == {b"listed"} | ({b"not"} if stranger else set())
        assert (tree.accesses.wrote_tracked, tree.accesses.wrote_folders) == (False, stranger)


def test_change_times_of_folders_tell_here(tmp_path: Path):
    place = tmp_path / "trial"
    assert folders_tell(os.fsencode(place))
    # Of a process that was killed in there.
    (place / "goes").mkdir(parents=True)
    assert folders_tell(os.fsencode(place))
    assert not place.exists()


@pytest.mark.parametrize("place", ["/dev/shm", None], ids=["tmpfs", "here"])
def test_trial_says_whether_maps_tell(tmp_path: Path, place: str | None):
    with tempfile.TemporaryDirectory(dir=place or tmp_path) as parent:
        file, trial = Path(parent) / "file", Path(parent) / "trial"
        file.write_bytes(b"tide\n")
        before_ns = file.stat().st_ctime_ns
        wait_for_next_tick(before_ns)
        write_through_a_map(file)
        is_told = file.stat().st_ctime_ns > before_ns
        # Of a process that was killed in there.
        trial.write_bytes(b"tide\n")
        assert maps_tell(os.fsencode(trial)) == is_told
        assert not trial.exists()


def test_job_without_rights_cannot_keep_the_tree_from_being_put_back():
    """As root every mode is open, so this one runs as nobody where the tests run as root."""
    # Not below pytest's own folder: nobody may not enter it, and another pytest run closes it again.
    with tempfile.TemporaryDirectory() as scratch:
        put_back_as_nobody(Path(scratch))


def put_back_as_nobody(tmp_path: Path) -> None:
    folder = make_repository(tmp_path / "r")
    tree_id = folder.tree_of(folder.commit(FILES))
    # Everything is imported by then that nobody may not read.
    with (
        open_repository(folder.path) as repository,
        MaterialisedTree(tmp_path / "first", repository, source_date=0) as tree,
    ):
        tree.move_to(tree_id)
    for path in [tmp_path, *tmp_path.rglob("*")]:
        os.chown(path, NOBODY, NOBODY, follow_symlinks=False)

    def do_all_mischief() -> None:
        root = tmp_path / "w" / "tree"
        with open_repository(folder.path) as repository, MaterialisedTree(root, repository, source_date=0) as tree:
            tree.move_to(tree_id)
            for mischief, touched in MISCHIEF:
                mischief(root)
                assert tree.restore() == tuple(sorted(touched)), mischief.__name__
                assert tree.restore() == (), mischief.__name__
                assert stat.S_IMODE(root.stat().st_mode) == 0o755
                for name in ("kept", "elsewhere"):
                    remove_tree(root.with_name(name))

    assert run_as_nobody(do_all_mischief) == "done"


#: Debian's nobody; only the number matters.
NOBODY = 65534 if os.getuid() == 0 else os.getuid()


def run_as_nobody(act: Callable[[], None]) -> str:
    """Run a function in a child of other rights; give "done", or where it failed."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        said = "done"
        try:
            if os.getuid() == 0:
                os.setgroups([])
                os.setresgid(NOBODY, NOBODY, NOBODY)
                os.setresuid(NOBODY, NOBODY, NOBODY)
            act()
        except BaseException:
            said = traceback.format_exc()
        os.write(writing, said.encode("utf-8", "replace")[:60_000])
        os._exit(0)
    os.close(writing)
    with os.fdopen(reading, "rb") as answer:
        said = answer.read().decode()
    os.waitpid(child, 0)
    return said


def test_job_that_was_not_restored_stops_the_move_and_the_next_one_begins_from_nothing(
    folder: GitFolder, tree: MaterialisedTree
):
    first = folder.tree_of(folder.commit({"d/a": b"0"}))
    second = folder.tree_of(folder.commit({"d/a": None, "e": b"0"}))
    tree.move_to(first)
    (tree.root / "d" / "stray").write_bytes(b"x")
    assert message_of(lambda: tree.move_to(second), RunnerError) == (
        f"{tree.root}: the worker's tree cannot be moved to another commit: Directory not empty ('d'); "
        "free some space, or see who else changes this folder"
    )
    assert tree.tree_id is None
    tree.move_to(second)
    assert take_snapshot(tree.root) == snapshot_of_archive(folder, second)


def test_move_through_a_link_that_a_job_left_writes_nothing_outside(
    folder: GitFolder, tree: MaterialisedTree, tmp_path: Path
):
    first = folder.tree_of(folder.commit({"d/a": b"0"}))
    second = folder.tree_of(folder.commit({"d/b": b"0"}))
    tree.move_to(first)
    outside = tmp_path / "outside"
    outside.mkdir()
    shutil.rmtree(tree.root / "d")
    (tree.root / "d").symlink_to(outside)
    with pytest.raises(RunnerError):
        tree.move_to(second)
    assert list(outside.iterdir()) == []


# --- whose tree it is, and what a killed process leaves ---


def test_trees_of_two_workers_are_apart_and_a_free_one_is_used_again(
    repository: GitRepository, folder: GitFolder, tmp_path: Path
):
    trees = tmp_path / "trees"
    tree_id = folder.tree_of(folder.commit({"a": b"0"}))
    with MaterialisedTree.open(trees, repository, source_date=SOURCE_DATE) as first:
        first.move_to(tree_id)
        with MaterialisedTree.open(trees, repository, source_date=SOURCE_DATE) as second:
            assert (first.root, second.root) == (trees / "001" / "tree", trees / "002" / "tree")
            assert message_of(
                lambda: MaterialisedTree(first.root, repository, source_date=SOURCE_DATE), TreeTakenError
            ) == (f"{first.root}: another worker has this tree; let it end, or use another folder")
    with MaterialisedTree.open(trees, repository, source_date=SOURCE_DATE) as again:
        assert (again.root, again.tree_id) == (trees / "001" / "tree", tree_id)


HOLDER = (
    "import sys, os; from pathlib import Path\n"
    "from gatekeep.tree.repository import open_repository\n"
    "from gatekeep.build.worktree import MaterialisedTree\n"
    "r = open_repository(Path(sys.argv[1])); t = MaterialisedTree.open(Path(sys.argv[2]), r, source_date=978307200)\n"
)


def test_tree_of_another_process_is_passed_over_until_it_is_killed(
    repository: GitRepository, folder: GitFolder, tmp_path: Path
):
    folder.commit({"a": b"0"})
    code = HOLDER + "print(t.root, flush=True); sys.stdin.read()"
    with subprocess.Popen(
        [sys.executable, "-c", code, folder.path, tmp_path / "trees"], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline().decode().strip() == str(tmp_path / "trees" / "001" / "tree")
        with MaterialisedTree.open(tmp_path / "trees", repository, source_date=SOURCE_DATE) as tree:
            assert tree.root.parent.name == "002"
        holder.kill()
    with MaterialisedTree.open(tmp_path / "trees", repository, source_date=SOURCE_DATE) as tree:
        assert tree.root.parent.name == "001"


def test_tree_of_a_process_that_was_killed_anywhere_is_never_trusted(
    repository: GitRepository, folder: GitFolder, tmp_path: Path
):
    """kill -9 at every tenth of the way through moves and restores, found by counting system calls in the child."""
    first = folder.tree_of(folder.commit({**{f"d{n}/f": b"%d" % n for n in range(12)}, **FILES}))
    second = folder.tree_of(
        folder.commit({**{f"d{n}/f": b"x%d" % n for n in range(0, 12, 2)}, "d3": None, "new/f": b"1"})
    )
    code = HOLDER + (
        "left = int(sys.argv[5])\n"
        "def audit(event, arguments):\n"
        "    global left\n"
        "    if event.startswith(('os.', 'open')):\n"
        "        left -= 1\n"
        "        if left == 0: os.kill(os.getpid(), 9)\n"
        "t.move_to(sys.argv[3])\n"
        "sys.addaudithook(audit)\n"
        "t.move_to(sys.argv[4]); (t.root / 'src/a.c').unlink(); (t.root / 'stray/in').mkdir(parents=True)\n"
        "(t.root / 'd0/f').write_text('wrong'); t.restore(); t.move_to(sys.argv[3]); print('done')\n"
    )
    killed_count = 0
    for step in range(3, 400, 29):
        arguments = [str(folder.path), str(tmp_path / "trees"), first, second, str(step)]
        done = subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True)
        killed_count += done.returncode == -9
        with MaterialisedTree.open(tmp_path / "trees", repository, source_date=SOURCE_DATE) as tree:
            if tree.tree_id is not None:
                assert take_snapshot(tree.root) == snapshot_of_archive(folder, tree.tree_id)
            tree.move_to(second)
            assert take_snapshot(tree.root) == snapshot_of_archive(folder, second)
            assert tree.restore() == ()
        if done.stdout == "done\n":
            break
    assert killed_count > 5


@pytest.mark.parametrize(
    "state", [b"", b"{", b"[]", b'{"format": 1}', b"\xff", b'{"format": 9, "source_date": 978307200}']
)
def test_state_that_cannot_be_read_means_a_tree_made_from_nothing(
    repository: GitRepository, folder: GitFolder, tmp_path: Path, state: bytes
):
    tree_id = folder.tree_of(folder.commit({"a": b"0"}))
    with MaterialisedTree(tmp_path / "t", repository, source_date=SOURCE_DATE) as tree:
        tree.move_to(tree_id)
        (tree.root / "stray").write_bytes(b"x")
    (tmp_path / "t.state").write_bytes(state)
    with MaterialisedTree(tmp_path / "t", repository, source_date=SOURCE_DATE) as tree:
        assert tree.tree_id is None
        tree.move_to(tree_id)
        assert take_snapshot(tree.root) == snapshot_of_archive(folder, tree_id)


def test_tree_that_was_spoiled_while_nobody_had_it_is_read_and_put_right(
    repository: GitRepository, folder: GitFolder, tmp_path: Path
):
    tree_id = folder.tree_of(folder.commit(FILES))
    for mischief, _ in MISCHIEF:
        if mischief in (many, bottomless):
            continue
        with MaterialisedTree(tmp_path / "w" / "t", repository, source_date=SOURCE_DATE) as tree:
            tree.move_to(tree_id)
            mischief(tree.root)
        with MaterialisedTree(tmp_path / "w" / "t", repository, source_date=SOURCE_DATE) as tree:
            assert tree.tree_id == tree_id
            assert take_snapshot(tree.root) == snapshot_of_archive(folder, tree_id), mischief.__name__
        for name in ("kept", "elsewhere"):
            remove_tree(tree.root.with_name(name))


def test_tree_of_a_commit_that_is_gone_is_made_from_nothing(folder: GitFolder, tmp_path: Path):
    first = folder.tree_of(folder.commit({"a": b"0"}))
    other = make_repository(tmp_path / "other")
    second = other.tree_of(other.commit({"b": b"0"}))
    for source, tree_id in ((folder, first), (other, second)):
        with (
            open_repository(source.path) as repository,
            MaterialisedTree(tmp_path / "t", repository, source_date=SOURCE_DATE) as tree,
        ):
            assert tree.tree_id is None
            tree.move_to(tree_id)
            assert take_snapshot(tree.root) == snapshot_of_archive(source, tree_id)


def test_blob_that_is_missing_fails_the_move_and_the_next_one_begins_from_nothing(
    folder: GitFolder, tree: MaterialisedTree
):
    good = folder.tree_of(folder.commit({"a": b"0"}))
    bad = folder.write_tree([(b"100644", b"a", "12" * 20), (b"100644", b"b", folder.write_blob(b"b"))])
    tree.move_to(good)
    assert message_of(lambda: tree.move_to(bad)) == (
        f"{folder.path}: the blob {'12' * 20} is missing here; "
        "in a partial clone run git fetch --refetch --no-filter, else git fsck"
    )
    assert tree.tree_id is None
    tree.move_to(good)
    assert take_snapshot(tree.root) == snapshot_of_archive(folder, good)


def test_disk_that_does_not_let_us_is_the_machines_fault(repository: GitRepository, tmp_path: Path):
    (tmp_path / "file").write_bytes(b"")
    root = tmp_path / "file" / "tree"
    assert message_of(lambda: MaterialisedTree(root, repository, source_date=SOURCE_DATE), RunnerError) == (
        f"{root}: the worker's tree cannot be opened: File exists ('{tmp_path}/file'); "
        "free some space, or see who else changes this folder"
    )
