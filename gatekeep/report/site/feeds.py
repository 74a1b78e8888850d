"""
An Atom feed for each port and target: what broke, was mended, outgrew its flash, reached its reserve.

Ids are name-based UUIDs of what happened, so that a reader is told once, however often the site is written, and from
whatever place it is read. What a sweep has told is named and dated by that sweep: the commit at which it shows first
becomes another one when more commits are built, and a fault found tonight in an old commit is tonight's news. What
only gates have seen is named and dated by its commit. A feed that nothing happened to stays the same, byte for byte.

Links are relative to the feed's own address (RFC 3986, section 5.1.3), which serves wherever the folder lies; some
readers need whole addresses, and get them where the site is told its own.

Source: RFC 4287, sections 4.1.1 (what a feed must hold), 4.1.2 (an entry) and 4.2.6 (ids); RFC 4122, section 4.3.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID, uuid5

from gatekeep.model.health import Event, Health, PortHealth, TargetHealth
from gatekeep.report.site import names
from gatekeep.report.site.page import render

#: Made for this purpose alone.
_NAMESPACE = UUID("6f1d0a52-9b0e-4c55-8f39-6f5b4d7c2a10")
#: A reader that looks once a month misses nothing of a port that breaks every day.
_ENTRIES = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedEntry:
    """One entry; `page` is a path of the site."""

    identity: str
    event: Event
    page: str
    updated_at: datetime


def render_port_feed(health: Health, port: PortHealth, address: str = "") -> str:
    """Render the feed of a port: of all its targets; `address` is the site's own, ended by a slash, where known."""
    events = [event for target in port.targets for event in target.events]
    return _render(health, port.port.name, names.port_page(port.port.name), events, address)


def render_target_feed(health: Health, target: TargetHealth, address: str = "") -> str:
    """Render the feed of one target; `address` as for `render_port_feed`."""
    return _render(health, target.name, names.target_page(target.name), target.events, address)


def _render(health: Health, name: str, page: str, events: Sequence[Event], address: str) -> str:
    newest = sorted(
        events, key=lambda event: (-_date(event).timestamp(), -health.position_of(event.commit), event.target)
    )[:_ENTRIES]
    entries = [
        FeedEntry(
            identity=_identity(health.tree, health.branch, event.target, event.kind.value, *_name(event)),
            event=event,
            page=names.target_page(event.target),
            updated_at=_date(event),
        )
        for event in newest
    ]
    return render(
        "feed.atom.j2",
        health=health,
        name=name,
        base=address or "../",
        page=page,
        self_path=names.feed_path(name),
        identity=_identity(health.tree, health.branch, name, "feed"),
        entries=entries,
        updated_at=max((entry.updated_at for entry in entries), default=health.commits[0].committed_at),
    )


def _date(event: Event) -> datetime:
    return event.told_at or event.commit.committed_at


def _name(event: Event) -> tuple[str, ...]:
    return (event.commit.commit_id,) if event.told_of is None else ("told", event.told_of)


def _identity(*facts: str) -> str:
    # NUL cannot be in a name, so two lists of facts never give the same text.
    return f"urn:uuid:{uuid5(_NAMESPACE, chr(0).join(facts).encode('utf-8', 'backslashreplace').decode())}"
