"""
Evidence to bytes and back.

The stored form is JSON, compressed with zlib and guarded by a SHA-256 of the compressed bytes: a flipped bit is
noticed, and never read as a smaller image or a missing warning. Text that is not UTF-8 (paths and log lines as git and
compilers give them) travels as escaped surrogates, which JSON carries.
"""

from __future__ import annotations

import hashlib
import json
import zlib
from dataclasses import replace
from datetime import datetime
from typing import Any, assert_never

from gatekeep.errors import StoreError
from gatekeep.model.evidence import (
    Artifact,
    Broken,
    Built,
    Diagnostic,
    Evidence,
    Footprint,
    NotDecided,
    Outcome,
    Outgrown,
    Overflow,
    RegionUse,
    Severity,
    Speaker,
    TimedOut,
    Try,
)

Json = dict[str, Any]


def mark(payload: bytes) -> str:
    """Give the mark by which a result knows its read set or detail, which lie in tables of their own: 16 hex digits."""
    return hashlib.sha256(payload).hexdigest()[:16]


def seal_carried(carried_to: str, *, tree_id: str, target: str, key: str) -> int:
    """
    Give the seal of a carried result: the CRC-32 of the tree that it was carried to and the build that it came from.

    Against bytes that change by themselves, not against people: who can write the store can write anything into it.
    """
    return zlib.crc32("\0".join((carried_to, tree_id, target, key)).encode("utf-8", "surrogateescape"))


def encode_evidence(evidence: Evidence, *, read_set: bytes | None = None, detail: bytes = b"") -> bytes:
    """
    Give the stored form of all but the footprint's sections and symbols, the read set, and where it was carried from.

    32 bytes of SHA-256, then zlib-compressed JSON.

    Args:
        evidence: The result.
        read_set: The stored form of its read set, None where it has none.
        detail: The stored form of its sections and symbols, empty where it has none.
    """
    document: Json = {
        "target": evidence.target,
        "tree_id": evidence.tree_id,
        "commit_id": evidence.commit_id,
        "key": evidence.key,
        "toolchain_version": evidence.toolchain_version,
        "outcome": _encode_outcome(evidence.outcome),
        "diagnostics": [_encode_diagnostic(entry) for entry in evidence.diagnostics],
        "elapsed_s": evidence.elapsed_s,
        "started_at": evidence.started_at.isoformat() if evidence.started_at else None,
        "log_path": evidence.log_path,
        "log_cut": evidence.log_cut,
        "log_sha256": evidence.log_sha256,
        "touched": list(evidence.touched),
        "read_set": mark(read_set) if read_set is not None else "",
        "detail": mark(detail) if detail else "",
    }
    return _seal(document)


def encode_detail(footprint: Footprint | None) -> bytes:
    """Give the stored form of a footprint's sections and symbols: most of it, and seldom needed."""
    if footprint is None:
        return b""
    return _seal({"sections": footprint.sections, "symbols": footprint.symbols})


