"""Which approvals count, and what an approved change is held to."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from gatekeep.judge.loosening_reasons import list_statements
from gatekeep.judge.verdict import judge
from gatekeep.model.approval import ApprovalCheck, ApprovalRequest, make_request
from gatekeep.model.matrix import Approver, Matrix, Part, Region, Rules, RuleStrength
from gatekeep.model.verdict import Decision, Rule
from gatekeep.runner.approvals import check_approval, join_approval
from tests.cases import PART, PLACE, TARGET_NAMES, broken, built, make_case, make_matrix, make_waiver, warning
from tests.fakes_signature import FakeSignatures

KEYS = tuple(f"ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAI{letter * 43}" for letter in "AEI")
ISA = Approver(name="isa", key=KEYS[0], place=PLACE)
RUBEN = Approver(name="ruben", key=KEYS[1], until=date(2026, 6, 30), place=PLACE)
DAY = date(2026, 6, 1)
REQUEST = ApprovalRequest(
    tree="skerry", base="1111 aaaa", head="2222 bbbb", matrix="sha256:00", statements=("the rules: less; every target",)
)
LARGE = Part(
    name="nor-64", capacity_bytes=2000, regions=(Region(name="main", at_bytes=0, capacity_bytes=2000, reserve_bytes=0),)
)
GOOD = (ApprovalCheck(source="refs/x", approver="isa"),)


def check(content: bytes, *, approvers: tuple[Approver, ...] = (ISA, RUBEN), day: date = DAY) -> ApprovalCheck:
    return check_approval("x", content, REQUEST, approvers=approvers, checker=FakeSignatures(), day=day)


def sign(request: ApprovalRequest = REQUEST, key: str = KEYS[0], **options: str) -> bytes:
    text = request.text
    return join_approval(text, FakeSignatures().sign(text.encode(), key, **options))


def test_an_approval_of_this_change_by_a_key_of_the_base_counts() -> None:
    assert check(sign()) == ApprovalCheck(source="x", approver="isa", fingerprint=ISA.fingerprint)
    assert check(sign(key=KEYS[1]), day=date(2026, 6, 30)).approver == "ruben"


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"", "it is no approval: a text and a signature in SSH armour are wanted"),
        (b"x" * 2_000_000, "it is no approval: a text and a signature in SSH armour are wanted"),
        (REQUEST.text.encode(), "it is no approval: a text and a signature in SSH armour are wanted"),
        (
            sign(replace(REQUEST, base="3333 aaaa")),
            "it is for another change: its base is 3333 aaaa, and this one's 1111 aaaa",
        ),
        (
            sign(replace(REQUEST, head="2222 cccc")),
            "it is for another change: its head is 2222 cccc, and this one's 2222 bbbb",
        ),
        (
            sign(replace(REQUEST, matrix="sha256:01")),
            "it is for another change: its matrix is sha256:01, and this one's sha256:00",
        ),
        (
            sign(replace(REQUEST, statements=())),
            "it is for another change: it lists other loosenings than this one has",
        ),
        (
            sign(replace(REQUEST, statements=(*REQUEST.statements, "more"))),
            "it is for another change: it lists other loosenings than this one has",
        ),
        (
            sign().replace(b"tree skerry", b"tree kelp"),
            "it is for another change: its tree is kelp, and this one's skerry",
        ),
        (sign(namespace="git"), "the signature is not of this text as an approval"),
        (
            REQUEST.text.encode()
            + sign(replace(REQUEST, tree="kelp")).partition(b"-----BEGIN")[2].join([b"-----BEGIN", b""]),
            "the signature is not of this text as an approval",
        ),
    ],
)
def test_what_does_not_count_says_why(content: bytes, why: str) -> None:
    found = check(content)
    assert (found.approver, found.why) == (None, why)


def test_a_key_that_is_not_listed_or_has_ended_does_not_count() -> None:
    stranger = Approver(name="mallory", key=KEYS[2], place=PLACE)
    assert check(sign(key=KEYS[2])).why == f"the key {stranger.fingerprint} is not in the base's list of approvers"
    assert check(sign(key=KEYS[1]), day=date(2026, 7, 1)).why == "the key of ruben counted until 2026-06-30"
    assert check(sign(), approvers=()).approver is None


def test_a_statement_of_two_lines_is_one_line_of_the_text() -> None:
    """Else a probe's words could end in what reads as another loosening."""
    one = replace(REQUEST, statements=("a\nloosens b",))
    two = replace(REQUEST, statements=("a", "b"))
    assert one.text != two.text
    assert len(one.text.splitlines()) == len(two.text.splitlines()) - 1
    assert replace(REQUEST, statements=("a\\nb",)).text != replace(REQUEST, statements=("a\nb",)).text


