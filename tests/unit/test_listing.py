"""Reading tree objects and comparing trees, without git."""

import pytest

from gatekeep.tree.listing import (
    EXECUTABLE,
    FILE,
    FOLDER,
    SUBMODULE,
    SYMLINK,
    DeltaKind,
    Entry,
    Folder,
    TreeDelta,
    diff_trees,
    flatten_tree,
    parse_folder,
)

ID = "4e610c04d58371663d95ca8237eea260b08f090c"


def raw(*entries: tuple[bytes, bytes], object_id: str = ID) -> bytes:
    return b"".join(mode + b" " + name + b"\0" + bytes.fromhex(object_id) for mode, name in entries)


def test_folder_is_read_with_every_mode_that_git_writes():
    data = raw(
        (b"100644", b"a"), (b"100755", b"b"), (b"120000", b"c"), (b"40000", b"d"), (b"160000", b"e"), (b"100664", b"f")
    )
    assert parse_folder(data, 20) == {
        "a": Entry(FILE, ID),
        "b": Entry(EXECUTABLE, ID),
        "c": Entry(SYMLINK, ID),
        "d": Entry(FOLDER, ID),
        "e": Entry(SUBMODULE, ID),
        "f": Entry(FILE, ID),
    }


def test_folder_with_sha256_names_is_read():
    assert parse_folder(raw((b"100644", b"a"), object_id="ab" * 32), 32) == {"a": Entry(FILE, "ab" * 32)}


def test_tree_cut_at_any_length_is_refused_or_shorter_by_whole_entries():
    whole = raw((b"100644", b"a"), (b"40000", b"dir"), (b"120000", b"link"))
    entry_ends = [0, 29, 29 + 30]
    for length in range(len(whole)):
        if length in entry_ends:
            assert len(parse_folder(whole[:length], 20)) == entry_ends.index(length)
        else:
            with pytest.raises(ValueError, match=r"^the tree object is cut or damaged$"):
                parse_folder(whole[:length], 20)


@pytest.mark.parametrize(
    ("entries", "message"),
    [
        ([(b"40000", b".git")], "it holds an entry named '.git', which no work tree may hold"),
        ([(b"100644", b".GiT")], "it holds an entry named '.GiT', which no work tree may hold"),
        ([(b"40000", b"GIT~1")], "it holds an entry named 'GIT~1', which no work tree may hold"),
        ([(b"40000", b"..")], "it holds an entry named '..', which no work tree may hold"),
        ([(b"40000", b".")], "it holds an entry named '.', which no work tree may hold"),
        ([(b"100644", b"../x")], "it holds an entry named '../x', which no work tree may hold"),
        ([(b"100644", b"/etc/passwd")], "it holds an entry named '/etc/passwd', which no work tree may hold"),
        ([(b"100644", b"")], "it holds an entry named '', which no work tree may hold"),
        ([(b"100644", b"x" * 256)], "it holds a name of 256 bytes, 255 are possible"),
        ([(b"100644", b"a"), (b"100644", b"a")], "its entry 'a' is out of order or there twice"),
        ([(b"100644", b"b"), (b"100644", b"a")], "its entry 'a' is out of order or there twice"),
        ([(b"100644", b"a"), (b"100644", b"a.c"), (b"40000", b"a")], "its entry 'a' is out of order or there twice"),
        ([(b"010644", b"pipe")], "its entry 'pipe' has the unknown mode '010644'"),
        ([(b"banana", b"a")], "its entry 'a' has the unknown mode 'banana'"),
        # int() takes both, and the kernel's macros fail on a mode below zero.
        ([(b"-7", b"a")], "its entry 'a' has the unknown mode '-7'"),
        ([(b"+100644", b"a")], "its entry 'a' has the unknown mode '+100644'"),
    ],
)
def test_tree_that_no_work_tree_may_hold_is_refused(entries: list[tuple[bytes, bytes]], message: str):
    with pytest.raises(ValueError, match=r"^it") as caught:
        parse_folder(raw(*entries), 20)
    assert str(caught.value) == message


def reader(folders: dict[str, Folder]):
    return lambda ids: [folders[folder_id] for folder_id in ids]


