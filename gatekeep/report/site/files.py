"""
Every file of the site, with what it is made from.

A file's digest covers all that its content depends on: the values, the templates and our own modules. While it stays
the same, nothing need be rendered: after one more commit most commit pages are as they were.
"""

from __future__ import annotations

import hashlib
from bisect import bisect_left
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from functools import cache, partial
from importlib.resources import files
from importlib.resources.abc import Traversable
from operator import attrgetter
from typing import Any

import gatekeep
from gatekeep.model.change import Commit
from gatekeep.model.health import Beginning, CleanBuild, CommitHealth, Event, Health, PortHealth, Run, TargetHealth
from gatekeep.report.site import names
from gatekeep.report.site.badge import render_port_badge, render_target_badge
from gatekeep.report.site.drawing import end_of_axis, last_step_of_axis
from gatekeep.report.site.facts import read_schema_text, render_facts
from gatekeep.report.site.feeds import render_port_feed, render_target_feed
from gatekeep.report.site.notes import PageNotes
from gatekeep.report.site.page import list_assets
from gatekeep.report.site.pages import (
    NEWEST_CHANGES,
    SYMBOLS_SHOWN,
    render_article,
    render_commit_page,
    render_front_page,
    render_port_page,
    render_target_page,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteFile:
    """
    One file: its path in the site, what gives the digest of what it is made from, and how to make it.

    `note` is told the digest when the file stands as it should. `is_earlier` says that nothing but the digest is known:
    the page must be there already and cannot be made.
    """

    path: str
    find_digest: Callable[[], str]
    render: Callable[[], str]
    note: Callable[[str], object] = lambda _digest: None
    is_earlier: bool = False

    @property
    def digest(self) -> str:
        """Find the digest, which takes a tenth of what rendering takes."""
        return self.find_digest()


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """
    Files that may be written in any order.

    `parts` render parts of pages that come later; `keep` takes what they gave, in their order, before a file of the
    next stage is rendered.
    """

    files: Sequence[SiteFile]
    parts: Sequence[Callable[[], str]] = ()
    keep: Callable[[Sequence[str]], object] = lambda _texts: None


def iter_files(health: Health, address: str = "", notes: PageNotes | None = None) -> Iterator[SiteFile]:
    """Give every file of the site, as `iter_stages` does."""
    for stage in iter_stages(health, address, notes if notes is not None else PageNotes()):
        yield from stage.files
        stage.keep([part() for part in stage.parts])


def iter_stages(health: Health, address: str, notes: PageNotes) -> Iterator[Stage]:
    """
    Give every file of the site, what is linked to before what links to it, the front page last.

    A site whose stages are written one after the other, each in any order, never shows a link from an upper page into
    nothing, and its front page is old until all is new. The next stage may be asked for while one is rendered.

    Args:
        health: What is shown.
        address: As for `write_site`.
        notes: What is known from an earlier run, of `health.earlier_pages` at least; afterwards, what is known now.
    """
    border = last_step_of_axis(len(health.commits))
    if notes.border != border:
        notes.runs.clear()
        notes.border = border
    assets = [
        SiteFile(path=path, find_digest=partial(_digest, path), render=partial(str, content))
        for path, content in list_assets().items()
    ]
    schema = SiteFile(path=names.SCHEMA, find_digest=partial(_digest, "schema"), render=read_schema_text)
    yield Stage(files=[*assets, schema])
    yield Stage(files=list(_iter_commit_pages(health, notes)))
    frame = _Frame(health, address)
    pages = {
        port.port.name: [_digest_target(frame, port, target, notes, border) for target in port.targets]
        for port in health.ports
    }
    target_files = [
        file
        for port in health.ports
        for target, digest in zip(port.targets, pages[port.port.name], strict=True)
        for file in _list_target_files(frame, target, digest)
    ]
    parts, keep = _renew_articles(health, notes, pages)
    yield Stage(files=target_files, parts=parts, keep=keep)
    port_files = [file for port in health.ports for file in _list_port_files(frame, port, pages[port.port.name], notes)]
    yield Stage(files=port_files)
    newest = [digest for port in health.ports for digest in pages[port.port.name]]
    sweeps = (health.swept, health.swept_at, health.swept_state, health.undecided, health.open_sweep, health.warned)
    changes = health.changes[-NEWEST_CHANGES:]
    whole = partial(_digest, health.head, len(health.commits), newest, health.troubles, changes, sweeps)
    yield Stage(files=[SiteFile(path=names.FACTS, find_digest=whole, render=partial(render_facts, health))])
    yield Stage(files=[SiteFile(path=names.FRONT, find_digest=whole, render=partial(render_front_page, health))])


def _iter_commit_pages(health: Health, notes: PageNotes) -> Iterator[SiteFile]:
    where, target_count = (health.tree, health.branch), health.target_count
    for commit_id in health.earlier_pages:
        known = partial(str, notes.commits[commit_id])
        yield SiteFile(path=names.commit_page(commit_id), find_digest=known, render=str, is_earlier=True)
    for change in health.changes:
        yield SiteFile(
            path=names.commit_page(change.commit.commit_id),
            find_digest=partial(_digest_change, where, change, target_count),
            render=partial(render_commit_page, health, change),
            note=partial(notes.commits.__setitem__, change.commit.commit_id),
        )


def _digest_change(where: tuple[str, str], change: CommitHealth, target_count: int) -> str:
    return _digest(where, change.commit, change.position, target_count, *_list_changed(change))


class _Frame:
    """What all pages of targets and ports share: `facts` and `paged` are what stands in each, or is asked by each."""

    def __init__(self, health: Health, address: str) -> None:
        self.health, self.address = health, address
        self.where = (health.tree, health.branch)
        self.first = _tell_commit(health.commits[0])
        # Drawings span the branch, and so depend on where their axis ends.
        end = end_of_axis(len(health.commits))
        self.facts = _digest(*self.where, self.first, end, health.tags, health.swept is not None)
        # By target: its page, its feed and its port's feed tell them.
        self.events = {target.name: _digest(*map(_tell_event, target.events)) for target in health.targets}
        self.paged = frozenset((*health.earlier_pages, *(change.commit.commit_id for change in health.changes)))


def _digest_target(frame: _Frame, port: PortHealth, target: TargetHealth, notes: PageNotes, border: int) -> str:
    name = target.name
    linked = sorted({commit.commit_id for commit in _iter_linked(frame.health, target)} & frame.paged)
    if name not in notes.runs:
        notes.runs[name] = _digest(*map(_list_run, (run for run in target.runs if run.last < border)))
    shown = (frame.events[name], *_list_facts(frame.health, target, border))
    return _digest(frame.facts, port.port, linked, notes.runs[name], *shown)


def _iter_linked(health: Health, target: TargetHealth) -> Iterator[Commit]:
    """Give the commits that a target's pages lead to where these have a page, which other targets can give or take."""
    for event in target.events:
        yield from (event.commit, event.cause)
    if target.beginning is not None:
        yield from (target.beginning.commit, target.beginning.cause)
    # What is measured at the newest commit is not said to be: so pages stay the same after the next one.
    measured = target.measured if target.measured != health.head else None
    clean = target.clean.commit if target.clean is not None else None
    yield from (commit for commit in (target.built_commit, measured, clean) if commit is not None)


def _list_target_files(frame: _Frame, target: TargetHealth, digest: str) -> tuple[SiteFile, ...]:
    health, address, name = frame.health, frame.address, target.name
    return (
        SiteFile(
            path=names.target_page(name),
            find_digest=partial(str, digest),
            render=partial(render_target_page, health, target),
        ),
        SiteFile(
            path=names.feed_path(name),
            find_digest=partial(_digest, frame.where, frame.first, address, name, frame.events[name]),
            render=partial(render_target_feed, health, target, address),
        ),
        SiteFile(
            path=names.badge_path(name),
            find_digest=partial(_digest, name, target.state, target.fullest),
            render=partial(render_target_badge, target),
        ),
    )


def _renew_articles(
    health: Health, notes: PageNotes, pages: Mapping[str, Sequence[str]]
) -> tuple[Sequence[Callable[[], str]], Callable[[Sequence[str]], None]]:
    """Give what renders anew what ports' pages show of those targets that are not as they were, and what keeps it."""
    earlier, notes.articles = notes.articles, {}
    due: dict[str, Callable[[], str]] = {}
    for port in health.ports:
        for number, (target, digest) in enumerate(zip(port.targets, pages[port.port.name], strict=True), 1):
            place = _digest(digest, number)
            known = earlier.get(target.name)
            if known is None or known[0] != place:
                due[target.name] = partial(render_article, health, target, number)
            notes.articles[target.name] = known if known is not None and known[0] == place else (place, "")

    def keep(texts: Sequence[str]) -> None:
        for name, text in zip(due, texts, strict=True):
            notes.articles[name] = (notes.articles[name][0], text)

    return list(due.values()), keep


def _list_port_files(frame: _Frame, port: PortHealth, pages: Sequence[str], notes: PageNotes) -> tuple[SiteFile, ...]:
    health, address, name = frame.health, frame.address, port.port.name
    events = [frame.events[target.name] for target in port.targets]

    def render_page() -> str:
        return render_port_page(health, port, [notes.articles[target.name][1] for target in port.targets])

    return (
        SiteFile(
            path=names.feed_path(name),
            find_digest=partial(_digest, frame.where, frame.first, address, name, events),
            render=partial(render_port_feed, health, port, address),
        ),
        SiteFile(
            path=names.badge_path(name),
            find_digest=partial(_digest, name, port.well_count, len(port.targets)),
            render=partial(render_port_badge, port),
        ),
        SiteFile(
            path=names.port_page(name),
            find_digest=partial(_digest, list(pages)),
            render=render_page,
        ),
    )


def _list_changed(change: CommitHealth) -> Iterator[object]:
    """Give all that a commit's page shows of its targets, flat, as `_list_facts` does."""
    for one in change.changes:
        before = one.before.name if one.before is not None else None
        sizes = [(use.region, use.before_bytes, use.after_bytes) for use in one.regions]
        warnings = (one.warnings_before, one.warnings_after)
        yield (one.target, before, one.after.name, one.message, sizes, warnings, one.unknown_count)


def _list_run(run: Run) -> object:
    sizes = [(use.name, use.used_bytes, use.capacity_bytes, use.reserve_bytes, use.flash) for use in run.regions]
    return (run.first, run.last, run.state.name, run.warning_count, sizes)


def _make_teller(kind: type, *commits: str) -> Callable[[Any], tuple[Any, ...] | None]:
    """
    Give what turns a value into a flat one of the same facts, for `_digest`; None stays None.

    Thousands of events and their commits are told in each run, and to print them as they are took half of all digests.

    Args:
        kind: A dataclass.
        commits: Which of its fields are commits, or None.
    """
    tell_plain = attrgetter(*(entry.name for entry in fields(kind) if entry.name not in commits))

    def tell(value: Any) -> tuple[Any, ...] | None:  # noqa: ANN401 - of `kind`
        if value is None:
            return None
        return (tell_plain(value), *(_tell_commit(getattr(value, name)) for name in commits))

    return tell


_tell_commit = _make_teller(Commit)
_tell_event = _make_teller(Event, "commit", "culprit")
_tell_beginning = _make_teller(Beginning, "commit", "culprit")
_tell_clean = _make_teller(CleanBuild, "commit")


def _list_facts(health: Health, target: TargetHealth, border: int) -> Iterator[object]:
    """
    Give all that a target's pages show but its runs that ended before the border, flat: texts of nested values cost a
    hundred times as much.

    What stands at the newest commit is said to, wherever that is, so that it stays the same after the next one.
    """
    newest = len(health.commits) - 1
    begin = bisect_left(target.runs, border, key=lambda run: run.last)
    for run in target.runs[begin:]:
        yield _list_run(run) if run.last != newest else (_list_run(run._replace(last=-1)), "until now")
    if target.runs and target.runs[-1].last < newest:
        yield newest
    if target.evidence is not None:
        evidence = target.evidence
        yield (evidence.diagnostics, evidence.toolchain_version, evidence.started_at)
    if target.footprint is not None:
        footprint = target.footprint
        yield (footprint.regions, footprint.sections, footprint.symbols[:SYMBOLS_SHOWN])
    yield _tell_commit(target.measured if target.measured != health.head else None)
    yield (target.target.part, target.target.recipe.name, target.target.toolchain.name)
    yield (target.state, target.message, target.place, _tell_commit(target.built_commit))
    yield (_tell_beginning(target.beginning), _tell_clean(target.clean))
    yield (target.outlooks, target.log, target.waivers, target.bars)
    yield target.durations_s


def _digest(*values: object) -> str:
    """
    Digest values by how they print: all are frozen values, whose text says everything that is in them.

    Sets have no order and are not to be among them.
    """
    made_from = hashlib.sha256(_templates_digest())
    made_from.update(repr(values).encode("utf-8", "backslashreplace"))
    return made_from.hexdigest()


@cache
def _templates_digest() -> bytes:
    """Digest what turns values into pages: gatekeep's version and `list_makers`."""
    found = hashlib.sha256(gatekeep.__version__.encode())
    for entry in list_makers():
        found.update(entry.name.encode() + b"\0" + entry.read_bytes() + b"\0")
    return found.digest()


def list_makers() -> Iterator[Traversable]:
    """Give the files by which values become pages: templates, schemas and modules, always in the same order."""
    report = files("gatekeep.report")
    rooms = ((report / "templates", ""), (report / "site", ".py"), (report, (".json", ".py")))
    for room, endings in (*rooms, (files("gatekeep.model"), ".py")):
        for entry in sorted(room.iterdir(), key=lambda entry: entry.name):
            if entry.is_file() and entry.name.endswith(endings):
                yield entry