def test_statements_are_all_that_any_commit_loosens_and_drops() -> None:
    small, large = make_matrix(), make_matrix(part=LARGE)
    fewer = make_matrix(TARGET_NAMES[1:])
    case = make_case(3, matrices={0: small, 1: large, 2: fewer, 3: small})
    statements = list_statements(case)
    assert statements == tuple(sorted(statements))
    assert "the targets: dropped from the matrix; arm/mere" in statements
    assert any("the capacity of main is raised from 1000 B to 2000 B" in one for one in statements)
    assert list_statements(make_case(2)) == ()
    assert make_request(case.change, "skerry", "00", statements).digest == (
        make_request(case.change, "skerry", "00", statements[::-1]).digest
    )


def loosened(**changes: object) -> Matrix:
    return replace(make_matrix(part=LARGE), **changes)  # type: ignore[arg-type]  # fields of Matrix, given by name


def test_an_approved_change_is_held_to_its_own_limits() -> None:
    case = make_case(
        matrices={0: make_matrix(), 1: loosened()}, outcomes={(1, "arm/mere"): built(1500, capacity_bytes=2000)}
    )
    assert {reason.rule for reason in judge(case).reasons} == {Rule.LOOSENED, Rule.OUTGROWN}
    verdict = judge(replace(case, approvals=GOOD))
    assert (verdict.decision, verdict.reasons) == (Decision.PASS, ())
    assert {(reason.rule, reason.approved_by) for reason in verdict.approved} == {(Rule.LOOSENED, ("isa",))}
    assert all(reason.details[-1] == "approved by isa" for reason in verdict.approved)


def test_an_approved_rule_and_an_approved_waiver_count_at_once() -> None:
    strict = make_matrix(rules=Rules(new_warnings=RuleStrength.BLOCK))
    case = make_case(
        matrices={0: strict, 1: make_matrix()},
        warnings={(1, "arm/mere"): (warning(),)},
        outcomes={(1, "mips/holm"): broken()},
        waivers={1: (make_waiver(Rule.BROKEN, "mips/holm"),)},
    )
    assert {reason.rule for reason in judge(case).reasons} == {Rule.BROKEN, Rule.NEW_WARNING, Rule.LOOSENED}
    verdict = judge(replace(case, approvals=GOOD))
    assert (verdict.decision, [reason.rule for reason in verdict.waived]) == (Decision.PASS, [Rule.BROKEN])


def test_an_approval_that_does_not_count_changes_nothing_but_the_report() -> None:
    case = make_case(matrices={0: make_matrix(), 1: loosened()})
    refused = (ApprovalCheck(source="refs/x", approver=None, why="it is for another change"),)
    verdict = judge(replace(case, approvals=refused))
    assert replace(verdict, approvals=()) == judge(case)
    assert verdict.approvals == refused


def test_what_is_no_loosening_cannot_be_approved() -> None:
    case = make_case(
        outcomes={(1, "arm/mere"): broken()},
        matrices={0: make_matrix(part=PART), 1: loosened()},
        waiver_errors={1: "waivers.yml:1:1: wrong"},
    )
    verdict = judge(replace(case, approvals=GOOD))
    assert {reason.rule for reason in verdict.reasons} == {Rule.BROKEN, Rule.MATRIX}
