"""
The SARIF log: held against the schema that OASIS published, and against what the standard's text asks for beyond it.

Sources: SARIF 2.1.0, sections named at each check (their numbers from memory); the schema as the npm package
@microsoft/jest-sarif carries it; RFC 3986.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Any
from urllib.parse import unquote_to_bytes

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gatekeep.model.rule import Rule
from gatekeep.model.verdict import Decision, Judgement
from gatekeep.report.sarif import render_sarif
from tests import judgements
from tests.judgements import make_evidence, make_judgement, make_reason, shuffled
from tests.registries import unpack_npm

SCHEMA_PACKAGE = "@microsoft/jest-sarif@1.0.0-beta.0"
EVERY = {
    "blocked": judgements.blocked(),
    "passed": judgements.passed(),
    "undecided": judgements.undecided(),
    "waived": judgements.waived(),
    "approved": judgements.approved(),
    "hostile": judgements.hostile(),
    "merged": judgements.merged(),
    "conflicting": judgements.conflicting(),
}
every = pytest.mark.parametrize("judgement", EVERY.values(), ids=EVERY)


@pytest.fixture(scope="module")
def validator() -> jsonschema.Draft4Validator:
    path = unpack_npm(SCHEMA_PACKAGE) / "lib" / "schemas" / "sarif-2.1.0-rtm.5.json"
    return jsonschema.Draft4Validator(json.loads(path.read_text("utf-8")))


def run_of(judgement: Judgement) -> Any:
    (run,) = json.loads(render_sarif(judgement))["runs"]
    return run


def iter_objects(node: Any) -> Iterator[dict[str, Any]]:
    if isinstance(node, dict):
        yield node
        node = list(node.values())
    if isinstance(node, list):
        for child in node:
            yield from iter_objects(child)


@every
def test_log_fits_the_schema(judgement, validator):
    text = render_sarif(judgement)
    assert text.isascii()
    assert text.endswith("}\n")
    validator.validate(json.loads(text))


@every
def test_log_fits_what_the_schema_cannot_say(judgement):
    run = run_of(judgement)
    driver = run["tool"]["driver"]
    # 3.19.23, 3.49.3: ids of the rules of a component are unique.
    for descriptors in (driver["rules"], driver["notifications"]):
        assert len({entry["id"] for entry in descriptors}) == len(descriptors)
    for result in run["results"]:
        # 3.27.5 and 3.27.6: the index is that of the rule that the id names.
        assert driver["rules"][result["ruleIndex"]]["id"] == result["ruleId"]
        # 3.27.9 and 3.27.10: the kind is "fail" where it is absent, and then the level is not "none".
        assert "kind" not in result
        assert result["level"] in {"error", "warning", "note"}
        # 3.27.23: all results have suppressions, or none has.
        assert isinstance(result["suppressions"], list)
        # 3.27.17: the name of a fingerprint ends in its version.
        assert list(result["partialFingerprints"]) == ["cause/v1"]
    for entry in iter_objects({key: value for key, value in run.items() if key != "properties"}):
        if "uriBaseId" in entry:
            assert entry["uriBaseId"] in run["originalUriBaseIds"]  # 3.4.4
        if "uri" in entry:
            check_uri(entry["uri"], relative="uriBaseId" in entry)
        if "index" in entry and "uri" in entry:
            # 3.4.5: what is said here is what the array says.
            assert run["artifacts"][entry["index"]]["location"] == {
                key: value for key, value in entry.items() if key != "index"
            }
        if "region" in entry:
            assert entry["region"]["startLine"] >= 1  # 3.30.5
    for provenance in run["versionControlProvenance"]:
        assert re.fullmatch(r"[a-z][a-z0-9+.-]*:\S+", provenance["repositoryUri"])  # 3.23.3: absolute
        assert provenance["revisionId"] == judgement.change.head.commit_id


def check_uri(uri: str, *, relative: bool) -> None:
    """RFC 3986, appendix A: only characters of a URI; 4.2: no colon in the first segment of a relative reference."""
    assert re.fullmatch(r"(?:[A-Za-z0-9._~:/-]|%[0-9A-F]{2})*", uri), uri
    assert not relative or not re.match(r"/|[^/]*:", uri), uri


@every
def test_messages_hold_no_link_and_no_placeholder(judgement):
    """3.11.6 (embedded links) and 3.11.5 (placeholders): our messages have neither, so none may come from outside."""
    run = run_of(judgement)
    texts = [entry["text"] for entry in iter_objects(run) if isinstance(entry.get("text"), str)]
    assert texts
    for text in texts:
        assert not re.search(r"(?<!\\)\]\(", text)
        assert not re.search(r"(?<!\{)\{[0-9]+\}", text)
        assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\u200b]", text)


def test_every_rule_has_its_words_and_results_have_level_place_and_targets():
    run = run_of(EVERY["blocked"])
    assert [entry["id"] for entry in run["tool"]["driver"]["rules"]] == [
        rule.value for rule in Rule if rule is not Rule.UNDECIDED
    ]
    first = run["results"][0]
    assert (first["ruleId"], first["level"]) == ("broken", "error")
    assert first["message"]["text"].split("\n")[0] == (
        "every 64-bit target: a pointer is cut to 32 bits at drivers/uart.c:41, since commit 2222222222 "
        "(Add a ring buffer to the serial driver)."
    )
    assert first["locations"] == [
        {
            "physicalLocation": {
                "artifactLocation": {"uri": "drivers/uart.c", "uriBaseId": "TREE", "index": 0},
                # The column is the diagnostic's, which the reason's place does not have.
                "region": {"startLine": 41, "startColumn": 22},
            }
        }
    ]
    assert first["properties"]["targets"] == list(judgements.WIDE)
    matrix = next(result for result in run["results"] if result["ruleId"] == "matrix")
    assert matrix["locations"][0]["physicalLocation"]["region"] == {"startLine": 34, "startColumn": 17}
    # What was so at the base already is there to be seen, and is no more than a note.
    assert [result["level"] for result in run["results"] if not result["properties"]["blocks"]] == ["note"]


def test_files_in_conflict_are_the_places_of_a_conflict():
    (result,) = run_of(EVERY["conflicting"])["results"]
    assert [place["physicalLocation"]["artifactLocation"]["uri"] for place in result["locations"]] == ["drivers/uart.c"]


@every
def test_run_is_unsuccessful_exactly_where_something_is_undecided(judgement):
    """3.20.14 and 3.20.21: what could not be judged is no result, and never looks like none."""
    (invocation,) = run_of(judgement)["invocations"]
    undecided = [reason for reason in judgement.verdict.reasons if reason.rule is Rule.UNDECIDED]
    assert invocation["executionSuccessful"] is not bool(undecided)
    assert len(invocation["toolExecutionNotifications"]) == len(undecided)
    for notification in invocation["toolExecutionNotifications"]:
        assert notification["level"] == "error"
        assert notification["descriptor"] == {"id": "undecided", "index": 0}
    codes = {Decision.PASS: 0, Decision.BLOCK: 1, Decision.UNDECIDED: 3}
    assert invocation["exitCode"] == codes[judgement.verdict.decision]


def test_verdict_that_is_undecided_without_a_reason_is_unsuccessful_too():
    (invocation,) = run_of(make_judgement(decision=Decision.UNDECIDED))["invocations"]
    assert invocation["executionSuccessful"] is False


def test_waived_result_is_suppressed_and_says_by_whom():
    run = run_of(EVERY["waived"])
    suppressed = [result for result in run["results"] if result["suppressions"]]
    assert [result["properties"]["waiver"] for result in suppressed] == [
        reason.waiver for reason in EVERY["waived"].verdict.waived
    ]
    (suppression,) = suppressed[0]["suppressions"]
    assert (suppression["kind"], suppression["status"]) == ("external", "accepted")
    assert suppression["location"]["physicalLocation"]["region"]["startLine"] >= 1
    blocking = [result for result in run["results"] if result["properties"]["blocks"]]
    assert not [result for result in blocking if result["suppressions"]]


def test_approved_result_is_suppressed_and_names_who_approved():
    (result,) = [result for result in run_of(EVERY["approved"])["results"] if result["suppressions"]]
    (reason,) = EVERY["approved"].verdict.approved
    assert result["ruleId"] == reason.rule.value
    assert [entry["justification"] for entry in result["suppressions"]] == [
        f"approved by {name}" for name in reason.approved_by
    ]


def fingerprint(**changes: Any) -> Any:
    (result,) = run_of(make_judgement(make_reason(Rule.BROKEN, **changes)))["results"]
    return result["partialFingerprints"]["cause/v1"]


def test_fingerprint_stays_when_lines_move_and_sizes_change_and_tells_causes_apart():
    assert fingerprint() == fingerprint(place="drivers/uart.c:97")
    assert fingerprint() == fingerprint(targets=("riscv64/vale",), commit_id=judgements.HEAD.commit_id)
    assert fingerprint(message="outgrows main by 3 B") == fingerprint(message="outgrows main by 4 B")
    assert len({fingerprint(), fingerprint(place="drivers/spi.c:41"), fingerprint(message="another")}) == 3
    assert fingerprint(place="") != fingerprint(place="", targets=("riscv64/vale",))


@every
def test_same_evidence_gives_the_same_bytes_in_whatever_order_it_came(judgement):
    assert render_sarif(shuffled(judgement)) == render_sarif(judgement)


@pytest.mark.parametrize(
    ("path", "uri"),
    [
        ("drivers/uart.c", "drivers/uart.c"),
        ("a b/c#d?e%f.c", "a%20b/c%23d%3Fe%25f.c"),
        ("http://x/y.c", "http%3A//x/y.c"),
        ("Grüße.c", "Gr%C3%BC%C3%9Fe.c"),
        ("byte\udcff.c", "byte%FF.c"),
        ("half\ud800.c", "half%5Cud800.c"),
        ("<out>/made.h", "made.h"),
        ("/usr/include/stdio.h", "file:///usr/include/stdio.h"),
        ("//host/share.h", "file:///host/share.h"),
    ],
)
def test_path_becomes_a_uri(path, uri):
    (result,) = run_of(make_judgement(make_reason(Rule.BROKEN, place=f"{path}:7"), evidence=()))["results"]
    physical = result["locations"][0]["physicalLocation"]
    assert physical["artifactLocation"]["uri"] == uri
    assert physical["region"] == {"startLine": 7}
    base = physical["artifactLocation"].get("uriBaseId")
    assert base == ("OUT" if path.startswith("<out>") else None if path.startswith("/") else "TREE")


@given(st.text(alphabet=st.characters(codec=None), max_size=30))
def test_any_text_keeps_its_facts_and_makes_no_link(text):
    reason = make_reason(Rule.BROKEN, message=f"m{text}", whom=text, place=f"p{text}", details=(text,), targets=(text,))
    commit = replace(judgements.RING, subject=text)
    judgement = make_judgement(reason, change=judgements.make_change(commit), evidence=(make_evidence(text, commit),))
    (result,) = run_of(judgement)["results"]
    assert not re.search(r"(?<!\\)\]\(", result["message"]["text"])
    uri = result["locations"][0]["physicalLocation"]["artifactLocation"]["uri"]
    check_uri(uri, relative=True)
    try:
        raw = text.encode("utf-8", "surrogateescape")
    except UnicodeEncodeError:
        return  # a surrogate that stands for no byte
    assert unquote_to_bytes(uri).startswith(b"p")
    assert raw.startswith(unquote_to_bytes(uri)[1:])  # all of it, but for what reads as a line
    # The facts come through as they were, surrogates as escapes (RFC 7493, section 2.1).
    assert result["properties"]["message"] == f"m{text}".encode("utf-8", "backslashreplace").decode()
