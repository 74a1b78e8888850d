"""
`gatekeep gate BASE HEAD`: may these commits land?
"""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Collection
from dataclasses import replace
from pathlib import Path
from typing import assert_never

import click

from gatekeep.cli.edges import Edges, list_caches, open_edges, ready_toolchains, run_plan
from gatekeep.cli.log_places import show_folder, show_logs
from gatekeep.judge.case import Case
from gatekeep.judge.verdict import judge, sort_evidence
from gatekeep.model.change import Change
from gatekeep.model.evidence import Evidence
from gatekeep.model.plan import Plan
from gatekeep.model.verdict import Decision, Judgement
from gatekeep.runner.carry import ReadSetCarrier, list_trusted
from gatekeep.runner.matrices import Matrices, load_matrices
from gatekeep.runner.plan import PlanInputs, plan_change
from gatekeep.runner.reach_trees import TreeComparer
from gatekeep.runner.schedule import BuildEverything, Carrier

_FILE = click.Path(dir_okay=False, path_type=Path)
_FOLDER = click.Path(file_okay=False, path_type=Path)


@click.command()
@click.argument("base")
@click.argument("head")
@click.option(
    "--matrix",
    type=_FILE,
    help="The matrix file. One that lies in the tree is read from the commits themselves: the base's rules judge, and "
    "targets that the change adds are built too. [default: matrix.yml at the root of the tree]",
)
@click.option("--repository", type=_FOLDER, default=Path(), help="Any folder of the repository. [default: this one]")
@click.option(
    "--store",
    type=_FOLDER,
    help="Where evidence, logs and worker trees are kept. [default: gatekeep/ in the git folder]",
)
@click.option(
    "--workers",
    type=click.IntRange(1, 512),
    help="How many builds run at once. [default: the cores that this process may use]",
)
@click.option("--rebuild", is_flag=True, help="Take nothing over from earlier runs: build every target anew.")
@click.option("--json", "json_file", type=_FILE, help="Write the whole judgement as JSON; - for standard output.")
@click.option("--markdown", "markdown_file", type=_FILE, help="Write a review comment; - for standard output.")
@click.option(
    "--colour",
    type=click.Choice(["auto", "always", "never"]),
    default="auto",
    help="Colours; auto means on a terminal only. [default: auto]",
)
@click.option("--verbose", is_flag=True, help="Log every event to gatekeep.log in the store, not only builds.")
def gate(
    base: str,
    head: str,
    matrix: Path | None,
    repository: Path,
    store: Path | None,
    workers: int | None,
    rebuild: bool,
    json_file: Path | None,
    markdown_file: Path | None,
    colour: str,
    verbose: bool,
) -> int:
    """
    Judge the commits of BASE..HEAD: build every target of the matrix at every commit whose tree differs, measure
    images and warnings against BASE, and say pass or block.

    \b
    Examples:
      gatekeep gate main HEAD
      gatekeep gate origin/main feature --json verdict.json --markdown comment.md
      gatekeep gate v1.4 HEAD --matrix ../release/matrix.yml --workers 8

    The report goes to standard output and ends in one line that is the verdict; progress goes to standard error. Every
    finished build is kept: a run that was stopped goes on where it was.

    Exit codes: 0 pass, 1 blocked, 2 usage or matrix error, 3 undecided, 130 interrupted.

    A pass says that images build and fit. It does not say that they are safe to flash: keep a write-protected recovery
    image and a way to reflash from outside, and follow the board maker's instructions and your local rules.
    """
    with open_edges(repository, store=store, verbose=verbose) as edges:
        judgement = _judge_change(edges, base, head, matrix, workers, rebuild=rebuild)
        shown = _show_log_places(judgement, edges.folder)
    _write_reports(shown, json_file, markdown_file, colour)
    return _exit_code(judgement.verdict.decision)


