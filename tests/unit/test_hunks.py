"""Git's diff as a line map; real git writes the same texts in tests/integration/test_line_map_git.py."""

from __future__ import annotations

from difflib import unified_diff

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gatekeep.errors import RepositoryError
from gatekeep.model.change import FileLines, Hunk, LineMap
from gatekeep.tree.hunks import parse_line_map

EDIT = """\
diff --git a/x.c b/x.c
index 1111111111111111111111111111111111111111..2222222222222222222222222222222222222222 100644
--- a/x.c
+++ b/x.c
@@ -2 +2,2 @@ int f(void)
-old
+new
+newer
@@ -9,0 +11 @@
+added
"""


def hunk(old_start: int, old_count: int, new_start: int, new_count: int) -> Hunk:
    return Hunk(old_start=old_start, old_count=old_count, new_start=new_start, new_count=new_count)


def entry(path: str, *hunks: Hunk, new_path: str | None = None) -> LineMap:
    return LineMap(files={path: FileLines(old_path=path, new_path=new_path or path, hunks=hunks)})


def read(text: str) -> LineMap:
    return parse_line_map(text.encode("utf-8", "surrogateescape"))


def test_equal_trees_have_an_empty_map() -> None:
    assert read("") == LineMap()


def test_edit_gives_its_hunks() -> None:
    assert read(EDIT) == entry("x.c", hunk(2, 1, 2, 2), hunk(9, 0, 11, 1))


def test_content_that_looks_like_headers_is_content() -> None:
    assert read(
        """\
diff --git a/x.patch b/x.patch
index 1111111..2222222 100644
--- a/x.patch
+++ b/x.patch
@@ -1,3 +1,4 @@
--- a/x
-@@ -1 +1 @@
-diff --git a/y b/y
+++ b/y
+rename to z
+deleted file mode 100644
+\\ No newline at end of file
\\ No newline at end of file
"""
    ) == entry("x.patch", hunk(1, 3, 1, 4))


def test_new_removed_renamed_moded_binary_and_empty_files() -> None:
    found = read(
        """\
diff --git a/new.c b/new.c
new file mode 100644
index 0000000..2222222
--- /dev/null
+++ b/new.c
@@ -0,0 +1 @@
+int a;
diff --git a/new empty b/new empty
new file mode 100644
index 0000000..e69de29
diff --git a/old.c b/old.c
deleted file mode 100644
index 1111111..0000000
--- a/old.c
+++ /dev/null
@@ -1,2 +0,0 @@
-int a;
-int b;
\\ No newline at end of file
diff --git a/old empty b/old empty
deleted file mode 100644
index e69de29..0000000
diff --git a/from here.c b/to there.c
similarity index 100%
rename from from here.c
rename to to there.c
diff --git a/p.c b/q/p.c
old mode 100644
new mode 100755
similarity index 80%
rename from p.c
rename to q/p.c
index 1111111..2222222
--- a/p.c
+++ b/q/p.c
@@ -4 +3,0 @@
-gone
diff --git a/run it.sh b/run it.sh
old mode 100644
new mode 100755
diff --git a/a.bin b/a.bin
index 1111111..2222222 100644
Binary files a/a.bin and b/a.bin differ
diff --git a/b.bin b/b.bin
deleted file mode 100644
index 1111111..0000000
Binary files a/b.bin and /dev/null differ
"""
    )
    assert found == LineMap(
        files={
            "from here.c": FileLines(old_path="from here.c", new_path="to there.c", hunks=()),
            "p.c": FileLines(old_path="p.c", new_path="q/p.c", hunks=(hunk(4, 1, 3, 0),)),
            "run it.sh": FileLines(old_path="run it.sh", new_path="run it.sh", hunks=()),
            "a.bin": FileLines(old_path="a.bin", new_path="a.bin", hunks=()),
        },
        removed=frozenset({"old.c", "old empty", "b.bin"}),
    )


def test_file_that_became_a_link_is_removed_with_its_lines() -> None:
    assert read(
        """\
diff --git a/x b/x
deleted file mode 100644
index 1111111..0000000
--- a/x
+++ /dev/null
@@ -1 +0,0 @@
-int a;
diff --git a/x b/x
new file mode 120000
index 0000000..2222222
--- /dev/null
+++ b/x
@@ -0,0 +1 @@
+y
\\ No newline at end of file
"""
    ) == LineMap(removed=frozenset({"x"}))


def test_quoted_paths_are_unquoted_and_spaces_end_with_a_tab() -> None:
    found = read(
        """\
diff --git "a/t\\303\\244b\\t\\"\\\\\\n\\377.c" "b/t\\303\\244b\\t\\"\\\\\\n\\377.c"
old mode 100644
new mode 100755
diff --git a/a b.c b/a b.c
index 1111111..2222222 100644
--- a/a b.c\t
+++ b/a b.c\t
@@ -1 +1 @@
-1
+2
"""
    )
    assert found.files.keys() == {'täb\t"\\\n\udcff.c', "a b.c"}


