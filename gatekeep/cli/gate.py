"""
`gatekeep gate BASE HEAD`: may these commits land?
"""

from __future__ import annotations

from pathlib import Path

import click

from gatekeep.cli.edges import open_edges
from gatekeep.cli.judging import judge_change, show_log_places, write_judgement
from gatekeep.cli.options import ReportFiles, RunOptions, approval_option, refuse_range, report_options, run_options
from gatekeep.runner.approvals import ApprovalSources
from gatekeep.tree.merge import load_landing


@click.command()
@click.argument("base", callback=refuse_range)
@click.argument("head")
@approval_option
@click.option("--rebuild", is_flag=True, help="Take nothing over from earlier runs: build every target anew.")
@report_options
@run_options(
    "The matrix file. One that lies in the tree is read from the commits themselves: the base's rules judge, and "
    "targets that the change adds are built too. [default: matrix.yml at the root of the tree]"
)
def gate(
    base: str,
    head: str,
    approvals: tuple[Path, ...],
    rebuild: bool,
    files: ReportFiles,
    run: RunOptions,
) -> int:
    """
    Judge the commits of BASE..HEAD: build every target of the matrix at every commit whose tree differs, measure
    images and warnings against BASE, and say pass or block.

    Where HEAD does not descend from BASE, the tree of HEAD merged onto BASE is judged as well: it is what would land.
    The commits are then compared with where they left BASE's history, and the merge with BASE.

    BASE's matrix judges, and BASE's waivers.yml excuses. What the change loosens of either blocks, until somebody whom
    BASE's matrix lists has signed exactly that (`gatekeep approve`).

    \b
    Examples:
      gatekeep gate main HEAD
      gatekeep gate origin/main feature --json verdict.json --markdown comment.md
      gatekeep gate main HEAD --sarif findings.sarif --junit results.xml
      gatekeep gate v1.4 HEAD --matrix ../release/matrix.yml --workers 8

    The report goes to standard output and ends in one line that is the verdict; progress goes to standard error. Every
    finished build is kept: a run that was stopped goes on where it was.

    Exit codes: 0 pass, 1 blocked, 2 usage or matrix error, 3 undecided, 130 interrupted.

    A pass says that images build, fit and, where the matrix asks for a boot, say in an emulator what is expected; an
    emulator is not the board. It does not say that they are safe to flash: keep a write-protected recovery image and a
    way to reflash from outside, and follow the board maker's instructions and your local rules.
    """
    with open_edges(run.repository, store=run.store, verbose=run.verbose, sandbox=run.sandbox) as edges:
        change = load_landing(edges.repository, base, head)
        judgement = judge_change(
            edges, change, run.matrix, run.workers, rebuild=rebuild, approvals=ApprovalSources(files=approvals)
        )
        shown = show_log_places(judgement, edges.folder)
    write_judgement(shown, files, run.colour)
    return judgement.verdict.decision.exit_code
