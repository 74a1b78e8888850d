"""
The facts of the pages for programs.

`facts.schema.json`, published beside them, is the contract; `format` rises when a reader of the old one would be
misled. Texts from outside come as they are: who shows them makes them safe. The file is ASCII.
"""

from __future__ import annotations

from datetime import date
from importlib.resources import files
from typing import Any

from gatekeep.model.change import Commit
from gatekeep.model.health import Beginning, Event, Health, Outlook, PortHealth, TargetHealth
from gatekeep.model.history import Sweep
from gatekeep.report.json_report import to_json
from gatekeep.report.site import names
from gatekeep.report.site.words import rfc3339

FACTS_FORMAT = 1


def render_facts(health: Health) -> str:
    """Render the facts as ASCII JSON, ended by a line feed."""
    return to_json(
        {
            "format": FACTS_FORMAT,
            "tree": health.tree,
            "branch": health.branch,
            "head": _commit(health.head),
            "commit_count": len(health.commits),
            "last_sweep": _last_sweep(health),
            "open_sweep": _open_sweep(health.open_sweep),
            "troubles": [
                {
                    "state": trouble.state.value,
                    "targets": list(trouble.targets),
                    "message": trouble.message,
                    "place": trouble.place or None,
                    "since": _beginning(trouble.beginning),
                    "waived_until": _day(trouble.waived_until),
                }
                for trouble in health.troubles
            ],
            "new_warnings": [
                {
                    "targets": list(one.targets),
                    "message": one.event.message,
                    "commit": one.event.cause.commit_id,
                    "proved": one.event.is_proved,
                    "told_at": rfc3339(one.event.told_at) if one.event.told_at is not None else None,
                }
                for one in health.warned
            ],
            "ports": [_port(health, port) for port in health.ports],
        },
        indent=None,
    )


def read_schema_text() -> str:
    """Give the JSON Schema of the facts, as it is published."""
    return (files("gatekeep.report") / "facts.schema.json").read_text(encoding="utf-8")


def _last_sweep(health: Health) -> dict[str, Any] | None:
    if health.swept is None or health.swept_at is None or health.swept_state is None:
        return None
    return {
        "commit": health.swept.commit_id,
        "ended_at": rfc3339(health.swept_at),
        "state": health.swept_state.value,
        "undecided": list(health.undecided),
    }


def _port(health: Health, port: PortHealth) -> dict[str, Any]:
    return {
        "name": port.port.name,
        "maintainers": [{"name": one.name, "email": one.email} for one in port.port.maintainers],
        "since": _day(port.port.since),
        "well": port.well_count,
        "page": names.port_page(port.port.name),
        "feed": names.feed_path(port.port.name),
        "targets": [_target(health, target) for target in port.targets],
    }


def _target(health: Health, target: TargetHealth) -> dict[str, Any]:
    evidence = target.evidence
    return {
        "name": target.name,
        "state": target.state.value,
        "since": _beginning(target.beginning),
        "message": target.message or None,
        "place": target.place or None,
        "regions": [
            {
                "name": use.name,
                "used_bytes": use.used_bytes,
                "capacity_bytes": use.capacity_bytes,
                "reserve_bytes": use.reserve_bytes,
                "flash": use.flash,
            }
            for use in (target.footprint.regions if target.footprint is not None else ())
        ],
        "measured_at": target.measured.commit_id if target.measured is not None else None,
        "warnings": len(evidence.warnings) if evidence is not None else None,
        "toolchain": target.target.toolchain.name,
        "toolchain_version": evidence.toolchain_version if evidence is not None else None,
        "built_at": rfc3339(evidence.started_at) if evidence is not None and evidence.started_at is not None else None,
        "waived_until": _day(target.waived_until),
        "commits_without_result": health.count_behind(target),
        "carried_wrongly": [
            {"commit": bar.commit_id, "found_at": rfc3339(bar.barred_at), "what": bar.what} for bar in target.bars
        ],
        "clean_build": {
            "commit": target.clean.commit.commit_id,
            "built_at": rfc3339(target.clean.built_at),
            "outcome": target.clean.outcome,
        }
        if target.clean is not None
        else None,
        "elapsed_s": round(evidence.elapsed_s, 3) if evidence is not None else None,
        "outlooks": [_outlook(outlook) for outlook in target.outlooks],
        "waivers": [
            {
                "name": waiver.name,
                "rule": waiver.rule.value,
                "since": waiver.since.isoformat(),
                "until": waiver.until.isoformat(),
                "reason": waiver.reason,
                "who": {"name": waiver.who.name, "email": waiver.who.email},
            }
            for waiver in target.waivers
        ],
        "events": [_event(event) for event in target.events],
        "page": names.target_page(target.name),
        "feed": names.feed_path(target.name),
        "badge": names.badge_path(target.name),
    }


def _beginning(beginning: Beginning | None) -> dict[str, Any] | None:
    if beginning is None:
        return None
    return {
        "commit": _commit(beginning.commit),
        "culprit": _commit(beginning.culprit) if beginning.culprit is not None else None,
        "unknown_before": beginning.unknown_count,
        "from_start": beginning.from_start,
        "proved": beginning.is_proved,
    }


def _event(event: Event) -> dict[str, Any]:
    return {
        "kind": event.kind.value,
        "commit": event.commit.commit_id,
        "culprit": event.culprit.commit_id if event.culprit is not None else None,
        "proved": event.is_proved,
        "unknown_before": event.unknown_count,
        "at": rfc3339(event.commit.committed_at),
        "message": event.message or None,
    }


def _day(day: date | None) -> str | None:
    return day.isoformat() if day is not None else None


def _open_sweep(sweep: Sweep | None) -> dict[str, Any] | None:
    if sweep is None:
        return None
    return {
        "commit": sweep.commit_id,
        "state": sweep.state.value,
        "began_at": rfc3339(sweep.started_at),
        "last_seen_at": rfc3339(sweep.seen_at) if sweep.seen_at is not None else None,
    }


def _outlook(outlook: Outlook) -> dict[str, Any]:
    return {
        "region": outlook.region,
        "bytes_per_day": list(outlook.bytes_per_day),
        "reached_on": outlook.reached_on.isoformat(),
        "early_on": outlook.early_on.isoformat(),
        "late_on": _day(outlook.late_on),
        "foretold_from": outlook.from_on.isoformat(),
        "has_passed": outlook.has_passed,
    }


def _commit(commit: Commit) -> dict[str, Any]:
    return {
        "id": commit.commit_id,
        "subject": commit.subject,
        "author": {"name": commit.author_name, "email": commit.author_email},
        "committed_at": rfc3339(commit.committed_at),
    }
