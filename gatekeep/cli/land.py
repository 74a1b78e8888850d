"""
`gatekeep land BRANCH HEAD`: gate a change and, where it passes, move the branch to the very commit that was judged.
"""

from __future__ import annotations

from pathlib import Path

import click

from gatekeep.cli.edges import Edges, open_edges
from gatekeep.cli.judging import judge_change, show_log_places, write_judgement
from gatekeep.cli.options import ReportFiles, RunOptions, approval_option, refuse_range, report_options, run_options
from gatekeep.errors import RepositoryError, UsageError
from gatekeep.model.change import Change, Commit
from gatekeep.model.verdict import Decision, Judgement
from gatekeep.report.plain import plain
from gatekeep.runner.approvals import ApprovalSources
from gatekeep.tree.branch import find_branch, find_checkout, load_signature, move_branch
from gatekeep.tree.merge import Signature, keep_merge, load_landing


@click.command()
@click.argument("branch", callback=refuse_range)
@click.argument("head")
@click.option("--message", help="Message of the merge, where one is made. [default: Merge HEAD into BRANCH]")
@click.option(
    "--attempts",
    type=click.IntRange(1, 100),
    default=5,
    help="How often to judge anew where somebody else moves the branch meanwhile. [default: 5]",
)
@click.option("--dry-run", is_flag=True, help="Judge, say what would land, and move nothing.")
@approval_option
@report_options
@run_options()
def land(
    branch: str,
    head: str,
    message: str | None,
    attempts: int,
    dry_run: bool,
    approvals: tuple[Path, ...],
    files: ReportFiles,
    run: RunOptions,
) -> int:
    """
    Judge HEAD against BRANCH as `gatekeep gate` does and, if it passes, move BRANCH to what was judged: to HEAD itself
    where it descends from BRANCH, else to a merge with the tree that was judged.

    \b
    Examples:
      gatekeep land main topic
      gatekeep land release/1.4 4f1c2ab901 --message "Merge the beacon's lamp table"
      gatekeep land main topic --dry-run

    The branch moves only from the commit that was judged against. If somebody else has moved it meanwhile, the new
    merge is judged, most of it carried over, and the move is tried again.

    The merge is made without a checkout, signed by whom git's configuration names, and has no cryptographic signature.
    No hook runs. A branch that is checked out in a work tree is not moved: the work tree would be out of step.

    Exit codes: 0 landed (or nothing to land), 1 blocked, 2 usage or matrix error, 3 undecided, 130 interrupted.
    """
    with open_edges(run.repository, store=run.store, verbose=run.verbose, sandbox=run.sandbox) as edges:
        landing = _Landing(edges, branch, head, message)
        for left in range(attempts - 1, -1, -1):
            change = landing.load_change()
            judgement = judge_change(edges, change, run.matrix, run.workers, approvals=ApprovalSources(files=approvals))
            said = _say_unmoved(branch, change, judgement, dry_run=dry_run) or landing.move(change)
            if said is not None:
                break
            _say(f"{branch} was moved while the change was judged; judging what would land now, {left} more after this")
        else:
            raise RepositoryError(
                f"{edges.repository.place}: {branch} was moved each of the {attempts} times that the change was "
                "judged, and nothing was landed; try again when less lands, or with more --attempts"
            )
        shown = show_log_places(judgement, edges.folder)
    write_judgement(shown, files, run.colour)
    _say(said)
    return judgement.verdict.decision.exit_code


class _Landing:
    """One change on its way to one branch; its head stays the commit that the name meant at the start."""

    def __init__(self, edges: Edges, branch: str, head: str, message: str | None) -> None:
        self._repository = edges.repository
        self._environment = edges.environment
        self._branch = branch
        self._ref = find_branch(self._repository, branch)
        self._head = self._repository.resolve(head)
        self._message = message if message is not None else f"Merge {head} into {branch}\n"
        self._signature: Signature | None = None
        self._require_unused()

    def load_change(self) -> Change:
        """
        List the change as it would land now.

        Raises:
            UsageError: A merge is needed, and git does not know who makes it.
            RepositoryError: As `load_landing`.
        """
        change = load_landing(self._repository, self._ref, self._head.commit_id)
        if change.merged is None:
            return change
        self._signature = load_signature(self._repository, self._message, self._environment)
        return load_landing(self._repository, change.base.commit_id, self._head.commit_id, signature=self._signature)

    def move(self, change: Change) -> str | None:
        """
        Move the branch to what was judged.

        Returns:
            What happened, in words; None when somebody else has moved it meanwhile.

        Raises:
            UsageError: It was checked out meanwhile.
            RepositoryError: Git failed.
        """
        self._require_unused()
        commit = change.landing
        if change.merged is not None and self._signature is not None:
            commit = keep_merge(self._repository, change, self._signature)
        complaint = move_branch(
            self._repository,
            self._ref,
            old_id=change.base.commit_id,
            new_id=commit.commit_id,
            committer=self._signature.committer if self._signature else None,
            why=f"gatekeep land: {change.base.short_id}..{change.head.short_id} passed",
        )
        if complaint:
            if self._repository.resolve(self._ref).commit_id != change.base.commit_id:
                return None
            raise RepositoryError(
                f"{self._repository.place}: {self._ref} cannot be moved, git said: {' '.join(complaint.split())}; "
                "nothing was landed"
            )
        said = f"landed: {self._branch} is at {_say_commit(change, commit)}"
        place = find_checkout(self._repository, self._ref)
        if place is not None:
            said += f"; it was checked out meanwhile in {place}, which still has the files of {change.base.short_id}"
        return said

    def _require_unused(self) -> None:
        place = find_checkout(self._repository, self._ref)
        if place is not None:
            raise UsageError(
                f"{self._branch} is checked out in {place}, which would be out of step if the branch moved; run "
                "git switch --detach there, or land in a bare repository"
            )


def _say_unmoved(branch: str, change: Change, judgement: Judgement, *, dry_run: bool) -> str | None:
    """Say why nothing is to be moved; None where it is."""
    if judgement.verdict.decision is not Decision.PASS:
        return f"not landed: {branch} stays at {change.base.short_id}"
    if not change.commit_count:
        return f"nothing to land: {branch} contains the change already"
    if dry_run:
        return f"not landed, as --dry-run asks: {branch} would be at {_say_commit(change, change.landing)}"
    return None


def _say_commit(change: Change, commit: Commit) -> str:
    if change.merged is None:
        return commit.short_id
    return f"{commit.short_id}, which merges {change.head.short_id} onto {change.base.short_id}"


def _say(text: str) -> None:
    click.echo(f"gatekeep: {plain(text)}", err=True)
