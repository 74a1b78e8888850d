"""
`gatekeep approve BASE HEAD`: sign what a change loosens.
"""

from __future__ import annotations

from pathlib import Path

import click

from gatekeep.cli.day import settle_day
from gatekeep.cli.edges import open_edges
from gatekeep.cli.judging import load_request
from gatekeep.cli.options import FILE, matrix_option, refuse_range, repository_option, store_option
from gatekeep.errors import UsageError
from gatekeep.report.plain import plain, plain_lines
from gatekeep.report.write import write_text
from gatekeep.runner.approvals import check_approval, join_approval
from gatekeep.tree.approval_refs import keep_approval
from gatekeep.tree.merge import load_landing
from gatekeep.tree.signature import SshKeygen


@click.command()
@click.argument("base", callback=refuse_range)
@click.argument("head")
@click.option(
    "--key",
    type=FILE,
    help="Your OpenSSH key: the private file, or the .pub file of one that an agent or a token holds.",
)
@click.option("--yes", is_flag=True, help="Do not ask; for those who have read the lines already.")
@click.option("--out", type=FILE, help="Write the approval to this file, and not to a ref of the repository.")
@click.option("--show", is_flag=True, help="Only show what would be signed: the whole text, and its digest.")
@matrix_option()
@repository_option
@store_option
def approve(
    base: str,
    head: str,
    key: Path | None,
    yes: bool,
    out: Path | None,
    show: bool,
    matrix: Path | None,
    repository: Path,
    store: Path | None,
) -> None:
    """
    Show, line by line, what BASE..HEAD loosens of the gate, and sign it.

    \b
    Examples:
      gatekeep approve main topic --key ~/.ssh/id_ed25519
      gatekeep approve origin/main 4f1c2ab901 --key isa.pub --out topic.approval
      gatekeep approve main topic --show

    An approval counts when BASE's matrix lists the key under approvers:, and for this one change: for HEAD as it is and
    for BASE as it is. Another commit on either, and it is void. It approves what is loosened, and nothing else: a
    target that breaks still blocks.

    It is kept as a ref of the repository, which the gate finds by itself; push it where the gate runs. --out writes a
    file instead, for `gatekeep gate --approval FILE`.

    Exit codes: 0 signed (or nothing to approve), 2 usage or matrix error, 3 it could not be signed, 130 interrupted.
    """
    with open_edges(repository, store=store, verbose=False) as edges:
        change = load_landing(edges.repository, base, head)
        request, approvers = load_request(edges, change, matrix)
        if not request.statements:
            click.echo("nothing to approve: the change loosens nothing")
            return
        if show:
            for line in plain_lines(request.text):
                click.echo(line)
            click.echo(f"sha256:{request.digest}")
            return
        click.echo(plain(f"{request.tree} {change.base.short_id}..{change.head.short_id} ({change.head.subject})"))
        for statement in request.statements:
            click.echo(plain(f"    {statement}"))
        if key is None:
            raise UsageError("--key: says with which OpenSSH key to sign; write for instance --key ~/.ssh/id_ed25519")
        if not yes:
            click.confirm("Approve all of this?", abort=True)
        keygen = SshKeygen(edges.environment)
        day = settle_day(edges.calendar, edges.store, (), approvers)
        content = join_approval(request.text, keygen.sign(request.text.encode("utf-8"), key))
        found = check_approval(str(key), content, request, approvers=approvers, checker=keygen, day=day)
        if found.approver is None:
            raise UsageError(f"{key}: the approval would not count: {found.why}")
        if out is not None:
            write_text(out, content.decode("utf-8"))
            click.echo(plain(f"approved by {found.approver}: {out}"))
            return
        ref = keep_approval(edges.repository, request.digest, content)
        click.echo(plain(f"approved by {found.approver}; now: git push REMOTE {ref}"))
