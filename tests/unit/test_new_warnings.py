"""Which warnings are new: hand-made cases of every pass first, then what must hold for any."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gatekeep.judge.warnings import is_worse, list_new_warnings
from gatekeep.model.change import FileLines, Hunk, LineMap
from gatekeep.model.evidence import Diagnostic, Severity, Speaker


def warn(
    message: str = "unused variable 'a'",
    path: str | None = "x.c",
    line: int | None = 5,
    column: int | None = 3,
    option: str | None = "unused-variable",
    excerpt: str | None = None,
) -> Diagnostic:
    return Diagnostic(
        severity=Severity.WARNING,
        speaker=Speaker.COMPILER,
        message=message,
        path=path,
        line=line,
        column=column,
        option=option,
        excerpt=excerpt,
    )


def link(message: str, path: str | None = None) -> Diagnostic:
    return Diagnostic(severity=Severity.WARNING, speaker=Speaker.LINKER, message=message, path=path)


def edited(*hunks: tuple[int, int, int, int], path: str = "x.c", new_path: str | None = None) -> LineMap:
    of = FileLines(
        old_path=path,
        new_path=new_path or path,
        hunks=tuple(Hunk(old_start=a, old_count=b, new_start=c, new_count=d) for a, b, c, d in hunks),
    )
    return LineMap(files={path: of})


def diff(old: list[str], new: list[str]) -> LineMap:
    """Make the hunks of a shortest edit script, as git's default algorithm (Myers) finds it for small files."""
    longest = [[0] * (len(new) + 1) for _ in range(len(old) + 1)]
    for i in reversed(range(len(old))):
        for j in reversed(range(len(new))):
            same = longest[i + 1][j + 1] + 1 if old[i] == new[j] else 0
            longest[i][j] = max(same, longest[i + 1][j], longest[i][j + 1])
    hunks, i, j, i1, j1 = [], 0, 0, 0, 0
    while i < len(old) or j < len(new):
        if i < len(old) and j < len(new) and old[i] == new[j] and longest[i][j] == longest[i + 1][j + 1] + 1:
            hunks.append((i1, i, j1, j))
            i, j = i + 1, j + 1
            i1, j1 = i, j
        elif j < len(new) and (i == len(old) or longest[i][j] == longest[i][j + 1]):
            j += 1
        else:
            i += 1
    hunks.append((i1, i, j1, j))
    return edited(
        *((a + 1 if b > a else a, b - a, c + 1 if d > c else c, d - c) for a, b, c, d in hunks if b > a or d > c)
    )


SAME = LineMap()


def test_unchanged_warning_is_not_new() -> None:
    assert list_new_warnings([warn()], [warn()], SAME) == ()


def test_warning_of_a_clean_base_is_new() -> None:
    assert list_new_warnings([], [warn()], SAME) == (warn(),)


@pytest.mark.parametrize(
    ("head", "line_map"),
    [
        (warn(line=7), edited((2, 0, 3, 2))),
        (warn(column=9), SAME),
        (warn(path="d/y.c", line=5), edited(path="x.c", new_path="d/y.c")),
        (warn(path="d/y.c", line=6), edited((1, 1, 1, 2), path="x.c", new_path="d/y.c")),
    ],
    ids=["lines above", "column", "renamed", "renamed and edited"],
)
def test_warning_that_moved_with_its_line_is_not_new(head: Diagnostic, line_map: LineMap) -> None:
    assert list_new_warnings([warn()], [head], line_map) == ()


def test_same_line_number_after_an_insertion_above_is_another_line() -> None:
    assert list_new_warnings([warn()], [warn()], edited((2, 0, 3, 2))) == (warn(),)


def test_second_warning_on_the_same_line_is_new_and_it_is_the_one_at_the_new_column() -> None:
    assert list_new_warnings([warn(column=3)], [warn(column=1), warn(column=3)], SAME) == (warn(column=1),)


@pytest.mark.parametrize("other", [warn("unused variable 'b'"), warn(option="unused"), warn(path="y.c"), warn(line=6)])
def test_other_message_option_file_or_line_is_new(other: Diagnostic) -> None:
    assert list_new_warnings([warn()], [other], SAME) == (other,)


