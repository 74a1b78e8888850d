"""
`gatekeep health --out DIR`: write the health site of a branch.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from concurrent.futures import Future, wait
from pathlib import Path

import click

from gatekeep.cli.edges import open_edges
from gatekeep.cli.options import FOLDER, matrix_option, repository_option, store_option
from gatekeep.report.plain import plain
from gatekeep.report.wording import count
from gatekeep.tree.mainline import list_first_parents

#: What RFC 3986 allows in an address up to its path; queries and fragments lead nowhere with a file's name behind them.
_ADDRESS = re.compile(r"https?://[A-Za-z0-9._~:@%\[\]-]+(/[A-Za-z0-9._~:@!$&'()*+,;=%/-]*)?", re.ASCII)


def _check_address(_context: click.Context, _option: click.Parameter, value: str | None) -> str:
    if value is None:
        return ""
    if not _ADDRESS.fullmatch(value):
        raise click.BadParameter(
            f"needs the whole address of a folder, got {plain(value)!r}; write https://host/folder/ without ? and #"
        )
    return value if value.endswith("/") else f"{value}/"


@click.command()
@click.option("--out", type=FOLDER, required=True, help="The site's folder: new, empty, or a site written before.")
@click.option("--branch", default="HEAD", metavar="NAME", help="Whose commits are shown, by first parents. [HEAD]")
@matrix_option()
@repository_option
@store_option
@click.option("--url", metavar="ADDRESS", callback=_check_address, help="Where --out is served, for links in feeds.")
def health(out: Path, branch: str, matrix: Path | None, repository: Path, store: Path | None, url: str) -> None:
    """
    Write the health site: who needs somebody, every port and target, how full each flash part is and since when
    something is not well. Nothing is built: it shows what gates and sweeps have stored.

    \b
    Examples:
      gatekeep health --out /srv/www/skerry --branch main
      gatekeep health --out site --repository ../skerry
      gatekeep health --out /srv/www/skerry --url https://health.skerry.example/

    The site is static files that load nothing from elsewhere: open index.html, or let any web server serve the folder.
    Only what changed is written, and a page is never seen half; what is gone from the matrix is removed.

    Links are relative, in the feeds too, so that the folder can lie anywhere. Some feed readers want whole addresses:
    --url names the one under which the folder is served. Ids of feed entries stay the same with and without it.
    """
    with open_edges(repository, store=store, verbose=False) as edges:
        check = edges.start.beside(lambda: edges.check_store(contents=False))
        commits = edges.start.beside(lambda: list_first_parents(edges.repository, branch))
        # While the store is looked at and git is at work: to import this takes a quarter of a second.
        from gatekeep.cli.health_site import gather_sources, show_site

        sources = gather_sources(edges, branch, matrix, commits.result())

        def await_check() -> None:
            check.result()
            edges.start.end_threads()

        def after_check(step: Callable[[], list[str] | None]) -> Future[list[str] | None]:
            # One after the other: a third thread would only take time from the first where there are two cores.
            return edges.start.beside(lambda: step() if wait([check]) else None)

        gathered, done = show_site(edges.store, edges.folder, sources, out, url, await_check, after_check)
    unwell = sum(len(trouble.targets) for trouble in gathered.troubles)
    state = "all are well" if not unwell else f"{unwell} not well"
    click.echo(
        plain(
            f"{out}/index.html: {count(len(gathered.targets), 'target')} on {branch}, {state}; "
            f"{count(done.written, 'file')} written, {done.kept} as they were, {done.removed} removed"
        )
    )
