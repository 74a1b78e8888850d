"""
How every target stands, since which commit, and what needs somebody: runs of results to `Health`.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import assert_never

from gatekeep.judge.culprits import Culprits
from gatekeep.judge.outlook import see_on
from gatekeep.judge.warned import list_news, list_warned_events
from gatekeep.judge.wording import describe_targets, generalise_files
from gatekeep.model.audit import Bar
from gatekeep.model.change import Commit
from gatekeep.model.evidence import (
    Broken,
    Built,
    Evidence,
    Footprint,
    NotDecided,
    Outgrown,
    TimedOut,
)
from gatekeep.model.health import (
    STATES_BY_URGENCY,
    Beginning,
    CleanBuild,
    CommitHealth,
    Event,
    EventKind,
    Health,
    LogExcerpt,
    Outlook,
    PortHealth,
    Run,
    State,
    TargetHealth,
    Trouble,
)
from gatekeep.model.history import Sweep, SweepState
from gatekeep.model.matrix import Matrix, Port, Target
from gatekeep.model.quantity import render_bytes
from gatekeep.model.waiver import Waiver

_KINDS = {
    State.BROKEN: EventKind.BROKE,
    State.OUTGROWN: EventKind.OUTGREW,
    State.TIMED_OUT: EventKind.TIMED_OUT,
    State.IN_RESERVE: EventKind.RESERVE_REACHED,
    State.WELL: EventKind.MENDED,
}
#: States that say nothing about the target itself.
_SILENT = (State.NOT_DECIDED, State.NEVER_BUILT)


def list_needed(runs: Mapping[str, Sequence[Run]]) -> tuple[frozenset[int], frozenset[int]]:
    """
    Say which results must be read whole to make the health of these runs.

    Returns:
        Numbers of those needed with sections and symbols (the newest image of each target), and of those needed without
        (the first of every stretch that is not well, for its message).
    """
    whole: set[int] = set()
    plain: set[int] = set()
    for line in runs.values():
        if line:
            plain.add(line[-1].evidence_id)
        image = next((run for run in reversed(line) if run.regions), None)
        if image is not None:
            whole.add(image.evidence_id)
        before: State | None = None
        for run in line:
            if run.state is not State.WELL and run.state is not before:
                plain.add(run.first_evidence_id)
            before = run.state
    return frozenset(whole), frozenset(plain - whole)


def compose_health(
    *,
    matrix: Matrix,
    branch: str,
    commits: Sequence[Commit],
    runs: Mapping[str, Sequence[Run]],
    evidence: Mapping[int, Evidence],
    changes: Sequence[CommitHealth],
    tags: Sequence[tuple[str, str]] = (),
    logs: Mapping[str, LogExcerpt] | None = None,
    outlooks: Mapping[str, tuple[Outlook, ...]] | None = None,
    sweeps: Sequence[Sweep] = (),
    side_commits: Sequence[Commit] = (),
    earlier_pages: Sequence[str] = (),
    waivers: Sequence[Waiver] = (),
    clean: Mapping[str, CleanBuild] | None = None,
    durations: Mapping[str, Sequence[float]] | None = None,
    decided: Collection[str] = (),
    today: date | None = None,
    bars: Sequence[Bar] = (),
) -> Health:
    """
    Put together what the pages show.

    Args:
        matrix: The branch's newest: its targets have pages, and no others.
        branch: Its name, for people.
        commits: Oldest first; not empty.
        runs: By target; one without an entry was never built.
        evidence: At least what `list_needed` asks for.
        changes: What commits changed, all or from some position on, as `changes.list_changes` tells it.
        tags: (name, commit id); those on other commits are left out.
        logs: Of targets that are not well.
        outlooks: By target.
        sweeps: Oldest first.
        side_commits: Culprits that are no commits of the branch itself.
        earlier_pages: Commits before it that changed something, as an earlier call has found.
        waivers: Those of the branch's newest commit that are in force.
        clean: By target, the newest clean build that a sweep has made.
        durations: By target, how long its newest builds took, in seconds, the newest last.
        decided: Targets that the sweep of `find_ended` has built and told something of.
        bars: Results that an audit found carried wrongly, oldest first for each target.
        today: On which outlooks are told; None for the day that each is foretold from.
    """
    positions = {commit.commit_id: position for position, commit in enumerate(commits)}
    by_name = {commit.commit_id: commit for commit in (*side_commits, *commits)}
    culprits = Culprits(sweeps, by_name, positions)
    warned = list_warned_events(sweeps, commits, by_name, positions)
    line = _Line(commits=commits, positions=positions, culprits=culprits, evidence=evidence, warned=warned)
    found = [
        _judge_target(target, line, runs.get(target.name, ()), (outlooks or {}).get(target.name, ()))
        for target in matrix.targets
    ]
    logs, clean, durations = logs or {}, clean or {}, durations or {}
    found = [
        replace(
            one,
            log=logs.get(one.name),
            waivers=tuple(waiver for waiver in waivers if one.name in waiver.targets),
            outlooks=tuple(see_on(seen, today) for seen in one.outlooks) if today is not None else one.outlooks,
            clean=clean.get(one.name),
            durations_s=tuple(durations.get(one.name, ())),
            bars=tuple(bar for bar in bars if bar.target == one.name),
        )
        for one in found
    ]
    by_port: dict[str, list[TargetHealth]] = {}
    for one in found:
        by_port.setdefault(one.target.port, []).append(one)
    ports = [PortHealth(port=port, targets=tuple(by_port[port.name])) for port in matrix.ports if port.name in by_port]
    ports.sort(key=lambda one: _age(one.port))
    ended = find_ended(sweeps, positions)
    return Health(
        tree=matrix.tree,
        branch=branch,
        commits=tuple(commits),
        ports=tuple(ports),
        tags=tuple(sorted(((name, positions[at]) for name, at in tags if at in positions), key=lambda tag: tag[::-1])),
        troubles=_group_troubles(found, matrix),
        warned=list_news(found, sweeps, matrix),
        changes=tuple(changes),
        earlier_pages=tuple(earlier_pages),
        swept=commits[positions[ended.commit_id]] if ended is not None else None,
        swept_at=ended.finished_at if ended is not None else None,
        swept_state=ended.state if ended is not None else None,
        undecided=tuple(one.name for port in ports for one in port.targets if one.name not in decided)
        if ended is not None and ended.state is SweepState.UNDECIDED
        else (),
        open_sweep=sweeps[-1] if sweeps and not sweeps[-1].state.has_ended else None,
    )


def find_ended(sweeps: Sequence[Sweep], commits: Collection[str]) -> Sweep | None:
    """Give the newest sweep of one of these commits that came to its end; None before the first."""
    return next((sweep for sweep in reversed(sweeps) if sweep.state.has_ended and sweep.commit_id in commits), None)


def _age(port: Port) -> tuple[bool, int]:
    """Newest first; the founding ports, which have no day, stay in their order behind."""
    return (port.since is None, -port.since.toordinal() if port.since is not None else 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """The branch, and what is known of it: `positions` by commit id, `evidence` by number, `warned` by target."""

    commits: Sequence[Commit]
    positions: Mapping[str, int]
    culprits: Culprits
    evidence: Mapping[int, Evidence]
    warned: Mapping[str, Sequence[Event]]


def _judge_target(target: Target, line: _Line, runs: Sequence[Run], outlooks: tuple[Outlook, ...]) -> TargetHealth:
    if not runs:
        return TargetHealth(target=target, state=State.NEVER_BUILT)
    commits, evidence = line.commits, line.evidence
    last = runs[-1]
    latest = evidence[last.evidence_id]
    start = _find_beginning(runs)
    first = runs[start]
    message, place = (
        say_fault(evidence.get(first.first_evidence_id, latest)) if last.state is not State.WELL else ("", "")
    )
    image = next((run for run in reversed(runs) if run.regions), None)
    measured = commits[image.last] if image is not None else None
    footprint: Footprint | None = evidence[image.evidence_id].footprint if image is not None else None
    built = latest.carried.commit_id if latest.carried is not None else latest.commit_id
    built_position = line.positions.get(built)
    if built_position is None:
        built_position = _find_tree(commits, latest.tree_id, last)
    return TargetHealth(
        target=target,
        state=last.state,
        beginning=_make_beginning(target.name, line, runs, start),
        message=message,
        place=place,
        runs=tuple(runs),
        evidence=latest,
        footprint=footprint,
        measured=measured,
        built_commit=commits[built_position] if built_position is not None else None,
        events=_list_events(target.name, line, runs),
        outlooks=outlooks,
    )


def _find_tree(commits: Sequence[Commit], tree_id: str, run: Run) -> int | None:
    """Where in a run a tree stands that was built for another commit (a change that then landed as another, say)."""
    return next((at for at in range(run.last, run.first - 1, -1) if commits[at].tree_id == tree_id), None)


def _find_beginning(runs: Sequence[Run]) -> int:
    """
    Index of the first run of the present state.

    Broken and outgrown are different states, and begin anew. What the machine left undecided in between says nothing.
    """
    state = runs[-1].state
    first = len(runs) - 1
    for index in range(len(runs) - 2, -1, -1):
        if runs[index].state is state:
            first = index
        elif runs[index].state not in _SILENT:
            break
    return first


def _make_beginning(target: str, line: _Line, runs: Sequence[Run], start: int) -> Beginning:
    first = runs[start].first
    after = runs[start - 1].last if start else -1
    culprit = line.culprits.get(
        target, runs[-1].state, places=range(after + 1, first + 1), stretch=range(first, len(line.commits))
    )
    if culprit is not None and culprit.commit_id in line.positions:
        return Beginning(commit=culprit, is_proved=True)
    return Beginning(
        commit=line.commits[first],
        unknown_count=first - after - 1 if start else 0,
        from_start=start == 0 and culprit is None,
        culprit=culprit,
        is_proved=culprit is not None,
    )


def say_fault(evidence: Evidence) -> tuple[str, str]:
    """
    Say what is wrong with a result, and where.

    Returns:
        One sentence without a full stop, hostile, and `file:line`; each may be empty.
    """
    outcome = evidence.outcome
    match outcome:
        case Built():
            uses = [use for use in outcome.footprint.regions if use.into_reserve_bytes]
            return "; ".join(
                f"{use.name} is {render_bytes(use.into_reserve_bytes)} into its reserve" for use in uses
            ), ""
        case Broken():
            error = outcome.first_error
            return (error.message, error.place) if error is not None else (outcome.message, "")
        case Outgrown():
            overs = [
                f"{over.region} is {render_bytes(over.over_bytes)} too small"
                if over.over_bytes is not None
                else f"{over.region} is too small"
                for over in outcome.overflows
            ]
            return "; ".join(overs), ""
        case TimedOut():
            return f"its build ran past {outcome.limit_s:g} s", ""
        case NotDecided():
            return outcome.message, ""
        case _:
            assert_never(outcome)


def _list_events(target: str, line: _Line, runs: Sequence[Run]) -> tuple[Event, ...]:
    turns: list[tuple[int, int, Run]] = []
    before = State.WELL
    for index, run in enumerate(runs):
        if run.state in _SILENT:
            continue
        if run.state is not before and not (index == 0 and run.state is State.WELL):
            after = runs[index - 1].last if index else -1
            turns.append((after, run.first - after - 1 if index else 0, run))
        before = run.state
    events: list[Event] = []
    end = len(line.commits)
    for after, unknown_count, run in reversed(turns):
        found = line.evidence.get(run.first_evidence_id)
        commit = line.commits[run.first]
        culprit = line.culprits.get(
            target, run.state, places=range(after + 1, run.first + 1), stretch=range(run.first, end)
        )
        teller = line.culprits.get_teller(target, run.state, range(run.first, end))
        events.append(
            Event(
                target=target,
                kind=_KINDS[run.state],
                commit=commit,
                message=say_fault(found)[0] if found is not None and run.state is not State.WELL else "",
                culprit=culprit if culprit != commit else None,
                is_proved=culprit is not None,
                unknown_count=unknown_count if culprit is None else 0,
                told_of=teller.commit_id if teller is not None else None,
                told_at=teller.finished_at if teller is not None else None,
            )
        )
        end = run.first
    warned = line.warned.get(target, ())
    if not warned:
        return tuple(events)
    return tuple(sorted((*events, *warned), key=lambda event: -line.positions[event.commit.commit_id]))


#: Of these a message says by how much, which differs from target to target; the cause is the commit.
_BY_HOW_MUCH = (State.OUTGROWN, State.IN_RESERVE)


def _share_message(members: Sequence[TargetHealth], words: str) -> str:
    """Give what all of them say; else the words for what differs in nothing but the targets' names, or ""."""
    first = members[0].message
    is_same = bool(words) and all(one.message == first for one in members)
    return first if len(members) == 1 or is_same else words