def test_figure_that_changed_on_an_untouched_line_is_not_new() -> None:
    base = warn("the frame size of 1032 bytes is larger than 1024 bytes", option="frame-larger-than=")
    head = warn("the frame size of 1040 bytes is larger than 1024 bytes", option="frame-larger-than=")
    assert list_new_warnings([base], [head], SAME) == ()
    assert list_new_warnings([base], [replace(head, line=9)], edited((5, 1, 5, 1))) == (replace(head, line=9),)


def test_warning_on_a_rewritten_line_is_not_new_within_its_hunk() -> None:
    line_map = edited((5, 2, 5, 3))
    assert list_new_warnings([warn()], [warn(line=7)], line_map) == ()
    assert list_new_warnings([warn()], [warn(line=8)], line_map) == (warn(line=8),)
    assert list_new_warnings([warn()], [warn(line=5), warn(line=6)], line_map) == (warn(line=6),)


def test_code_that_moved_takes_its_warnings_along() -> None:
    code = "int a;"
    base = warn(line=5, excerpt=code)
    line_map = LineMap(removed=frozenset({"x.c"}))
    assert list_new_warnings([base], [warn(path="y.c", line=40, excerpt=code)], line_map) == ()
    other = warn(path="y.c", line=40, excerpt="int a = 3;")
    assert list_new_warnings([base], [other], line_map) == (other,)
    unquoted = warn(path="y.c", line=40)
    assert list_new_warnings([warn(line=5)], [unquoted], line_map) == (unquoted,)


def test_copied_code_brings_one_new_warning() -> None:
    code = "int a;"
    base, kept, copied = warn(excerpt=code), warn(excerpt=code), warn(path="y.c", line=9, excerpt=code)
    assert list_new_warnings([base], [copied, kept], SAME) == (copied,)


def test_line_numbers_and_renamed_paths_within_a_message_do_not_count() -> None:
    line_map = edited((1, 0, 2, 3), path="old.h", new_path="inc/new.h")
    base = warn("conflicts with 'f' declared at old.h:12:5, see line 40")
    head = warn("conflicts with 'f' declared at inc/new.h:15:5, see line 43")
    assert list_new_warnings([base], [head], line_map) == ()
    other = warn("conflicts with 'f' declared at inc/other.h:15:5, see line 43")
    assert list_new_warnings([base], [other], line_map) == (other,)


def test_generated_and_outside_files_have_no_lines() -> None:
    for path in ("<out>/gen/table.c", "/usr/include/x.h", "C:/tools/x.h"):
        assert list_new_warnings([warn(path=path, line=5)], [warn(path=path, line=99)], SAME) == ()
        both = [warn(path=path, line=5), warn(path=path, line=99)]
        assert list_new_warnings([both[0]], both, SAME) == (both[1],)


def test_linker_warning_matches_with_addresses_and_counts_left_out_and_names_kept() -> None:
    base = [
        link("cannot find entry symbol _start; defaulting to 0000000000008000"),
        link("address (0x8004) of section .data is not a multiple of alignment (8)"),
        link("<out>/uart0.o: missing .note.GNU-stack section implies executable stack"),
    ]
    head = [
        link("cannot find entry symbol _start; defaulting to 00000000000080f4"),
        link("address (0x8104) of section .data is not a multiple of alignment (16)"),
        link("<out>/uart1.o: missing .note.GNU-stack section implies executable stack"),
    ]
    assert list_new_warnings(base, head, SAME) == (head[2],)
    assert list_new_warnings([link("w", path="<out>/a.o")], [link("w", path="<out>/b.o")], SAME) == (
        link("w", path="<out>/b.o"),
    )


def test_file_without_lines_is_followed_through_its_rename() -> None:
    base, head = warn(path="p.y", line=None, column=None), warn(path="q.y", line=None, column=None)
    assert list_new_warnings([base], [head], edited(path="p.y", new_path="q.y")) == ()
    assert list_new_warnings([base], [base], LineMap(removed=frozenset({"p.y"}))) == (base,)


