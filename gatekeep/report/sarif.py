"""
The findings as a SARIF log, for viewers and for hosts that show results beside the code.

One result a cause, as everywhere: what a shared header does to twenty targets is one result with twenty targets in its
properties. Messages are fit to be shown (`report.plain`) and hold no link that is not ours; the same facts stand
unchanged in the properties, as in the JSON report. What could not be decided is no result: it makes the invocation
unsuccessful, and a notification says why.

Source: OASIS, "Static Analysis Results Interchange Format (SARIF) Version 2.1.0"; sections are named where they rule,
their numbers from memory.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from typing import Any
from urllib.parse import quote
from uuid import UUID, uuid5

import gatekeep
from gatekeep.model.change import Conflict
from gatekeep.model.evidence import Broken, Diagnostic
from gatekeep.model.matrix import Place
from gatekeep.model.rule import Rule
from gatekeep.model.verdict import Decision, Judgement, Reason
from gatekeep.report.json_report import reason_json, to_json
from gatekeep.report.layout import shorten
from gatekeep.report.plain import plain
from gatekeep.report.wording import commits_by_id, put_in_order, say_reason, say_verdict

VERSION = "2.1.0"
SCHEMA = "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"
#: Section 3.14.14: what relative URIs are relative to. Neither folder outlives a build, so neither has a URI.
_TREE, _OUT = "TREE", "OUT"
_BASES = {_TREE: "The root of the firmware tree.", _OUT: "The output folder of a build."}
_OUT_PREFIX = "<out>/"
#: Made for this purpose alone; a tree has a name and no address.
_NAMESPACE = UUID("0c6a0f1e-5f0b-4d0e-9a53-6f0f2a6d7b42")
_MESSAGE_CELLS = 4000
_DETAILS_SHOWN = 20

_RULE_WORDS = {
    Rule.BROKEN: "A target does not build.",
    Rule.OUTGROWN: "An image is larger than its region of the flash part.",
    Rule.RESERVE: "An image grows into the reserve of its region.",
    Rule.GROWTH: "An image grows by more than one change may.",
    Rule.NEW_WARNING: "A compiler, assembler or linker warns of what it did not warn of at the base.",
    Rule.TIMED_OUT: "A build runs past its time limit.",
    Rule.PREBUILT: "What was measured as a target's image is a file of the tree, byte for byte.",
    Rule.UNCLAIMED_BOARD: "A board is in the tree, and no target of the matrix builds it.",
    Rule.DROPPED_TARGET: "A change drops a target from the matrix that judges it.",
    Rule.LOOSENED: "A change loosens the rules that judge it.",
    Rule.MATRIX: "The matrix is wrong.",
    Rule.CONFLICT: "The change cannot be merged onto its base without a person.",
    Rule.WROTE_IN_TREE: "A build writes into the source tree, and its recipe does not say so.",
    Rule.UNDECIDED: "Something could not be judged: the machine's fault, not the code's.",
}
# Undecided is told by a notification, and so has its descriptor there (section 3.19.23 and 3.19.24).
_RULES = tuple(rule for rule in Rule if rule is not Rule.UNDECIDED)
_RULE_INDEX: dict[Rule, int] = {rule: index for index, rule in enumerate(_RULES)}

_LINE = re.compile(r"[1-9][0-9]{0,8}")
_NUMBER = re.compile(r"[0-9]+")


def render_sarif(judgement: Judgement) -> str:
    """
    Render the findings as a SARIF log of one run.

    Returns:
        ASCII JSON of SARIF 2.1.0, ended by a line feed. Results are what blocks (level error), what the change brings
        and does not block (warning), what was so at the base (note), and what is waived or approved (suppressed).
    """
    return to_json({"$schema": SCHEMA, "version": VERSION, "runs": [_Run(put_in_order(judgement)).render()]})


class _Run:
    """One run on its way to JSON; artifacts are listed as results name them."""

    def __init__(self, judgement: Judgement) -> None:
        self._judgement = judgement
        self._commits = commits_by_id(judgement.change)
        self._waivers = {use.waiver.name: use.waiver for use in judgement.verdict.waivers}
        self._artifacts: dict[tuple[str, str | None], int] = {}
        self._diagnostics = dict(_iter_diagnostics(judgement))

    def render(self) -> dict[str, Any]:
        """Give the run object."""
        change, verdict = self._judgement.change, self._judgement.verdict
        tree = self._judgement.matrix.tree
        undecided = [reason for reason in verdict.reasons if reason.rule is Rule.UNDECIDED]
        blocking = [reason for reason in verdict.reasons if reason.rule is not Rule.UNDECIDED]
        results = [self._result(reason) for reason in (*blocking, *verdict.waived, *verdict.approved, *verdict.notices)]
        return {
            "tool": {"driver": _driver()},
            "automationDetails": {"id": f"gatekeep/{quote(_to_bytes(tree), safe='')}/"},
            "invocations": [
                {
                    # Section 3.20.14: whether the engineering system may rely on the results as complete.
                    "executionSuccessful": not undecided and verdict.decision is not Decision.UNDECIDED,
                    "exitCode": verdict.decision.exit_code,
                    "exitCodeDescription": say_verdict(verdict),
                    "toolExecutionNotifications": [self._notification(reason) for reason in undecided],
                }
            ],
            "versionControlProvenance": [
                {
                    # Section 3.23.3 wants an absolute URI; a repository that is judged on this machine has no address
                    # that would mean the same elsewhere, so this names the tree.
                    "repositoryUri": uuid5(_NAMESPACE, quote(_to_bytes(tree))).urn,
                    "revisionId": change.head.commit_id,
                    "mappedTo": {"uriBaseId": _TREE},
                    "properties": {"tree": tree, "base": change.base.commit_id, "gitTree": change.head.tree_id},
                }
            ],
            "originalUriBaseIds": {name: {"description": {"text": words}} for name, words in _BASES.items()},
            # Compilers count columns by characters or by bytes; in the ASCII lines of firmware that is the same.
            "columnKind": "unicodeCodePoints",
            "results": results,
            "artifacts": [{"location": _artifact_location(*artifact)} for artifact in self._artifacts],
            "properties": {
                "verdict": verdict.decision.value,
                "newWarnings": verdict.new_warning_count,
                "judgedOn": self._judgement.judged_on.isoformat(),
            },
        }

    def _result(self, reason: Reason) -> dict[str, Any]:
        return {
            "ruleId": reason.rule.value,
            "ruleIndex": _RULE_INDEX[reason.rule],
            "level": self._level(reason),
            "message": {"text": self._say(reason)},
            "locations": list(self._iter_locations(reason)),
            "partialFingerprints": {"cause/v1": _fingerprint(reason)},
            # Section 3.27.23: all results of a run have them or none has; an empty list says that it is not suppressed.
            "suppressions": list(self._iter_suppressions(reason)),
            "properties": reason_json(reason),
        }

    def _level(self, reason: Reason) -> str:
        if reason.blocks or reason.waiver or reason.approved_by:
            return "error"
        return "note" if reason.commit_id == self._judgement.change.base.commit_id else "warning"

    def _say(self, reason: Reason) -> str:
        """Word the result: a sentence that stands alone (section 3.11.3), then what it rests on, a line each."""
        sentence = "".join(span.text for span in say_reason(reason, self._commits, self._judgement.change))
        lines = [f"{sentence}.", *reason.details[:_DETAILS_SHOWN]]
        return "\n".join(_message_text(line) for line in lines)

    def _notification(self, reason: Reason) -> dict[str, Any]:
        return {
            "descriptor": {"id": reason.rule.value, "index": 0},
            "level": "error",
            "message": {"text": self._say(reason)},
            "properties": reason_json(reason),
        }

    def _iter_suppressions(self, reason: Reason) -> Iterator[dict[str, Any]]:
        """What excuses a result: a waiver, or whoever approved it; nothing excuses what blocks."""
        if reason.blocks:
            return
        waiver = self._waivers.get(reason.waiver)
        if waiver is not None:
            words = f"waived: {waiver.reason} ({waiver.who.name}, until {waiver.until.isoformat()})"
            place = waiver.place
            yield _suppression(words) | {"location": self._physical(place.path, place.line, place.column)}
        for name in reason.approved_by:
            yield _suppression(f"approved by {name}")

    def _iter_locations(self, reason: Reason) -> Iterator[dict[str, Any]]:
        """Give one location, or, where all of them have to be mended, each (section 3.27.12)."""
        merge = self._judgement.change.merge
        if reason.rule is Rule.CONFLICT and isinstance(merge, Conflict):
            for path in merge.paths:
                yield self._physical(path, None, None)
        elif reason.rule is Rule.MATRIX and (place := self._matrix_place(reason.message)) is not None:
            yield self._physical(place.path, place.line, place.column)
        elif reason.place:
            named = self._find_diagnostic(reason)
            if named is not None and named.path is not None:
                yield self._physical(named.path, named.line, named.column)
            else:
                yield self._physical(*_split_place(reason.place), None)
        elif reason.targets:
            yield {"logicalLocations": [{"fullyQualifiedName": plain(name)} for name in reason.targets]}

    def _physical(self, path: str, line: int | None, column: int | None) -> dict[str, Any]:
        uri, base = _to_uri(path)
        index = self._artifacts.setdefault((uri, base), len(self._artifacts))
        physical: dict[str, Any] = {"artifactLocation": {**_artifact_location(uri, base), "index": index}}
        # Section 3.30.5: lines and columns are 1-based; a tool that says 0 knows none.
        if line:
            physical["region"] = {"startLine": line, **({"startColumn": column} if column else {})}
        return {"physicalLocation": physical}

    def _matrix_place(self, message: str) -> Place | None:
        path = self._judgement.matrix.path
        match = re.match(rf"{re.escape(path)}:([0-9]{{1,9}}):([0-9]{{1,9}}): ", message)
        return Place(path=path, line=int(match[1]), column=int(match[2])) if match else None

    def _find_diagnostic(self, reason: Reason) -> Diagnostic | None:
        """A reason's place has no column; the diagnostic that it came from may have one."""
        found = self._diagnostics.get(reason.place, ())
        said = (reason.message, *reason.details)
        return next((entry for entry in found if any(entry.message in words for words in said)), None) or next(
            iter(found), None
        )


