"""A waived target asks for nobody, and stands on every page all the same: none has lesser standing."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from importlib.resources import files

import jsonschema
import pytest

from gatekeep.model.evidence import Outcome
from gatekeep.model.health import Health
from gatekeep.model.rule import Rule
from gatekeep.model.waiver import Waiver
from gatekeep.report.site.facts import render_facts
from gatekeep.report.site.files import iter_files
from gatekeep.report.site.pages import render_front_page, render_port_page, render_target_page
from tests.cases import broken, make_waiver
from tests.site_cases import image, make_health
from tests.unit.test_site_pages import Reader

WAIVER = make_waiver(Rule.BROKEN, "arm/mere", until=date(2026, 6, 30))


def make(*waivers: Waiver, other: bool = False) -> Health:
    results: dict[str, list[tuple[int, int, Outcome]]] = {"arm/mere": [(0, 3, image()), (4, 5, broken())]}
    if other:
        results["mips/holm"] = [(0, 5, broken("no such file"))]
    return make_health(results, waivers=waivers)


def read(page: str) -> str:
    return " ".join("".join(Reader(page).text).split())


def pages(health: Health) -> tuple[str, str, str]:
    """The front page, and those of the port and the target that is waived."""
    port = next(port for port in health.ports if port.port.name == "arm")
    target = next(target for target in port.targets if target.name == "arm/mere")
    return (
        read(render_front_page(health)),
        read(render_port_page(health, port)),
        read(render_target_page(health, target)),
    )


def test_a_waived_target_is_not_among_those_that_need_somebody() -> None:
    front = pages(make(WAIVER, other=True))[0]
    urgent, _, waived = front.partition(" Waived ")
    assert "no such file" in urgent
    assert "a pointer is cut" not in urgent
    assert "a pointer is cut to 32 bits at drivers/uart.c:41; waived until 30 June 2026." in waived


def test_the_pages_of_port_and_target_show_the_waiver_with_its_end() -> None:
    for page in pages(make(WAIVER))[1:]:
        assert "Waived Rule broken until 30 June 2026: the new part comes in June (lough-part, Isa Thorne)" in page


def test_a_waiver_for_another_rule_excuses_nothing_and_is_shown() -> None:
    front, port, _ = pages(make(replace(WAIVER, rule=Rule.RESERVE)))
    assert "waived until" not in front
    assert "Rule reserve until 30 June 2026" in port


def test_pages_are_written_again_when_a_waiver_changes_and_only_then() -> None:
    def digests(*waivers: Waiver) -> dict[str, str]:
        return {file.path: file.digest for file in iter_files(make(*waivers, other=True))}

    before, after = digests(), digests(WAIVER)
    changed = {path for path in before if before[path] != after[path]}
    assert changed == {path for path in changed if "mips" not in path}
    assert {"index.html"} < changed
    assert digests(WAIVER) == after
    assert digests(replace(WAIVER, reason="another")) != after


def test_facts_have_the_waivers() -> None:
    facts = json.loads(render_facts(make(WAIVER)))
    schema = json.loads(files("gatekeep.report").joinpath("facts.schema.json").read_text("utf-8"))
    jsonschema.validate(facts, schema)
    (told,) = [target["waivers"] for port in facts["ports"] for target in port["targets"] if target["waivers"]]
    assert [(one["name"], one["rule"], one["until"]) for one in told] == [("lough-part", "broken", "2026-06-30")]


@pytest.mark.parametrize("rule", [Rule.BROKEN, Rule.RESERVE])
def test_facts_say_until_when_a_trouble_is_excused(rule: Rule) -> None:
    facts = json.loads(render_facts(make(replace(WAIVER, rule=rule), other=True)))
    until = "2026-06-30" if rule is Rule.BROKEN else None
    assert {one["targets"][0]: one["waived_until"] for one in facts["troubles"]} == {
        "arm/mere": until,
        "mips/holm": None,
    }
    targets = {target["name"]: target["waived_until"] for port in facts["ports"] for target in port["targets"]}
    assert targets == {"arm/mere": until, "mips/holm": None}


def test_hostile_words_of_a_waiver_are_text() -> None:
    health = make(replace(WAIVER, reason="</dd><script>alert(1)</script>\u202e"))
    port = next(port for port in health.ports if port.port.name == "arm")
    for page in (render_port_page(health, port), render_target_page(health, port.targets[0])):
        assert "&lt;script&gt;alert(1)" in page
        assert "<script>alert" not in page
