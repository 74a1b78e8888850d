"""
The part of `gatekeep targets` that asks a repository: which targets does a difference reach, and why?
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gatekeep.cli.edges import open_edges
from gatekeep.errors import UsageError
from gatekeep.matrix.faults import quote, suggest
from gatekeep.model.change import Change
from gatekeep.report.wording import count
from gatekeep.runner.matrices import load_matrices
from gatekeep.runner.reach_trees import TreeComparer
from gatekeep.runner.reached import TargetReach, choose_witnesses, find_reached


@dataclass(frozen=True, slots=True, kw_only=True)
class ReachAnswer:
    """Which targets the difference of two trees reaches; `answers` in the order of the head's matrix."""

    change: Change
    path_count: int
    answers: tuple[TargetReach, ...]


def ask_reach(commits: str, *, matrix: Path | None, repository: Path, store: Path | None) -> ReachAnswer:
    """
    Ask the store's read sets.

    Args:
        commits: BASE..HEAD; only the two trees count, not what lies between.
        matrix: As for the gate.
        repository: Any folder of it.
        store: As for the gate.

    Raises:
        UsageError: No such range, or no matrix.
        RepositoryError: A commit or tree is missing.
        StoreError: The store cannot be read.
    """
    base, dots, head = commits.partition("..")
    if not (base and dots and head) or head.startswith("."):
        raise UsageError(f"--reached-by: wanted BASE..HEAD, got '{commits}'; write for instance main..HEAD")
    with open_edges(repository, store=store, verbose=False) as edges:
        first, last = edges.repository.resolve(base), edges.repository.resolve(head)
        change = Change(base=first, head=last, commits=(last,), commit_count=1)
        matrices = load_matrices(
            change,
            named=matrix,
            work_tree=edges.repository.work_tree,
            files=edges.repository,
            parse=edges.matrices.read,
        )
        comparer = TreeComparer(edges.repository)
        difference = comparer.compare(change.base.tree_id, change.head.tree_id)
        here = matrices.by_tree[change.base.tree_id]
        there = matrices.by_tree.get(change.head.tree_id, here)
        at_base = edges.store.list_evidence([change.base.tree_id])
        # Reading the newest builds too would take twice the time, and mostly for nothing.
        answered = {entry.target for entry in at_base if entry.read_set is not None}
        is_whole = answered.issuperset(target.name for target in there.targets)
        answers = find_reached(
            here,
            there,
            witnesses=choose_witnesses(at_base, () if is_whole else edges.store.list_newest()),
            change=difference,
            book=comparer.book,
            environment=edges.environment,
        )
    return ReachAnswer(change=change, path_count=len(difference.paths), answers=answers)


def narrow(answer: ReachAnswer, *, port: str | None, why: str | None) -> ReachAnswer:
    """
    Leave only the targets that were asked for.

    Raises:
        UsageError: No such port or target.
    """
    kept = answer.answers
    for option, name, names in (
        ("--port", port, [entry.target.partition("/")[0] for entry in kept]),
        ("--why", why, [entry.target for entry in kept]),
    ):
        if name is None:
            continue
        if name not in names:
            noun = option.removeprefix("--").replace("why", "target")
            way_out = suggest(name, list(dict.fromkeys(names)), none="")
            raise UsageError(f"{option}: the matrix has no {noun} {quote(name)}; {way_out}")
        kept = tuple(entry for entry, own in zip(kept, names, strict=True) if own == name)
    return ReachAnswer(change=answer.change, path_count=answer.path_count, answers=kept)


def render_reach(answer: ReachAnswer) -> list[str]:
    """Lines for people: what is reached and by what, what is not known, and a summary at the end."""
    reached = [entry for entry in answer.answers if entry.is_reached]
    unknown = [entry for entry in answer.answers if not entry.is_known]
    width = max((len(entry.target) for entry in reached), default=0)
    lines = [f"{entry.target:<{width}}  {_say_cause(entry)}" for entry in reached]
    lines += [f"{entry.target}  not known: never built" for entry in unknown]
    if lines:
        lines.append("")
    left = len(answer.answers) - len(reached) - len(unknown)
    parts = [f"{count(len(reached), 'target')} reached", f"{left} not reached"]
    parts += [f"{len(unknown)} not known"] if unknown else []
    lines.append(f"{_say_range(answer)}: {_say_paths(answer)}; {', '.join(parts)}")
    return lines


def render_why(answer: ReachAnswer) -> list[str]:
    """Lines for people about each target: the file and the rule, and which build's read set says so."""
    lines: list[str] = []
    for entry in answer.answers:
        if not entry.is_known:
            lines.append(f"{entry.target}: not known: it was never built, or its builds do not tell what they read")
            continue
        if entry.is_reached:
            lines.append(f"{entry.target}: reached: {_say_cause(entry)}")
        else:
            spared = "it does not reach it" if answer.path_count == 1 else "none of them reaches it"
            lines.append(f"{entry.target}: not reached: {_say_paths(answer)}, and {spared}")
        if entry.witness is not None and entry.witness.read_set is not None:
            read_set = entry.witness.read_set
            is_at_base = entry.witness.tree_id == answer.change.base.tree_id
            place = "at the base" if is_at_base else f"at commit {entry.witness.commit_id[:10]}, not at the base"
            lines.append(
                f"    by its build {place}, which read {count(len(read_set.files), 'file')} "
                f"and listed {count(len(read_set.folders), 'folder')}"
            )
    return lines


def render_reach_json(answer: ReachAnswer) -> dict[str, Any]:
    """
    The same for programs.

    Returns:
        `format` 1, `base`, `head` (commits), `changed_paths` (a number) and `targets` in the order of the matrix:
        `standing` is "reached", "not reached" or "not known"; `path`, `event`, `rule` and `other` say by which file and
        rule, null where the matrix itself differs (`because`) or nothing reaches it; `witness` is the tree whose build
        read what the answer rests on.
    """
    return {
        "format": 1,
        "base": answer.change.base.commit_id,
        "head": answer.change.head.commit_id,
        "changed_paths": answer.path_count,
        "targets": [
            {
                "name": entry.target,
                "standing": "reached" if entry.is_reached else "not reached" if entry.is_known else "not known",
                "because": _say_cause(entry) if entry.is_reached else None,
                "path": entry.cause.path if entry.cause else None,
                "event": entry.cause.event.name.lower() if entry.cause else None,
                "rule": entry.cause.rule.name.lower() if entry.cause else None,
                "other": entry.cause.other if entry.cause else None,
                "witness": {"tree": entry.witness.tree_id, "commit": entry.witness.commit_id}
                if entry.witness
                else None,
            }
            for entry in answer.answers
        ],
    }


def _say_cause(entry: TargetReach) -> str:
    # The matrix first: whatever the target reads, it is built.
    return entry.entry or (entry.cause.render() if entry.cause else "")


def _say_range(answer: ReachAnswer) -> str:
    return f"{answer.change.base.short_id}..{answer.change.head.short_id}"


def _say_paths(answer: ReachAnswer) -> str:
    return f"{count(answer.path_count, 'path')} {'differs' if answer.path_count == 1 else 'differ'}"
