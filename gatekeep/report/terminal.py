"""
What an author reads at the gate.

The last lines are what is on the screen when the run ends, so the report reads towards them: what was judged, which
regions moved, what is only shown, waived or approved, then every reason, and in the last line the verdict. A reason is
one sentence that says whom it hits, what is wrong, where, and since when; what it rests on stands indented under it.
Colour only repeats what the words say.

Source: ECMA-48 (5th edition), clause 8.3.117 (SGR): 1 bold, 2 faint, 31 red, 32 green, 33 yellow, 0 back to normal.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import groupby

from gatekeep.model.change import Commit
from gatekeep.model.quantity import render_bytes
from gatekeep.model.verdict import Decision, Judgement, Reason, RegionDelta
from gatekeep.report.layout import cell_width, fold, pad_left, pad_right, shorten, wrap_words
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
    say_why_built,
)

_LEAST_WIDTH = 40
# Beyond this a line is no longer read with ease (common practice, no source); wide terminals keep their margin.
_MOST_WIDTH = 120
_INDENT = "    "
_QUOTE = "    | "
_EXCERPT_LINES = 8
_EXCERPT_CELLS = 600
_SUBJECT_CELLS = 60
# No compiler says more in one message that anybody reads; a template error can fill a screen.
_SPAN_CELLS = 1000
_DELTAS_SHOWN = 10
_NOTICES_SHOWN = 10
_TARGETS_SHOWN = 12
_LEAST_NAME = 10
_MORE = "--json has all"

_BOLD, _FAINT, _RED, _GREEN, _YELLOW = "1", "2", "31", "32", "33"
_VERDICT_COLOURS = {Decision.PASS: _GREEN, Decision.BLOCK: _RED, Decision.UNDECIDED: _YELLOW}

_Paint = Callable[[str, str], str]


def render_terminal(judgement: Judgement, *, colour: bool, width: int) -> str:
    """
    Render the report for people at a terminal.

    Args:
        judgement: What was judged.
        colour: Add ECMA-48 colours; nothing is said by them alone.
        width: Cells a line may take, held between 40 and 120. Words that are longer (paths) are left whole.

    Returns:
        Lines ended by a line feed. The last one is the verdict. Holds no control characters from outside.
    """
    writer = _Writer(put_in_order(judgement), paint=_in_colour if colour else _without_colour, width=width)
    return "".join(f"{line.rstrip()}\n" for line in writer.iter_lines())


def iter_reason_lines(judgement: Judgement, reasons: Iterable[Reason], *, colour: bool, width: int) -> Iterator[str]:
    """Give the lines of some reasons, each as a report has it, behind an empty line; commits are the judgement's."""
    writer = _Writer(judgement, paint=_in_colour if colour else _without_colour, width=width)
    for reason in reasons:
        yield ""
        yield from writer.iter_reason(reason)


