"""
What an audit found, for people and for machines.

`audit.schema.json` beside this file is the contract of the JSON; `format` rises when a reader of the old one would be
misled.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import gatekeep
from gatekeep.model.audit import Audit, AuditCause, Audited, Bar, Standing
from gatekeep.model.change import Commit
from gatekeep.model.verdict import Decision
from gatekeep.report.json_report import to_json
from gatekeep.report.layout import wrap_words
from gatekeep.report.plain import plain
from gatekeep.report.wording import count

#: Raise it when a reader of the old format would be misled by the new one.
AUDIT_FORMAT = 1
_INDENT = "    "
_LEAST_WIDTH, _MOST_WIDTH = 40, 120
_COMMITS_SHOWN = 3
_GREEN, _YELLOW, _RESET = "\x1b[1;32m", "\x1b[1;33m", "\x1b[0m"


def render_audit(audit: Audit, *, colour: bool, width: int) -> str:
    """
    Render an audit for people at a terminal.

    Args:
        audit: What was found.
        colour: Paint the verdict; nothing is said by colour alone.
        width: Cells a line may take, held between 40 and 120.

    Returns:
        Lines ended by a line feed, the last one the verdict. Holds no control characters from outside.
    """
    cells = max(_LEAST_WIDTH, min(width, _MOST_WIDTH))
    lines = [*_iter_header(audit, cells)]
    for cause in audit.causes:
        lines += ["", *iter_audit_cause(cause, cells)]
    verdict = f"verdict: {say_audit_verdict(audit)}"
    if colour:
        verdict = f"{_GREEN if audit.decision is Decision.PASS else _YELLOW}{verdict}{_RESET}"
    return "".join(f"{line.rstrip()}\n" for line in (*lines, "", verdict))


def say_audit_verdict(audit: Audit) -> str:
    """Word the verdict: `pass`, `undecided, 2 results carried wrongly, 1 not audited`."""
    if audit.decision is Decision.PASS:
        return "pass"
    wrong, open_ = len(audit.select(Standing.MISMATCH)), len(audit.select(Standing.NOT_DECIDED))
    parts = [f"{count(wrong, 'result')} carried wrongly"] if wrong else []
    return ", ".join(("undecided", *parts, *([f"{open_} not audited"] if open_ else [])))


def render_bars(bars: tuple[Bar, ...], *, cleared: bool) -> str:
    """
    Word which targets are barred, or were until now.

    Returns:
        One line each; or the line that says there are none.
    """
    if not bars:
        return "no target is barred from being carried\n"
    word = "cleared" if cleared else "barred"
    return "".join(
        plain(f"{bar.target}: {word}; found on {bar.barred_at:%Y-%m-%d} at commit {bar.commit_id[:10]}: {bar.what}")
        + "\n"
        for bar in bars
    )


def _iter_header(audit: Audit, width: int) -> Iterator[str]:
    change = audit.change
    ends = dict.fromkeys((change.base.short_id, change.head.short_id))
    yield from _wrap(f"{audit.matrix.tree} {'..'.join(ends)} ({change.head.subject})", width, rest=_INDENT)
    looked = [result for result in audit.results if result.carried is not None]
    parts = [
        f"{len(audit.select(standing))} {words}"
        for standing, words in (
            (Standing.EQUAL, "equal to a clean build"),
            (Standing.NOT_REPRODUCIBLE, "not reproducible"),
            (Standing.NOT_DECIDED, "not audited"),
            (Standing.MISMATCH, "carried wrongly"),
        )
        if standing is Standing.EQUAL or audit.select(standing)
    ]
    if not audit.carried_count and not audit.results:
        yield "nothing was carried: nothing to audit"
        return
    yield from _wrap(
        f"{count(audit.carried_count, 'carried result')}, {len(looked)} audited: {', '.join(parts)}",
        width,
        rest=_INDENT,
    )


def iter_audit_cause(cause: AuditCause, width: int) -> Iterator[str]:
    """Give the lines of one cause."""
    shown = ", ".join(map(_say_commit, cause.commits[:_COMMITS_SHOWN]))
    more = len(cause.commits) - _COMMITS_SHOWN
    at = f"at commit {shown}" + (f" and {more} more" if more > 0 else "")
    yield from _wrap(f"{cause.whom.removesuffix(',')}: {cause.message}, {at}", width, rest=_INDENT)
    for detail in cause.details:
        yield from _wrap(detail, width, first=_INDENT, rest=_INDENT * 2)
    if any(name not in cause.whom for name in cause.targets):
        yield from _wrap(f"targets: {', '.join(cause.targets)}", width, first=_INDENT, rest=_INDENT * 2)


def _say_commit(commit: Commit) -> str:
    return f"{commit.short_id} ({commit.subject})" if commit.subject else commit.short_id


def _wrap(text: str, width: int, *, first: str = "", rest: str) -> Iterator[str]:
    indent = first
    for words in wrap_words(plain(text).split(" "), width - max(len(first), len(rest))):
        yield indent + " ".join(words)
        indent = rest


def render_audit_json(audit: Audit) -> str:
    """
    Render an audit for machines.

    Returns:
        ASCII JSON that `audit.schema.json` describes, ended by a line feed.
    """
    return to_json(
        {
            "format": AUDIT_FORMAT,
            "tool": {"name": "gatekeep", "version": gatekeep.__version__},
            "tree": audit.matrix.tree,
            "base": audit.change.base.commit_id,
            "head": audit.change.head.commit_id,
            "verdict": audit.decision.value,
            "carried": audit.carried_count,
            "results": [_result(result) for result in audit.results],
        }
    )


def _result(result: Audited) -> dict[str, Any]:
    return {
        "target": result.target,
        "commit": result.commit.commit_id,
        "tree": result.commit.tree_id,
        "key": result.key,
        "standing": result.standing.value,
        "carried_from": {"commit": result.carried.commit_id, "tree": result.carried.tree_id}
        if result.carried is not None
        else None,
        "read": result.read_count,
        "differences": [
            {"aspect": entry.aspect.value, "name": entry.name, "carried": entry.ours, "clean": entry.clean}
            for entry in result.differences
        ],
        "changed_paths": list(result.changed_paths),
        "notes": list(result.notes),
    }
