"""
What searches for culprits found, for people and for machines.

`culprit.schema.json` beside this file is the contract of the JSON; `format` rises when a reader of the old one would be
misled.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import gatekeep
from gatekeep.model.change import Commit
from gatekeep.model.culprit import CulpritAnswer, CulpritStanding
from gatekeep.report.json_report import to_json
from gatekeep.report.layout import wrap_words
from gatekeep.report.plain import plain
from gatekeep.report.wording import count

#: Raise it when a reader of the old format would be misled by the new one.
CULPRIT_FORMAT = 1
_INDENT = "    "
_SUSPECTS_SHOWN = 8
_GREEN, _YELLOW, _RESET = "\x1b[1;32m", "\x1b[1;33m", "\x1b[0m"


def render_culprits(answers: Sequence[CulpritAnswer], *, colour: bool, width: int) -> str:
    """
    Render answers for people at a terminal: targets with one culprit and fault together, what is undecided last.

    Args:
        answers: At least one; all have the same ends.
        colour: Paint the last line; nothing is said by colour alone.
        width: Cells a line may take, held between 40 and 120.

    Returns:
        Lines ended by a line feed, the last one the result. Holds no control characters from outside.
    """
    cells = max(40, min(width, 120))
    groups: dict[tuple[object, ...], list[CulpritAnswer]] = {}
    order = list(CulpritStanding)
    ranked = [
        *(entry for entry in answers if entry.conclusion.standing is not CulpritStanding.UNDECIDED),
        *(entry for entry in answers if entry.conclusion.standing is CulpritStanding.UNDECIDED),
    ]
    for answer in ranked:
        conclusion = answer.conclusion
        key = (order.index(conclusion.standing), conclusion.suspects, answer.fault, answer.place, conclusion.why)
        groups.setdefault(key, []).append(answer)
    lines: list[str] = []
    for members in groups.values():
        lines += [*_iter_group(members, cells), ""]
    result = say_culprits(answers)
    if colour:
        result = f"{_GREEN if is_decided(answers) else _YELLOW}{result}{_RESET}"
    return "".join(f"{line.rstrip()}\n" for line in (*lines, result))


def is_decided(answers: Sequence[CulpritAnswer]) -> bool:
    """Whether no search was left undecided."""
    return all(answer.conclusion.standing is not CulpritStanding.UNDECIDED for answer in answers)


def say_culprits(answers: Sequence[CulpritAnswer]) -> str:
    """Word the result: `culprit: 4f1c2ab3d0, after 5 builds`, `culprit: undecided for 1 of 2 targets, …`."""
    builds = f"after {count(sum(answer.build_count for answer in answers), 'build')}"
    undecided = sum(1 for answer in answers if answer.conclusion.standing is CulpritStanding.UNDECIDED)
    if undecided:
        share = f" for {undecided} of {count(len(answers), 'target')}" if len(answers) > 1 else ""
        return f"culprit: undecided{share}, {builds}"
    found = dict.fromkeys(
        answer.conclusion.culprit.short_id for answer in answers if answer.conclusion.culprit is not None
    )
    return f"culprit: {', '.join(found) if found else 'none'}, {builds}"


def _iter_group(members: Sequence[CulpritAnswer], width: int) -> Iterator[str]:
    first = members[0]
    conclusion = first.conclusion
    names = ", ".join(answer.target for answer in members)
    fault = f"{first.place}: {first.fault}" if first.place else first.fault
    match conclusion.standing:
        case CulpritStanding.FOUND if conclusion.culprit is not None:
            yield from _wrap(f"{names}: since commit {_say(conclusion.culprit)}", width)
            yield from _wrap(_say_author(conclusion.culprit), width, _INDENT)
            if fault:
                yield from _wrap(fault, width, _INDENT)
            for warning in first.warnings[1:]:
                yield from _wrap(f"{warning.place}: new warning: {warning.message}", width, _INDENT)
            for merge in conclusion.merges:
                yield from _wrap(f"came in by the merge {_say(merge)}", width, _INDENT)
            yield from _say_joined(conclusion.culprit, conclusion.joins, width)
            if conclusion.before is not None:
                yield from _wrap(f"still well at commit {_say(conclusion.before)}", width, _INDENT)
        case CulpritStanding.WELL_AT_BAD:
            yield from _wrap(f"{names}: nothing is wrong at {_say(first.bad)} that was not so before", width)
        case CulpritStanding.FAULTY_AT_GOOD:
            yield from _wrap(f"{names}: not well at {_say(first.good)} either; name an earlier commit", width)
        case _:
            yield from _wrap(f"{names}: undecided: {conclusion.why}", width)
            if fault:
                yield from _wrap(f"at {first.bad.short_id}: {fault}", width, _INDENT)
            yield from _wrap(f"one of {count(len(conclusion.suspects), 'commit')}:", width, _INDENT)
            for commit in conclusion.suspects[:_SUSPECTS_SHOWN]:
                yield from _wrap(_say(commit), width, _INDENT * 2)
            more = len(conclusion.suspects) - _SUSPECTS_SHOWN
            if more > 0:
                yield f"{_INDENT * 2}and {more} more"
    logs = [answer.log_path for answer in members if answer.log_path is not None]
    if logs:
        yield from _wrap(f"log {logs[0]}", width, _INDENT)


def _say_joined(culprit: Commit, joins: Sequence[Commit], width: int) -> Iterator[str]:
    if joins:
        sides = ", ".join(_say(commit) for commit in joins)
        yield from _wrap(f"it is a merge, and broke what was well on each side: also at {sides}", width, _INDENT)
    elif len(culprit.parent_ids) > 1:
        yield from _wrap("it is a merge, and did this itself", width, _INDENT)


def _say(commit: Commit) -> str:
    return f"{commit.short_id} ({commit.subject})" if commit.subject else commit.short_id


def _say_author(commit: Commit) -> str:
    return f"by {commit.author_name} <{commit.author_email}>, {commit.committed_at:%Y-%m-%d}"


def _wrap(text: str, width: int, indent: str = "") -> Iterator[str]:
    start = indent
    for words in wrap_words(plain(text).split(" "), width - len(indent) - len(_INDENT)):
        yield start + " ".join(words)
        start = indent + _INDENT


def render_culprits_json(answers: Sequence[CulpritAnswer]) -> str:
    """
    Render answers for machines.

    Args:
        answers: At least one; all have the same ends.

    Returns:
        ASCII JSON that `culprit.schema.json` describes, ended by a line feed.
    """
    return to_json(
        {
            "format": CULPRIT_FORMAT,
            "tool": {"name": "gatekeep", "version": gatekeep.__version__},
            "good": answers[0].good.commit_id,
            "bad": answers[0].bad.commit_id,
            "results": [_result(answer) for answer in answers],
        }
    )


def _result(answer: CulpritAnswer) -> dict[str, Any]:
    conclusion = answer.conclusion
    return {
        "target": answer.target,
        "standing": conclusion.standing.value,
        "culprit": _commit(conclusion.culprit) if conclusion.culprit is not None else None,
        "before": conclusion.before.commit_id if conclusion.before is not None else None,
        "joins": [commit.commit_id for commit in conclusion.joins],
        "merges": [commit.commit_id for commit in conclusion.merges],
        "suspects": [commit.commit_id for commit in conclusion.suspects],
        "why": conclusion.why,
        "fault": answer.fault,
        "place": answer.place,
        "warnings": [
            {"place": entry.place, "option": entry.option, "message": entry.message} for entry in answer.warnings
        ],
        "log": answer.log_path,
        "builds": answer.build_count,
        "reused": answer.reused_count,
    }


def _commit(commit: Commit) -> dict[str, Any]:
    return {
        "id": commit.commit_id,
        "subject": commit.subject,
        "author": {"name": commit.author_name, "email": commit.author_email},
        "committed_at": commit.committed_at.strftime("%Y-%m-%dT%H:%M:%SZ"),
    }
