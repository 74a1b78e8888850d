"""
`gatekeep history TARGET`: its size and warnings over the commits of a branch; what broke when, and by whom.
"""

from __future__ import annotations

import difflib
from pathlib import Path

import click

from gatekeep.cli.edges import Edges, open_edges
from gatekeep.cli.options import (
    json_option,
    repository_option,
    store_option,
)
from gatekeep.cli.screen import Screen, write_reports
from gatekeep.errors import UsageError
from gatekeep.history.sweeps import list_sweeps
from gatekeep.history.timeline import list_targets, load_timeline
from gatekeep.judge.history import list_episodes
from gatekeep.model.history import TargetHistory
from gatekeep.report.history import render_history, render_history_json
from gatekeep.tree.mainline import list_first_parents, name_branch

#: Steps that fit on a screen beside the plot.
_LAST = 12


@click.command()
@click.argument("target")
@click.option("--branch", default="HEAD", metavar="NAME", help="Over whose commits, by first parents. [HEAD]")
@repository_option
@store_option
@click.option(
    "--last",
    type=click.IntRange(1),
    default=_LAST,
    metavar="N",
    help=f"List the newest N changes of size or warnings. [default: {_LAST}]",
)
@click.option(
    "--plot",
    type=click.Choice(["auto", "always", "never"]),
    default="auto",
    help="Draw the size over the commits; auto means on a terminal only. [default: auto]",
)
@json_option()
def history(
    target: str, branch: str, repository: Path, store: Path | None, last: int, plot: str, json_file: Path | None
) -> int:
    """
    Show TARGET over the commits of a branch: how full its flash was, how many warnings there were, what broke
    when and by whom.

    \b
    Examples:
      gatekeep history riscv64/vale
      gatekeep history arm/mere/debug --branch origin/main --last 40
      gatekeep history arm/wick --json wick.json

    At each commit the result is shown that a gate or a sweep has found, built or carried.

    Exit codes: 0 shown, 2 nothing is known of the target, 3 the store cannot be read.
    """
    with open_edges(repository, store=store, verbose=False) as edges:
        found = _load(edges, target, branch)

    def render(screen: Screen) -> str:
        draws = plot == "always" or (plot == "auto" and screen.is_terminal)
        return render_history(found, plot=draws, width=screen.width, last=last)

    write_reports([(json_file, lambda: render_history_json(found))], colour="never", render=render)
    return 0


def _load(edges: Edges, target: str, branch: str) -> TargetHistory:
    store, repository = edges.store, edges.repository
    commits = list_first_parents(repository, branch)
    points = load_timeline(store, target, commits)
    if not points:
        known = list_targets(store)
        if target in known:
            raise UsageError(
                f"history: {target} was built, but at no commit of {name_branch(repository, branch)}; "
                "name another --branch, or sweep this one"
            )
        nearest = difflib.get_close_matches(target, known, n=1)
        hint = f"; the nearest name is {nearest[0]}" if nearest else "; gatekeep targets lists what there is"
        raise UsageError(f"history: nothing is known of {target}{hint}")
    return TargetHistory(
        target=target,
        points=points,
        episodes=list_episodes(target, points, list_sweeps(store), commits),
        commit_count=len(commits),
    )
