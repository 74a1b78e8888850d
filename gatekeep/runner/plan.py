"""
Which builds a change needs, and in which order.

Order: boards that the change touches first (their authors wait for exactly those), then the newest port (least looked
after, most to lose), then the longest expected build (so that no long one starts last). All of one tree's builds of a
rank stand together, so that workers seldom move their tree.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date

from gatekeep.build.compile_cache import CompileCache, NoCompileCache
from gatekeep.errors import ToolchainError
from gatekeep.history.sink import is_final
from gatekeep.model.change import Change, Commit
from gatekeep.model.evidence import Evidence, NotDecided
from gatekeep.model.matrix import Matrix, Port, Target, Toolchain
from gatekeep.model.plan import Job, Plan
from gatekeep.runner.key import evidence_key

#: Stands in for a build that was never timed: longer than most, so that it is not left for last.
_UNKNOWN_S = 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadyToolchain:
    """
    A toolchain that was probed and found: its version, and a digest of all that makes it what it is.

    `cache` is None where the matrix asks for no compiler cache. One that is used is part of the digest, so evidence
    that was made with it and without it does not mix.
    """

    version: str
    digest: str
    cache: CompileCache | NoCompileCache | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanInputs:
    """
    What planning needs, gathered before.

    `matrices` by tree id, the base's always among them; a tree that is missing there is built with the base's targets.
    `toolchains`: ready, or the error that keeps its targets undecided. `stored` is evidence of earlier runs,
    `durations_s` by target. `changed_paths` are the paths that differ between base and head.
    """

    change: Change
    matrices: Mapping[str, Matrix]
    toolchains: Mapping[Toolchain, ReadyToolchain | ToolchainError]
    stored: Iterable[Evidence] = ()
    durations_s: Mapping[str, float] | None = None
    changed_paths: Collection[str] = ()
    host_environment: Mapping[str, str] | None = None


def plan_change(inputs: PlanInputs) -> Plan:
    """
    Decide for every (tree, target) of a change whether it is known or must be built.

    Returns:
        A plan; jobs sorted by rank.
    """
    stored = {(entry.tree_id, entry.target, entry.key): entry for entry in inputs.stored if is_final(entry)}
    base_matrix = inputs.matrices[inputs.change.base.tree_id]
    touched = _touched_words(inputs.changed_paths)
    jobs: list[Job] = []
    known: list[Evidence] = []
    used: dict[str, Matrix] = {}
    keys: dict[tuple[int, str], str] = {}
    for position, commit in enumerate(inputs.change.iter_trees()):
        matrix = inputs.matrices.get(commit.tree_id, base_matrix)
        used[commit.tree_id] = matrix
        ports = {port.name: port for port in matrix.ports}
        for target in matrix.targets:
            port = ports[target.port]
            toolchain = inputs.toolchains[target.toolchain]
            if isinstance(toolchain, ToolchainError):
                known.append(_undecided(target, commit, toolchain))
                continue
            # Most commits leave the matrix as it is, and then it is one object for all of them.
            key = keys.get((id(matrix), target.name))
            if key is None:
                key = keys[id(matrix), target.name] = evidence_key(
                    target,
                    port,
                    source_date=matrix.source_date,
                    toolchain_digest=toolchain.digest,
                    host_environment=inputs.host_environment or {},
                )
            earlier = stored.get((commit.tree_id, target.name, key))
            if earlier is not None:
                known.append(replace(earlier, commit_id=commit.commit_id))
                continue
            expected_s = (inputs.durations_s or {}).get(target.name)
            is_touched = target.board in touched or port.name in touched
            jobs.append(
                Job(
                    target=target,
                    port=port,
                    commit=commit,
                    source_date=matrix.source_date,
                    key=key,
                    toolchain_version=toolchain.version,
                    position=position,
                    rank=_rank(is_touched=is_touched, port=port, position=position, expected_s=expected_s),
                    expected_s=expected_s,
                )
            )
    jobs.sort(key=lambda job: (job.rank, job.target.name))
    return Plan(matrices=used, jobs=tuple(jobs), known=tuple(known))


def _touched_words(paths: Collection[str]) -> frozenset[str]:
    """Give folders and file stems of the changed paths: a board or port named so counts as touched. Only orders."""
    words: set[str] = set()
    for path in paths:
        *folders, last = path.split("/")
        words.update(folders)
        words.add(last.partition(".")[0])
    return frozenset(words)


def _rank(*, is_touched: bool, port: Port, position: int, expected_s: float | None) -> tuple[int, ...]:
    age = -(port.since or date.min).toordinal()
    expected_ms = int((_UNKNOWN_S if expected_s is None else expected_s) * 1000)
    return (0 if is_touched else 1, age, position, -expected_ms)


def _undecided(target: Target, commit: Commit, error: ToolchainError) -> Evidence:
    return Evidence(
        target=target.name,
        tree_id=commit.tree_id,
        commit_id=commit.commit_id,
        key="",
        toolchain_version=None,
        outcome=NotDecided(message=str(error), hint=target.toolchain.install),
    )