def _judge_change(
    edges: Edges, base: str, head: str, matrix: Path | None, workers: int | None, *, rebuild: bool
) -> Judgement:
    repository = edges.repository
    change = repository.load_change(base, head)
    matrices = load_matrices(
        change,
        named=matrix,
        work_tree=repository.work_tree,
        files=repository,
        parse=edges.matrices.read,
    )
    barred = {bar.target for bar in edges.store.list_barred()}
    toolchains = ready_toolchains(edges, matrices.by_tree.values())
    plan = plan_change(
        PlanInputs(
            change=change,
            matrices=matrices.by_tree,
            toolchains=toolchains,
            stored=() if rebuild else list_trusted(edges.store.list_evidence(_trees(change)), barred),
            durations_s=edges.store.load_durations(),
            changed_paths=[delta.path for delta in repository.diff_trees(change.base.tree_id, change.head.tree_id)],
            host_environment=edges.environment,
        )
    )
    found = run_plan(
        edges,
        plan,
        workers=workers,
        source_date=matrices.by_tree[change.base.tree_id].source_date,
        carrier=_make_carrier(edges, barred, rebuild=rebuild),
        earlier=_newest(edges, plan, rebuild=rebuild),
        caches={} if rebuild else list_caches(toolchains),
    )
    case = _make_case(edges, change, matrices, (*plan.known, *found))
    return Judgement(
        change=change,
        matrix=case.base_matrix,
        evidence=sort_evidence(case),
        verdict=judge(case),
        reused_count=sum(1 for entry in plan.known if entry.key),
        carried_count=sum(1 for entry in found if entry.carried is not None),
    )


def _make_carrier(edges: Edges, barred: Collection[str], *, rebuild: bool) -> Carrier:
    if rebuild:
        return BuildEverything("--rebuild asks for it")
    return ReadSetCarrier(TreeComparer(edges.repository), barred)


def _newest(edges: Edges, plan: Plan, *, rebuild: bool) -> tuple[Evidence, ...]:
    """Where the base itself is not known, builds of other trees may still tell."""
    if rebuild or all(job.position > 0 for job in plan.jobs):
        return ()
    return edges.store.list_newest()


def _trees(change: Change) -> list[str]:
    return [change.base.tree_id, *(commit.tree_id for commit in change.commits)]


def _make_case(edges: Edges, change: Change, matrices: Matrices, evidence: tuple[Evidence, ...]) -> Case:
    repository = edges.repository
    return Case(
        change=change,
        matrices=matrices.by_tree,
        evidence={(entry.tree_id, entry.target): entry for entry in evidence},
        line_maps={
            commit.tree_id: repository.load_line_map(change.base.tree_id, commit.tree_id) for commit in change.commits
        },
        paths={tree_id: repository.list_tree(tree_id).entries.keys() for tree_id in _trees(change)},
        matrix_errors=matrices.errors,
    )


def _show_log_places(judgement: Judgement, folder: Path) -> Judgement:
    """Turn log paths, which the store keeps relative to itself, into paths that open from here."""
    prefix = show_folder(folder)
    verdict = judgement.verdict
    return replace(
        judgement,
        verdict=replace(
            verdict, reasons=show_logs(verdict.reasons, prefix), notices=show_logs(verdict.notices, prefix)
        ),
        evidence=tuple(
            replace(entry, log_path=f"{prefix}/{entry.log_path}") if entry.log_path else entry
            for entry in judgement.evidence
        ),
    )


def _write_reports(judgement: Judgement, json_file: Path | None, markdown_file: Path | None, colour: str) -> None:
    from gatekeep.report.json_report import render_json
    from gatekeep.report.markdown import render_markdown
    from gatekeep.report.terminal import render_terminal
    from gatekeep.report.write import write_text

    to_stdout: list[str] = []
    for path, render in ((json_file, render_json), (markdown_file, render_markdown)):
        if path is None:
            continue
        if str(path) == "-":
            to_stdout.append(render(judgement))
        else:
            write_text(path, render(judgement))
    if to_stdout:
        click.echo("\n".join(to_stdout), nl=False)
        return
    is_terminal = sys.stdout.isatty()
    use_colour = colour == "always" or (colour == "auto" and is_terminal and "NO_COLOR" not in os.environ)
    width = min(shutil.get_terminal_size((100, 24)).columns, 120) if is_terminal else 100
    click.echo(render_terminal(judgement, colour=use_colour, width=width), nl=False, color=use_colour)


def _exit_code(decision: Decision) -> int:
    match decision:
        case Decision.PASS:
            return 0
        case Decision.BLOCK:
            return 1
        case Decision.UNDECIDED:
            return 3
        case _:
            assert_never(decision)
