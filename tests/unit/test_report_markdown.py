"""A review comment: whole output, held against a CommonMark parser, and nothing in it links, calls or runs."""

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from markdown_it import MarkdownIt
from markdown_it.token import Token

from gatekeep.model.verdict import RegionDelta, Rule
from gatekeep.report.markdown import MOST_CHARACTERS, code_span, escape_markdown, render_markdown
from gatekeep.report.plain import plain
from tests import judgements
from tests.judgements import make_judgement, make_reason

# Outside check: markdown-it-py, which passes the CommonMark 0.31.2 examples, with the tables of GitHub's dialect.
PARSER = MarkdownIt("commonmark").enable(["table", "strikethrough"])

# What hosts link or call in finished text outside code: names, issue numbers and keys, addresses, commit ids, emoji.
LINKED = re.compile(
    r"@\w|[#!$~%&]\d|[\w.]@[\w.]|://|www\.|\b[0-9a-f]{7,40}\b|\b[A-Z]{2,}-\d|\bGH-\d|:[a-z0-9_+-]+:|^/\w",
    re.IGNORECASE | re.MULTILINE,
)
OUR_HTML = re.compile(r"<details><summary>[0-9]+ lines? quoted(, [0-9]+ more in the log)?</summary>\n|</details>\n?")

# Written by `render_markdown(judgements.blocked())` and read by people before it was kept.
BLOCKED = (Path(__file__).parent.parent / "data" / "reports" / "blocked.md").read_text("utf-8")


def iter_tokens(text: str) -> Iterator[Token]:
    for token in PARSER.parse(text):
        yield token
        yield from token.children or ()


def test_comment_is_this():
    assert render_markdown(judgements.blocked()) == BLOCKED


@pytest.mark.parametrize("seed", range(3))
def test_order_of_evidence_does_not_change_the_comment(seed):
    assert render_markdown(judgements.shuffled(judgements.blocked(), seed)) == BLOCKED


def test_verdict_comes_first_also_when_it_passes():
    assert render_markdown(judgements.passed()).startswith(
        "**Verdict: pass.**\n\n`skerry` `1111111111..5555555555` (Light"
    )
    assert render_markdown(judgements.undecided()).startswith("**Verdict: undecided, 1 reason.**\n\n")


def test_what_would_land_is_said_before_the_reasons():
    lines = render_markdown(judgements.merged()).split("\n\n")
    assert lines[2] == "would land merged onto `1111111111`; the merged tree is judged too."
    assert lines[4].endswith("since the merge of `5555555555` onto `1111111111`, which is what would land.")
    assert "cannot be merged onto `1111111111`." in render_markdown(judgements.conflicting())


@pytest.mark.parametrize("judgement", [judgements.blocked(), judgements.hostile()])
def test_parser_finds_no_markup_but_ours(judgement):
    kinds = set()
    for token in iter_tokens(render_markdown(judgement)):
        kinds.add(token.type)
        if token.type == "html_block":
            assert OUR_HTML.fullmatch(token.content)
        if token.type == "text":
            assert not LINKED.search(token.content)
    assert not kinds & {
        "link_open",
        "image",
        "html_inline",
        "heading_open",
        "hr",
        "code_block",
        "blockquote_open",
        "s_open",
    }
    assert {"fence", "table_open", "strong_open", "code_inline"} <= kinds


def test_log_cannot_break_out_of_its_fence():
    log = ("```", "</details>", "`````", "~~~", "# heading", "", "    @team", "[a](b)")
    comment = render_markdown(make_judgement(make_reason(excerpt=log, place="")))
    fences = [token for token in PARSER.parse(comment) if token.type == "fence"]
    assert [fence.content for fence in fences] == ["\n".join(log) + "\n"]
    assert sum(token.type == "html_block" for token in PARSER.parse(comment)) == 2


def test_pipe_in_a_name_does_not_end_its_cell():
    delta = RegionDelta(target="a|b\\|c", region="|", base_used_bytes=1, head_used_bytes=2, capacity_bytes=4)
    tokens = list(iter_tokens(render_markdown(make_judgement(deltas=(delta,)))))
    assert sum(token.type == "td_open" for token in tokens) == 6
    assert [token.content for token in tokens if token.type == "code_inline"][2:] == ["a\\x7cb\\\\x7cc", "\\x7c"]


