"""
The pages: each a pure function of health values.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from markupsafe import Markup

from gatekeep.model.change import Commit
from gatekeep.model.health import (
    STATES_BY_URGENCY,
    Beginning,
    CommitHealth,
    Health,
    Outlook,
    PortHealth,
    State,
    TargetChange,
    TargetHealth,
    Trouble,
    WarnedAnew,
)
from gatekeep.report.site.page import list_assets, render
from gatekeep.report.site.words import brief, say_behind, short_name

_SECTIONS_SHOWN = 24
SYMBOLS_SHOWN = 12
#: Whose durations a target's page draws.
BUILDS_SHOWN = 60
_EVENTS_SHOWN = 30
NEWEST_CHANGES = 12
_NAMES_JOINED = 4
#: What the front page says of any one thing, so that it stays below 200 KB whatever compilers and people write; the
#: pages that it leads to say it whole. Characters, after what cannot be seen has become visible.
_CAUSES_SHOWN = 24
_LEAST_WAIVED = 4
_BARRED_SHOWN = 6
_NEWS_SHOWN = 12
_MESSAGE_CHARACTERS = 200
_PLACE_CHARACTERS = 120
_SUBJECT_CHARACTERS = 120
_NAME_CHARACTERS = 60
#: Links to targets that share a cause: so many each where few causes have several targets, else so many together.
_MOST_LINKS_EACH = 12
_LEAST_LINKS_EACH = 2
_LINKS_SHOWN = 72


@dataclass(frozen=True, slots=True, kw_only=True)
class WarningLine:
    """Warnings of one file under one option; `lines` ascending, without repeats."""

    path: str
    option: str
    count: int
    lines: tuple[int, ...]
    message: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeGroup:
    """
    Targets that one commit turned in the same way: `count` of them, `change` is the first's.

    `alike` holds them by how much their regions grew, most first; never empty.
    """

    change: TargetChange
    count: int
    alike: tuple[tuple[TargetChange, ...], ...]


def render_front_page(health: Health) -> str:
    """Render the page that is looked at in the morning."""
    urgent = [trouble for trouble in health.troubles if trouble.waived_until is None]
    waived = [trouble for trouble in health.troubles if trouble.waived_until is not None]
    shown, excused = urgent[:_CAUSES_SHOWN], waived[: max(_LEAST_WAIVED, _CAUSES_SHOWN - len(urgent))]
    news = health.warned[:_NEWS_SHOWN]
    reached = [*(one.targets for one in (*shown, *excused)), *(one.targets for one in news)]
    shared_count = sum(len(targets) > 1 for targets in reached)
    outlooks = list_outlooks(health)
    barred = [target for target in health.targets if target.bars]
    return render(
        "front.html.j2",
        **_frame(health, ""),
        head=_brief_commit(health.head),
        behind=say_behind(health),
        barred=[_brief_bars(target) for target in barred[:_BARRED_SHOWN]],
        barred_left=len(barred[_BARRED_SHOWN:]),
        urgent=[_brief_trouble(trouble) for trouble in shown],
        urgent_left=urgent[len(shown) :],
        waived=[_brief_trouble(trouble) for trouble in excused],
        waived_left=waived[len(excused) :],
        links_each=min(_MOST_LINKS_EACH, max(_LEAST_LINKS_EACH, _LINKS_SHOWN // max(shared_count, 1))),
        warned=[_brief_news(one) for one in news],
        warned_left=len(health.warned[_NEWS_SHOWN:]),
        outlooks=outlooks[:_CAUSES_SHOWN],
        outlooks_left=len(outlooks[_CAUSES_SHOWN:]),
        port_troubles=list_port_troubles,
        recent=[
            replace(change, commit=_brief_commit(change.commit))
            for change in health.changes[: -NEWEST_CHANGES - 1 : -1]
        ],
    )


def _brief_trouble(trouble: Trouble) -> Trouble:
    return replace(
        trouble,
        message=brief(trouble.message, _MESSAGE_CHARACTERS),
        place=brief(trouble.place, _PLACE_CHARACTERS, at_end=True),
        beginning=_brief_beginning(trouble.beginning) if trouble.beginning is not None else None,
    )


def _brief_news(one: WarnedAnew) -> WarnedAnew:
    event = one.event
    culprit = _brief_commit(event.culprit) if event.culprit is not None else None
    message = brief(event.message, _MESSAGE_CHARACTERS)
    return replace(one, event=replace(event, commit=_brief_commit(event.commit), culprit=culprit, message=message))


def _brief_bars(target: TargetHealth) -> TargetHealth:
    last = target.bars[-1]
    return replace(target, bars=(replace(last, what=brief(last.what, _MESSAGE_CHARACTERS)),))


def _brief_beginning(beginning: Beginning) -> Beginning:
    culprit = _brief_commit(beginning.culprit) if beginning.culprit is not None else None
    return replace(beginning, commit=_brief_commit(beginning.commit), culprit=culprit)


def _brief_commit(commit: Commit) -> Commit:
    subject, name = brief(commit.subject, _SUBJECT_CHARACTERS), brief(commit.author_name, _NAME_CHARACTERS)
    return replace(commit, subject=subject, author_name=name)


def render_article(health: Health, target: TargetHealth, number: int) -> str:
    """Render what a port's page shows of a target, the so many'th of its port."""
    return render("article.html.j2", **_frame(health, "../"), target=target, n=number)


def render_port_page(health: Health, port: PortHealth, articles: Sequence[str] | None = None) -> str:
    """Render one port's page; `articles` are those of its targets, where `render_article` has given them before."""
    if articles is None:
        articles = [render_article(health, target, number) for number, target in enumerate(port.targets, 1)]
    events = sorted(
        (event for target in port.targets for event in target.events),
        key=lambda event: (-health.position_of(event.commit), event.target),
    )
    return render(
        "port.html.j2",
        **_frame(health, "../"),
        port=port,
        # Markup of our own: what is in it was escaped where it was put together.
        articles=[Markup(article) for article in articles],  # noqa: S704 - see above
        events=events[:_EVENTS_SHOWN],
    )