def test_errors_are_compared_with_errors_only() -> None:
    error = replace(warn(), severity=Severity.ERROR)
    assert list_new_warnings([error], [warn()], SAME) == (warn(),)
    assert list_new_warnings([], [error], SAME) == ()
    assert is_worse([warn()], [error], SAME) == (error,)
    assert is_worse([error], [replace(error, line=7), warn("other")], edited((2, 0, 3, 2))) == ()
    assert not is_worse([error], [error], SAME)


CODE = st.sampled_from(["int a;", "int b;", "f(1);", "}", "return a;"])
#: What a compiler that warns of every `int` and `}` would say about a file.
WARNED = {"int a;": "unused variable 'a'", "int b;": "unused variable 'b'", "}": "no return statement"}


def compile_file(text: list[str], *, quote: bool) -> list[Diagnostic]:
    return [
        warn(WARNED[code], line=number, option=None, excerpt=code if quote else None)
        for number, code in enumerate(text, 1)
        if code in WARNED
    ]


@given(st.lists(CODE, max_size=15), st.lists(st.sampled_from(["f(1);", "f(2);", ""]), max_size=9), st.data())
def test_inserting_lines_that_do_not_warn_never_makes_a_new_warning(
    text: list[str], inserted: list[str], data: st.DataObject
) -> None:
    new = list(text)
    for line in inserted:
        new.insert(data.draw(st.integers(0, len(new))), line)
    assert list_new_warnings(compile_file(text, quote=False), compile_file(new, quote=False), diff(text, new)) == ()


@given(st.lists(CODE, max_size=15), st.sampled_from(sorted(WARNED)), st.data())
def test_line_that_is_added_and_warns_is_always_reported(text: list[str], added: str, data: st.DataObject) -> None:
    new = list(text)
    new.insert(data.draw(st.integers(0, len(new))), added)
    for quote in (False, True):
        found = list_new_warnings(compile_file(text, quote=quote), compile_file(new, quote=quote), diff(text, new))
        assert [entry.message for entry in found] == [WARNED[added]]


@given(st.lists(CODE, max_size=12), st.lists(CODE, max_size=12), st.booleans())
def test_any_edit_reports_at_least_what_there_is_more_of_each_message(
    old: list[str], new: list[str], quote: bool
) -> None:
    base, head = compile_file(old, quote=quote), compile_file(new, quote=quote)
    found = list_new_warnings(base, head, diff(old, new))
    assert len(found) >= len(head) - len(base)
    more = Counter(entry.message for entry in head) - Counter(entry.message for entry in base)
    assert not more - Counter(entry.message for entry in found)
    assert list(found) == [entry for entry in head if entry in found]


ANY = st.builds(
    warn,
    message=st.sampled_from(["m 1", "m 2", "at x.c:3", "at y.c:4", "0x8000"]),
    path=st.sampled_from([None, "x.c", "y.c", "<out>/g.c", "/usr/x.h"]),
    line=st.none() | st.integers(1, 6),
    column=st.none() | st.integers(1, 2),
    option=st.sampled_from([None, "o"]),
    excerpt=st.sampled_from([None, "}", "code"]),
)


@given(st.lists(ANY, max_size=12), st.lists(ANY, max_size=12), st.lists(CODE, max_size=8), st.lists(CODE, max_size=8))
def test_whatever_is_compared_is_a_matching(
    base: list[Diagnostic], head: list[Diagnostic], old: list[str], new: list[str]
) -> None:
    line_map = replace(diff(old, new), removed=frozenset({"y.c"}))
    found = list_new_warnings(base, head, line_map)
    assert len(found) >= len(head) - len(base)
    assert not Counter(found) - Counter(head)
    assert list_new_warnings(base, base, SAME) == ()
    assert list_new_warnings([], head, line_map) == tuple(head)


def test_ten_thousand_warnings_that_all_moved_are_compared_in_one_go() -> None:
    """No time is measured here (tests/benchmarks do): a pass that compared pairs would not end."""
    base = [warn(f"unused variable 'v{number}' at x.c:{number}", line=number) for number in range(2, 20_002)]
    head = [warn(f"unused variable 'v{number}' at x.c:{number + 1}", line=number + 1) for number in range(2, 20_002)]
    assert list_new_warnings(base, head, edited((0, 0, 1, 1))) == ()
