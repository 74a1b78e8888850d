"""
What each commit of a branch changed, for which targets.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence

from gatekeep.judge.health import say_fault
from gatekeep.model.change import Commit
from gatekeep.model.evidence import Evidence
from gatekeep.model.health import CommitHealth, RegionChange, Run, State, TargetChange
from gatekeep.model.matrix import Target


def list_changes(
    targets: Sequence[Target],
    commits: Sequence[Commit],
    runs: Mapping[str, Sequence[Run]],
    evidence: Mapping[int, Evidence],
    start: int = 0,
) -> tuple[CommitHealth, ...]:
    """
    Say what each commit changed, and for which targets.

    Args:
        targets: Which are looked at; their order is that of a commit's changes.
        commits: Oldest first.
        runs: By target.
        evidence: At least what `health.list_needed` asks for.
        start: The position from which on changes are wanted.

    Returns:
        Oldest first; commits that changed nothing are left out.
    """
    by_position: dict[int, list[TargetChange]] = {}
    for target in targets:
        line = runs.get(target.name, ())
        begin = bisect_left(line, start, key=lambda run: run.first)
        before = line[begin - 1] if begin else None
        image = next((run for run in reversed(line[:begin]) if run.regions), None)
        for run in line[begin:]:
            change = _compare(target.name, before, image, run, evidence)
            if change is not None:
                by_position.setdefault(run.first, []).append(change)
            before = run
            image = run if run.regions else image
    return tuple(
        CommitHealth(commit=commits[position], position=position, changes=tuple(by_position[position]))
        for position in sorted(by_position)
    )


def _compare(
    target: str, before: Run | None, image: Run | None, run: Run, evidence: Mapping[int, Evidence]
) -> TargetChange | None:
    if before is None:
        # The oldest commit that is known brought nothing; what begins later is a new target.
        if run.first == 0:
            return None
        return TargetChange(
            target=target, before=None, after=run.state, regions=_regions(None, run), warnings_after=run.warning_count
        )
    regions = _regions(image, run)
    if before.state is run.state and not regions and before.warning_count == run.warning_count:
        return None
    found = evidence.get(run.first_evidence_id)
    message = say_fault(found)[0] if found is not None and run.state not in (State.WELL, before.state) else ""
    return TargetChange(
        target=target,
        before=before.state,
        after=run.state,
        message=message,
        regions=regions,
        warnings_before=before.warning_count,
        warnings_after=run.warning_count,
        unknown_count=run.first - before.last - 1,
    )


def _regions(before: Run | None, run: Run) -> tuple[RegionChange, ...]:
    was = {use.name: use.used_bytes for use in before.regions} if before is not None else {}
    return tuple(
        RegionChange(
            region=use.name,
            before_bytes=was.get(use.name, 0),
            after_bytes=use.used_bytes,
            capacity_bytes=use.capacity_bytes,
        )
        for use in run.regions
        if was.get(use.name, 0) != use.used_bytes
    )
