"""
Feeds, facts and badges.

The feeds are held against the grammar of RFC 4287 and what its sections 3 and 4 say besides (tests/atom.py); facts
against their schema.
"""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from urllib.parse import urljoin, urlsplit
from xml.etree import ElementTree

import jsonschema
import pytest

from gatekeep.model.evidence import Outcome
from gatekeep.model.health import Health
from gatekeep.model.history import Turn, TurnRecord
from gatekeep.report.site.badge import render_port_badge, render_target_badge
from gatekeep.report.site.facts import read_schema_text, render_facts
from gatekeep.report.site.feeds import render_port_feed, render_target_feed
from tests.atom import check_atom
from tests.cases import broken, outgrown
from tests.site_cases import image, make_health, make_hostile_health, make_line, make_sweep

FEED_ADDRESS = "https://health.skerry.example/skerry/feeds/arm.atom"
ATOM = "{http://www.w3.org/2005/Atom}"


def check_feed(text: str) -> ElementTree.Element:
    """Hold a feed against the standard, and against what this project promises besides."""
    check_atom(text)
    root = ElementTree.fromstring(text)
    assert root.tag == f"{ATOM}feed"
    # 4.2.7.2: a reader finds the page, and the feed itself.
    assert sorted(link.get("rel", "") for link in root.findall(f"{ATOM}link")) == ["alternate", "self"]
    identities = [element.text or "" for element in root.iter(f"{ATOM}id")]
    assert len(set(identities)) == len(identities)
    assert all(re.fullmatch(r"urn:uuid:[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", one) for one in identities)
    # Text alone: what a build or a commit said is nowhere markup.
    assert [child.tag for content in root.iter(f"{ATOM}content") for child in content] == []
    assert {content.get("type") for content in root.iter(f"{ATOM}content")} <= {"text"}
    assert {title.get("type") for title in root.iter(f"{ATOM}title")} <= {None, "text"}
    for link in root.iter(f"{ATOM}link"):
        # 4.2.7: an IRI reference, resolved against the feed's own address (section 2, RFC 3986 section 5.1.3).
        place = urlsplit(urljoin(FEED_ADDRESS, link.get("href", "")))
        assert (place.scheme, place.netloc) == ("https", "health.skerry.example")
        assert re.fullmatch(r"/skerry/(feeds|ports|targets)/[A-Za-z0-9._,+-]+", place.path)
        assert not place.query + place.fragment
    return root


def usual(last: int = 5) -> Health:
    return make_health(
        {
            "arm/mere": [(0, 1, image()), (2, 3, image(950)), (4, last, image())],
            "loongarch64/ness": [(0, 0, image()), (1, 2, broken()), (3, 3, image()), (4, last, outgrown(9, "main"))],
        },
        commit_count=last + 1,
        swept=(f"{4:040x}", datetime(2026, 1, 6, 3, tzinfo=UTC)),
    )


def test_port_feed_is_atom_and_tells_every_turn():
    health = usual()
    root = check_feed(render_port_feed(health, health.ports[0]))
    assert [entry.findtext(f"{ATOM}title") for entry in root.findall(f"{ATOM}entry")] == [
        "loongarch64/ness: outgrew",
        "loongarch64/ness: mended",
        "loongarch64/ness: broke",
    ]
    assert root.findtext(f"{ATOM}updated") == "2026-01-05T08:00:00Z"


def test_target_feed_tells_of_the_reserve():
    health = usual()
    root = check_feed(render_target_feed(health, health.ports[1].targets[0]))
    assert [entry.findtext(f"{ATOM}content") for entry in root.findall(f"{ATOM}entry")] == [
        "arm/mere mended at commit 0000000000, Commit 4",
        "arm/mere reserve reached at commit 0000000000, Commit 2: main is 50 B into its reserve",
    ]


def test_feed_of_a_quiet_target_is_whole():
    health = make_health({"arm/mere": [(0, 5, image())]})
    assert check_feed(render_target_feed(health, health.targets[0])).findall(f"{ATOM}entry") == []


def test_ids_and_feeds_stay_while_nothing_happens():
    before, after = usual(5), usual(9)
    assert render_port_feed(before, before.ports[0]) == render_port_feed(after, after.ports[0])


def test_feeds_of_a_site_that_knows_its_address_have_whole_links_and_the_same_ids():
    health = usual()
    port = health.ports[0]
    here, there = (
        check_feed(render_port_feed(health, port, address)) for address in ("", "https://health.skerry.example/skerry/")
    )
    links = [link.get("href", "") for link in there.iter(f"{ATOM}link")]
    assert links == [urljoin(FEED_ADDRESS, link.get("href", "")) for link in here.iter(f"{ATOM}link")]
    assert all(urlsplit(link).scheme == "https" for link in links)
    assert [entry.text for entry in there.iter(f"{ATOM}id")] == [entry.text for entry in here.iter(f"{ATOM}id")]


