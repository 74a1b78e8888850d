"""What is found in a build's log: real logs compared whole, then one property of the text at a time."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gatekeep.measure.diagnostics import (
    ERROR_LIMIT,
    EXCERPT_LINE_LIMIT,
    WARNING_LIMIT,
    LogFindings,
    parse_log,
)
from gatekeep.measure.log_lines import LINE_LIMIT_BYTES, iter_lines
from gatekeep.model.evidence import Diagnostic, Overflow, Severity, Speaker

LOGS = sorted((Path(__file__).parent.parent / "data" / "logs").glob("*.log"))
TREE = "/tmp/gatekeep-logs/tree"
OUT = "/tmp/gatekeep-logs/out"


def find(text: str | bytes) -> LogFindings:
    log = text if isinstance(text, bytes) else text.encode("utf-8", "surrogateescape")
    return parse_log(log, tree=TREE, out=OUT)


def render(entry: Diagnostic) -> str:
    column = f":{entry.column}" if entry.column is not None else ""
    option = f" [{entry.option}]" if entry.option is not None else ""
    quoted = f" | {entry.excerpt}" if entry.excerpt is not None else ""
    return f"{entry.severity.value} {entry.speaker.value} {entry.place or '-'}{column}{option} {entry.message}{quoted}"


def render_all(findings: LogFindings) -> str:
    lines = [render(entry) for entry in findings.diagnostics]
    lines += [f"overflow {entry.region} {entry.over_bytes}" for entry in findings.overflows]
    if findings.first_error is not None:
        lines.append(f"first {render(findings.first_error)}")
    lines += [f"> {line}" for line in findings.excerpt]
    return "".join(f"{line}\n" for line in lines)


def places(text: str) -> list[str]:
    return [render(entry) for entry in find(text).diagnostics]


def warn(message: str = "unused", **fields: object) -> Diagnostic:
    return Diagnostic(severity=Severity.WARNING, speaker=Speaker.COMPILER, message=message, **fields)  # type: ignore[arg-type] # one helper for all fields


@pytest.mark.parametrize("log", LOGS, ids=lambda path: path.stem)
def test_real_log_gives_the_findings_written_beside_it(log: Path) -> None:
    expected = log.with_suffix(".findings").read_text(encoding="utf-8")
    assert render_all(find(log.read_bytes())) == expected


@pytest.mark.parametrize("log", LOGS, ids=lambda path: path.stem)
def test_log_cut_anywhere_is_read_and_loses_no_whole_finding(log: Path) -> None:
    """Cut at every length: never an exception, and never fewer findings than a shorter cut had."""
    text = log.read_bytes()
    cuts = range(len(text) + 1) if len(text) < 600 else [*range(0, len(text), 37), len(text)]
    known = 0
    for length in cuts:
        findings = find(text[:length])
        assert len(findings.excerpt) <= EXCERPT_LINE_LIMIT
        # The line that is cut may be a finding in one cut and not in the next (`x.c:1: error: a` of `… [-Wx]`).
        assert len(findings.diagnostics) >= known - 1
        known = max(known, len(findings.diagnostics))
    assert find(text).diagnostics == find(text + b"\n").diagnostics


PIECES = st.sampled_from(
    [
        *(
            "x.c",
            "a b.c",
            "/t/../x.h",
            ":",
            ": ",
            "1",
            "41",
            "-",
            ".",
            " | ",
            "\n",
            "\r",
            "\r\n",
            "\t",
            "  ",
            "^~~",
            ">>> ",
        ),
        *("error", "warning", "note", "fatal error", "Error", "Warning", " [-Wx]", " [-Werror=x]", "[", "]", "'", "`"),
        *(
            "ld",
            "ld.lld",
            "collect2",
            "make",
            "make[2]",
            "*** ",
            "Stop.",
            "Entering directory '",
            "Leaving directory '",
        ),
        *("in function `f'", "undefined reference to `g'", "region `R' overflowed by 5 bytes", "Assembler messages:"),
        *(
            "/bin/sh",
            "not found",
            "(.text+0x8)",
            "<command-line>",
            "{standard input}",
            "\x1b[31m",
            "\x1b]8;;",
            "\x07",
            "\0",
        ),
        *("referenced by x.c:41 (x.c:41)", "’", "‘", "\udcff", "9999999999999", TREE, OUT, "/tmp/ccABCDEF.s", '"'),
    ]
)


@given(st.lists(PIECES, max_size=60))
def test_no_text_made_of_what_tools_say_fails(pieces: list[str]) -> None:
    findings = find("".join(pieces))
    assert len(set(findings.diagnostics)) == len(findings.diagnostics)
    assert (findings.first_error is None) == (not findings.excerpt)
    for entry in findings.diagnostics:
        assert entry.message
        assert entry.path is None or "\x1b" not in entry.path
        assert entry.line is None or (entry.line > 0 and entry.path is not None)


@given(st.binary(max_size=300))
def test_no_bytes_fail(log: bytes) -> None:
    find(log)


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["a.c", "b/c.h", "b/d e.c", "x:y.c"]),
            st.integers(1, 99),
            st.integers(0, 9),
            st.sampled_from(["plain", "it's `quoted'", "ends in [x]", "a: b: c"]),
            st.sampled_from([None, "unused", "format="]),
        ),
        max_size=12,
    )
)
def test_what_the_coding_standards_allow_comes_back(entries: list[tuple[str, int, int, str, str | None]]) -> None:
    """GNU coding standards, "Formatting Error Messages": written by the rule, read back equal."""
    log: list[str] = []
    expected: dict[Diagnostic, None] = {}
    for path, line, column, message, option in entries:
        place = f"{path}:{line}:{column}" if column else f"{path}:{line}"
        log.append(f"{place}: warning: {message}" + (f" [-W{option}]" if option else "") + "\n")
        expected[warn(message, path=path, line=line, column=column or None, option=option)] = None
    assert find("".join(log)).diagnostics == tuple(expected)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("x.c:3.5: warning: w", "warning compiler x.c:3:5 w"),
        ("x.c:3.5-9: warning: w", "warning compiler x.c:3:5 w"),
        ("x.c:3.5-4.9: warning: w", "warning compiler x.c:3:5 w"),
        ("x.c:3-4: warning: w", "warning compiler x.c:3 w"),
        ("x.c:0: warning: w", "warning compiler x.c w"),
        ("C:\\t\\..\\x.c:3:4: warning: w", "warning compiler C:/x.c:3:4 w"),
        ("c:/t/x.c:3: warning: w", "warning compiler c:/t/x.c:3 w"),
        ("parser.y: warning: 3 shift/reduce conflicts", "warning compiler parser.y 3 shift/reduce conflicts"),
        ("cc1: warning: option is no good", "warning compiler - option is no good"),
        ("arm-none-eabi-gcc: error: no input files", "error compiler - no input files"),
        ("error: no such thing", "error compiler - no such thing"),
        ("x.c:1:2: sorry, unimplemented: that", "error compiler x.c:1:2 sorry, unimplemented: that"),
        ("x.c:1:2: internal compiler error: in f, at g.c:3",
         "error compiler x.c:1:2 internal compiler error: in f, at g.c:3"),
        ("x.c:1:2: warning: w [-Wa,-Wb]", "warning compiler x.c:1:2 [a,b] w"),
        ("x.c:1:2: error: w [-Werror,-Wa]", "error compiler x.c:1:2 [a] w"),
        ("x.c:1:2: error: w [-Werror=a=]", "error compiler x.c:1:2 [a=] w"),
        ("x.c:1:2: error: w [-Werror]", "error compiler x.c:1:2 w"),
        ("x.c:1:2: warning: w [-Wa,Semantic Issue]", "warning compiler x.c:1:2 [a] w"),
        ("x.c:1:2: warning: null [CWE-476] [-Wa]", "warning compiler x.c:1:2 [a] null [CWE-476]"),
        ("<stdin>:4:5: warning: w", "warning compiler - w"),
        ("{standard input}:4: Error: bad instruction `x'", "error assembler - bad instruction `x'"),
        ("/tmp/ccAb3dEf.s:4: Error: bad instruction `x'", "error assembler - bad instruction `x'"),
        ("/usr/bin/as: unrecognized option: warning: w", None),
        ("x.s: Assembler messages:\nError: unknown architecture", "error assembler - unknown architecture"),
        ("Error: a script of ours failed", None),
        ("Compiling x.c: warning: w", None),
        ("/a b/parser.y: warning: conflicts", "warning compiler /a b/parser.y conflicts"),
        ("Makefile: warning: w", "warning make Makefile w"),
        ("a sentence about this: warning: w", None),
        ('cc -DTEXT="a.c:1: error: x" -c y.c', None),
        ("   x.c:1:2: error: quoted source", None),
        ("x.c:1:2: note: a note", None),
        ("cc1: all warnings being treated as errors", None),
        ("collect2: error: ld returned 1 exit status", None),
        ("clang: error: linker command failed with exit code 1 (use -v to see invocation)", None),
        ("2 warnings and 1 error generated.", None),
        ("ld: skipping incompatible /lib/libc.a when searching for -lc", None),
        ("ld: x.o: x.c:(.data+0x0): more undefined references to `f' follow", None),
        ("ld: x.o:(.data+0x0): undefined reference to `f'", "error linker x.o undefined reference to `f'"),
        ("/a/ld: x.o:x.c:(.data+0x0): multiple definition of `f'; y.o:y.c:(.data+0x0): first defined here",
         "error linker x.o multiple definition of `f'; y.o:y.c:(.data+0x0): first defined here"),
        ("x.o: file not recognized: file format not recognized",
         "error linker x.o file not recognized: file format not recognized"),
        ("x.o: warning: relocation against `f' in read-only section `.text'",
         "warning linker x.o relocation against `f' in read-only section `.text'"),
        ("xtensa-ld.real: region `R' overflowed by 9 bytes", "error linker - region `R' overflowed by 9 bytes"),
        ("make: Circular y <- x dependency dropped.", "warning make - Circular y <- x dependency dropped."),
        ("make: warning:  Clock skew detected.  Your build may be incomplete.", None),
        ("make: Warning: File 'x' has modification time 3.2 s in the future", None),
        ("make[1]: [Makefile:2: x] Error 1 (ignored)", None),
        ("make: *** Waiting for unfinished jobs....", None),
        ("make: *** [x.o] Error 1", "error make - x.o: Error 1"),
        ("make[1]: *** [<builtin>: x.o] Error 1", "error make - x.o: Error 1"),
        ("/bin/sh: 1: cc9: not found", "error make - cc9: not found"),
        ("bash: line 3: cc9: command not found", "error make - cc9: command not found"),
        ("env: ‘cc9’: No such file or directory", "error make - 'cc9': No such file or directory"),
        ("<stdin>:0: error: bad", "error compiler - bad"),
        ("ld: error: x.c:0: undefined reference to `f'", "error linker x.c undefined reference to `f'"),
        ("ninja: error: 'x.c', needed by 'x.o', missing and no known rule to make it",
         "error make - 'x.c', needed by 'x.o', missing and no known rule to make it"),
    ],
)  # fmt: skip
def test_line_is_read_as(text: str, expected: str | None) -> None:
    assert places(text) == ([expected] if expected else [])


def test_a_compiler_with_translations_says_the_same_as_one_without() -> None:
    """Source: GCC 12.2 as Debian packages it, for PowerPC with NLS and for Arm without, LC_ALL=C.UTF-8."""
    (with_them,) = find("x.c:6:9: warning: unused variable ‘unused’ [-Wunused-variable]").diagnostics
    (without,) = find("x.c:6:9: warning: unused variable 'unused' [-Wunused-variable]").diagnostics
    assert with_them == without


def test_colours_links_and_carriage_returns_leave_the_same_findings() -> None:
    plain = find("x.c:1:2: warning: unused 'a' [-Wunused]\n    1 | int a;\n")
    coloured = find(
        "[ 1%] x.c\r[99%] y.c\r\x1b[01m\x1b[Kx.c:1:2:\x1b[m\x1b[K \x1b[01;35m\x1b[Kwarning: \x1b[m\x1b[Kunused '"
        "\x1b[01m\x1b[Ka\x1b[m\x1b[K' [\x1b]8;;https://gcc.example/w\x07-Wunused\x1b]8;;\x07]\r\n"
        "    1 | int \x1b[32ma\x1b[m;\x1b]8;;https://gcc.example/w\x1b\\\x1b]8;;\x1b\\\r\n"
    )
    assert coloured == plain
    assert plain.diagnostics == (warn("unused 'a'", path="x.c", line=1, column=2, option="unused", excerpt="int a;"),)


def test_paths_are_relative_to_the_tree_or_the_output_folder_without_asking_the_disk() -> None:
    names = [
        "x.c",
        "./x.c",
        "a/../x.c",
        f"{TREE}/a//b/x.c",
        f"{OUT}/gen/x.c",
        "../out/x.c",
        "../x.c",
        f"{TREE}2/x.c",
        "/x.c",
    ]
    found = find("".join(f"{name}:1: warning: {index}\n" for index, name in enumerate(names)))
    assert [entry.path for entry in found.diagnostics] == [
        *("x.c", "x.c", "x.c", "a/b/x.c", "<out>/gen/x.c", "<out>/x.c"),
        *("/tmp/gatekeep-logs/x.c", f"{TREE}2/x.c", "/x.c"),
    ]


def test_output_folder_inside_the_tree_is_the_output_folder() -> None:
    found = parse_log(b"o/x.c:1: warning: w /t/o/y.c and /t/y.c, not /a/t/o or /t2\n", tree="/t", out="/t/o")
    assert found.diagnostics == (warn("w <out>/y.c and y.c, not /a/t/o or /t2", path="<out>/x.c", line=1),)


def test_names_are_relative_to_the_folder_where_the_recipe_runs() -> None:
    found = parse_log(b"x.c:1: warning: w\n../x.c:1: warning: w\n", tree="/t", out="/o", directory="firmware")
    assert [entry.path for entry in found.diagnostics] == ["firmware/x.c", "x.c"]


def test_names_follow_the_folders_that_make_enters_and_leaves() -> None:
    found = find(
        f"make: Entering directory '{TREE}/a'\nx.c:1: warning: 1\n"
        f"make[1]: Entering directory `{TREE}/a/b'\nx.c:1: warning: 2\n../x.c:1: warning: 3\n"
        "make[1]: *** [Makefile:3: x] Error 1\n"
        f"make[1]: Leaving directory '{TREE}/a/b'\nx.c:1: warning: 4\n"
        f"make: Leaving directory '{TREE}/a'\nx.c:1: warning: 5\nmake: Leaving directory '/never/entered'\n"
        "ninja: Entering directory `c'\nx.c:1: warning: 6\n"
    )
    assert [(entry.message, entry.path) for entry in found.diagnostics] == [
        ("1", "a/x.c"),
        ("2", "a/b/x.c"),
        ("3", "a/x.c"),
        ("4", "a/x.c"),
        ("5", "x.c"),
        ("6", "c/x.c"),
        ("x: Error 1", "a/b/Makefile"),
    ]


def test_make_speaks_of_its_own_folder_while_another_level_works() -> None:
    found = find(
        f"make: Entering directory '{TREE}/a'\nmake[1]: Entering directory '{TREE}/b'\nmake: *** [m.mk:3: x] Error 1\n"
    )
    assert [entry.path for entry in found.diagnostics] == ["a/m.mk"]


def test_bytes_that_are_not_utf_8_are_kept() -> None:
    found = find(b"\xff/x.c:1: warning: \xfe\n")
    assert found.diagnostics == (warn("\udcfe", path="\udcff/x.c", line=1),)


def test_warning_of_a_header_is_one_however_often_it_is_compiled() -> None:
    once = "x.h:1:2: warning: unused\n"
    found = find(f"{once}a.c:1: warning: b\n{once}    1 | int a;\n{once}    1 | something mixed in\n")
    assert found.diagnostics == (
        warn(path="x.h", line=1, column=2, excerpt="int a;"),
        warn("b", path="a.c", line=1),
    )


def test_quoted_source_belongs_to_its_own_line_and_not_to_a_note() -> None:
    found = find(
        "x.c:7: warning: w\n    5 | five\n      | ^\n    7 | seven\n"
        "x.c:8: warning: w\ny.c:8: note: n\n    8 | the note's\n"
        "x.c:9: warning: w\n plain nine\n      ^~~\n"
        "x.c:10: warning: w\nnot source\nnor this\n"
    )
    assert [entry.excerpt for entry in found.diagnostics] == ["seven", None, "plain nine", None]


def test_what_a_macro_does_wrong_is_placed_where_it_is_used() -> None:
    """GCC's text has the definition's place and notes; its JSON, asked in tests/integration, has the use's."""
    use = (
        "m.h:1:20: warning: w [-Wx]\n    1 | #define INNER(a) bad\n      |   ^~~\n"
        "m.h:2:18: note: in expansion of macro 'INNER'\n    2 | #define OUTER(a) INNER(a)\n      |   ^~~~~\n"
        "x.c:{line}:5: note: in expansion of macro 'OUTER'\n    {line} |     OUTER({line});\n      |     ^~~~~\n"
        "x.c:1:1: note: declared here\n    1 | int y;\n"
    )
    found = find(use.format(line=3) + use.format(line=9))
    assert found.diagnostics == tuple(
        warn("w", path="x.c", line=line, column=5, option="x", excerpt=f"OUTER({line});") for line in (3, 9)
    )


