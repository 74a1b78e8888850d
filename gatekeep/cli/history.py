"""
`gatekeep history TARGET`: its size and warnings over the commits of a branch; what broke when, and by whom.
"""

from __future__ import annotations

from collections.abc import Sequence
from fnmatch import fnmatchcase
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
from gatekeep.matrix.faults import suggest
from gatekeep.model.history import TargetHistory
from gatekeep.report.history import render_histories, render_history, render_history_json
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
    help="Draw sizes and warnings over the commits; auto means on a terminal only. [default: auto]",
)
@json_option()
def history(
    target: str, branch: str, repository: Path, store: Path | None, last: int, plot: str, json_file: Path | None
) -> int:
    """
    Show TARGET over the commits of a branch: how full its flash was, how many warnings there were, what broke
    when and by whom.

    Several targets, with commas between them or as a pattern, are shown in short, one after the other.

    \b
    Examples:
      gatekeep history riscv64/vale
      gatekeep history 'loongarch64/*'
      gatekeep history arm/mere/debug --branch origin/main --last 40
      gatekeep history arm/wick --json wick.json

    At each commit the result is shown that a gate or a sweep has found, built or carried.

    Exit codes: 0 shown, 2 nothing is known of the target, 3 the store cannot be read.
    """
    with open_edges(repository, store=store, verbose=False) as edges:
        found = _load(edges, target, branch)
    if json_file is not None and len(found) > 1:
        raise UsageError(f"history: {target} means {len(found)} targets, and --json takes one; name one")

    def render(screen: Screen) -> str:
        if len(found) > 1:
            return render_histories(found, width=screen.width)
        draws = plot == "always" or (plot == "auto" and screen.is_terminal)
        return render_history(found[0], plot=draws, width=screen.width, last=last)

    write_reports([(json_file, lambda: render_history_json(found[0]))], colour="never", render=render)
    return 0


def _load(edges: Edges, wanted: str, branch: str) -> tuple[TargetHistory, ...]:
    """Give the histories of all that is meant and has results on the branch, in the order of names; at least one."""
    store, repository = edges.store, edges.repository
    commits = list_first_parents(repository, branch)
    targets = _choose(wanted, list_targets(store))
    sweeps = list_sweeps(store)
    found = []
    for target in targets:
        points = load_timeline(store, target, commits)
        if points:
            episodes = list_episodes(target, points, sweeps, commits)
            found.append(TargetHistory(target=target, points=points, episodes=episodes, commit_count=len(commits)))
    if not found:
        were = f"{targets[0]} was" if len(targets) == 1 else f"{wanted} were"
        raise UsageError(
            f"history: {were} built, but at no commit of {name_branch(repository, branch)}; "
            "name another --branch, or sweep this one"
        )
    return tuple(found)


def _choose(wanted: str, known: Sequence[str]) -> list[str]:
    chosen: set[str] = set()
    for pattern in wanted.split(","):
        meant = {name for name in known if name == pattern or fnmatchcase(name, pattern)}
        if not meant:
            hint = suggest(pattern, known, none="gatekeep targets lists what there is")
            raise UsageError(f"history: nothing is known of {pattern}; {hint}")
        chosen |= meant
    return sorted(chosen)
