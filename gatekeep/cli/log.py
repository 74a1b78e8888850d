"""
`gatekeep log TARGET|PATH`: print the log of a build, also when it is compressed by now.
"""

from __future__ import annotations

import sys
from pathlib import Path

import click

from gatekeep.cli.edges import Edges, open_edges
from gatekeep.cli.options import repository_option, store_option
from gatekeep.errors import UsageError
from gatekeep.history.kept_logs import find_digest, find_log, read_log
from gatekeep.history.timeline import list_targets
from gatekeep.matrix.faults import suggest
from gatekeep.report.plain import plain_lines


@click.command()
@click.argument("what", metavar="TARGET|PATH")
@click.argument("commit", required=False)
@repository_option
@store_option
def log(what: str, commit: str | None, repository: Path, store: Path | None) -> int:
    """
    Print the log of a target's newest build, or of its build at COMMIT; or the one that a report names by its path.

    \b
    Examples:
      gatekeep log riscv64/vale
      gatekeep log riscv64/vale v1.4
      gatekeep log .git/gatekeep/logs/b3d572894395/riscv64.vale-9cb690ea.log

    Builds leave a log when they fail or warn. It can be opened as it is for 14 days; then it is compressed
    (`<the same>.log.gz`, which zcat reads too), and kept for 90 days, for 360 where the main branch was red, and for as
    long as a page or a target's newest result refers to it. All together take no more than 2 GiB. `gatekeep sweep`
    tidies when it has ended, and has options for other days and sizes. More than a week between two sweeps counts as a
    week, so that a clock which jumps ahead takes no log with it.

    A log that is not as its result says of it is not printed: exit code 3, with its path.

    On a terminal, characters that a terminal would obey are shown as escapes; into a file or a pipe goes what was
    printed.
    """
    with open_edges(repository, store=store, verbose=False) as edges:
        text = _load(edges, what, commit)
    if sys.stdout.isatty():
        click.echo("\n".join(plain_lines(text.decode("utf-8", "surrogateescape"), keep_tabs=True)))
    else:
        sys.stdout.buffer.write(text)
    return 0


def _load(edges: Edges, what: str, commit: str | None) -> bytes:
    if what.endswith((".log", ".log.gz")):
        path = Path(what.removesuffix(".gz")).resolve()
        folder = edges.folder.resolve()
        sha256 = find_digest(edges.store, path.relative_to(folder).as_posix()) if path.is_relative_to(folder) else None
        found = read_log(path.parent, path.name, sha256=sha256)
        if found is None:
            raise UsageError(f"{what}: there is no such log (any more); gatekeep log TARGET prints the newest")
        return found
    tree_id = edges.repository.resolve(commit).tree_id if commit is not None else None
    place = find_log(edges.store, what, tree_id)
    found = read_log(edges.folder, place[0], sha256=place[1]) if place is not None else None
    if found is None:
        known = list_targets(edges.store)
        if what not in known:
            hint = suggest(what, known, none="gatekeep targets lists what there is")
            raise UsageError(f"{what}: nothing of that name was built; {hint}")
        at = f" at {commit}" if commit is not None else ""
        raise UsageError(
            f"{what}: there is no log of it{at}; a build without failures and warnings leaves none, and old ones go"
        )
    return found
