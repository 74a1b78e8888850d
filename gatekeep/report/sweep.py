"""
What a sweep found, for people and for machines.

`sweep.schema.json` beside this file is the contract of the JSON; `format` rises when a reader of the old one would be
misled.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import replace
from datetime import datetime
from typing import Any

import gatekeep
from gatekeep.model.audit import Standing
from gatekeep.model.change import Commit
from gatekeep.model.culprit import CulpritAnswer
from gatekeep.model.evidence import Evidence, name_outcome
from gatekeep.model.history import SweepState
from gatekeep.model.sweep import GRAVE, SweepReport
from gatekeep.model.verdict import Decision, Judgement, Reason, Rule, Verdict
from gatekeep.report.audit import iter_audit_cause
from gatekeep.report.json_report import to_json, waiver_json
from gatekeep.report.layout import wrap_words
from gatekeep.report.plain import plain
from gatekeep.report.terminal import iter_reason_lines
from gatekeep.report.wording import count, say_waivers

#: Raise it when a reader of the old format would be misled by the new one.
SWEEP_FORMAT = 1
_INDENT = "    "
_LEAST_WIDTH, _MOST_WIDTH = 40, 120
#: RFC 5322, section 2.1.1: a line of a mail should be no longer than 78 characters.
_MAIL_WIDTH = 76
_NAMED = 8
_COLOURS = {Decision.PASS: "\x1b[1;32m", Decision.BLOCK: "\x1b[1;31m", Decision.UNDECIDED: "\x1b[1;33m"}
_RESET = "\x1b[0m"
_NEW_WORDS = (
    (Rule.BROKEN, "newly broken"),
    (Rule.OUTGROWN, "newly outgrown"),
    (Rule.TIMED_OUT, "newly past the time limit"),
    (Rule.RESERVE, "newly in the reserve"),
    (Rule.NEW_WARNING, "with new warnings"),
)


def render_sweep(report: SweepReport, *, colour: bool, width: int) -> str:
    """
    Render a sweep for people at a terminal.

    Args:
        report: What was found.
        colour: Paint what stands out; nothing is said by colour alone.
        width: Cells a line may take, held between 40 and 120.

    Returns:
        Lines ended by a line feed: what was swept, what is as before, what is waived or mended, every cause that is
        new, and in the last line the sum. Holds no control characters from outside.
    """
    cells = max(_LEAST_WIDTH, min(width, _MOST_WIDTH))
    findings = report.findings
    judgement = _as_judgement(report)
    lines = [*_iter_header(report, cells)]
    if findings.standing:
        lines += ["", "as before:"]
        for reason in findings.standing:
            text = f"{reason.whom.removesuffix(',')}: {_say_cause(reason)}"
            lines += _wrap(text, cells, first=_INDENT, rest=_INDENT * 2)
    if findings.waived:
        lines += ["", "waived:"]
        for reason in findings.waived:
            text = f"{reason.whom.removesuffix(',')}: {_say_cause(reason)}; {reason.details[-1]}"
            lines += _wrap(text, cells, first=_INDENT, rest=_INDENT * 2)
    if due := say_waivers(findings.waivers):
        lines += ["", "waivers:"]
        for text in due:
            lines += _wrap(text, cells, first=_INDENT, rest=_INDENT * 2)
    if findings.mended:
        lines += ["", *_wrap(f"mended: {_name(findings.mended)}", cells, rest=_INDENT)]
    if findings.gone:
        lines += ["", *_wrap(f"in the matrix no more: {_name(findings.gone)}", cells, rest=_INDENT)]
    for cause in report.audit.causes:
        if cause.standing is not Standing.NOT_DECIDED:
            lines += ["", *iter_audit_cause(cause, cells)]
    lines += iter_reason_lines(judgement, findings.undecided, colour=colour, width=cells)
    for reason in _gravest_last(findings.reasons):
        lines += iter_reason_lines(judgement, [reason], colour=colour, width=cells)
        for text in _say_people(report, reason):
            lines += _wrap(text, cells, first=_INDENT, rest=_INDENT * 2)
    total = f"sweep: {say_sum(report)}"
    lines += ["", f"{_COLOURS[report.decision]}{total}{_RESET}" if colour else total]
    return "".join(f"{line.rstrip()}\n" for line in lines)


def render_mail(report: SweepReport) -> str:
    """
    Render a sweep as the text of a mail.

    Returns:
        First one line that may serve as the subject, then an empty one, then the report in lines of 76 cells.
    """
    subject = plain(f"{report.matrix.tree} {report.commit.short_id}: {say_sum(report)}")
    return f"{subject}\n\n{render_sweep(report, colour=False, width=_MAIL_WIDTH)}"


def say_sum(report: SweepReport) -> str:
    """Word the whole: `2 targets newly broken, 1 mended; 3 as bad as before`, or `all 24 targets are well`."""
    findings = report.findings
    parts = [f"{number} {words}" for rule, words in _NEW_WORDS if (number := findings.count_targets(rule))]
    if findings.mended:
        parts.append(f"{len(findings.mended)} mended")
    rest = []
    if standing := _count_targets(findings.standing):
        rest.append(f"{standing} as bad as before")
    if waived := _count_targets(findings.waived):
        rest.append(f"{waived} waived")
    undecided = _count_targets(findings.undecided)
    if undecided and parts:
        rest.append(f"{undecided} undecided")
    if wrong := len(report.audit.select(Standing.MISMATCH)):
        rest.append(f"{count(wrong, 'result')} carried wrongly before")
    if undecided and not parts:
        # A night that found nothing because it could not look is not told as one that found nothing.
        return "; ".join((_say_undecided(undecided, len(report.matrix.targets)), *filter(None, [", ".join(rest)])))
    if not parts and not rest:
        number = len(report.matrix.targets)
        return {1: "the only target is well", 2: "both targets are well"}.get(number, f"all {number} targets are well")
    if parts:
        # The first figure says what is counted.
        figure, _, words = parts[0].partition(" ")
        parts[0] = f"{count(int(figure), 'target')} {words}"
    return "; ".join(filter(None, (", ".join(parts) or "nothing new", ", ".join(rest))))


def _say_undecided(undecided: int, number: int) -> str:
    if undecided < number:
        return f"{undecided} of {number} targets undecided, nothing new in the others"
    return (
        "undecided: the only target was not built" if number == 1 else f"undecided: none of {number} targets was built"
    )


def _iter_header(report: SweepReport, width: int) -> Iterator[str]:
    commit, sweep, base = report.commit, report.sweep, report.change.base
    yield from _wrap(f"{report.matrix.tree} at commit {_say_commit(commit)}", width, rest=_INDENT)
    known = f", {report.known_count} in an earlier run of this sweep" if report.known_count else ""
    yield from _wrap(
        f"sweep {sweep.sweep_id}: {count(len(report.matrix.targets), 'target')}, {report.built_count} built now{known}",
        width,
        rest=_INDENT,
    )
    if not report.findings.known_before:
        yield from _wrap("no sweep before this one: all that is wrong is told as new", width, rest=_INDENT)
    elif base.commit_id == commit.commit_id:
        yield from _wrap("compared with an earlier sweep of the same commit", width, rest=_INDENT)
    else:
        yield from _wrap(
            f"compared with commit {_say_commit(base)}, {count(report.change.commit_count, 'commit')} before",
            width,
            rest=_INDENT,
        )
    audited = [result for result in report.audit.results if result.carried is not None]
    if audited:
        equal = sum(result.standing is Standing.EQUAL for result in audited)
        yield from _wrap(
            f"the gates had carried {count(len(audited), 'result')} to this tree: {equal} equal to the clean build",
            width,
            rest=_INDENT,
        )
    for remark in report.remarks:
        yield from _wrap(remark, width, rest=_INDENT)


def _as_judgement(report: SweepReport) -> Judgement:
    """The terminal's reasons are those of a judgement; only its change and its matrix are looked at."""
    verdict = Verdict(
        decision=report.decision, reasons=report.findings.reasons, notices=(), deltas=(), new_warning_count=0
    )
    # A culprit is always named, also where it is the very commit that was compared with.
    base = replace(report.change.base, commit_id="")
    return Judgement(
        change=replace(report.change, base=base, commits=(report.change.base, *report.change.commits)),
        matrix=report.matrix,
        evidence=(),
        verdict=verdict,
        reused_count=0,
        judged_on=report.judged_on,
    )