def _group_troubles(found: Sequence[TargetHealth], matrix: Matrix) -> tuple[Trouble, ...]:
    """Put together what has one cause: the same state since the same commit, for the same reason at the same place."""
    groups: dict[tuple[State, str, str, str, date | None], list[TargetHealth]] = {}
    for one in found:
        if one.state is not State.WELL:
            since = one.beginning.cause.commit_id if one.beginning is not None else ""
            words = "" if one.state in _BY_HOW_MUCH else generalise_files(one.message, one.name)
            groups.setdefault((one.state, since, words, one.place, one.waived_until), []).append(one)
    troubles = [
        Trouble(
            state=state,
            whom=describe_targets([one.name for one in members], matrix).removesuffix(","),
            targets=tuple(one.name for one in members),
            message=_share_message(members, words),
            place=place,
            beginning=members[0].beginning,
            waived_until=waived_until,
        )
        for (state, _, words, place, waived_until), members in groups.items()
    ]
    newest = {commit.commit_id: index for index, commit in enumerate(_since(found))}
    return tuple(
        sorted(
            troubles,
            key=lambda one: (
                STATES_BY_URGENCY.index(one.state),
                newest.get(one.beginning.cause.commit_id, 0) if one.beginning is not None else 0,
                one.targets,
            ),
        )
    )


def _since(found: Sequence[TargetHealth]) -> list[Commit]:
    """Beginnings, newest first: what broke last night comes before what everybody knows."""
    starts = {one.runs[_find_beginning(one.runs)].first: one.beginning.cause for one in found if one.beginning}
    return [starts[position] for position in sorted(starts, reverse=True)]
