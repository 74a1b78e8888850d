"""
Groups what an audit found by its cause, so that one hole in a build is one paragraph and not three hundred. Pure.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

from gatekeep.judge.wording import describe_targets
from gatekeep.model.audit import Aspect, Audit, AuditCause, Audited, Standing
from gatekeep.model.change import Change, Commit
from gatekeep.model.matrix import Matrix

#: Lines of one kind under one cause.
_SHOWN = 6
#: Differences of one target in its line.
_NAMED = 3
_ORDER = (Standing.NOT_REPRODUCIBLE, Standing.NOT_DECIDED, Standing.MISMATCH)
_ASPECT_WORDS = {
    Aspect.OUTCOME: "outcome",
    Aspect.DIAGNOSTIC: "diagnostics",
    Aspect.REGION: "regions",
    Aspect.SECTION: "sections",
    Aspect.SYMBOL: "symbols",
    Aspect.ARTIFACT: "artifacts",
}


def conclude(change: Change, matrix: Matrix, results: Iterable[Audited], *, carried_count: int) -> Audit:
    """
    Put the results of an audit in order and group them.

    Args:
        change: The range.
        matrix: The base's.
        results: In any order.
        carried_count: How many results of the range were carried, audited or not.
    """
    commits = {commit.tree_id: at for at, commit in enumerate((change.base, *change.commits))}
    targets = {target.name: at for at, target in enumerate(matrix.targets)}

    def place(result: Audited) -> tuple[int, int, str, str]:
        at = commits.get(result.commit.tree_id, len(commits))
        return at, targets.get(result.target, len(targets)), result.target, result.key

    ordered = tuple(sorted(results, key=place))
    return Audit(
        change=change,
        matrix=matrix,
        carried_count=carried_count,
        results=ordered,
        causes=tuple(_group(ordered, matrix)),
    )


def _group(results: Sequence[Audited], matrix: Matrix) -> list[AuditCause]:
    causes: list[AuditCause] = []
    for standing in _ORDER:
        groups: dict[object, list[Audited]] = {}
        for result in results:
            if result.standing is standing:
                groups.setdefault(_KEYS[standing](result), []).append(result)
        causes += (_make_cause(standing, group, matrix) for group in groups.values())
    return causes


def _aspects_of(result: Audited) -> tuple[Aspect, ...]:
    found = {entry.aspect for entry in result.differences}
    return tuple(aspect for aspect in Aspect if aspect in found)


def _mismatch_key(result: Audited) -> object:
    return result.commit.tree_id, result.carried, result.changed_paths


#: What makes two results one cause.
_KEYS: dict[Standing, Callable[[Audited], object]] = {
    Standing.MISMATCH: _mismatch_key,
    Standing.NOT_REPRODUCIBLE: _aspects_of,
    Standing.NOT_DECIDED: lambda result: result.notes,
}


def _make_cause(standing: Standing, group: Sequence[Audited], matrix: Matrix) -> AuditCause:
    names = sorted({result.target for result in group})
    commits: dict[str, Commit] = {}
    for result in group:
        commits.setdefault(result.commit.commit_id, result.commit)
    bare = AuditCause(
        standing=standing,
        whom=describe_targets(names, matrix),
        targets=tuple(names),
        commits=tuple(commits.values()),
        message="",
        details=(),
    )
    match standing:
        case Standing.MISMATCH:
            return replace(bare, message=_say_mismatch(group), details=tuple(_detail_mismatch(group)))
        case Standing.NOT_REPRODUCIBLE:
            lines = [f"{result.target}: {note}" for result in group for note in result.notes]
            return replace(bare, message=_say_unsteady(group), details=tuple(_cut(list(dict.fromkeys(lines)))))
        case Standing.NOT_DECIDED | Standing.EQUAL:
            return replace(bare, message=group[0].notes[0] if group[0].notes else "not audited", details=())


def _say_aspects(group: Sequence[Audited]) -> str:
    found = {aspect for result in group for aspect in _aspects_of(result)}
    words = [_ASPECT_WORDS[aspect] for aspect in Aspect if aspect in found]
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1]))) if words else "nothing"


def _say_mismatch(group: Sequence[Audited]) -> str:
    return f"what was carried differs from a clean build in {_say_aspects(group)}"


def _say_unsteady(group: Sequence[Audited]) -> str:
    return f"cannot be reproduced: clean builds of one tree differ in {_say_aspects(group)}"


def _detail_mismatch(group: Sequence[Audited]) -> list[str]:
    first = group[0]
    lines: list[str] = []
    if first.carried is not None:
        reads = " and ".join(dict.fromkeys(str(result.read_count) for result in group))
        lines.append(
            f"carried from commit {first.carried.commit_id[:10]} by the rule that no path which differs since then "
            f"reaches what was read there ({reads} files and folders)"
        )
    if first.changed_paths:
        lines.append(f"one of these was read unseen: {', '.join(_cut(list(first.changed_paths)))}")
    for result in group[:_SHOWN]:
        said = [
            f"{entry.aspect.value} {entry.name}: carried {entry.ours}, clean {entry.clean}"
            for entry in sorted(result.differences, key=lambda entry: _PRIORITY.index(entry.aspect))
        ]
        more = f"; and {len(said) - _NAMED} more" if len(said) > _NAMED else ""
        lines.append(f"{result.target}: {'; '.join(said[:_NAMED])}{more}")
    if len(group) > _SHOWN:
        lines.append(f"and {len(group) - _SHOWN} targets more")
    names = dict.fromkeys(result.target for result in group)
    lines.append(
        f"not carried any more until cleared: gatekeep audit --clear {next(iter(names))}"
        + (", and so on" if len(names) > 1 else "")
    )
    return lines


#: The artifact is what a person looks for; symbols say where.
_PRIORITY = (Aspect.OUTCOME, Aspect.ARTIFACT, Aspect.REGION, Aspect.DIAGNOSTIC, Aspect.SECTION, Aspect.SYMBOL)


def _cut(lines: list[str]) -> list[str]:
    return lines if len(lines) <= _SHOWN else [*lines[:_SHOWN], f"and {len(lines) - _SHOWN} more"]
