"""
The report for machines.

`report.schema.json` beside this file is the contract; `format` rises when a reader of the old one would be misled.
Texts from outside come as they are, control characters included: who shows them makes them safe. The file itself is
ASCII, so that nothing in it steers a terminal. A lone surrogate (a byte that was not UTF-8) becomes a visible escape,
since JSON texts are to be Unicode.

Source: RFC 8259 (JSON), section 8.2, and RFC 7493 (I-JSON), section 2.1, on surrogates; RFC 3339 for times.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import gatekeep
from gatekeep.model.change import Commit, Conflict
from gatekeep.model.evidence import (
    Broken,
    Built,
    Diagnostic,
    Evidence,
    RegionUse,
    Severity,
    name_outcome,
)
from gatekeep.model.verdict import Judgement, Reason, RegionDelta
from gatekeep.model.waiver import WaiverUse
from gatekeep.report.wording import commits_by_tree, put_in_order, say_outcome

#: Raise it when a reader of the old format would be misled by the new one.
REPORT_FORMAT = 1


def render_json(judgement: Judgement) -> str:
    """
    Render the report for machines.

    Returns:
        ASCII JSON that `report.schema.json` describes, ended by a line feed.
    """
    ordered = put_in_order(judgement)
    change, verdict = ordered.change, ordered.verdict
    by_tree = commits_by_tree(change)
    report = {
        "format": REPORT_FORMAT,
        "tool": {"name": "gatekeep", "version": gatekeep.__version__},
        "tree": ordered.matrix.tree,
        "matrix": ordered.matrix.path,
        "change": {
            "base": _commit(change.base),
            "head": _commit(change.head),
            "commit_count": change.commit_count,
            "commits": [_commit(commit) for commit in change.commits],
            "forks": [_commit(fork) for fork in dict.fromkeys(change.forks.values())],
            "merge": _merge(change.merge),
        },
        "verdict": verdict.decision.value,
        "reasons": [reason_json(reason) for reason in verdict.reasons],
        "notices": [reason_json(reason) for reason in verdict.notices],
        "waived": [reason_json(reason) for reason in verdict.waived],
        "waivers": [waiver_json(use) for use in verdict.waivers],
        "approved": [reason_json(reason) for reason in verdict.approved],
        "approvals": [
            {
                "source": check.source,
                "approver": check.approver,
                "fingerprint": check.fingerprint or None,
                "why": check.why or None,
            }
            for check in verdict.approvals
        ],
        "judged_on": ordered.judged_on.isoformat(),
        "new_warnings": verdict.new_warning_count,
        "reused": ordered.reused_count,
        "carried": ordered.carried_count,
        "results": [_result(evidence, by_tree) for evidence in ordered.evidence],
        "deltas": [_delta(delta) for delta in verdict.deltas],
    }
    return to_json(report)


def to_json(report: dict[str, Any], *, indent: int | None = 2) -> str:
    """Give the text of a report: ASCII, ended by a line feed; without indent on one line, in a tenth of the time."""
    # json.dumps leaves DEL as it is, the one ASCII control that RFC 8259 does not ask to escape.
    text = json.dumps(report, indent=indent, allow_nan=False)
    if "\\ud" in text:
        # Perhaps half a pair, which no reader of JSON has to take; to look at each value takes as long as all the rest.
        text = json.dumps(_without_surrogates(report), indent=indent, allow_nan=False)
    return text.replace("\x7f", "\\u007f") + "\n"


def _commit(commit: Commit) -> dict[str, Any]:
    return {
        "id": commit.commit_id,
        "tree": commit.tree_id,
        "subject": commit.subject,
        "author": {"name": commit.author_name, "email": commit.author_email},
        "committed_at": _time(commit.committed_at),
    }


def _merge(merge: Commit | Conflict | None) -> dict[str, Any] | None:
    match merge:
        case None:
            return None
        case Conflict():
            return {"commit": None, "conflicts": list(merge.paths)}
        case Commit():
            return {"commit": _commit(merge), "conflicts": []}


def reason_json(reason: Reason) -> dict[str, Any]:
    """Give a reason as `report.schema.json` describes it; every report for machines tells it so."""
    return {
        "rule": reason.rule.value,
        "commit": reason.commit_id,
        "targets": list(reason.targets),
        "whom": reason.whom,
        "message": reason.message,
        "place": reason.place or None,
        "details": list(reason.details),
        "excerpt": list(reason.excerpt),
        "logs": list(reason.log_paths),
        "blocks": reason.blocks,
        "waiver": reason.waiver or None,
        "approved_by": list(reason.approved_by),
    }


def waiver_json(use: WaiverUse) -> dict[str, Any]:
    """Give a waiver as reports for machines have it."""
    waiver = use.waiver
    return {
        "name": waiver.name,
        "rule": waiver.rule.value,
        "targets": list(waiver.targets),
        "reason": waiver.reason,
        "who": {"name": waiver.who.name, "email": waiver.who.email},
        "since": waiver.since.isoformat(),
        "until": waiver.until.isoformat(),
        "standing": use.standing.value,
        "days_left": use.days_left,
        "place": str(waiver.place),
    }


def _result(evidence: Evidence, by_tree: dict[str, Commit]) -> dict[str, Any]:
    first_error = evidence.outcome.first_error if isinstance(evidence.outcome, Broken) else None
    commit = by_tree.get(evidence.tree_id)
    return {
        "target": evidence.target,
        "commit": commit.commit_id if commit is not None else evidence.commit_id,
        "tree": evidence.tree_id,
        "outcome": name_outcome(evidence.outcome),
        "message": say_outcome(evidence.outcome),
        "first_error": _diagnostic(first_error) if first_error is not None else None,
        "regions": [_region(use) for use in evidence.footprint.regions] if evidence.footprint is not None else [],
        "warnings": len(evidence.warnings),
        "errors": sum(diagnostic.severity is Severity.ERROR for diagnostic in evidence.diagnostics),
        # Milliseconds: what a clock on a busy machine can mean.
        "elapsed_s": round(evidence.elapsed_s, 3),
        "booted_s": _booted_s(evidence),
        "started_at": _time(evidence.started_at) if evidence.started_at is not None else None,
        "log": evidence.log_path,
        "log_cut": evidence.log_cut,
        "toolchain_version": evidence.toolchain_version,
        "touched": list(evidence.touched),
        "built_because": evidence.reason or None,
        "carried_from": {"commit": evidence.carried.commit_id, "tree": evidence.carried.tree_id, "key": evidence.key}
        if evidence.carried is not None
        else None,
    }


def _booted_s(evidence: Evidence) -> float | None:
    booted_s = evidence.outcome.booted_s if isinstance(evidence.outcome, Built) else None
    return None if booted_s is None else round(booted_s, 3)


def _diagnostic(diagnostic: Diagnostic) -> dict[str, Any]:
    return {
        "speaker": diagnostic.speaker.value,
        "message": diagnostic.message,
        "path": diagnostic.path,
        "line": diagnostic.line,
        "column": diagnostic.column,
        "option": diagnostic.option,
    }


def _region(use: RegionUse) -> dict[str, Any]:
    return {
        "name": use.name,
        "used_bytes": use.used_bytes,
        "capacity_bytes": use.capacity_bytes,
        "reserve_bytes": use.reserve_bytes,
        "flash": use.flash,
    }


def _delta(delta: RegionDelta) -> dict[str, Any]:
    return {
        "target": delta.target,
        "region": delta.region,
        "base_used_bytes": delta.base_used_bytes,
        "head_used_bytes": delta.head_used_bytes,
        "delta_bytes": delta.delta_bytes,
        "capacity_bytes": delta.capacity_bytes,
    }


def _time(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def _without_surrogates(value: Any) -> Any:  # noqa: ANN401 - JSON values are any
    if isinstance(value, str):
        return value if value.isascii() else value.encode("utf-8", "backslashreplace").decode("utf-8")
    if isinstance(value, list):
        return [_without_surrogates(entry) for entry in value]
    if isinstance(value, dict):
        return {key: _without_surrogates(entry) for key, entry in value.items()}
    return value
