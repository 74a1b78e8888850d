"""The report for machines: held against its own published schema, which is held against JSON Schema 2020-12."""

import json
from dataclasses import fields, replace
from importlib.resources import files

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gatekeep.model.evidence import NotDecided, Speaker
from gatekeep.model.readset import Carried
from gatekeep.model.verdict import Decision, Reason, Rule
from gatekeep.report.json_report import REPORT_FORMAT, render_json
from tests import judgements
from tests.judgements import make_evidence, make_judgement, make_reason

SCHEMA = json.loads(files("gatekeep.report").joinpath("report.schema.json").read_text("utf-8"))
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)

EVERY = [
    judgements.blocked(),
    judgements.passed(),
    judgements.undecided(),
    judgements.waived(),
    judgements.approved(),
    judgements.hostile(),
    judgements.merged(),
    judgements.conflicting(),
]


def test_schema_is_sound_and_closed():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)

    def walk(node: object) -> None:
        if isinstance(node, dict):
            if node.get("type") == "object":
                assert node["additionalProperties"] is False
                assert sorted(node["required"]) == sorted(node["properties"])
            for child in node.values():
                walk(child)

    walk(SCHEMA)


def test_schema_knows_every_word_of_the_model():
    definitions = SCHEMA["$defs"]
    assert SCHEMA["properties"]["format"]["const"] == REPORT_FORMAT
    assert SCHEMA["properties"]["verdict"]["enum"] == [decision.value for decision in Decision]
    assert definitions["reason"]["properties"]["rule"]["enum"] == [rule.value for rule in Rule]
    assert definitions["diagnostic"]["properties"]["speaker"]["enum"] == [speaker.value for speaker in Speaker]
    assert len(definitions["reason"]["properties"]) == len(fields(Reason))


def test_builders_have_a_reason_of_every_rule():
    assert set(judgements.REASONS) == set(Rule)


@pytest.mark.parametrize("judgement", EVERY)
def test_report_keeps_to_the_schema(judgement):
    VALIDATOR.validate(json.loads(render_json(judgement)))


@pytest.mark.parametrize("judgement", EVERY)
def test_order_of_evidence_does_not_change_the_report(judgement):
    for seed in range(3):
        assert render_json(judgements.shuffled(judgement, seed)) == render_json(judgement)


def test_report_is_ascii_that_steers_no_terminal():
    report = render_json(judgements.hostile())
    assert report.isascii()
    assert [character for character in report if not character.isprintable()] == ["\n"] * report.count("\n")
    assert json.loads(report)["reasons"][0]["message"] == judgements.HOSTILE.replace("\udcff", "\\udcff")