def to_judgement(report: SweepReport) -> Judgement:
    """
    Give a sweep in the form of a change from what it was compared with to the swept commit, for the reports that
    machines read of both.

    Returns:
        What is newly without a good image blocks, as it does for the sweep; what else is new is only shown, and so is
        what was so before, told of the commit that was compared with.
    """
    findings, base_id = report.findings, report.change.base.commit_id
    new = tuple(replace(reason, blocks=reason.rule in GRAVE) for reason in findings.reasons)
    standing = tuple(replace(reason, blocks=False, commit_id=base_id) for reason in findings.standing)
    verdict = Verdict(
        decision=report.decision,
        reasons=(*(reason for reason in new if reason.blocks), *findings.undecided),
        notices=(*(reason for reason in new if not reason.blocks), *standing),
        deltas=(),
        new_warning_count=sum(reason.rule is Rule.NEW_WARNING for reason in new),
        waived=findings.waived,
        waivers=findings.waivers,
    )
    return Judgement(
        change=report.change,
        matrix=report.matrix,
        evidence=report.evidence,
        verdict=verdict,
        reused_count=report.known_count,
        judged_on=report.judged_on,
    )


def _say_people(report: SweepReport, reason: Reason) -> Iterator[str]:
    """Who did it, and who cares for what it hit: whom a mail of the night is for."""
    culprit = next((one for one in report.change.commits if one.commit_id == reason.commit_id), None)
    if culprit is not None:
        yield f"by {_say_person(culprit.author_name, culprit.author_email)}"
    ports = {target.port for target in report.matrix.targets if target.name in reason.targets}
    cared = {
        port.name: tuple(_say_person(one.name, one.email) for one in port.maintainers)
        for port in report.matrix.ports
        if port.name in ports
    }
    for people in dict.fromkeys(cared.values()):
        if people:
            names = [name for name, others in cared.items() if others == people]
            yield f"cared for by {', '.join(people)} ({_name(names)})"