def test_listing_has_paths_in_the_order_of_their_bytes():
    folders: dict[str, Folder] = {
        "root": {"a.c": Entry(FILE, "1"), "a": Entry(FOLDER, "sub"), "b": Entry(SYMLINK, "2")},
        "sub": {"x": Entry(EXECUTABLE, "3")},
    }
    assert list(flatten_tree("root", reader(folders)).items()) == [
        ("a.c", Entry(FILE, "1")),
        ("a/x", Entry(EXECUTABLE, "3")),
        ("b", Entry(SYMLINK, "2")),
    ]


def test_tree_of_billions_of_paths_is_refused_before_it_is_listed():
    """Ten times the same folder on each of ten levels: a few hundred bytes for 10^10 paths."""
    folders: dict[str, Folder] = {"0": {f"f{n}": Entry(FILE, "1") for n in range(10)}}
    for level in range(1, 11):
        folders[str(level)] = {f"d{n}": Entry(FOLDER, str(level - 1)) for n in range(10)}
    with pytest.raises(ValueError, match=r"^it lists more than 250000 paths$"):
        flatten_tree("10", reader(folders))
    folders["empty"] = {}
    with pytest.raises(ValueError, match=r"^more than 250000 paths differ$"):
        diff_trees("empty", "10", reader(folders))


def test_tree_of_billions_of_empty_folders_is_refused():
    folders: dict[str, Folder] = {"0": {}}
    for level in range(1, 11):
        folders[str(level)] = {f"d{n}": Entry(FOLDER, str(level - 1)) for n in range(10)}
    with pytest.raises(ValueError, match=r"^it lists more than 250000 paths$"):
        flatten_tree("10", reader(folders))


def test_tree_deeper_than_any_work_tree_is_refused():
    folders: dict[str, Folder] = {"0": {"f": Entry(FILE, "1")}, "empty": {}}
    for level in range(1, 2000):
        folders[str(level)] = {"d": Entry(FOLDER, str(level - 1))}
    with pytest.raises(ValueError, match=r"^its folders are nested more than 100 deep$"):
        flatten_tree("1999", reader(folders))
    with pytest.raises(ValueError, match=r"^its folders are nested more than 100 deep$"):
        diff_trees("empty", "1999", reader(folders))
    assert len(flatten_tree("99", reader(folders))) == 1


def test_tree_with_a_path_longer_than_the_kernel_takes_is_refused():
    folders: dict[str, Folder] = {"0": {"f": Entry(FILE, "1")}}
    for level in range(1, 20):
        folders[str(level)] = {"d" * 250: Entry(FOLDER, str(level - 1))}
    with pytest.raises(ValueError, match=r"^it holds a path of more than 2048 bytes$"):
        flatten_tree("19", reader(folders))


def test_difference_names_each_kind_of_change():
    folders: dict[str, Folder] = {
        "old": {
            "content": Entry(FILE, "1"),
            "gone": Entry(FOLDER, "g"),
            "mode": Entry(FILE, "1"),
            "same": Entry(FOLDER, "never read"),
            "swap": Entry(FILE, "1"),
            "type": Entry(FILE, "1"),
        },
        "new": {
            "content": Entry(FILE, "2"),
            "mode": Entry(EXECUTABLE, "1"),
            "same": Entry(FOLDER, "never read"),
            "swap": Entry(FOLDER, "s"),
            "type": Entry(SYMLINK, "1"),
        },
        "g": {"x": Entry(FILE, "1")},
        "s": {"y": Entry(FILE, "1")},
    }
    deltas = diff_trees("old", "new", reader(folders))
    assert [(delta.path, delta.kind) for delta in deltas] == [
        ("content", DeltaKind.CONTENT),
        ("gone/x", DeltaKind.REMOVED),
        ("mode", DeltaKind.MODE),
        ("swap", DeltaKind.REMOVED),
        ("swap/y", DeltaKind.ADDED),
        ("type", DeltaKind.TYPE),
    ]
    assert deltas[0] == TreeDelta(path="content", old=Entry(FILE, "1"), new=Entry(FILE, "2"))
    assert diff_trees("old", "old", reader({})) == ()
