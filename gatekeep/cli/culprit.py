"""
`gatekeep culprit TARGET GOOD BAD`: which commit did it?
"""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Sequence
from dataclasses import replace
from fnmatch import fnmatchcase
from pathlib import Path

import click

from gatekeep.cli.culprit_search import find_culprits, load_range, load_search_matrices
from gatekeep.cli.edges import open_edges
from gatekeep.errors import UsageError
from gatekeep.matrix.faults import quote, suggest
from gatekeep.model.culprit import CulpritAnswer, CulpritStanding
from gatekeep.model.matrix import Matrix
from gatekeep.report.culprit import is_decided, render_culprits, render_culprits_json
from gatekeep.report.write import write_text

_FILE = click.Path(dir_okay=False, path_type=Path)
_FOLDER = click.Path(file_okay=False, path_type=Path)


@click.command()
@click.argument("target")
@click.argument("good")
@click.argument("bad")
@click.option("--matrix", type=_FILE, help="The matrix file. [default: matrix.yml at the root of the tree]")
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
@click.option("--json", "json_file", type=_FILE, help="Write everything as JSON; - for standard output.")
@click.option(
    "--colour",
    type=click.Choice(["auto", "always", "never"]),
    default="auto",
    help="Colours; auto means on a terminal only. [default: auto]",
)
@click.option("--verbose", is_flag=True, help="Log every event to gatekeep.log in the store, not only builds.")
def culprit(
    target: str,
    good: str,
    bad: str,
    matrix: Path | None,
    repository: Path,
    store: Path | None,
    workers: int | None,
    json_file: Path | None,
    colour: str,
    verbose: bool,
) -> int:
    """
    Find the first commit at which TARGET broke, outgrew its flash, or got a new warning: well at GOOD, not at BAD.

    TARGET is a target's name, or several with commas between them, or a pattern with *; they are searched side by side.
    GOOD is an ancestor of BAD.

    \b
    Examples:
      gatekeep culprit riscv64/vale v1.4 main
      gatekeep culprit 'loongarch64/*' HEAD~40 HEAD --json culprit.json

    Only commits that can reach the target are built, as many at once as there are workers. Merges are followed into
    their sides. Before a commit is named, it and its parents are built once more from nothing: what comes out
    differently then leaves the search undecided.

    Exit codes: 0 found, 2 usage or matrix error, or nothing to find between GOOD and BAD, 3 undecided, 130 interrupted.
    """
    with open_edges(repository, store=store, verbose=verbose) as edges:
        commits = load_range(edges, good, bad)
        matrices = load_search_matrices(edges, commits, matrix)
        targets = _choose_targets(target, matrices[commits.good.tree_id])
        found = find_culprits(edges, commits, targets, matrices=matrices, workers=workers)
        answers = [_show_log_place(answer, edges.folder) for answer in found]
    _write(answers, json_file, colour)
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
    here = os.path.relpath(folder)
    return replace(answer, log_path=f"{folder if here.startswith('..') else here}/{answer.log_path}")


def _write(answers: Sequence[CulpritAnswer], json_file: Path | None, colour: str) -> None:
    if json_file is not None and str(json_file) == "-":
        click.echo(render_culprits_json(answers), nl=False)
        return
    if json_file is not None:
        write_text(json_file, render_culprits_json(answers))
    is_terminal = sys.stdout.isatty()
    use_colour = colour == "always" or (colour == "auto" and is_terminal and "NO_COLOR" not in os.environ)
    width = min(shutil.get_terminal_size((100, 24)).columns, 120) if is_terminal else 100
    click.echo(render_culprits(answers, colour=use_colour, width=width), nl=False, color=use_colour)