def test_whole_report_of_a_change_with_one_target():
    missing = NotDecided(message="toolchain bare-clang is missing", hint="install it: pip install ziglang")
    reason = make_reason(Rule.UNDECIDED, details=("install it: pip install ziglang",))
    report = render_json(
        make_judgement(
            reason,
            decision=Decision.UNDECIDED,
            change=judgements.make_change(judgements.HEAD),
            evidence=(
                make_evidence("arm/alpha", judgements.HEAD, replace(judgements.make_built(), booted_s=0.12499)),
                make_evidence("mips/stack", judgements.BASE, missing),
            ),
            reused_count=1,
            deltas=judgements.DELTAS[2:3],
        )
    )
    base = {
        "id": "1" * 40,
        "tree": "1" * 39 + "e",
        "subject": "Trim the tide table",
        "author": {"name": "Isa Thorne", "email": "isa@skerry.example"},
        "committed_at": "2024-03-04T09:31:00Z",
    }
    head = base | {
        "id": "5" * 40,
        "tree": "5" * 39 + "e",
        "subject": "Light the new beacon at Noup",
        "committed_at": "2024-03-04T09:35:00Z",
    }
    assert json.loads(report) == {
        "format": 1,
        "tool": {"name": "gatekeep", "version": "0.1.0"},
        "tree": "skerry",
        "matrix": "matrix.yml",
        "change": {
            "base": base,
            "head": head,
            "commit_count": 1,
            "commits": [head],
            "forks": [],
            "merge": None,
        },
        "verdict": "undecided",
        "reasons": [
            {
                "rule": "undecided",
                "commit": "5" * 40,
                "targets": ["mips/stack"],
                "whom": "mips/stack",
                "message": "toolchain bare-clang is missing",
                "place": None,
                "details": ["install it: pip install ziglang"],
                "excerpt": [],
                "logs": [],
                "blocks": True,
                "waiver": None,
                "approved_by": [],
            }
        ],
        "notices": [],
        "waived": [],
        "waivers": [],
        "approved": [],
        "approvals": [],
        "judged_on": "2024-03-06",
        "new_warnings": 0,
        "reused": 1,
        "carried": 0,
        "results": [
            {
                "target": "mips/stack",
                "commit": "1" * 40,
                "tree": "1" * 39 + "e",
                "outcome": "not decided",
                "message": "toolchain bare-clang is missing; install it: pip install ziglang",
                "first_error": None,
                "regions": [],
                "warnings": 0,
                "errors": 0,
                "elapsed_s": 0.41,
                "booted_s": None,
                "started_at": None,
                "log": None,
                "log_cut": False,
                "toolchain_version": None,
                "touched": [],
                "built_because": None,
                "carried_from": None,
            },
            {
                "target": "arm/alpha",
                "commit": "5" * 40,
                "tree": "5" * 39 + "e",
                "outcome": "built",
                "message": None,
                "first_error": None,
                "regions": [
                    {
                        "name": "flash",
                        "used_bytes": 55117,
                        "capacity_bytes": 65536,
                        "reserve_bytes": 3277,
                        "flash": True,
                    },
                    {"name": "ram", "used_bytes": 2048, "capacity_bytes": 8192, "reserve_bytes": 0, "flash": False},
                ],
                "warnings": 0,
                "errors": 0,
                "elapsed_s": 0.41,
                "booted_s": 0.125,
                "started_at": "2024-03-04T09:35:00Z",
                "log": "logs/5555555555/arm.alpha.txt",
                "log_cut": False,
                "toolchain_version": "0.17.1",
                "touched": [],
                "built_because": None,
                "carried_from": None,
            },
        ],
        "deltas": [
            {
                "target": "mips/stack",
                "region": "ram",
                "base_used_bytes": 2048,
                "head_used_bytes": 1984,
                "delta_bytes": -64,
                "capacity_bytes": 8192,
            }
        ],
    }


def test_carried_result_stands_at_the_commit_that_has_its_tree():
    carried = replace(make_evidence("arm/alpha", judgements.RING), commit_id="f" * 40)
    report = json.loads(render_json(make_judgement(evidence=(carried,))))
    assert report["results"][0]["commit"] == judgements.RING.commit_id


@given(st.text(alphabet=st.characters(codec=None), max_size=40))
def test_any_text_gives_valid_json_that_says_it(text):
    report = render_json(make_judgement(make_reason(message=text, excerpt=(text,)), evidence=()))
    read = json.loads(report.encode("utf-8"))
    VALIDATOR.validate(read)
    assert read["reasons"][0]["message"] == text.encode("utf-8", "backslashreplace").decode("utf-8")


def test_a_carried_result_says_from_where_and_a_built_one_why():
    origin = Carried(tree_id="a" * 40, commit_id="b" * 40)
    evidence = (
        replace(make_evidence(), carried=origin, key="c" * 64),
        replace(make_evidence("arm/alpha"), reason="drivers/uart.c, which it reads, is modified"),
    )
    report = json.loads(render_json(replace(make_judgement(evidence=evidence, reused_count=0), carried_count=1)))
    VALIDATOR.validate(report)
    found = {result["target"]: (result["carried_from"], result["built_because"]) for result in report["results"]}
    assert report["carried"] == 1
    assert found["arm/alpha"] == (None, "drivers/uart.c, which it reads, is modified")
    assert [carried for carried, _ in found.values() if carried] == [
        {"commit": "b" * 40, "tree": "a" * 40, "key": "c" * 64}
    ]


def test_waivers_are_told_with_what_they_did():
    report = json.loads(render_json(judgements.waived()))
    VALIDATOR.validate(report)
    assert [(reason["waiver"], reason["blocks"]) for reason in report["waived"]] == [("alpha-part", False)]
    assert report["judged_on"] == "2024-03-06"
    assert [(one["name"], one["standing"], one["days_left"]) for one in report["waivers"]] == [
        ("alpha-part", "used", 3),
        ("stack-reserve", "ended", -1),
        ("spare", "unused", 45),
    ]
    assert report["waivers"][0]["until"] == "2024-03-09"