class _Writer:
    """One report on its way to lines."""

    def __init__(self, judgement: Judgement, *, paint: _Paint, width: int) -> None:
        self._judgement = judgement
        self._paint = paint
        self._width = max(_LEAST_WIDTH, min(width, _MOST_WIDTH))
        self._commits = commits_by_id(judgement.change)

    def iter_lines(self) -> Iterator[str]:
        verdict = self._judgement.verdict
        yield from self._iter_header()
        yield from self._iter_deltas()
        yield from self._iter_notices()
        yield from self._iter_excused()
        for reason in verdict.reasons:
            yield ""
            yield from self.iter_reason(reason)
        yield from self._iter_list("approvals:", say_approvals(self._judgement))
        yield ""
        colour = _VERDICT_COLOURS[verdict.decision]
        yield self._paint(f"verdict: {say_verdict(verdict)}", f"{_BOLD};{colour}")

    def _iter_header(self) -> Iterator[str]:
        change = self._judgement.change
        yield from self._wrap(
            [
                Span(role=Role.MESSAGE, text=f"{self._judgement.matrix.tree} "),
                Span(role=Role.COMMIT, text=f"{change.base.short_id}..{change.head.short_id}"),
                *_subject_of(change.head),
            ]
        )
        if landing := say_landing(change):
            yield from self._wrap([Span(role=Role.MESSAGE, text=landing)])
        why = say_why_built(self._judgement)
        scope = say_scope(self._judgement) + (f"; built because: {why}" if why else "")
        yield from self._wrap([Span(role=Role.MESSAGE, text=scope)])

    def _iter_deltas(self) -> Iterator[str]:
        verdict = self._judgement.verdict
        ranked = rank_deltas(verdict.deltas)
        if ranked:
            yield ""
            yield "bytes used, base to head:"
            yield from self._iter_rows([_delta_cells(delta) for delta in ranked[:_DELTAS_SHOWN]])
            if len(ranked) > _DELTAS_SHOWN:
                yield f"{_INDENT}and {count(len(ranked) - _DELTAS_SHOWN, 'region')} more; {_MORE}"
        if verdict.new_warning_count:
            yield ""
            yield f"new warnings: {verdict.new_warning_count}"

    def _iter_rows(self, rows: list[tuple[str, ...]]) -> Iterator[str]:
        widths = [max(map(cell_width, column)) for column in zip(*rows, strict=True)]
        # Names give way where the line is too narrow; figures never do.
        others = sum(widths[2:]) + len(_INDENT) + len("    ->      of  ")
        widths[1] = min(widths[1], max(self._width - others - widths[0], _LEAST_NAME))
        widths[0] = min(widths[0], max(self._width - others - widths[1], _LEAST_NAME))
        for name, region, before, after, delta, share, capacity in rows:
            yield _INDENT + "  ".join(
                (
                    pad_right(shorten(name, widths[0]), widths[0]),
                    pad_right(shorten(region, widths[1]), widths[1]),
                    f"{pad_left(before, widths[2])} -> {pad_left(after, widths[3])}",
                    pad_left(delta, widths[4]),
                    pad_left(share, widths[5]) + f" of {capacity}",
                )
            )

    def _iter_notices(self) -> Iterator[str]:
        notices = self._judgement.verdict.notices
        if not notices:
            return
        yield ""
        yield "shown only, does not block:"
        for notice in notices[:_NOTICES_SHOWN]:
            yield from self._wrap(self._say(notice), first=_INDENT, rest=_INDENT * 2)
        if len(notices) > _NOTICES_SHOWN:
            yield f"{_INDENT}and {len(notices) - _NOTICES_SHOWN} more; {_MORE}"

    def _iter_excused(self) -> Iterator[str]:
        """Every waived or approved reason is shown, however many there are: none has lesser standing."""
        verdict = self._judgement.verdict
        for heading, reasons in (("waived", verdict.waived), ("approved", verdict.approved)):
            if reasons:
                yield ""
                yield f"{heading}, does not block:"
            for reason in reasons:
                yield from self._wrap(self._say(reason), first=_INDENT, rest=_INDENT * 2)
                for detail in reason.details:
                    yield from self._wrap([Span(role=Role.MESSAGE, text=detail)], first=_INDENT * 2, rest=_INDENT * 3)
        yield from self._iter_list("waivers:", say_waivers(verdict.waivers))

    def _iter_list(self, heading: str, lines: tuple[str, ...]) -> Iterator[str]:
        if lines:
            yield ""
            yield heading
        for line in lines:
            yield from self._wrap([Span(role=Role.MESSAGE, text=line)], first=_INDENT, rest=_INDENT * 2)

    def iter_reason(self, reason: Reason) -> Iterator[str]:
        """Give the lines of one reason."""
        yield from self._wrap(self._say(reason), rest=_INDENT)
        yield from self._iter_excerpt(reason)
        for detail in reason.details:
            yield from self._wrap([Span(role=Role.MESSAGE, text=detail)], first=_INDENT, rest=_INDENT * 2)
        if any(name not in reason.whom for name in reason.targets):
            shown = ", ".join(reason.targets[:_TARGETS_SHOWN])
            more = len(reason.targets) - _TARGETS_SHOWN
            names = f"targets: {shown}" + (f" and {more} more" if more > 0 else "")
            yield from self._wrap([Span(role=Role.MESSAGE, text=names)], first=_INDENT, rest=_INDENT * 2)
        if reason.log_paths:
            more = len(reason.log_paths) - 1
            log = f"log: {reason.log_paths[0]}" + (f" and {more} more" if more else "")
            yield from self._wrap([Span(role=Role.MESSAGE, text=log)], first=_INDENT, rest=_INDENT * 2)

    def _iter_excerpt(self, reason: Reason) -> Iterator[str]:
        lines, left_out = choose_excerpt(reason, _EXCERPT_LINES)
        for line in lines:
            # Tabs as blanks, so that the tool's own carets still stand under what they point at.
            text = shorten(plain(line.expandtabs(8)), _EXCERPT_CELLS)
            for index, piece in enumerate(fold(text, self._width - len(_QUOTE))):
                gutter = _QUOTE if index == 0 else " " * len(_QUOTE)
                yield self._paint(f"{gutter}{piece}".rstrip(), _FAINT)
        if left_out:
            yield self._paint(f"{_QUOTE}({count(left_out, 'line')} more)", _FAINT)

    def _say(self, reason: Reason) -> list[Span]:
        spans = say_reason(reason, self._commits, self._judgement.change)
        return [
            Span(role=span.role, text=shorten(plain(span.text), _SUBJECT_CELLS)) if span.role is Role.SUBJECT else span
            for span in spans
        ]

    def _wrap(self, spans: list[Span], *, first: str = "", rest: str = _INDENT) -> Iterator[str]:
        """Make the spans plain, break them into lines, and paint what stands out."""
        words = _words_of(spans)
        indent = first
        lines = wrap_words([word for word, _ in words], self._width - max(len(first), len(rest)))
        position = 0
        for line in lines:
            here = words[position : position + len(line)]
            position += len(line)
            runs = groupby(here, key=lambda entry: entry[1])
            yield indent + " ".join(self._paint(" ".join(word for word, _ in run), style) for style, run in runs)
            indent = rest


