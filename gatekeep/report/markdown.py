"""
A review comment in Markdown.

What hosts make of Markdown goes beyond its specification: they link `@names`, `#12`, `KEY-12`, bare addresses, commit
ids and paths, also where the character was escaped by a backslash, because they look at the finished text. They leave
code alone. So every word from outside that is not plainly a word or a number goes into a code span, and the others
have their marks escaped: prose stays prose, and nothing from a build links, calls or notifies anybody.

Sources:
    CommonMark 0.31.2, section 2.4 (backslash escapes: any ASCII punctuation), 6.1 (code spans: a longer run of
    backticks encloses shorter ones), 4.5 (fenced code blocks), 4.6 (an HTML block of kind 6 ends at a blank line).
    GitHub Flavored Markdown, section 4.10 (tables: a pipe in a cell).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from gatekeep.model.change import Change, Commit
from gatekeep.model.quantity import render_bytes
from gatekeep.model.verdict import Judgement, Reason, RegionDelta
from gatekeep.report.layout import shorten
from gatekeep.report.plain import plain
from gatekeep.report.wording import (
    Role,
    Span,
    choose_excerpt,
    commits_by_id,
    count,
    put_in_order,
    rank_deltas,
    say_approvals,
    say_landing,
    say_reason,
    say_scope,
    say_share,
    say_verdict,
    say_waivers,
)

#: Hosts refuse comments beyond some 65,000 characters (common practice, no source).
MOST_CHARACTERS = 60_000
_NOTE_CHARACTERS = 400
_TEXT_CELLS = 800
_NAME_CELLS = 120
_LOG_LINE_CELLS = 300
_LOG_LINES = 20
_DETAILS_SHOWN = 20
_TARGETS_SHOWN = 20
_DELTAS_SHOWN = 25
_NOTICES_SHOWN = 20

# What CommonMark or a host gives a meaning within a line; and at its start: list items, headings, rules.
_MARKS = re.compile(r"[!#$&*<>@\[\\\]^_`{|}~]")
_MARK_AT_START = re.compile(r"[-+=]|[0-9]+(?=[.)])")
_LETTERS = r"[^\W\d_]+"
_OPENING, _CLOSING = r"[(\[\"'“‘]*", r"[)\]\"'”’.,;:?!%]*"
_TAME = re.compile(
    # A word, or a short number that may carry words (`64-bit`), or a sign that stands alone.
    rf"{_OPENING}(?:{_LETTERS}(?:['’-]{_LETTERS})*|[+-]?\d{{1,6}}(?:[.,]\d{{1,6}})?(?:-{_LETTERS})*){_CLOSING}"
    rf"|{_OPENING}[-+<>=&|/*–—…]{{0,2}}{_CLOSING}"
)
# Letters that are a commit's id all the same: hosts link seven or more hexadecimal digits.
_HEXADECIMAL = re.compile(r"\W*[0-9a-fA-F]{7,}\W*")
_WILD = re.compile(rf"({_OPENING})(.*?)({_CLOSING})")
_QUOTED = re.compile(r"`([^`]+)`")


def render_markdown(judgement: Judgement) -> str:
    """
    Render a review comment.

    Returns:
        CommonMark with one table of GitHub Flavored Markdown, at most `MOST_CHARACTERS` characters, ended by a line
        feed; what did not fit is counted at its end. The verdict comes first. Nothing from outside is markup, or is
        linked by a host.
    """
    ordered = put_in_order(judgement)
    blocks = list(_iter_blocks(ordered))
    kept: list[str] = []
    left_out: dict[str, int] = {}
    room = MOST_CHARACTERS - _NOTE_CHARACTERS
    for block in blocks:
        fitting = next((text for text in (block.text, block.short_text) if text and len(text) + 2 <= room), None)
        if fitting is None:
            left_out[block.noun] = left_out.get(block.noun, 0) + block.items
            continue
        kept.append(fitting)
        room -= len(fitting) + 2
    if left_out:
        what = ", ".join(count(number, noun) for noun, number in left_out.items())
        kept.append(f"Left out, since a comment has no room for more: {what}. The JSON report has all.")
    return "\n\n".join(kept) + "\n"


def escape_markdown(text: str) -> str:
    """
    Make a text from outside fit to stand in a line of Markdown.

    Args:
        text: Anything; white space shrinks to single blanks.

    Returns:
        One line, with words as prose and everything that a host might link, call or run in code spans.
    """
    runs: list[tuple[bool, list[str]]] = []
    quoted = False
    for word in plain(text).split():
        tame = not quoted and _TAME.fullmatch(word) is not None and not _HEXADECIMAL.fullmatch(word)
        # What our own messages quote in backticks stays together.
        quoted ^= word.count("`") % 2 == 1
        if not runs or runs[-1][0] is not tame:
            runs.append((tame, []))
        runs[-1][1].append(word)
    line = " ".join(_escape(" ".join(words)) if tame else _enclose(" ".join(words)) for tame, words in runs)
    start = _MARK_AT_START.match(line)
    if start is None:
        return line
    return f"\\{line}" if not start[0].isdigit() else f"{start[0]}\\{line[start.end() :]}"


def code_span(text: str) -> str:
    """
    Put a text from outside into a code span, in which nothing is markup.

    Returns:
        One line; white space at the ends is gone; "" for a text without anything else.
    """
    content = plain(text).strip()
    if not content:
        return ""
    fence = "`" * (_longest_run(content) + 1)
    blank = " " if content.startswith("`") or content.endswith("`") else ""
    return f"{fence}{blank}{content}{blank}{fence}"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Block:
    """A part of the comment that is kept or left out as a whole; `short_text` is tried where `text` does not fit."""

    text: str
    noun: str
    items: int = 1
    short_text: str = ""


def _iter_blocks(judgement: Judgement) -> Iterator[_Block]:
    verdict = judgement.verdict
    commits = commits_by_id(judgement.change)
    change = judgement.change
    yield _Block(text=_head(judgement), noun="heading")
    for reason in verdict.reasons:
        sentence = _sentence(reason, commits, change)
        yield _Block(text="\n\n".join((sentence, *_iter_rest(reason))), short_text=sentence, noun="reason")
    if lines := say_approvals(judgement):
        yield _Block(text="Approvals:\n\n" + "\n".join(f"- {_words(line)}" for line in lines), noun="list of approvals")
    for heading, reasons in (("Waived", verdict.waived), ("Approved", verdict.approved)):
        if reasons:
            yield _Block(text=f"{heading}, does not block:", noun="heading")
        for reason in reasons:
            facts = "".join(f"\n  - {_words(detail)}" for detail in reason.details[:_DETAILS_SHOWN])
            yield _Block(text=f"- {_sentence(reason, commits, change)}{facts}", noun=f"{heading.lower()} reason")
    if lines := say_waivers(verdict.waivers):
        yield _Block(text="Waivers:\n\n" + "\n".join(f"- {_words(line)}" for line in lines), noun="list of waivers")
    ranked = rank_deltas(verdict.deltas)
    if ranked:
        yield _Block(text=_table(ranked), noun="size")
    if verdict.new_warning_count:
        yield _Block(text=f"New warnings: {verdict.new_warning_count}.", noun="count")
    if verdict.notices:
        yield _Block(text="Shown only, does not block:", noun="heading")
    for notice in verdict.notices[:_NOTICES_SHOWN]:
        yield _Block(text=f"- {_sentence(notice, commits, change)}", noun="notice")
    if len(verdict.notices) > _NOTICES_SHOWN:
        yield _Block(text=f"- and {len(verdict.notices) - _NOTICES_SHOWN} more", noun="count")


def _head(judgement: Judgement) -> str:
    change = judgement.change
    subject = _words(change.head.subject)
    landing = say_landing(change)
    return (
        f"**Verdict: {say_verdict(judgement.verdict)}.**\n\n"
        f"{_name(judgement.matrix.tree)} `{change.base.short_id}..{change.head.short_id}`"
        f"{f' ({subject})' if subject else ''}\n\n"
        f"{_words(landing) + '.' + chr(10) * 2 if landing else ''}"
        f"{say_scope(judgement)}."
    )


def _sentence(reason: Reason, commits: dict[str, Commit], change: Change) -> str:
    return "".join(_dress(span) for span in say_reason(reason, commits, change)) + "."


def _dress(span: Span) -> str:
    match span.role:
        case Role.WHOM:
            words = _words(span.text)
            return f"**{words}**" if words else ""
        case Role.PLACE | Role.COMMIT:
            return _name(span.text)
        case Role.MESSAGE | Role.SUBJECT:
            return _words(span.text)
        case Role.LINK:
            return span.text


def _iter_rest(reason: Reason) -> Iterator[str]:
    """Give what a reason rests on, block by block."""
    facts = [_words(detail) for detail in reason.details[:_DETAILS_SHOWN]]
    if len(reason.details) > _DETAILS_SHOWN:
        facts.append(f"and {len(reason.details) - _DETAILS_SHOWN} more")
    if any(name not in reason.whom for name in reason.targets):
        names = ", ".join(_name(name) for name in reason.targets[:_TARGETS_SHOWN])
        more = len(reason.targets) - _TARGETS_SHOWN
        facts.append(f"targets: {names}{f' and {more} more' if more > 0 else ''}")
    if reason.log_paths:
        more = len(reason.log_paths) - 1
        facts.append(f"log: {_name(reason.log_paths[0])}{f' and {more} more' if more else ''}")
    if facts:
        yield "\n".join(f"- {fact}" for fact in facts if fact)
    lines, left_out = choose_excerpt(reason, _LOG_LINES)
    if lines:
        # Tabs as blanks, so that carets stand under what they point at.
        quoted = [shorten(plain(line.expandtabs(8)), _LOG_LINE_CELLS) for line in lines]
        fence = "`" * max(3, *(_longest_run(line) + 1 for line in quoted))
        title = f"{count(len(lines), 'line')} quoted{f', {left_out} more in the log' if left_out else ''}"
        body = "\n".join(quoted)
        yield f"<details><summary>{title}</summary>\n\n{fence}text\n{body}\n{fence}\n\n</details>"


def _table(deltas: tuple[RegionDelta, ...]) -> str:
    rows = [
        "| target | region | base, bytes | head, bytes | change | full |",
        "| :-- | :-- | --: | --: | --: | :-- |",
    ]
    for delta in deltas[:_DELTAS_SHOWN]:
        over = ", too large" if delta.head_used_bytes > delta.capacity_bytes else ""
        share = (
            f"{say_share(delta.head_used_bytes, delta.capacity_bytes)} of {render_bytes(delta.capacity_bytes)}{over}"
        )
        rows.append(
            f"| {_cell(delta.target)} | {_cell(delta.region)} | {delta.base_used_bytes} | {delta.head_used_bytes} "
            f"| {delta.delta_bytes:+d} | {share} |"
        )
    more = len(deltas) - _DELTAS_SHOWN
    return "\n".join(rows) + (f"\n\nand {count(more, 'region')} more" if more > 0 else "")


def _words(text: str) -> str:
    return escape_markdown(shorten(plain(text), _TEXT_CELLS))


def _name(text: str) -> str:
    return code_span(shorten(plain(text), _NAME_CELLS))


def _cell(text: str) -> str:
    # A pipe ends a cell even within a code span, and the escape for it depends on what stands before.
    return _name(text.replace("|", "\\x7c"))


def _longest_run(text: str) -> int:
    """Count the backticks of the longest run."""
    return max(map(len, re.findall("`+", text)), default=0)


def _escape(text: str) -> str:
    return _MARKS.sub(r"\\\g<0>", text)


def _enclose(text: str) -> str:
    """Put what may be linked or called into a code span, and leave the sentence's own marks around it outside."""
    if match := _QUOTED.fullmatch(text):
        return code_span(match[1])
    match = _WILD.fullmatch(text)
    if match is None:
        return code_span(text)
    return f"{_escape(match[1])}{code_span(match[2])}{_escape(match[3])}"