def decode_detail(footprint: Footprint, payload: bytes) -> Footprint:
    """
    Give a footprint its sections and symbols back.

    Raises:
        StoreError: The bytes are damaged, or hold something else.
    """
    document = _open(payload)
    try:
        return replace(
            footprint,
            sections=tuple((name, amount) for name, amount in document["sections"]),
            symbols=tuple((name, amount) for name, amount in document["symbols"]),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise _unreadable(error) from error


def _seal(document: Json) -> bytes:
    body = zlib.compress(json.dumps(document, separators=(",", ":"), ensure_ascii=True).encode("ascii"), 6)
    return hashlib.sha256(body).digest() + body


def _open(payload: bytes) -> Json:
    if not isinstance(payload, bytes):  # a damaged file of SQLite gives a number where there were bytes
        raise StoreError("stored evidence is damaged: it is no longer of bytes; restore the store from a copy")
    digest, body = payload[:32], payload[32:]
    if hashlib.sha256(body).digest() != digest:
        raise StoreError("stored evidence is damaged: its checksum does not fit; restore the store from a copy")
    try:
        document = json.loads(zlib.decompress(body))
    except (ValueError, zlib.error) as error:
        raise _unreadable(error) from error
    if not isinstance(document, dict):
        raise StoreError("stored evidence cannot be read: it is no object; it was written by another version")
    return document


def _unreadable(error: Exception) -> StoreError:
    return StoreError(f"stored evidence cannot be read: {error}; it was written by another version")


def decode_evidence(payload: bytes) -> Evidence:
    """
    Read the stored form; sections, symbols and read set are not in it.

    Raises:
        StoreError: The bytes are damaged, or hold something else.
    """
    return decode_marked(payload)[0]


def decode_marked(payload: bytes) -> tuple[Evidence, str | None, str | None]:
    """
    Read the stored form, and the marks of its read set and its detail.

    Returns:
        A mark is empty where there is none to be, and None in a result that was stored before there were marks.

    Raises:
        StoreError: The bytes are damaged, or hold something else.
    """
    document = _open(payload)
    return _decode(document), document.get("read_set"), document.get("detail")


def _decode(document: Json) -> Evidence:
    try:
        return Evidence(
            target=document["target"],
            tree_id=document["tree_id"],
            commit_id=document["commit_id"],
            key=document["key"],
            toolchain_version=document["toolchain_version"],
            outcome=_decode_outcome(document["outcome"]),
            diagnostics=tuple(_decode_diagnostic(entry) for entry in document["diagnostics"]),
            elapsed_s=document["elapsed_s"],
            started_at=datetime.fromisoformat(document["started_at"]) if document["started_at"] else None,
            log_path=document["log_path"],
            log_cut=document["log_cut"],
            # Results of earlier days have none.
            log_sha256=document.get("log_sha256"),
            touched=tuple(document["touched"]),
        )
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise _unreadable(error) from error


def _encode_outcome(outcome: Outcome) -> Json:
    match outcome:
        case Built():
            artifacts = [[entry.kind, entry.name, entry.size_bytes, entry.sha256] for entry in outcome.artifacts]
            return {
                "is": "built",
                "footprint": _encode_footprint(outcome.footprint),
                "artifacts": artifacts,
                "booted_s": outcome.booted_s,
            }
        case Broken():
            first = _encode_diagnostic(outcome.first_error) if outcome.first_error else None
            return {"is": "broken", "message": outcome.message, "first": first, "excerpt": list(outcome.excerpt)}
        case Outgrown():
            return {
                "is": "outgrown",
                "overflows": [[entry.region, entry.over_bytes] for entry in outcome.overflows],
                "footprint": _encode_footprint(outcome.footprint) if outcome.footprint is not None else None,
                "message": outcome.message,
                "excerpt": list(outcome.excerpt),
            }
        case TimedOut():
            return {
                "is": "timed out",
                "limit_s": outcome.limit_s,
                "stopped_by": outcome.stopped_by,
                "excerpt": list(outcome.excerpt),
            }
        case NotDecided():
            return {
                "is": "not decided",
                "message": outcome.message,
                "hint": outcome.hint,
                "tries": [
                    [entry.outcome, entry.message, entry.log_path, list(entry.excerpt)] for entry in outcome.tries
                ],
            }
        case _:
            assert_never(outcome)


def _decode_outcome(document: Json) -> Outcome:
    match document["is"]:
        case "built":
            artifacts = tuple(
                Artifact(kind=kind, name=name, size_bytes=size_bytes, sha256=sha256)
                for kind, name, size_bytes, sha256 in document["artifacts"]
            )
            return Built(
                footprint=_decode_footprint(document["footprint"]),
                artifacts=artifacts,
                # Absent in what was stored before there were boots.
                booted_s=document.get("booted_s"),
            )
        case "broken":
            first = _decode_diagnostic(document["first"]) if document["first"] else None
            return Broken(message=document["message"], first_error=first, excerpt=tuple(document["excerpt"]))
        case "outgrown":
            return Outgrown(
                overflows=tuple(Overflow(region=region, over_bytes=over) for region, over in document["overflows"]),
                footprint=_decode_footprint(document["footprint"]) if document["footprint"] is not None else None,
                message=document["message"],
                excerpt=tuple(document["excerpt"]),
            )
        case "timed out":
            return TimedOut(
                limit_s=document["limit_s"], stopped_by=document["stopped_by"], excerpt=tuple(document["excerpt"])
            )
        case "not decided":
            tries = tuple(
                Try(outcome=name, message=message, log_path=log_path, excerpt=tuple(excerpt))
                for name, message, log_path, excerpt in document.get("tries", ())
            )
            return NotDecided(message=document["message"], hint=document["hint"], tries=tries)
        case other:
            raise ValueError(f"unknown outcome {other!r}")


def _encode_footprint(footprint: Footprint) -> list[list[Any]]:
    return [[use.name, use.used_bytes, use.capacity_bytes, use.reserve_bytes, use.flash] for use in footprint.regions]


def _decode_footprint(document: list[list[Any]]) -> Footprint:
    return Footprint(
        regions=tuple(
            RegionUse(name=name, used_bytes=used, capacity_bytes=capacity, reserve_bytes=reserve, flash=flash)
            for name, used, capacity, reserve, flash in document
        )
    )


def _encode_diagnostic(entry: Diagnostic) -> list[Any]:
    return [
        entry.severity.value,
        entry.speaker.value,
        entry.message,
        entry.path,
        entry.line,
        entry.column,
        entry.option,
        entry.excerpt,
    ]


def _decode_diagnostic(document: list[Any]) -> Diagnostic:
    severity, speaker, message, path, line, column, option, excerpt = document
    return Diagnostic(
        severity=Severity(severity),
        speaker=Speaker(speaker),
        message=message,
        path=path,
        line=line,
        column=column,
        option=option,
        excerpt=excerpt,
    )