def test_feed_names_the_culprit_that_a_sweep_found():
    commits = make_line(6)
    turn = TurnRecord(target="arm/mere", turn=Turn.BROKE, culprit_commit_id=commits[3].commit_id)
    found = make_sweep(commits[5].commit_id, datetime(2026, 2, 1, tzinfo=UTC), [turn])
    health = make_health({"arm/mere": [(0, 1, image()), (4, 5, broken())]}, sweeps=[found])
    root = check_feed(render_target_feed(health, health.targets[0]))
    assert root.findtext(f"{ATOM}entry/{ATOM}content") == (
        "arm/mere broke at commit 0000000000, Commit 3: a pointer is cut to 32 bits"
    )


def test_feed_names_nobody_where_commits_before_have_no_result():
    health = make_health({"arm/mere": [(0, 1, image()), (2, 2, broken()), (5, 5, image())]})
    root = check_feed(render_target_feed(health, health.targets[0]))
    told = [
        (entry.findtext(f"{ATOM}author/{ATOM}name"), entry.findtext(f"{ATOM}content"))
        for entry in root.findall(f"{ATOM}entry")
    ]
    assert told == [
        (
            "nobody named",
            "arm/mere mended at commit 0000000000, Commit 5, or one of the 2 commits before it, which have no result",
        ),
        ("Mei Castellan", "arm/mere broke at commit 0000000000, Commit 2: a pointer is cut to 32 bits"),
    ]


def test_what_a_sweep_told_keeps_its_id_and_day_when_more_is_known():
    commits = make_line(6)
    told_at = datetime(2026, 2, 1, tzinfo=UTC)
    found = make_sweep(commits[4].commit_id, told_at, [TurnRecord(target="arm/mere", turn=Turn.BROKE)])

    def entry_of(*runs: tuple[int, int, Outcome]) -> tuple[str | None, ...]:
        health = make_health({"arm/mere": list(runs)}, sweeps=[found])
        root = check_feed(render_target_feed(health, health.targets[0]))
        (entry,) = root.findall(f"{ATOM}entry")
        return (entry.findtext(f"{ATOM}id"), entry.findtext(f"{ATOM}updated"), root.findtext(f"{ATOM}updated"))

    first = entry_of((0, 0, image()), (4, 5, broken()))
    assert first[1:] == ("2026-02-01T00:00:00Z",) * 2
    # A search builds the commits between, and the fault shows two commits earlier.
    assert entry_of((0, 1, image()), (2, 5, broken())) == first


def test_hostile_feeds_are_well_formed():
    health = make_hostile_health()
    for port in health.ports:
        check_feed(render_port_feed(health, port))


@pytest.mark.parametrize("health", [usual(), make_hostile_health()], ids=["usual", "hostile"])
def test_facts_fit_their_schema(health: Health):
    schema = json.loads(read_schema_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    text = render_facts(health)
    assert text.isascii()
    jsonschema.Draft202012Validator(schema, format_checker=jsonschema.FormatChecker()).validate(json.loads(text))


def test_facts_say_what_the_pages_say():
    facts = json.loads(render_facts(usual()))
    assert facts["troubles"][0]["state"] == "outgrown"
    assert facts["ports"][0]["targets"][0]["since"] == {
        "commit": {
            "id": f"{4:040x}",
            "subject": "Commit 4",
            "author": {"name": "Mei Castellan", "email": "mei@skerry.example"},
            "committed_at": "2026-01-05T08:00:00Z",
        },
        "culprit": None,
        "unknown_before": 0,
        "from_start": False,
        "proved": False,
    }


@pytest.mark.parametrize("searched", [True, False])
def test_facts_tell_a_culprit_that_was_searched_for_from_a_commit_that_first_shows_it(searched: bool):
    commits = make_line(6)
    turn = TurnRecord(target="arm/mere", turn=Turn.BROKE, culprit_commit_id=commits[4].commit_id if searched else None)
    found = make_sweep(commits[5].commit_id, datetime(2026, 2, 1, tzinfo=UTC), [turn])
    facts = json.loads(render_facts(make_health({"arm/mere": [(0, 3, image()), (4, 5, broken())]}, sweeps=[found])))
    jsonschema.validate(facts, json.loads(read_schema_text()))
    (trouble,) = facts["troubles"]
    (target,) = facts["ports"][0]["targets"]
    assert trouble["since"] == target["since"]
    (event,) = target["events"]
    assert (target["since"]["commit"]["id"], event["commit"]) == (commits[4].commit_id, commits[4].commit_id)
    assert [(told["culprit"], told["proved"]) for told in (target["since"], event)] == [(None, searched)] * 2


def test_badges_are_named_drawings():
    health = usual()
    port = ElementTree.fromstring(render_port_badge(health.ports[0]))
    target = ElementTree.fromstring(render_target_badge(health.ports[0].targets[0]))
    assert port.findtext("{http://www.w3.org/2000/svg}title") == "loongarch64: 0 of 1 well"
    assert target.findtext("{http://www.w3.org/2000/svg}title") == "loongarch64/ness: outgrown"