def test_first_error_is_the_compilers_before_the_linkers_before_makes() -> None:
    make = "make: *** No rule to make target 'x'.  Stop.\n"
    shell = "/bin/sh: 1: probe: not found\n"
    summary = "make: *** [Makefile:1: x] Error 1\n"
    link = "ld: cannot find -lx\n"
    compile_ = "In file included from y.c:1:\nx.c:1:2: error: e\n    1 | code\n      | ^\nx.c:1:2: note: n\n"
    log = ""
    for text, first in [
        (summary, "error make Makefile:1 x: Error 1"),
        (shell, "error make - probe: not found"),
        (make, "error make - No rule to make target 'x'"),
        (link, "error linker - cannot find -lx"),
        (compile_, "error compiler x.c:1:2 e | code"),
    ]:
        log += text
        found = find(log)
        assert found.first_error is not None
        assert render(found.first_error) == first
    assert found.excerpt == tuple(compile_.splitlines())


def test_excerpt_of_a_failure_in_unknown_words_shows_what_came_before_it() -> None:
    found = find("".join(f"step {number}\n" for number in range(20)) + "make: *** [Makefile:1: x] Error 1\n")
    assert found.excerpt == (
        *(f"step {number}" for number in range(12, 20)),
        "make: *** [Makefile:1: x] Error 1",
    )


