"""
`gatekeep receive`: what a server's pre-receive hook runs, so that nothing lands on a protected branch unjudged.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from types import FrameType

import click

from gatekeep.cli.main import EXIT_BLOCKED, EXIT_PASS, EXIT_UNDECIDED, EXIT_USAGE
from gatekeep.errors import GatekeepError, MatrixError, UsageError
from gatekeep.model.push import RefUpdate, UpdateKind, parse_updates
from gatekeep.report.estimate import say_duration
from gatekeep.report.layout import wrap_words
from gatekeep.report.plain import plain
from gatekeep.tree.push import HEADS, Branches, PushSettings, load_push_settings, open_hook_repository

#: What is left of 80 columns behind the `remote: ` that git puts before each line.
_WIDTH = 72
#: How long what was stopped may take to end before it is interrupted again; builds get some seconds to end themselves.
_RING_AGAIN_S = 30.0


@click.command()
def receive() -> int:
    """
    Judge a push on the server. Reads the lines that git gives a pre-receive hook from standard input, in the
    repository's folder; install it by copying ci/pre-receive to hooks/pre-receive of a bare repository.

    Protected branches move only forward, and only to what passes the gate: deletions and forced pushes are refused, so
    is a push that is blocked or undecided, for whatever reason. A new protected branch is judged from where it leaves
    the protected branches that exist. All other branches and tags pass at once.

    \b
    Settings, read from the repository's own configuration (git config gatekeep.protected main):
      gatekeep.protected    a branch, or a pattern such as release/*; repeatable
                            [default: the branch that HEAD names]
      gatekeep.matrix       as gate --matrix
      gatekeep.store        as gate --store [default: gatekeep/ in the repository]
      gatekeep.workers      as gate --workers
      gatekeep.timeLimit    for one push, for instance 30 min [default: 30 min]
      gatekeep.sandbox      require, auto or off [default: require]
      gatekeep.sandboxShow  as gate --sandbox-show; repeatable
      gatekeep.program      the command itself, for the hook [default: gatekeep on PATH]

    Push options and the pusher's environment change nothing of this. What a change loosens may be approved in the very
    push that brings it (gatekeep approve): git push REMOTE main refs/gatekeep/approvals/...

    Exit codes: 0 taken, 1 refused, 2 a setting or the base's matrix is wrong, 3 undecided; all but 0 refuse the push.
    """
    try:
        return _receive(_read_updates())
    except MatrixError as error:
        for fault in (error, *error.others):
            _say(str(fault))
        return _conclude(EXIT_USAGE)
    except UsageError as error:
        _say(str(error))
        return _conclude(EXIT_USAGE)
    except GatekeepError as error:
        _say(str(error))
        return _conclude(EXIT_UNDECIDED)


def _read_updates() -> tuple[RefUpdate, ...]:
    try:
        return parse_updates(sys.stdin.buffer.read().decode("utf-8", "surrogateescape"))
    except ValueError as error:
        raise UsageError(f"standard input: {error}; this command is run by git, as a pre-receive hook") from error


def _receive(updates: Sequence[RefUpdate]) -> int:
    with closing(open_hook_repository(Path(os.environ.get("GIT_DIR", ".")), os.environ)) as command:
        settings = load_push_settings(command)
        branches = Branches(command, settings.protected)
        protected = [(ref, update) for update in updates if (ref := branches.find_protected(update.ref)) is not None]
        if not protected:
            return 0
        refusals = [text for ref, update in protected if (text := _find_refusal(branches, ref, update))]
        if refusals:
            for text in refusals:
                _say(text)
            return _conclude(EXIT_BLOCKED)
        with _time_limit(settings.time_limit_s):
            ranges = [_find_range(branches, ref, update) for ref, update in protected]
            return _judge(settings, [found for found in ranges if found is not None], updates)


def _find_refusal(branches: Branches, ref: str, update: RefUpdate) -> str | None:
    """Say what is refused whatever the commits hold."""
    name = ref.removeprefix(HEADS)
    if update.kind is UpdateKind.DELETED:
        return f"{name} is protected: it cannot be deleted"
    branches.require_commit(update.new_id)
    if update.kind is UpdateKind.MOVED and not branches.descends(update.new_id, update.old_id):
        return (
            f"{name} is protected: it cannot be forced from {update.old_id[:10]} to {update.new_id[:10]}; fetch it, "
            "and rebase or merge"
        )
    return None


def _find_range(branches: Branches, ref: str, update: RefUpdate) -> tuple[str, str, str] | None:
    """Give (name, base, head) of what is to be judged; None where nothing is new."""
    name = ref.removeprefix(HEADS)
    if update.kind is UpdateKind.MOVED:
        return name, update.old_id, update.new_id
    origin = branches.find_origin(update.new_id, branches.list_protected().values())
    if origin is None:
        raise UsageError(
            f"{name} is protected, and has no commit in common with a protected branch, so there is nothing to judge "
            "it from; whoever runs the server can bring its first commit with git fetch there"
        )
    if origin == update.new_id:
        _say(f"{name}: a protected branch contains it already")
        return None
    return name, origin, update.new_id


def _judge(settings: PushSettings, ranges: Sequence[tuple[str, str, str]], updates: Sequence[RefUpdate]) -> int:
    # Imported here: a push that touches no protected branch does not wait for what judges.
    from gatekeep.build.sandbox import SandboxChoice, SandboxWish
    from gatekeep.cli.edges import open_edges
    from gatekeep.cli.judging import judge_change, show_log_places
    from gatekeep.report.paced_progress import PacedProgress
    from gatekeep.report.terminal import render_terminal
    from gatekeep.runner.approvals import ApprovalSources
    from gatekeep.tree.merge import load_landing

    # Approvals of a change may come in the very push that brings it.
    approvals = ApprovalSources(
        pushed=tuple((update.ref, update.new_id) for update in updates if update.kind is not UpdateKind.DELETED)
    )
    codes = {EXIT_PASS}
    with (
        open_edges(
            Path(os.environ.get("GIT_DIR", ".")),
            store=settings.store,
            verbose=False,
            sandbox=SandboxChoice(wish=SandboxWish(settings.sandbox), show=settings.sandbox_show),
            make_progress=lambda workers, jobs: PacedProgress(),
        ) as edges,
    ):
        for name, base, head in ranges:
            _say(f"judging {name}")
            # Its base is an ancestor of its head: what would land is the head itself.
            change = load_landing(edges.repository, base, head)
            judgement = judge_change(edges, change, settings.matrix, settings.workers, approvals=approvals)
            shown = show_log_places(judgement, edges.folder)
            click.echo(render_terminal(shown, colour=False, width=_WIDTH), nl=False)
            codes.add(judgement.verdict.decision.exit_code)
    # A block that is certain outweighs what is undecided elsewhere.
    return _conclude(next(code for code in (EXIT_BLOCKED, EXIT_UNDECIDED, EXIT_PASS) if code in codes))


def _conclude(code: int) -> int:
    if code == EXIT_BLOCKED:
        _say("refused: nothing of this push is taken")
    elif code != EXIT_PASS:
        _say("undecided, which is never a pass: nothing of this push is taken")
    return code


@contextmanager
def _time_limit(limit_s: float) -> Iterator[None]:
    """
    Stop what is judged after so many seconds, as an interrupt would: builds end, and what had ended is kept.

    Raises:
        GatekeepError: The time is up.
    """
    is_up = False

    def ring(number: int, frame: FrameType | None) -> None:
        nonlocal is_up
        is_up = True
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGALRM, ring)
    # Again and again: an interrupt that comes while an object is taken down is swallowed by Python.
    signal.setitimer(signal.ITIMER_REAL, limit_s, _RING_AGAIN_S)
    try:
        yield
    except KeyboardInterrupt:
        if not is_up:
            raise
        raise GatekeepError(
            f"judging ran into its limit of {say_duration(limit_s)} (gatekeep.timeLimit); what was built is kept, so "
            "the same push goes on from there"
        ) from None
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def _say(text: str) -> None:
    for words in wrap_words(f"gatekeep: {plain(text)}".split(" "), _WIDTH):
        click.echo(" ".join(words))
