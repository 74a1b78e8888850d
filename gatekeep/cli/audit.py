"""
`gatekeep audit RANGE`: are carried results what clean builds give?
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import click

from gatekeep.cli.edges import Edges, open_edges, run_plan
from gatekeep.cli.options import RunOptions, json_option, run_options
from gatekeep.cli.screen import write_reports
from gatekeep.cli.start import list_caches, ready_toolchains
from gatekeep.cli.witness import SECOND_PLACE, KeptWitness
from gatekeep.errors import UsageError
from gatekeep.history.sink import ResultSink
from gatekeep.history.store import SqliteStore
from gatekeep.judge.audit import conclude
from gatekeep.model.audit import Audit
from gatekeep.model.change import Change
from gatekeep.model.evidence import Evidence
from gatekeep.model.matrix import Matrix
from gatekeep.model.plan import Job, Plan
from gatekeep.model.verdict import Decision
from gatekeep.report.audit import render_audit, render_audit_json, render_bars
from gatekeep.report.plain import plain
from gatekeep.report.wording import count
from gatekeep.runner.audit import AuditEdges, audit_jobs, choose_jobs, list_undecided
from gatekeep.runner.carry import ReadSetCarrier, list_trusted
from gatekeep.runner.matrices import load_matrices
from gatekeep.runner.plan import PlanInputs, plan_change
from gatekeep.runner.reach_trees import TreeComparer
from gatekeep.runner.schedule import BuildEverything
from gatekeep.scratch import scratch_folder


@click.command()
@click.argument("commits", metavar="[RANGE]", required=False)
@click.option("--sample", type=click.IntRange(1), metavar="N", help="Audit N of the carried results. [default: all]")
@click.option(
    "--clear",
    metavar="TARGET",
    help="Let a target be carried again that an audit barred, or built again whose builds contradict each other.",
)
@click.option("--barred", "show_barred", is_flag=True, help="List the targets that are barred, and end.")
@json_option()
@run_options()
def audit(
    commits: str | None,
    sample: int | None,
    clear: str | None,
    show_barred: bool,
    json_file: Path | None,
    run: RunOptions,
) -> int:
    """
    Build the carried results of RANGE clean, and compare outcome, diagnostics, footprint and artifacts.

    RANGE is BASE..HEAD, with the results at BASE itself, or one commit. What is not stored yet is carried first, as the
    gate would.

    \b
    Examples:
      gatekeep audit main..HEAD
      gatekeep audit v1.4..main --sample 50 --json audit.json
      gatekeep audit --barred
      gatekeep audit --clear riscv64/vale

    A target with a result that was carried wrongly is barred: from then on the gate builds it, until somebody clears
    it. Where clean builds differ from each other, the build is not reproducible: that is said, and is no mismatch as
    long as all that a verdict rests on agrees.

    Exit codes: 0 every carried result is right, 2 usage or matrix error, 3 undecided: a result was carried wrongly or
    could not be audited, 130 interrupted.
    """
    if (commits is not None) + (clear is not None) + show_barred != 1:
        raise UsageError("audit: name either a range such as main..HEAD, or --clear TARGET, or --barred")
    # Nothing is run for what only the store is asked.
    wanted = run.sandbox if commits is not None else None
    with open_edges(run.repository, store=run.store, verbose=run.verbose, sandbox=wanted) as edges:
        if clear is not None:
            click.echo(_clear(edges.store, clear), nl=False)
            return 0
        if commits is None:
            click.echo(render_bars(edges.store.list_barred(), cleared=False), nl=False)
            return 0
        found = _audit_range(edges, commits, run.matrix, sample=sample, workers=run.workers)
    _write(found, json_file, run.colour)
    return 0 if found.decision is Decision.PASS else 3


def _clear(store: SqliteStore, target: str) -> str:
    bars = store.clear_bar(target)
    contradicted = store.clear_contradictions(target)
    if not bars and not contradicted:
        raise UsageError(
            f"--clear: {target} is not barred, and no builds of it contradict each other; gatekeep audit --barred "
            "lists what is barred"
        )
    lines = render_bars(bars, cleared=True) if bars else ""
    if contradicted:
        lines += plain(
            f"{target}: builds contradicted each other at {count(contradicted, 'tree')}; built anew from now on"
        )
        lines += "\n"
    return lines


def _split_range(text: str) -> tuple[str, str]:
    """Give base and head, twice the same for one commit."""
    base, dots, head = text.partition("..")
    if not dots:
        return text, text
    if not base or not head or head.startswith("."):
        raise UsageError(f"audit: a range is BASE..HEAD or one commit, got '{text}'; write for instance main..HEAD")
    return base, head


def _audit_range(edges: Edges, commits: str, matrix: Path | None, *, sample: int | None, workers: int | None) -> Audit:
    repository = edges.repository
    change = repository.load_change(*_split_range(commits))
    matrices = load_matrices(
        change,
        named=matrix,
        work_tree=repository.work_tree,
        files=repository,
        parse=edges.matrices.read,
    )
    run = _Run(edges, change, matrices.by_tree, workers)
    planned = run.carry()
    carried = [entry for entry in planned if entry.carried is not None]
    with scratch_folder(edges.folder, "audit-") as keep:
        results = audit_jobs(
            choose_jobs(carried, run.plan(()).jobs, sample),
            AuditEdges(
                store=edges.store,
                build=lambda jobs, sink: run.build(jobs, sink, "trees", keep / "first"),
                build_again=lambda jobs, sink: run.build(jobs, sink, SECOND_PLACE, keep / "second"),
                witness=KeptWitness(edges, run.comparer, keep),
                now=edges.now,
            ),
        )
    by_tree = {commit.tree_id: commit for commit in (*reversed(change.commits), change.base)}
    return conclude(
        change,
        matrices.by_tree[change.base.tree_id],
        (*results, *list_undecided(planned, by_tree)),
        carried_count=len(carried),
    )


class _Run:
    """Plans and builds the trees of one range."""

    def __init__(self, edges: Edges, change: Change, matrices: Mapping[str, Matrix], workers: int | None) -> None:
        self.comparer = TreeComparer(edges.repository)
        self._edges, self._change, self._matrices, self._workers = edges, change, matrices, workers
        self._source_date = matrices[change.base.tree_id].source_date
        self._toolchains = ready_toolchains(edges, matrices.values())

    def plan(self, stored: Sequence[Evidence]) -> Plan:
        """Plan all results of the range but those that are stored."""
        return plan_change(
            PlanInputs(
                change=self._change,
                matrices=self._matrices,
                toolchains=self._toolchains,
                stored=stored,
                durations_s=self._edges.store.load_durations(),
                host_environment=self._edges.environment,
            )
        )

    def carry(self) -> tuple[Evidence, ...]:
        """Give every result of the range, as the gate would get it."""
        store = self._edges.store
        barred = {bar.target for bar in store.list_barred()}
        trees = [self._change.base.tree_id, *(commit.tree_id for commit in self._change.commits)]
        plan = self.plan(list_trusted(store.list_evidence(trees), barred))
        found = run_plan(
            self._edges,
            plan,
            workers=self._workers,
            source_date=self._source_date,
            carrier=ReadSetCarrier(self.comparer, barred, environment=self._edges.environment),
            earlier=store.list_newest(),
            caches=list_caches(self._toolchains),
        )
        return (*plan.known, *found)

    def build(self, jobs: Sequence[Job], sink: ResultSink, place: str, keep: Path) -> tuple[Evidence, ...]:
        """Build clean, whatever is stored, and without compiler caches."""
        return run_plan(
            self._edges,
            Plan(matrices={}, jobs=tuple(jobs), known=()),
            workers=self._workers,
            source_date=self._source_date,
            carrier=BuildEverything("an audit builds it clean"),
            sink=sink,
            place=place,
            keep=keep,
        )


def _write(found: Audit, json_file: Path | None, colour: str) -> None:
    write_reports(
        [(json_file, lambda: render_audit_json(found))],
        colour=colour,
        render=lambda screen: render_audit(found, colour=screen.colour, width=screen.width),
    )
