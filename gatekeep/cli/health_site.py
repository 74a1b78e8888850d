"""
The health site of a branch: what it is made from is gathered, and pages are brought to the present.
"""

from __future__ import annotations

import gc
import logging
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path

from gatekeep.build.machine import count_usable_cores
from gatekeep.cli.edges import Edges
from gatekeep.cli.site_past import SitePast, load_past, save_past
from gatekeep.errors import RepositoryError, StoreError, UsageError
from gatekeep.history.clean_builds import list_decided, load_clean_builds
from gatekeep.history.durations import load_durations
from gatekeep.history.kept_logs import read_log
from gatekeep.history.standing import Beside, load_evidence, load_standing
from gatekeep.history.store import SqliteStore
from gatekeep.history.sweep_claim import list_settled
from gatekeep.judge.changes import list_changes
from gatekeep.judge.culprits import list_culprit_ids
from gatekeep.judge.health import compose_health, find_ended, list_needed
from gatekeep.judge.outlook import list_outlooks
from gatekeep.logs import log_event
from gatekeep.model.change import Change, Commit
from gatekeep.model.evidence import Broken, Evidence, Outgrown, TimedOut
from gatekeep.model.health import CommitHealth, Health, LogExcerpt, Run
from gatekeep.model.history import Sweep
from gatekeep.model.matrix import Matrix
from gatekeep.model.waiver import Waiver
from gatekeep.report.site.notes import PageNotes
from gatekeep.report.site.pages import BUILDS_SHOWN, NEWEST_CHANGES
from gatekeep.report.site.sharing import share_work
from gatekeep.report.site.write import Written, renew_site
from gatekeep.runner.matrices import load_matrices
from gatekeep.runner.waivers import load_waivers
from gatekeep.tree.mainline import contains_commit, list_tags, name_branch
from gatekeep.tree.repository import GitRepository

_logger = logging.getLogger(__name__)
#: Lines of a log that a page shows around the first error, and without one; so few before it that it is seen at once.
_LINES_BEFORE = 14
_LINES_AFTER = 60
_LINES_AT_END = 80
_LINE_CHARACTERS = 2000
#: How often results are read that other processes change meanwhile.
_READINGS = 5
#: More of a log is not read for a page: a recipe may allow itself any length.
_LOG_BYTES = 16 * 1024**2


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteSources:
    """
    What a site is made from besides results.

    `matrix` lists the targets that are shown, `branch` is the name for people, `commits` run oldest first, `tags` are
    (name, commit id). `sweeps` run oldest first; `side_commits` are culprits that these have found and that are no
    commits of the branch itself. `waivers` are those of its newest commit that are in force. `today` is the day in UTC
    on which outlooks are told, None for the days that they are foretold from.
    """

    matrix: Matrix
    branch: str
    commits: tuple[Commit, ...]
    tags: tuple[tuple[str, str], ...] = ()
    sweeps: tuple[Sweep, ...] = ()
    side_commits: tuple[Commit, ...] = ()
    waivers: tuple[Waiver, ...] = ()
    today: date | None = None


def gather_sources(edges: Edges, branch: str, matrix_file: Path | None, commits: Sequence[Commit]) -> SiteSources:
    """
    Ask the repository what the site is to show, and the store which sweeps there were.

    Args:
        edges: What the run holds open.
        branch: Its name.
        matrix_file: A matrix file by name; None means the one in the tree.
        commits: The branch by first parents, oldest first.

    Raises:
        RepositoryError: Git cannot be asked.
        MatrixError: Its matrix is wrong.
        UsageError: It has none.
        StoreError: The store cannot be read.
    """
    repository = edges.repository
    head = commits[-1]
    alone = Change(base=head, head=head, commits=(), commit_count=0)
    matrices = load_matrices(
        alone, named=matrix_file, work_tree=repository.work_tree, files=repository, parse=edges.matrices.read
    )
    matrix = matrices.by_tree[head.tree_id]
    if not matrix.targets:
        raise UsageError(f"{matrix.path}: has no targets, so there is nothing to show; add a board")
    settled = list_settled(edges.store, edges.folder / "sweeps")
    # What was found on another branch says nothing of this one. Git is asked of few: nights sweep the branch itself.
    swept = {sweep.commit_id for sweep in settled}.difference(commit.commit_id for commit in commits)
    elsewhere = {commit_id for commit_id in swept if not contains_commit(repository, head, commit_id)}
    sweeps = tuple(sweep for sweep in settled if sweep.commit_id not in elsewhere)
    waivers = load_waivers(alone, matrices, files=repository, parse=edges.read_waivers)
    return SiteSources(
        matrix=matrix,
        branch=name_branch(repository, branch),
        commits=tuple(commits),
        tags=tuple(list_tags(repository)),
        sweeps=sweeps,
        side_commits=_load_side_commits(repository, sweeps, commits),
        waivers=tuple(waiver for waiver in waivers.by_tree[head.tree_id] if waiver.is_in_force(edges.today)),
        today=edges.today,
    )


