"""Health values for tests of the site: a few commits of an invented tree, with as much wrong as is wanted."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from gatekeep.judge.changes import list_changes
from gatekeep.judge.health import compose_health
from gatekeep.model.audit import Bar
from gatekeep.model.change import Commit
from gatekeep.model.evidence import Built, Diagnostic, Evidence, Footprint, Outcome, RegionUse, name_outcome
from gatekeep.model.health import CleanBuild, Health, LogExcerpt, Outlook, Run, state_of
from gatekeep.model.history import Sweep, SweepState, TurnRecord
from gatekeep.model.matrix import Maintainer, Matrix, Part, Port, Region
from gatekeep.model.waiver import Waiver
from tests.cases import PLACE, broken, make_matrix, make_target, warning

PART = Part(
    name="nor-1",
    capacity_bytes=2048,
    regions=(
        Region(name="boot", at_bytes=0, capacity_bytes=512),
        Region(name="main", at_bytes=1024, capacity_bytes=1000, reserve_bytes=100),
    ),
)


def make_line(count: int) -> tuple[Commit, ...]:
    return tuple(
        Commit(
            commit_id=f"{number:040x}",
            tree_id=f"{number + 1_000_000:040x}",
            parent_ids=(f"{number - 1:040x}",) if number else (),
            author_name="Mei Castellan",
            author_email="mei@skerry.example",
            subject=f"Commit {number}",
            committed_at=datetime(2026, 1, 1, 8, tzinfo=UTC) + timedelta(days=number),
        )
        for number in range(count)
    )


def image(main: int = 500, boot: int = 100) -> Built:
    regions = (
        RegionUse(name="boot", used_bytes=boot, capacity_bytes=512),
        RegionUse(name="main", used_bytes=main, capacity_bytes=1000, reserve_bytes=100),
    )
    return Built(
        footprint=Footprint(regions=regions, sections=((".text", main - 8), (".data", 8)), symbols=(("start", 12),)),
        artifacts=(),
    )


def make_health(
    results: Mapping[str, Sequence[tuple[int, int, Outcome]]],
    *,
    commit_count: int = 6,
    commits: Sequence[Commit] | None = None,
    warnings: Mapping[str, tuple[Diagnostic, ...]] | None = None,
    logs: Mapping[str, LogExcerpt] | None = None,
    outlooks: Mapping[str, tuple[Outlook, ...]] | None = None,
    tags: Sequence[tuple[str, str]] = (),
    matrix: Matrix | None = None,
    swept: tuple[str, datetime] | None = None,
    undecided: Collection[str] = (),
    sweeps: Sequence[Sweep] = (),
    side_commits: Sequence[Commit] = (),
    waivers: Sequence[Waiver] = (),
    today: date | None = None,
    bars: Sequence[Bar] = (),
) -> Health:
    """
    Make the health of targets: each with (first, last, outcome) of the stretches of commits that it had.

    `swept` is commit and end of a sweep that built all but those that are `undecided`.
    """
    line = tuple(commits or make_line(commit_count))
    evidence: dict[int, Evidence] = {}
    runs: dict[str, list[Run]] = {}
    for target, stretches in results.items():
        runs[target] = []
        for first, last, outcome in stretches:
            number = len(evidence) + 1
            found = (warnings or {}).get(target, ())
            evidence[number] = Evidence(
                target=target,
                tree_id=line[first].tree_id,
                commit_id=line[first].commit_id,
                key="k",
                toolchain_version="0.17.1",
                outcome=outcome,
                diagnostics=found,
                elapsed_s=1.5,
                started_at=datetime(2026, 2, 1, 3, 30, tzinfo=UTC),
            )
            footprint = evidence[number].footprint
            regions = footprint.regions if footprint is not None else ()
            runs[target].append(
                Run(
                    first=first,
                    last=last,
                    first_evidence_id=number,
                    evidence_id=number,
                    state=state_of(name_outcome(outcome), regions),
                    regions=regions,
                    warning_count=len(found),
                )
            )
    clean: dict[str, CleanBuild] = {}
    if swept is not None:
        at = next(commit for commit in line if commit.commit_id == swept[0])
        clean = {
            target: CleanBuild(commit=at, sweep_id=1, built_at=swept[1], outcome=name_outcome(stretches[-1][2]))
            for target, stretches in results.items()
            if stretches and target not in undecided
        }
        state = SweepState.UNDECIDED if undecided else SweepState.FINISHED
        sweeps = (*sweeps, replace(make_sweep(*swept), state=state))
    matrix = matrix or make_matrix(results, part=PART)
    return compose_health(
        matrix=matrix,
        branch="main",
        commits=line,
        runs=runs,
        evidence=evidence,
        changes=list_changes(matrix.targets, line, runs, evidence),
        tags=tags,
        logs=logs,
        outlooks=outlooks,
        durations={target: [1.5] * len(stretches) for target, stretches in results.items()},
        sweeps=sweeps,
        side_commits=side_commits,
        waivers=waivers,
        clean=clean,
        decided=clean.keys(),
        today=today,
        bars=bars,
    )


def make_sweep(commit_id: str, finished_at: datetime, turns: Sequence[TurnRecord] = ()) -> Sweep:
    """Make a sweep that has ended, an hour after it began."""
    return Sweep(
        sweep_id=1,
        commit_id=commit_id,
        tree_id="",
        started_at=finished_at - timedelta(hours=1),
        finished_at=finished_at,
        state=SweepState.FINISHED,
        turns=tuple(turns),
    )


def make_wide_matrix(port_count: int, targets_each: int) -> Matrix:
    ports = tuple(
        Port(
            name=f"port{number}",
            maintainers=(Maintainer(name="Oda Brandsund", email="oda@skerry.example"),),
            machine="ARM",
            bits=32,
            byte_order="little",
            since=date(2026, 1, 1) if number else None,
            place=PLACE,
        )
        for number in range(port_count)
    )
    names = [f"{port.name}/board-{index:03}/release" for port in ports for index in range(targets_each)]
    return replace(make_matrix(part=PART), ports=ports, targets=tuple(make_target(name, part=PART) for name in names))


HOSTILE = (
    "<script>alert(1)</script><img src=x onerror=alert(2)>\"'&amp;{{7*7}}{%x%}]]>\x1b[31m\u202e\udc80-->"
    "<svg/onload=alert(3)>"
)


def make_hostile_health(text: str = HOSTILE) -> Health:
    """Everything that comes from outside is hostile: names of people, messages, subjects, logs, warnings, tags."""
    commits = tuple(
        replace(commit, subject=f"{text} {number}", author_name=text, author_email='x"><script>@skerry.example')
        for number, commit in enumerate(make_line(4))
    )
    matrix = make_matrix(("arm/mere", "loongarch64/ness"), part=PART)
    ports = tuple(
        replace(port, maintainers=(Maintainer(name=text, email='a"onclick="alert(4)@skerry.example'),))
        for port in matrix.ports
    )
    bad = broken(text, path=f"drivers/{text}.c")
    named = (("boot", 100), ("main", 500))
    hostile_image = Built(
        footprint=replace(image().footprint, sections=((text, 8),), symbols=((text, 4), *named)), artifacts=()
    )
    return make_health(
        {"arm/mere": [(0, 3, hostile_image)], "loongarch64/ness": [(0, 1, hostile_image), (2, 3, bad)]},
        commits=commits,
        matrix=replace(matrix, ports=ports, tree=text),
        warnings={"arm/mere": (warning(text, path=f"include/{text}.h"),)},
        logs={
            "loongarch64/ness": LogExcerpt(
                lines=("cc drivers/uart.c", text, "</pre><script>alert(5)</script>", "\tdone"),
                first_number=1,
                error_index=1,
                line_count=4,
            )
        },
        tags=((text, commits[1].commit_id),),
    )