def _driver() -> dict[str, Any]:
    return {
        "name": "gatekeep",
        "version": gatekeep.__version__,
        "semanticVersion": gatekeep.__version__,
        "shortDescription": {"text": "Holds every target of a firmware tree to its matrix."},
        "rules": [_descriptor(rule) for rule in _RULES],
        "notifications": [_descriptor(Rule.UNDECIDED)],
    }


def _descriptor(rule: Rule) -> dict[str, Any]:
    return {
        "id": rule.value,
        "shortDescription": {"text": _RULE_WORDS[rule]},
        "defaultConfiguration": {"level": "error"},
    }


def _suppression(words: str) -> dict[str, Any]:
    """Section 3.35: from outside the source, and in force."""
    return {"kind": "external", "status": "accepted", "justification": _message_text(words)}


def _artifact_location(uri: str, base: str | None) -> dict[str, Any]:
    return {"uri": uri, "uriBaseId": base} if base is not None else {"uri": uri}


def _to_uri(path: str) -> tuple[str, str | None]:
    """
    Give a path as a URI and the base that it is relative to.

    Every byte but the unreserved ones and `/` is percent-encoded: a colon in the first segment would read as a scheme,
    and a byte that is not UTF-8 is still that byte.

    Source: RFC 3986, sections 2.1, 2.3 and 4.2; RFC 8089 for absolute paths; SARIF, section 3.4.3.
    """
    if path.startswith(_OUT_PREFIX):
        return quote(_to_bytes(path.removeprefix(_OUT_PREFIX)), safe="/"), _OUT
    uri = quote(_to_bytes(path), safe="/")
    # A second slash in front would make the first segment a host.
    return (f"file:///{uri.lstrip('/')}", None) if path.startswith("/") else (uri, _TREE)