def _say_person(name: str, email: str | None) -> str:
    return " ".join(part for part in (name or "nobody named", f"<{email}>" if email else "") if part)


def _gravest_last(reasons: tuple[Reason, ...]) -> list[Reason]:
    """What is read first stands next to the last line."""
    order = [rule for rule, _ in _NEW_WORDS]
    return sorted(reasons, key=lambda reason: -order.index(reason.rule) if reason.rule in order else 0)


def _say_cause(reason: Reason) -> str:
    place = f" at {reason.place}" if reason.place else ""
    return f"{reason.message.removesuffix(' (so at the base already)')}{place}"


def _say_commit(commit: Commit) -> str:
    return f"{commit.short_id} ({commit.subject})" if commit.subject else commit.short_id


def _name(names: Collection[str]) -> str:
    more = len(names) - _NAMED
    shown = ", ".join([*names][:_NAMED])
    return f"{shown} and {more} more" if more > 0 else shown


def _count_targets(reasons: tuple[Reason, ...]) -> int:
    return len({name for reason in reasons for name in reason.targets})


def _wrap(text: str, width: int, *, first: str = "", rest: str) -> Iterator[str]:
    indent = first
    for words in wrap_words(plain(text).split(" "), width - max(len(first), len(rest))):
        yield indent + " ".join(words)
        indent = rest