def _load_side_commits(
    repository: GitRepository, sweeps: Sequence[Sweep], commits: Sequence[Commit]
) -> tuple[Commit, ...]:
    """Give the culprits that came with merges; one that is not in the repository now is shown as nobody's."""
    wanted = list_culprit_ids(sweeps) - {commit.commit_id for commit in commits}
    found: list[Commit] = []
    for commit_id in sorted(wanted):
        with suppress(RepositoryError):
            found.append(repository.resolve(commit_id))
    return tuple(found)


def show_site(
    store: SqliteStore,
    folder: Path,
    sources: SiteSources,
    out: Path,
    address: str = "",
    await_check: Callable[[], object] = lambda: None,
    beside: Beside | None = None,
) -> tuple[Health, Written]:
    """
    Read results and write the site, from what was known at the last time on; the same bytes as from nothing.

    Args:
        store: Where the results are.
        folder: The store's.
        sources: What else is shown.
        out: The site's folder.
        address: Under which it is served, "" where that is not known.
        await_check: Called before anything is written, more than once: raises where the store is damaged. No thread is
            left afterwards.
        beside: Does a step in a thread, as for `load_standing`.

    Raises:
        StoreError: The store cannot be read, or the disk is full.
        UsageError: The folder is somebody else's, or cannot be written.
    """
    with _without_collector():
        return _show_site(store, folder, sources, out, address, await_check, beside)


