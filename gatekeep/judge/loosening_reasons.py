"""
What the commits of a change loosen, as reasons.

Each loosening is told at the first commit whose matrix shows it, with all targets that it reaches there. A later commit
that takes it back is named and mends nothing: between the two, the gate of every commit stood wider than the base
allows. One that changes the value again makes a reason of its own, since that is another thing to answer for.

All of them block until somebody whom the base trusts approves them; `Loosening.statement` is what an approval holds.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from gatekeep.judge.case import Case
from gatekeep.judge.loosening import Loosening, list_loosenings
from gatekeep.judge.wording import describe_targets, say_mended
from gatekeep.model.change import Commit
from gatekeep.model.verdict import Reason, Rule

#: A loosening of one target (None for the rules and claims), whatever its value.
_Spot = tuple[tuple[str, ...], str | None]


@dataclass(slots=True)
class _Episode:
    """A loosening of one target from the commit that brought it to the one that took it back."""

    loosening: Loosening
    target: str | None
    commit: Commit
    mended_by: Commit | None = None


def list_loosened(case: Case) -> Iterator[Reason]:
    """Give one reason for each loosening and first commit; a commit whose matrix is wrong has its reason elsewhere."""
    groups: dict[tuple[object, ...], list[_Episode]] = {}
    for episode in _list_episodes(case):
        told = episode.loosening
        mended_at = episode.mended_by.commit_id if episode.mended_by else None
        key = (told.subject, told.aspect, told.message, episode.commit.commit_id, mended_at)
        groups.setdefault(key, []).append(episode)
    for members in groups.values():
        yield _reason_of(case, members)


def list_statements(case: Case) -> tuple[str, ...]:
    """
    Give all that the change loosens, one line each: what an approval of it holds.

    Nothing of it rests on a build, so the evidence of the case may be missing.

    Returns:
        Sorted, each once; empty when there is nothing to approve.
    """
    said = {episode.loosening.statement for episode in _list_episodes(case)}
    dropped = {
        target.name
        for commit in case.change.judged
        if (here := case.matrices.get(commit.tree_id)) is not None
        for target in case.matrix_before(commit).targets
        if here.get_target(target.name) is None
    }
    if dropped:
        said.add(f"the targets: dropped from the matrix; {', '.join(sorted(dropped))}")
    return tuple(sorted(said))


def _list_episodes(case: Case) -> tuple[_Episode, ...]:
    episodes: list[_Episode] = []
    open_episodes: dict[_Spot, _Episode] = {}
    # Most commits leave the matrix and its waivers as they are, and share one value of each.
    found: dict[tuple[object, ...], tuple[Loosening, ...]] = {}
    for commit in case.change.judged:
        here = case.matrices.get(commit.tree_id)
        if here is None:
            continue
        base = case.matrix_before(commit)
        waived_before, waived = case.waivers_of(case.change.base_of(commit)), case.waivers_of(commit)
        key = (id(base), id(here), waived_before, waived)
        if key not in found:
            found[key] = list_loosenings(base, here, waived_before, waived)
        spots: dict[_Spot, Loosening] = {
            (loosening.aspect, target): loosening for loosening in found[key] for target in loosening.targets or (None,)
        }
        kept = {target.name for target in here.targets}
        for spot in [spot for spot in open_episodes if spot not in spots]:
            closed = open_episodes.pop(spot)
            # Dropping the target as well takes nothing back.
            closed.mended_by = commit if closed.target is None or closed.target in kept else None
        for spot, loosening in spots.items():
            before = open_episodes.get(spot)
            if before is None or (before.loosening.subject, before.loosening.message) != (
                loosening.subject,
                loosening.message,
            ):
                open_episodes[spot] = _Episode(loosening=loosening, target=spot[1], commit=commit)
                episodes.append(open_episodes[spot])
    return tuple(episodes)


def _reason_of(case: Case, members: list[_Episode]) -> Reason:
    first = members[0]
    told = first.loosening
    names = tuple(sorted(member.target for member in members if member.target is not None))
    base = case.matrix_before(first.commit)
    # New targets stand in the commit's own matrix alone.
    known = base if all(base.get_target(name) is not None for name in names) else case.matrix_of(first.commit)
    concerned = describe_targets(names, known) if names else ""
    if not told.subject:
        whom = concerned
    elif concerned and told.aspect[0] != "port":
        whom = f"{told.subject} of {concerned}"
    else:
        whom = told.subject
    details = []
    if first.mended_by is not None:
        details.append(f"{say_mended(case.change, first.mended_by)}, but every commit of a change must hold")
    places = {f"{place.path}:{place.line}" for member in members if (place := member.loosening.place) is not None}
    return Reason(
        rule=Rule.LOOSENED,
        commit_id=first.commit.commit_id,
        targets=names,
        whom=whom,
        message=f"{told.message}; a change cannot loosen its own gate",
        place=places.pop() if len(places) == 1 else "",
        details=tuple(details),
    )