def render_sweep_json(report: SweepReport) -> str:
    """
    Render a sweep for machines.

    Returns:
        ASCII JSON that `sweep.schema.json` describes, ended by a line feed.
    """
    findings, sweep = report.findings, report.sweep
    return to_json(
        {
            "format": SWEEP_FORMAT,
            "tool": {"name": "gatekeep", "version": gatekeep.__version__},
            "tree": report.matrix.tree,
            "sweep": sweep.sweep_id,
            "started_at": _time(sweep.started_at),
            "finished_at": _time(sweep.finished_at) if sweep.finished_at is not None else None,
            "complete": sweep.state is SweepState.FINISHED,
            "commit": _commit(report.commit),
            "compared_with": _commit(report.change.base) if findings.known_before else None,
            "commits_between": report.change.commit_count,
            "verdict": report.decision.value,
            "sum": say_sum(report),
            "built": report.built_count,
            "built_before": report.known_count,
            "results": [_result(entry) for entry in report.evidence],
            "new": [{**_reason(reason), "maintainers": _maintainers(report, reason)} for reason in findings.reasons],
            "as_before": [_reason(reason) for reason in findings.standing],
            "undecided": [_reason(reason) for reason in findings.undecided],
            "waived": [_reason(reason) for reason in findings.waived],
            "waivers": [waiver_json(use) for use in findings.waivers],
            "judged_on": report.judged_on.isoformat(),
            "mended": list(findings.mended),
            "gone": list(findings.gone),
            "culprits": [_culprit(answer) for answer in report.culprits],
            "audit": [
                {"target": result.target, "standing": result.standing.value, "notes": list(result.notes)}
                for result in report.audit.results
            ],
            "remarks": list(report.remarks),
        }
    )


def _commit(commit: Commit) -> dict[str, Any]:
    return {
        "id": commit.commit_id,
        "tree": commit.tree_id,
        "subject": commit.subject,
        "author": {"name": commit.author_name, "email": commit.author_email},
        "committed_at": _time(commit.committed_at),
    }


def _result(entry: Evidence) -> dict[str, Any]:
    return {
        "target": entry.target,
        "outcome": name_outcome(entry.outcome),
        "regions": [
            {"name": use.name, "used_bytes": use.used_bytes, "capacity_bytes": use.capacity_bytes}
            for use in (entry.footprint.regions if entry.footprint is not None else ())
        ],
        "warnings": len(entry.warnings),
        "elapsed_s": round(entry.elapsed_s, 3),
        "log": entry.log_path,
    }


def _reason(reason: Reason) -> dict[str, Any]:
    return {
        "rule": reason.rule.value,
        "culprit": reason.commit_id,
        "targets": list(reason.targets),
        "whom": reason.whom,
        "message": reason.message.removesuffix(" (so at the base already)"),
        "place": reason.place or None,
        "details": list(reason.details),
        "excerpt": list(reason.excerpt),
        "logs": list(reason.log_paths),
        "waiver": reason.waiver or None,
    }


def _maintainers(report: SweepReport, reason: Reason) -> list[dict[str, Any]]:
    ports = {target.port for target in report.matrix.targets if target.name in reason.targets}
    return [
        {"port": port.name, "name": one.name, "email": one.email}
        for port in report.matrix.ports
        if port.name in ports
        for one in port.maintainers
    ]


def _culprit(answer: CulpritAnswer) -> dict[str, Any]:
    found = answer.conclusion
    return {
        "target": answer.target,
        "good": answer.good.commit_id,
        "bad": answer.bad.commit_id,
        "standing": found.standing.value,
        "culprit": _commit(found.culprit) if found.culprit is not None else None,
        "merges": [commit.commit_id for commit in found.merges],
        "suspects": [commit.commit_id for commit in found.suspects],
        "why": found.why or None,
        "builds": answer.build_count,
        "reused": answer.reused_count,
    }


def _time(moment: datetime) -> str:
    return moment.isoformat(timespec="seconds").replace("+00:00", "Z")