def _split_place(place: str) -> tuple[str, int | None]:
    """Take `path:line` or `path` apart; a path may have colons too."""
    path, _, line = place.rpartition(":")
    return (path, int(line)) if path and _LINE.fullmatch(line) else (place, None)


def _to_bytes(text: str) -> bytes:
    try:
        return text.encode("utf-8", "surrogateescape")
    except UnicodeEncodeError:  # a surrogate that stands for no byte
        return text.encode("utf-8", "backslashreplace")


def _message_text(text: str) -> str:
    """
    Make a text from outside fit for a plain text message.

    A bracketed text before a parenthesis is a link there, and a number in braces a placeholder; neither is meant.

    Source: SARIF, section 3.11.5 (placeholders: braces are doubled) and 3.11.6 (embedded links: brackets are escaped by
    a backslash).
    """
    shown = shorten(plain(text), _MESSAGE_CELLS).replace("](", "\\](")
    return re.sub(r"\{([0-9]+)\}", r"{{\1}}", shown)


def _fingerprint(reason: Reason) -> str:
    """
    Give what stays the same while lines move and sizes change: rule, file, and the message without its numbers.

    Source: SARIF, section 3.27.17 (the name ends in a version) and appendix B (fingerprints hold no line numbers).
    """
    path, _ = _split_place(reason.place)
    # What has no file is told apart by whom it hits.
    whom = "" if path else "\0".join(reason.targets) or reason.whom
    facts = (reason.rule.value, path, whom, _NUMBER.sub("0", reason.message.removesuffix(" (so at the base already)")))
    return hashlib.sha256("\0".join(facts).encode("utf-8", "backslashreplace")).hexdigest()


def _iter_diagnostics(judgement: Judgement) -> Iterator[tuple[str, tuple[Diagnostic, ...]]]:
    """Give by place what the reasons' targets said there; in the order of the evidence, each once."""
    verdict = judgement.verdict
    wanted = {reason.place for reason in (*verdict.reasons, *verdict.waived, *verdict.notices) if reason.place}
    by_place: dict[str, dict[Diagnostic, None]] = {}
    for evidence in judgement.evidence:
        first = evidence.outcome.first_error if isinstance(evidence.outcome, Broken) else None
        for diagnostic in (*((first,) if first is not None else ()), *evidence.diagnostics):
            if diagnostic.place in wanted:
                by_place.setdefault(diagnostic.place, {})[diagnostic] = None
    for place, found in by_place.items():
        yield place, tuple(found)
