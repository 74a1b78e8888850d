"""
The JUnit XML: read back by libxml2, and held against the schema that pytest holds its own reports against.

There is no standard (common practice); that schema is the one in pytest's source package.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from gatekeep.model.evidence import Broken, NotDecided
from gatekeep.model.readset import Carried
from gatekeep.model.verdict import Decision, Judgement, Rule
from gatekeep.report.junit import render_junit
from gatekeep.report.plain import plain
from gatekeep.report.sweep import to_judgement
from tests import judgements
from tests.judgements import make_evidence, make_judgement, make_reason, shuffled
from tests.registries import unpack_source
from tests.tricks import make_sweep

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
def schema() -> Any:
    return etree.XMLSchema(etree.parse(unpack_source("pytest==9.2.0") / "testing/example_scripts/junit-10.xsd"))


def read(judgement: Judgement) -> Any:
    return etree.fromstring(render_junit(judgement).encode("utf-8"))


def case_of(judgement: Judgement, target: str, short_id: str) -> Any:
    (suite,) = [suite for suite in read(judgement) if suite.get("name").startswith(short_id)]
    (case,) = [case for case in suite.iter("testcase") if case.get("name") == target]
    return case


def ending_of(case: Any) -> list[str]:
    return [child.tag for child in case if child.tag != "system-out"]


@every
def test_document_fits_the_schema(judgement, schema):
    schema.assertValid(read(judgement))


@every
def test_sums_are_those_of_the_cases(judgement):
    root = read(judgement)
    for element in (root, *root):
        cases = list(element.iter("testcase"))
        assert int(element.get("tests")) == len(cases)
        assert int(element.get("failures")) == sum(ending_of(case) == ["failure"] for case in cases)
        assert int(element.get("errors")) == sum(ending_of(case) == ["error"] for case in cases)
        assert round(float(element.get("time")) * 1000) == sum(round(float(case.get("time")) * 1000) for case in cases)
    assert len(list(root.iter("testsuite"))) == len(root)


@every
def test_document_is_red_exactly_where_the_verdict_is_not_pass(judgement):
    root = read(judgement)
    red = int(root.get("failures")) + int(root.get("errors"))
    assert bool(red) is (judgement.verdict.decision is not Decision.PASS)
    assert bool(int(root.get("failures"))) is (judgement.verdict.decision is Decision.BLOCK)


def test_verdict_that_is_not_pass_and_has_no_reason_is_an_error():
    root = read(make_judgement(decision=Decision.UNDECIDED))
    assert (root.get("failures"), root.get("errors")) == ("0", "1")


def test_build_that_is_not_decided_is_an_error_whatever_the_verdict_says():
    missing = NotDecided(message="toolchain bare-clang is missing", hint="install it")
    judgement = make_judgement(evidence=(make_evidence("mips/stack", judgements.HEAD, missing),))
    case = case_of(judgement, "mips/stack", "5555555555")
    assert ending_of(case) == ["error"]
    assert case.find("error").get("message") == "toolchain bare-clang is missing; install it"


def test_failure_says_what_is_wrong_where_and_quotes_the_log():
    case = case_of(EVERY["blocked"], "riscv64/vale", "2222222222")
    failure = case.find("failure")
    assert failure.get("type") == "broken"
    assert failure.get("message") == (
        "every 64-bit target: a pointer is cut to 32 bits at drivers/uart.c:41, since commit 2222222222 "
        "(Add a ring buffer to the serial driver)"
    )
    lines = failure.text.split("\n")
    assert lines[0] == failure.get("message")
    assert f"| {judgements.POINTER_LOG[1]}" in lines
    assert "log: logs/2222222222/riscv64.vale.txt" in case.findtext("system-out").split("\n")
    assert ending_of(case_of(EVERY["blocked"], "arm/alpha", "2222222222")) == []


def test_target_that_stays_broken_fails_at_every_commit_until_it_is_mended():
    broken = Broken(message="make ended with exit code 2", first_error=judgements.POINTER)
    commits = (judgements.RING, judgements.TABLE, judgements.HEAD)
    judgement = make_judgement(
        make_reason(Rule.BROKEN, commit_id=judgements.RING.commit_id, targets=("riscv64/vale",)),
        change=judgements.make_change(*commits),
        evidence=tuple(
            make_evidence("riscv64/vale", commit, None if commit is judgements.HEAD else broken) for commit in commits
        ),
    )
    endings = [ending_of(case_of(judgement, "riscv64/vale", commit.short_id)) for commit in commits]
    assert endings == [["failure"], ["failure"], []]


def test_what_was_broken_at_the_base_or_is_waived_is_skipped_and_never_passed():
    broken = Broken(message="make ended with exit code 2", first_error=None)
    notice = make_reason(
        Rule.BROKEN, commit_id=judgements.BASE.commit_id, targets=("mips/stack",), whom="mips/stack", blocks=False
    )
    judgement = make_judgement(
        notices=(notice,),
        evidence=tuple(make_evidence("mips/stack", commit, broken) for commit in (judgements.BASE, judgements.HEAD)),
    )
    for commit in (judgements.BASE, judgements.HEAD):
        case = case_of(judgement, "mips/stack", commit.short_id)
        assert ending_of(case) == ["skipped"]
        assert case.find("skipped").get("message") == "mips/stack: a pointer is cut to 32 bits at drivers/uart.c:41"


def test_carried_result_says_from_where():
    carried = replace(
        make_evidence("mips/stack", judgements.HEAD),
        carried=Carried(commit_id=judgements.RING.commit_id, tree_id=judgements.RING.tree_id),
    )
    root = read(make_judgement(evidence=(carried,)))
    properties = {entry.get("name"): entry.get("value") for entry in root.iter("property")}
    assert properties["carried: mips/stack"] == f"from commit {judgements.RING.commit_id}"
    assert f"carried from commit {judgements.RING.commit_id}" in root.findtext(".//system-out")


@pytest.mark.parametrize("culprit", [judgements.RING.commit_id, None])
def test_sweep_fails_what_is_newly_broken_whoever_did_it_and_skips_what_was_so_before(culprit: str | None):
    bad = Broken(message="make ended with exit code 2", first_error=None)
    new = make_reason(Rule.BROKEN, commit_id=culprit, targets=("riscv64/vale",), whom="riscv64/vale")
    old = make_reason(Rule.BROKEN, commit_id=None, targets=("mips/stack",), whom="mips/stack")
    report = replace(
        make_sweep("calm"),
        change=judgements.make_change(judgements.RING, judgements.HEAD),
        matrix=judgements.make_matrix(),
        evidence=tuple(
            make_evidence(name, judgements.HEAD, None if name == "arm/alpha" else bad)
            for name in ("arm/alpha", "riscv64/vale", "mips/stack")
        ),
    )
    report = replace(report, findings=replace(report.findings, reasons=(new,), standing=(old,), undecided=()))
    endings = {case.get("name"): ending_of(case) for case in read(to_judgement(report)).iter("testcase")}
    assert endings == {"arm/alpha": [], "riscv64/vale": ["failure"], "mips/stack": ["skipped"]}
    assert report.decision is Decision.BLOCK


@every
def test_same_evidence_gives_the_same_bytes_in_whatever_order_it_came(judgement):
    assert render_junit(shuffled(judgement)) == render_junit(judgement)


@given(st.text(alphabet=st.characters(codec=None), max_size=30))
def test_any_text_is_read_back_plain(text):
    commit = replace(judgements.RING, subject=text, author_name=text)
    reason = make_reason(Rule.BROKEN, targets=(text,), whom="all", message=text, details=(text,), excerpt=(text, "x"))
    judgement = make_judgement(
        reason, change=judgements.make_change(commit), evidence=(replace(make_evidence(text, commit), log_path=text),)
    )
    root = read(judgement)
    (case,) = root.iter("testcase")
    assert case.get("name") == plain(text)
    assert f"\n{plain(text)}\n" in case.findtext("failure")
    assert case.findtext("system-out").endswith(f"\nlog: {plain(text)}")
    assert {element.tag for element in root.iter()} <= {
        "testsuites", "testsuite", "properties", "property", "testcase", "failure", "system-out"
    }  # fmt: skip
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f]", render_junit(judgement))