def render_target_page(health: Health, target: TargetHealth) -> str:
    """Render one target's page."""
    port = next(port for port in health.ports if port.port.name == target.target.port)
    footprint = target.footprint
    sections = Counter[str]()
    for name, amount in footprint.sections if footprint is not None else ():
        sections[name] += amount
    return render(
        "target.html.j2",
        **_frame(health, "../"),
        target=target,
        port=port,
        sections=sections.most_common(_SECTIONS_SHOWN),
        section_count=len(sections),
        symbols=(footprint.symbols if footprint is not None else ())[:SYMBOLS_SHOWN],
        warnings=group_warnings(target),
        longest_s=max(target.durations_s, default=0.0),
    )


def render_commit_page(health: Health, change: CommitHealth) -> str:
    """Render what one commit changed, and for which targets."""
    return render(
        "commit.html.j2",
        **_frame(health, "../"),
        change=change,
        groups=group_changes(change),
        target_count=health.target_count,
    )


def list_outlooks(health: Health) -> list[tuple[TargetHealth, Outlook]]:
    """Give the regions that reach their reserve soon, or were to before now, soonest first."""
    soon = [(target, outlook) for target in health.targets for outlook in target.outlooks if outlook.is_soon]
    return sorted(soon, key=lambda entry: (entry[1].reached_on, entry[0].name, entry[1].region))


def list_port_troubles(port: PortHealth) -> list[Trouble]:
    """Put together the targets of one port that are in the same state since the same commit, worst first."""
    groups: dict[tuple[State, str], list[TargetHealth]] = {}
    for target in port.targets:
        if target.state is not State.WELL:
            since = target.beginning.cause.commit_id if target.beginning is not None else ""
            groups.setdefault((target.state, since), []).append(target)
    troubles = [
        Trouble(
            state=state,
            whom=_join([short_name(target) for target in targets]),
            targets=tuple(target.name for target in targets),
            message="",
            place="",
            beginning=targets[0].beginning,
        )
        for (state, _), targets in groups.items()
    ]
    return sorted(troubles, key=lambda trouble: STATES_BY_URGENCY.index(trouble.state))


def _join(names: list[str]) -> str:
    if len(names) > _NAMES_JOINED:
        return f"{', '.join(names[: _NAMES_JOINED - 1])} and {len(names) - _NAMES_JOINED + 1} more"
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def group_warnings(target: TargetHealth) -> list[WarningLine]:
    """Put a target's warnings together by file and option, the files with most first."""
    found: dict[tuple[str, str], list[tuple[int | None, str]]] = {}
    for warning in target.evidence.warnings if target.evidence is not None else ():
        found.setdefault((warning.path or "", warning.option or ""), []).append((warning.line, warning.message))
    rows = [
        WarningLine(
            path=path,
            option=option,
            count=len(entries),
            lines=tuple(sorted({line for line, _ in entries if line is not None})),
            message=entries[0][1],
        )
        for (path, option), entries in found.items()
    ]
    return sorted(rows, key=lambda row: (-row.count, row.path, row.option))


def group_changes(change: CommitHealth) -> list[ChangeGroup]:
    """Put together targets that turned in the same way, what is worse first, and in each those that grew alike."""
    groups: dict[tuple[object, ...], list[TargetChange]] = {}
    for one in change.changes:
        key = (one.before, one.after, one.message, one.warnings_after - one.warnings_before, one.unknown_count)
        groups.setdefault(key, []).append(one)
    made = []
    for ones in groups.values():
        sizes: dict[tuple[tuple[str, int], ...], list[TargetChange]] = {}
        for one in ones:
            sizes.setdefault(tuple((region.region, region.delta_bytes) for region in one.regions), []).append(one)
        alike = sorted(sizes.values(), key=lambda members: (-_growth(members[0]), members[0].target))
        made.append(ChangeGroup(change=ones[0], count=len(ones), alike=tuple(map(tuple, alike))))
    return sorted(made, key=lambda group: (_urgency(group.change), group.alike[0][0].target))


def _urgency(change: TargetChange) -> int:
    turned = change.before is not change.after
    return STATES_BY_URGENCY.index(change.after) if turned else len(STATES_BY_URGENCY)


def _growth(change: TargetChange) -> int:
    return max((abs(region.delta_bytes) for region in change.regions), default=0)


def _frame(health: Health, root: str) -> dict[str, object]:
    style, script = list_assets()
    return {"health": health, "root": root, "style": style, "script": script, "State": State}