def _words_of(spans: list[Span]) -> list[tuple[str, str]]:
    """Give the words of a sentence with their styles; a word that two spans share takes the style of the first."""
    words: list[tuple[str, str]] = []
    joined = False
    for span in spans:
        text = shorten(plain(span.text), _SPAN_CELLS)
        style = _BOLD if span.role in (Role.WHOM, Role.PLACE, Role.COMMIT) else ""
        pieces = text.split(" ")
        for index, piece in enumerate(pieces):
            if index == 0 and joined and words:
                word, first_style = words[-1]
                words[-1] = (word + piece, first_style or style)
            elif piece:
                words.append((piece, style))
        joined = bool(pieces[-1])
    return words


def _subject_of(commit: Commit) -> list[Span]:
    subject = shorten(plain(commit.subject), _SUBJECT_CELLS)
    return [Span(role=Role.SUBJECT, text=f" ({subject})")] if subject else []


def _delta_cells(delta: RegionDelta) -> tuple[str, ...]:
    return (
        plain(delta.target),
        plain(delta.region),
        str(delta.base_used_bytes),
        str(delta.head_used_bytes),
        f"{delta.delta_bytes:+d}",
        say_share(delta.head_used_bytes, delta.capacity_bytes),
        # Words, not only a figure above 100: what does not fit must not look like what nearly fits.
        render_bytes(delta.capacity_bytes) + (", too large" if delta.head_used_bytes > delta.capacity_bytes else ""),
    )


def _in_colour(text: str, style: str) -> str:
    return f"\x1b[{style}m{text}\x1b[0m" if style and text else text


def _without_colour(text: str, style: str) -> str:
    return text
