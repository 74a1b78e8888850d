"""
`gatekeep culprit TARGET GOOD BAD`: which commit did it?
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fnmatch import fnmatchcase
from pathlib import Path

import click

from gatekeep.cli.culprit_search import find_culprits, load_range, load_search_matrices
from gatekeep.cli.edges import open_edges
from gatekeep.cli.log_places import show_folder
from gatekeep.cli.options import RunOptions, json_option, run_options
from gatekeep.cli.screen import write_reports
from gatekeep.errors import UsageError
from gatekeep.matrix.faults import quote, suggest
from gatekeep.model.culprit import CulpritAnswer, CulpritStanding
from gatekeep.model.matrix import Matrix
from gatekeep.report.culprit import is_decided, render_culprits, render_culprits_json


@click.command()
@click.argument("target")
@click.argument("good")
@click.argument("bad")
@json_option()
@run_options()
def culprit(
    target: str,
    good: str,
    bad: str,
    json_file: Path | None,
    run: RunOptions,
) -> int:
    """
    Find the first commit at which TARGET broke, outgrew its flash, or got a new warning: well at GOOD, not at BAD.

    TARGET is a target's name, or several with commas between them, or a pattern with *; they are searched side by side.
    GOOD is an ancestor of BAD.

    \b
    Examples:
      gatekeep culprit riscv64/vale v1.4 main
      gatekeep culprit 'loongarch64/*' HEAD~40 HEAD --json culprit.json

    Only commits that can reach the target are built, as many at once as there are workers; the one that wrote the line
    which is complained about comes first. Merges are followed into their sides. Warnings of several commits are
    searched for each by itself. Before a commit is named, it and its parents were built twice, carrying nothing at
    least once: what comes out differently leaves the search undecided.

    Exit codes: 0 found, 2 usage or matrix error, or nothing to find between GOOD and BAD, 3 undecided, 130 interrupted.
    """
    with open_edges(run.repository, store=run.store, verbose=run.verbose, sandbox=run.sandbox) as edges:
        commits = load_range(edges, good, bad)
        matrices = load_search_matrices(edges, commits, run.matrix)
        targets = _choose_targets(target, matrices[commits.good.tree_id])
        found = find_culprits(edges, commits, targets, matrices=matrices, workers=run.workers)
        answers = [_show_log_place(answer, edges.folder) for answer in found]
    _write(answers, json_file, run.colour)
    if not is_decided(answers):
        return 3
    return 0 if any(answer.conclusion.standing is CulpritStanding.FOUND for answer in answers) else 2


def _choose_targets(wanted: str, matrix: Matrix) -> list[str]:
    names = [target.name for target in matrix.targets]
    chosen: set[str] = set()
    for pattern in wanted.split(","):
        found = {name for name in names if name == pattern or fnmatchcase(name, pattern)}
        if not found:
            raise UsageError(
                f"culprit: the matrix at GOOD has no target {quote(pattern)}; "
                f"{suggest(pattern, names, none='it has none')}"
            )
        chosen |= found
    return [name for name in names if name in chosen]


def _show_log_place(answer: CulpritAnswer, folder: Path) -> CulpritAnswer:
    """Turn a log path, which the store keeps relative to itself, into one that opens from here."""
    if answer.log_path is None:
        return answer
    return replace(answer, log_path=f"{show_folder(folder)}/{answer.log_path}")


def _write(answers: Sequence[CulpritAnswer], json_file: Path | None, colour: str) -> None:
    write_reports(
        [(json_file, lambda: render_culprits_json(answers))],
        colour=colour,
        render=lambda screen: render_culprits(answers, colour=screen.colour, width=screen.width),
    )