@contextmanager
def _without_collector() -> Iterator[None]:
    """Do without the search for reference cycles: values make none, and looking took a seventh of the time."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            # All that was made is old now: else the next object would have all of it looked at.
            gc.freeze()
            gc.unfreeze()
            gc.enable()


def _show_site(
    store: SqliteStore,
    folder: Path,
    sources: SiteSources,
    out: Path,
    address: str,
    await_check: Callable[[], object],
    beside: Beside | None,
) -> tuple[Health, Written]:
    targets = [target.name for target in sources.matrix.targets]
    about = (sources.matrix.tree, sources.branch, *targets)
    past = load_past(folder, about)
    health = _read_health(store, folder, sources, past, await_check, beside)
    write = partial(renew_site, out=out, address=address, workers=count_usable_cores(), await_check=await_check)
    done = write(health, notes=past.notes, aside=past.encode)
    if done is None:
        # Another folder, or somebody was at the pages.
        past = SitePast()
        health = _read_health(store, folder, sources, past, await_check)
        done = write(health, notes=past.notes)
    if done is None:
        raise UsageError(f"{out}: pages cannot be told from earlier ones; name another folder with --out")
    save_past(folder, about, past)
    return health, done


def _read_health(
    store: SqliteStore,
    folder: Path,
    sources: SiteSources,
    past: SitePast,
    await_check: Callable[[], object],
    beside: Beside | None = None,
) -> Health:
    """Read what the site shows; brings the past, but for its notes on new pages, to the present."""
    commits = sources.commits
    is_new = past.standing is None
    targets = [target.name for target in sources.matrix.targets]
    standing = load_standing(store, commits, targets, past.standing, beside)
    if is_new:
        # By now the look for damage has long ended, and with its thread a copy of this process can help to foretell.
        await_check()
    for _ in range(_READINGS):
        whole, light = list_needed(standing.runs)
        evidence = load_evidence(store, whole, whole=True) | load_evidence(store, light, whole=False)
        if evidence.keys() >= whole | light:
            break
        # A gate has dropped one meanwhile, which had run past its limit and came out now.
        standing = load_standing(store, commits, targets, past.standing)
    else:
        raise StoreError(f"{folder}: what is stored changes faster than it can be read; run it again")
    past.standing = standing
    start = _forget(past.notes, commits, standing.known_count)
    ended = find_ended(sources.sweeps, {commit.commit_id for commit in commits})
    changes: list[CommitHealth] = []

    def find_changes() -> None:
        changes.extend(list_changes(sources.matrix.targets, commits, standing.runs, evidence, start))

    outlooks = list_outlooks(
        standing.runs,
        commits,
        past.forecasts,
        known_count=standing.known_count,
        share=partial(share_work, workers=count_usable_cores() if is_new else 1, meanwhile=find_changes),
    )
    return compose_health(
        matrix=sources.matrix,
        branch=sources.branch,
        commits=commits,
        runs=standing.runs,
        evidence=evidence,
        tags=sources.tags,
        logs=_load_logs(folder, standing.runs, evidence),
        outlooks=outlooks,
        sweeps=sources.sweeps,
        side_commits=sources.side_commits,
        changes=changes,
        earlier_pages=tuple(past.notes.commits),
        waivers=sources.waivers,
        clean=load_clean_builds(store, sources.sweeps, commits, standing.runs),
        durations=load_durations(store, standing.runs, most=BUILDS_SHOWN),
        decided=list_decided(store, ended.sweep_id) if ended is not None else (),
        today=sources.today,
        bars=store.list_barred(),
    )


def _forget(notes: PageNotes, commits: Sequence[Commit], known_count: int) -> int:
    """Forget what rests on commits that are not as they were; give the position from which on changes are wanted."""
    known = [at for at, commit in enumerate(commits[:known_count]) if commit.commit_id in notes.commits]
    # The front page shows the newest changes, and so they must be known whole.
    start = known[-NEWEST_CHANGES] if len(known) >= NEWEST_CHANGES else 0
    ids = [commits[at].commit_id for at in known if at < start]
    notes.commits = {commit_id: notes.commits[commit_id] for commit_id in ids}
    if notes.border > known_count:
        notes.runs.clear()
    return start


def _load_logs(
    folder: Path, runs: Mapping[str, Sequence[Run]], evidence: Mapping[int, Evidence]
) -> dict[str, LogExcerpt]:
    """Give the log of the last failure of every target whose newest result is one."""
    logs: dict[str, LogExcerpt] = {}
    for target, line in runs.items():
        latest = evidence[line[-1].evidence_id] if line else None
        if latest is None or not isinstance(latest.outcome, Broken | Outgrown | TimedOut):
            continue
        excerpt = cut_log(_read_log(folder, latest), latest)
        if excerpt is not None:
            logs[target] = excerpt
    return logs


def _read_log(folder: Path, evidence: Evidence) -> list[str]:
    """Give the lines of a result's log; what the result itself quotes where it is gone or changed."""
    outcome = evidence.outcome
    quoted = list(outcome.excerpt) if isinstance(outcome, Broken | Outgrown | TimedOut) else []
    if evidence.log_path is None:
        return quoted
    try:
        content = read_log(folder, evidence.log_path, sha256=evidence.log_sha256, most_bytes=_LOG_BYTES)
    except StoreError as error:
        # A page without it still says what is wrong.
        log_event(_logger, logging.WARNING, "log_unreadable", target=evidence.target, error=str(error))
        content = None
    if content is None:
        return quoted
    text = shorten_places(content.decode("utf-8", "surrogateescape"), folder)
    return [line.removesuffix("\r")[:_LINE_CHARACTERS] for line in text.removesuffix("\n").split("\n")]


def shorten_places(text: str, folder: Path) -> str:
    """
    Name a worker's folders as findings do: `<out>/…` in the output folder, a path of the tree as it stands in the tree.

    Where the machine keeps its trees is nobody's business who reads the pages, and differs from night to night.

    Args:
        text: Of a log.
        folder: The store's, below which the workers' folders lie.
    """
    roots = "|".join(re.escape(str(root)) for root in sorted({folder.absolute(), folder.resolve()}))
    places = re.compile(rf"(?:{roots})/[a-z]+/[0-9]{{3,}}/(?:tree/|(out)(?![\w.-]))")
    return places.sub(lambda match: "<out>" if match[1] else "", text)


def cut_log(lines: Sequence[str], evidence: Evidence) -> LogExcerpt | None:
    """Cut a log to what surrounds its first error, or to its end; None when there is nothing in it."""
    if not any(line.strip() for line in lines):
        return None
    error = evidence.outcome.first_error if isinstance(evidence.outcome, Broken) else None
    at = None
    if error is not None:
        with_message = [index for index, line in enumerate(lines) if error.message in line]
        name = (error.path or "").rpartition("/")[2]
        exact = (index for index in with_message if name in lines[index] and str(error.line or "") in lines[index])
        at = next(exact, with_message[0] if with_message else None)
    start = max(0, len(lines) - _LINES_AT_END) if at is None else max(0, at - _LINES_BEFORE)
    end = len(lines) if at is None else min(len(lines), at + _LINES_AFTER)
    return LogExcerpt(
        lines=tuple(lines[start:end]),
        first_number=start + 1,
        error_index=None if at is None else at - start,
        line_count=len(lines),
    )