@pytest.mark.parametrize(
    ("text", "escaped"),
    [
        ("", ""),
        ("every 64-bit target", "every 64-bit target"),
        ("image 66104 bytes > flash 65536 (+568)", "image 66104 bytes \\> flash 65536 (+568)"),
        ("unused 'x_y'; use *z*", "unused '`x_y`'; use `*z*`"),
        ("ask @team, see #12 and KEY-7", "ask `@team`, see `#12` and `KEY-7`"),
        ("<b>[a](b)", "`<b>[a](b`)"),
        ("mail a@b.example or www.b.example", "mail `a@b.example` or `www.b.example`"),
        ("since deadbeef", "since `deadbeef`"),
        ("say `make all the things` now", "say `make all the things` now"),
        ("a ` stray @one", "a `` ` stray @one ``"),
        ("- item", "\\- item"),
        ("12. item", "12\\. item"),
        ("12 items", "12 items"),
        ("two\nlines\x1b", "`two\\nlines\\x1b`"),
        ("Grüße, 灯台の光", "Grüße, 灯台の光"),
    ],
)
def test_text_is_escaped_like_this(text, escaped):
    assert escape_markdown(text) == escaped


def test_code_span_encloses_backticks():
    assert code_span("a") == "`a`"
    assert code_span("a`b``c") == "```a`b``c```"
    assert code_span("`a") == "`` `a ``"
    assert code_span("  ") == ""


markdown_like = st.text(alphabet=st.sampled_from("ab1@#[]()<>!*_`~\\|:/.-+=& \n\t\"'"), max_size=30)


@given(st.one_of(markdown_like, st.text(alphabet=st.characters(codec=None), max_size=30)))
@example("[x](y)\n# z\n```\n<!-- ")
def test_any_text_is_read_back_as_the_text_itself(text):
    tokens = PARSER.parse(escape_markdown(text))
    assert {token.type for token in tokens} <= {"paragraph_open", "inline", "paragraph_close"}
    children = [child for token in tokens for child in token.children or ()]
    assert {child.type for child in children} <= {"text", "code_inline"}
    assert not [child.content for child in children if child.type == "text" and LINKED.search(child.content)]
    shown = "".join(child.content for child in children)
    # Blanks may shrink, and backticks that enclose a quotation become the code span itself.
    assert re.sub(r"[\s`]", "", shown) == re.sub(r"[\s`]", "", plain(text))


def test_long_comment_is_cut_and_says_what_it_left_out():
    reasons = tuple(
        make_reason(
            Rule.BROKEN,
            whom=f"board number {number:03}",
            targets=(f"arm/b{number:03}",),
            place=f"a{number:03}.c:1",
            message="@x " * 400,
            excerpt=("`*" * 500,) * 50,
        )
        for number in range(200)
    )
    comment = render_markdown(make_judgement(*reasons, deltas=judgements.DELTAS, new_warning_count=2))
    assert 50_000 < len(comment) <= MOST_CHARACTERS
    assert comment.startswith("**Verdict: block, 200 reasons.**")
    last = comment.rstrip().rsplit("\n", 1)[1]
    found = re.fullmatch(
        r"Left out, since a comment has no room for more: (\d+) reasons, 1 size\. The JSON report has all\.", last
    )
    assert found is not None
    assert int(found[1]) == 200 - comment.count("**board number")


def test_commit_without_subject_leaves_no_empty_brackets():
    head = replace(judgements.HEAD, subject="")
    comment = render_markdown(make_judgement(change=judgements.make_change(head), evidence=()))
    assert "()" not in comment


def test_waived_reasons_and_what_becomes_of_waivers_are_told():
    comment = render_markdown(judgements.waived())
    assert comment.startswith("**Verdict: pass, 1 reason waived.**")
    assert comment.partition("Waived, does not block:\n\n")[2] == (
        "- **`arm/alpha`**: outgrows flash by 568 B, since commit `3333333333` (Carry the harbour names in the "
        "image).\n"
        "  - waived until `2024-03-09` by alpha-part: the larger part comes in March (Isa Thorne)\n"
        "\n"
        "Waivers:\n"
        "\n"
        "- alpha-part ends in 3 days, on `2024-03-09`: rule outgrown of `arm/alpha` blocks again then\n"
        "- stack-reserve ended on `2024-03-05`: rule reserve of `mips/stack` blocks again\n"
        "- spare excuses nothing here: rule broken of `aarch64/skaw, loongarch64/noup, riscv64/tarn/release, "
        "riscv64/vale`; remove it where it is not needed any more\n"
    )
