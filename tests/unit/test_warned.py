"""A new warning is heard of: on the front page while it is news and there, in feeds and on pages for good."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import jsonschema
import pytest

from gatekeep.model.evidence import Diagnostic
from gatekeep.model.health import EventKind, Health
from gatekeep.model.history import Sweep, Turn, TurnRecord
from gatekeep.model.rule import Rule
from gatekeep.model.waiver import Waiver
from gatekeep.report.site.facts import read_schema_text, render_facts
from gatekeep.report.site.feeds import render_port_feed
from gatekeep.report.site.names import target_page
from gatekeep.report.site.pages import render_front_page, render_port_page, render_target_page
from tests.atom import check_atom
from tests.cases import make_waiver, warning
from tests.site_cases import image, make_health, make_line, make_sweep
from tests.unit.test_site_pages import Reader

COMMITS = make_line(6)
SIDE = replace(COMMITS[0], commit_id="f" * 40, subject="On the side", author_name="Isa Thorne")
ENDED = datetime(2026, 1, 6, 3, tzinfo=UTC)
WARNING = warning("unused variable 'tide'", path="app/main.c")


def told(culprit: str | None, *targets: str, at: int = 4, ended: datetime = ENDED) -> Sweep:
    turns = [
        TurnRecord(
            target=name,
            turn=Turn.WARNED,
            message="new warning: unused variable 'tide' [-Wunused-variable] at app/main.c:7",
            culprit_commit_id=culprit,
        )
        for name in targets
    ]
    return make_sweep(COMMITS[at].commit_id, ended, turns)


def show(*sweeps: Sweep, found: Diagnostic | None = WARNING, waivers: Sequence[Waiver] = ()) -> Health:
    names = ("arm/mere", "arm/holm")
    return make_health(
        {name: [(0, 5, image())] for name in names},
        warnings=dict.fromkeys(names, (found,)) if found is not None else {},
        sweeps=sweeps,
        side_commits=(SIDE,),
        waivers=waivers,
    )


@pytest.mark.parametrize(
    ("culprit", "words"),
    [
        (COMMITS[3].commit_id, "warn anew since 0000000000 Commit 3 by Mei Castellan"),
        (SIDE.commit_id, "warn anew since ffffffffff On the side by Isa Thorne"),
        (None, "warn anew as first seen at 0000000000 Commit 4 by Mei Castellan"),
    ],
)
def test_a_new_warning_is_told_with_its_commit(culprit: str | None, words: str):
    health = show(told(culprit, "arm/mere", "arm/holm"))
    said = "unused variable 'tide' [-Wunused-variable] at app/main.c:7"
    front = Reader(render_front_page(health)).words
    assert f"New warnings Both targets {words}: {said}." in front.replace("Both targets of arm", "Both targets")
    news = render_front_page(health).partition("New warnings")[2].partition("</ul>")[0]
    assert [name for name in ("arm/mere", "arm/holm") if f'href="{target_page(name)}"' in news] == [
        "arm/mere",
        "arm/holm",
    ]
    # It is no state: all are well.
    assert "Nobody. Both targets are well." in front
    cause = culprit or COMMITS[4].commit_id
    for target in health.targets:
        (event,) = target.events
        assert (event.kind, event.cause.commit_id, event.is_proved) == (EventKind.WARNED, cause, culprit is not None)
        assert f"Warned at {cause[:10]}" in Reader(render_target_page(health, target)).words
    assert f"arm/mere warned at {cause[:10]}" in Reader(render_port_page(health, health.ports[0])).words
    feed = render_port_feed(health, health.ports[0])
    check_atom(feed)
    assert f"arm/mere warned at commit {cause[:10]}" in feed
    facts = json.loads(render_facts(health))
    jsonschema.validate(facts, json.loads(read_schema_text()))
    assert facts["new_warnings"] == [
        {
            "targets": ["arm/mere", "arm/holm"],
            "message": said,
            "commit": cause,
            "proved": culprit is not None,
            "told_at": "2026-01-06T03:00:00Z",
        }
    ]


def test_news_of_a_warning_ends_after_a_week_or_with_the_warning_or_by_a_waiver():
    first = told(None, "arm/mere", at=2, ended=ENDED - timedelta(days=7))
    assert [one.targets for one in show(first, told(None)).warned] == [("arm/mere",)]
    over = show(first, replace(told(None), finished_at=ENDED + timedelta(seconds=1)))
    assert over.warned == ()
    # What happened stays told.
    assert [event.kind for event in over.targets[0].events] == [EventKind.WARNED]
    assert show(first, found=None).warned == ()
    assert show(first, found=replace(WARNING, message="another")).warned == ()
    assert show(first, found=replace(WARNING, path="app/other.c")).warned == ()
    assert [one.targets for one in show(first, found=replace(WARNING, line=99)).warned] == [("arm/mere",)]
    waived = make_waiver(Rule.NEW_WARNING, "arm/mere", until=date(2026, 6, 30))
    assert show(first, waivers=(waived,)).warned == ()
    assert show(replace(first, commit_id="e" * 40)).targets[0].events == ()