def test_context_that_a_configuration_lets_in_is_no_replaced_line() -> None:
    assert read(
        """\
diff --git a/x.c b/x.c
index 1111111..2222222 100644
--- a/x.c
+++ b/x.c
@@ -2,4 +2,4 @@
-two
+2
 three
+3.5
 four
-five
"""
    ) == entry("x.c", hunk(2, 1, 2, 1), hunk(3, 0, 4, 1), hunk(5, 1, 5, 0))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("fatal: bad object\n", "line 1: not a line map, got 'fatal: bad object', wanted 'diff --git a/… b/…'"),
        ("diff --git a/x b/x", "line 1: not a line map, got 'diff --git a/x b/x', wanted a line that ends"),
        ("diff --git a/x b/y\nold mode 1\nnew mode 2\n",
         "line 1: not a line map, got 'diff --git a/x b/y', wanted the same path twice, as 'a/… b/…'"),
        (EDIT.replace("+newer\n", ""),
         "line 8: not a line map, got '@@ -9,0 +11 @@', wanted 0 more removed and 1 more added lines of a hunk"),
        (EDIT.replace("+added\n", ""),
         "line 10: not a line map, got its end, wanted 0 more removed and 1 more added lines of a hunk"),
        (EDIT.replace("-9,0 +11", "-9,0 +12"),
         "line 9: not a line map, got '@@ -9,0 +12 @@', wanted a hunk after, and in step with, the one before it"),
        (EDIT.replace("@@ -9,0 +11 @@", "@@ -1,0 +11 @@"),
         "line 9: not a line map, got '@@ -1,0 +11 @@', wanted a hunk after, and in step with, the one before it"),
        (EDIT.replace("@@ -9,0 +11 @@", "@@ nonsense @@"),
         "line 9: not a line map, got '@@ nonsense @@', wanted '@@ -… +… @@'"),
        (EDIT + "+one more\n", "line 11: not a line map, got '+one more', wanted 'diff --git a/… b/…'"),
        (EDIT.replace("+++ b/x.c", "+++ x.c"),
         "line 4: not a line map, got '+++ x.c', wanted a path that begins with 'b/'"),
        (EDIT.replace("--- a/x.c", '--- "a/x.c'), "line 3: not a line map, got '--- \"a/x.c', wanted a quoted path"),
        (EDIT.replace("index ", "strange "),
         f"line 2: not a line map, got 'strange {'1' * 40}..{'2' * 30}', wanted a header of git's diff or "
         "'@@ -… +… @@'"),
        (EDIT.split("@@")[0],
         "line 5: not a line map, got its end, wanted '--- …', '+++ …' and '@@ -… +… @@' together"),
        (EDIT.replace("+++ b/x.c\n", ""),
         "line 4: not a line map, got '@@ -2 +2,2 @@ int f(void)', wanted '--- …', '+++ …' and '@@ -… +… @@' together"),
    ],
)  # fmt: skip
def test_text_that_is_no_such_diff_is_refused(text: str, message: str) -> None:
    with pytest.raises(RepositoryError) as caught:
        read(text)
    assert str(caught.value) == f"git diff, {message}; run the command again"


def test_diff_cut_anywhere_is_refused_or_gives_the_files_that_are_whole() -> None:
    """A cut between two files cannot be told from the end; git's exit status has to be looked at for that."""
    whole = EDIT + EDIT.replace("x.c", "y.c")
    accepted = {}
    for length in range(len(whole) + 1):
        try:
            accepted[length] = read(whole[:length])
        except RepositoryError:
            continue
    assert accepted[len(whole)] == read(whole)
    # Between hunks, and between the headers of a file, the text so far is a diff as well.
    full = read(whole)
    for found in accepted.values():
        for path, lines in found.files.items():
            assert lines.hunks == full.files[path].hunks[: len(lines.hunks)]


@given(st.binary(max_size=200))
def test_no_bytes_but_a_diff_are_accepted(junk: bytes) -> None:
    for text in (junk, EDIT.encode() + junk):
        try:
            found = parse_line_map(text)
        except RepositoryError:
            continue
        assert found in (LineMap(), read(EDIT))


LINES = st.lists(
    st.sampled_from(["a", "b", "--- a/x", "+++ b/x", "@@ -1 +1 @@", "", "diff --git a/x b/x", "\\"]), max_size=20
)


@given(LINES, LINES)
def test_surviving_lines_keep_their_text_by_difflibs_diff(old: list[str], new: list[str]) -> None:
    """The text is Python's difflib's unified diff, which has git's form but for the first lines."""
    body = list(unified_diff(old, new, "a/x", "b/x", n=0, lineterm=""))
    if not body:
        return
    head = "diff --git a/x b/x\nindex 1111111..2222222 100644\n"
    lines = read(head + "".join(f"{line}\n" for line in body)).files["x"]
    last = 0
    kept = 0
    for number, text in enumerate(old, 1):
        mapped = lines.map_line(number)
        if mapped is not None:
            assert mapped > last
            assert new[mapped - 1] == text
            last = mapped
            kept += 1
    assert kept == len(old) - sum(found.old_count for found in lines.hunks)
    assert kept == len(new) - sum(found.new_count for found in lines.hunks)


@pytest.mark.parametrize(
    "cut",
    [
        # Of a file that was removed, or has another mode.
        "diff --git a/x.c b/x.c\n",
        "diff --git a/x.c b/x.c\nold mode 100644\n",
        "diff --git a/x.c b/x.c\nindex 1..2 100644\n",
        "diff --git a/x.c b/x.c\nindex 1..2 100644\n--- a/x.c\n",
        "diff --git a/x.c b/y.c\nsimilarity index 90%\nrename from x.c\nrename to y.c\n",
        "diff --git a/x.c b/y.c\nsimilarity index 100%\nrename from x.c\n",
    ],
)
def test_diff_cut_behind_a_header_does_not_say_that_no_line_moved(cut: str) -> None:
    with pytest.raises(RepositoryError, match="not a line map"):
        read(cut)
    with pytest.raises(RepositoryError, match="not a line map"):
        read(cut + EDIT)