def test_findings_past_the_limits_are_counted_and_errors_are_never_pushed_out() -> None:
    warnings = "".join(f"x.c:{number}: warning: w\n" for number in range(1, WARNING_LIMIT + 6))
    errors = "".join(f"x.c:{number}: error: e\n" for number in range(1, ERROR_LIMIT + 4))
    found = find(warnings + errors)
    assert len(found.diagnostics) == WARNING_LIMIT + ERROR_LIMIT
    assert found.dropped_count == 5 + 3
    assert found.first_error == Diagnostic(
        severity=Severity.ERROR, speaker=Speaker.COMPILER, message="e", path="x.c", line=1
    )


def test_endless_line_is_looked_at_up_to_a_limit() -> None:
    log = b"x.c:1: warning: " + b"w" * 1_000_000
    assert [len(line) for line in iter_lines(log)] == [LINE_LIMIT_BYTES]
    assert [len(entry.message) for entry in find(log).diagnostics] == [1000]


def test_silent_log_has_no_findings() -> None:
    assert find(b"") == LogFindings()
    assert find(b"\n\r\n \t\n\0\0") == LogFindings()


def test_overflow_is_an_error_and_a_region() -> None:
    found = find("arm-none-eabi-ld: region `FLASH' overflowed by 568 bytes\n")
    assert found.overflows == (Overflow(region="FLASH", over_bytes=568),)
    assert places("ld.lld: error: section '.text' will not fit in region 'FLASH': overflowed by 568 bytes") == [
        "error linker - section '.text' will not fit in region 'FLASH': overflowed by 568 bytes"
    ]
