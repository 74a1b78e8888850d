"""
The real edges of a run, wired together for the commands that build: repository, store, toolchains, workers, clock, log.
"""

from __future__ import annotations

import logging
import math
import os
import re
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import cache
from pathlib import Path
from threading import Semaphore
from typing import TYPE_CHECKING

from gatekeep.build.command import CommandRunner
from gatekeep.build.compile_cache import CompileCache, list_faults
from gatekeep.build.machine import count_usable_cores
from gatekeep.build.sandbox import SandboxChoice
from gatekeep.cli.day import Calendar
from gatekeep.cli.sandboxing import RunSandbox
from gatekeep.cli.screen import obeys_escapes
from gatekeep.cli.start import NO_CACHES, Caches, Start
from gatekeep.errors import RunnerError, StoreError
from gatekeep.history.log_lock import using_logs
from gatekeep.history.sink import ResultSink
from gatekeep.logs import configure_logging
from gatekeep.matrix.kept import KeptMatrices
from gatekeep.model.evidence import Evidence
from gatekeep.model.matrix import Matrix
from gatekeep.model.plan import Job, Plan
from gatekeep.model.waiver import Waiver
from gatekeep.report.progress import LineProgress, LiveProgress, Progress
from gatekeep.runner.local import LocalExecutor
from gatekeep.runner.schedule import Carrier, run_jobs
from gatekeep.runner.second_look import SecondLook
from gatekeep.tree.repository import GitRepository, open_repository

# What builds and measures is imported when the first job needs it: most gates of a large tree build nothing or little,
# and nobody waits a tenth of a second for modules that are not used.
if TYPE_CHECKING:
    from gatekeep.build.job import Workplace
    from gatekeep.build.jobserver import Jobserver
    from gatekeep.build.worktree import MaterialisedTree
    from gatekeep.history.store import SqliteStore


#: The folder of the store in which workplaces lie, unless a command has others besides.
WORKPLACES = "trees"
#: What make or a shell takes apart in a path that a recipe gets as `{out}`, wherever a makefile does not quote it; make
#: cannot quote a space in the name of a target at all.
#: Source: POSIX.1-2017, XCU 2.2 "Quoting", without what means something only at the beginning of a word; GNU make
#: manual, "Rule Syntax" and "Pattern Rules", for : and %.
_TAKEN_APART = re.compile(r"""[\s"#$%&'()*:;<>?\[\\\]`|]""")
#: What a worker does before a build and after it takes an eighth of a build of 0.2 s, and less of a longer one; whether
#: it pays at all shows as builds end.
_WORKERS_PER_SPARE = 8


def make_progress(workers: int, jobs: Sequence[Job]) -> Progress:
    """Give what a terminal shows, or one line a build for logs."""
    if obeys_escapes(sys.stderr):
        return LiveProgress(workers=workers, jobs=jobs)
    return LineProgress(sys.stderr)


@dataclass(frozen=True, slots=True, kw_only=True)
class Edges:
    """
    What a run holds open.

    `folder` is the store's: `evidence.db`, `logs/`, `matrices/`, `trees/` and `gatekeep.log` lie in it. The store
    itself is opened when it is first asked; the sandbox is tried from the beginning where commands run in it.
    """

    repository: GitRepository
    open_store: Callable[[], SqliteStore]
    start: Start
    matrices: KeptMatrices
    folder: Path
    environment: Mapping[str, str]
    sandbox: RunSandbox
    calendar: Calendar
    make_progress: Callable[[int, Sequence[Job]], Progress] = make_progress

    @property
    def store(self) -> SqliteStore:
        """
        What earlier runs have shown.

        Raises:
            StoreError: It cannot be used.
        """
        return self.open_store()

    def check_store(self, *, contents: bool) -> None:
        """
        See whether the store is whole, in any thread and before it is opened; `history.integrity` says what that takes.

        Raises:
            StoreError: It is damaged.
        """
        from gatekeep.history.integrity import check_contents, check_structure

        (check_contents if contents else check_structure)(self.folder / "evidence.db")

    def read_waivers(self, text: bytes, path: str, matrix: Matrix) -> tuple[Waiver, ...]:
        """Read a file of waivers that lies beside a matrix, or take what was read of it before."""
        return self.matrices.read_waivers(text, path, matrix, parse_waivers)

    @property
    def today(self) -> date:
        """The day in UTC; a verdict asks `settle_day`, which tells a clock that cannot be believed."""
        return self.calendar.today

    def now(self) -> datetime:
        """The instant, aware."""
        return self.calendar.now()


def _utc_now() -> datetime:
    return datetime.now(UTC)


@contextmanager
def open_edges(
    repository: Path,
    *,
    store: Path | None,
    verbose: bool,
    sandbox: SandboxChoice | None = None,
    now: Callable[[], datetime] = _utc_now,
    make_progress: Callable[[int, Sequence[Job]], Progress] = make_progress,
) -> Iterator[Edges]:
    """
    Open the repository and what belongs to a run; the store is opened when it is first asked.

    Args:
        repository: Any folder of it.
        store: The store's folder; None means `gatekeep` in the repository's common git folder.
        verbose: Log every event, not only finished builds.
        sandbox: What the operator said about it; it is tried beside the rest. None where nothing is run in it.
        now: The clock, which gives aware instants.
        make_progress: Who is told how far a run is, by its number of workers and its jobs.

    Raises:
        RepositoryError: No repository there.
        StoreError: The store's folder cannot be made, or builds cannot be in it.
        RunnerError: What the operator shows to builds does not exist.
    """
    environment = dict(os.environ)
    calendar = Calendar(now=now)
    with ExitStack() as stack:
        start = stack.enter_context(Start())
        if sandbox is not None:
            start.runner.warm_up()
        opened = stack.enter_context(open_repository(repository, environment))
        folder = (store or opened.git_common_dir / "gatekeep").absolute()
        if sandbox is not None:
            _check_build_place(folder)
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(
                f"{folder}: the store's folder cannot be made: {error.strerror}; name another with --store"
            ) from error
        stack.callback(configure_logging(folder / "gatekeep.log", verbose=verbose))
        stack.enter_context(using_logs(folder))
        run_sandbox = RunSandbox(
            sandbox or SandboxChoice(),
            runner=start.runner,
            cancel=start.cancel,
            environment=environment,
            store=folder,
            git_folder=opened.git_common_dir,
        )
        if sandbox is not None:
            run_sandbox.look_around()
            start.beside(run_sandbox.get)

        @cache
        def open_store() -> SqliteStore:
            # Half of all that is imported; other programs are asked meanwhile.
            from gatekeep.history.store import SqliteStore

            return stack.enter_context(SqliteStore(folder / "evidence.db"))

        yield Edges(
            repository=opened,
            open_store=open_store,
            start=start,
            matrices=KeptMatrices(folder / "matrices", _parse_matrix),
            folder=folder,
            environment=environment,
            sandbox=run_sandbox,
            calendar=calendar,
            make_progress=make_progress,
        )


def _check_build_place(folder: Path) -> None:
    """Refuse a place in which makefiles fail that are right anywhere else: that is not the code's fault."""
    for path in (folder, Path(os.path.realpath(folder))):
        if found := _TAKEN_APART.search(str(path)):
            sign = "a space" if found[0] == " " else repr(found[0])
            raise StoreError(
                f"{path}: builds cannot be in a folder with {sign} in its path, which make or a shell would take apart;"
                " name another with --store, for this and every other command"
            )


def _parse_matrix(text: bytes, path: str) -> Matrix:
    from gatekeep.matrix.load import parse_matrix

    return parse_matrix(text, path=path)


def parse_waivers(text: bytes, path: str, matrix: Matrix) -> tuple[Waiver, ...]:
    """Read a file of waivers; a tree that has none never imports what reads it."""
    from gatekeep.matrix.waivers import parse_waivers as parse

    return parse(text, path=path, matrix=matrix)


def _confine_builds(edges: Edges, tree: MaterialisedTree, caches: Iterable[CompileCache]) -> CommandRunner:
    from gatekeep.build.job import list_confined

    places = list_confined(tree.root)
    return edges.sandbox.confine(
        edges.start.runner,
        writable=(*places.writable, *(cache.folder for cache in caches)),
        readable=places.readable,
        tmp=places.tmp,
    )


@contextmanager
def open_executor(
    edges: Edges,
    *,
    workers: int,
    cores: int,
    source_date: int,
    progress: Progress,
    place: str = WORKPLACES,
    keep: Path | None = None,
    caches: Caches = NO_CACHES,
    stored: Iterable[Evidence] = (),
) -> Iterator[LocalExecutor]:
    """
    Give an executor of this machine; its workplaces are opened as jobs need them, and let go at the end.

    Args:
        edges: What the run holds open.
        workers: How many workplaces at most, at least 1.
        cores: How many compilers and the like may run at once, over all workers.
        source_date: The modification time of everything in their trees, in seconds since 1970.
        progress: Told, once, where the filesystem does not tell what a build reads, and where a compiler cache that the
            matrix asks for cannot be used.
        place: The folder of the store in which they lie.
        keep: Where artifacts are kept; None keeps none.
        caches: Compiler caches that builds may take objects from (`list_caches`); without them builds are clean.
        stored: Results of earlier runs that a build of the same inputs must not contradict.
    """
    logging.getLogger(__name__).debug("executor", extra={"workers": workers})
    with ExitStack() as stack:
        # Left after the executor has ended what runs, though it is filled only when the first job comes.
        shared = stack.enter_context(ExitStack())
        fault: str | None = None
        jobserver: Jobserver | None = None

        def prepare() -> None:
            from gatekeep.build.jobserver import Jobserver

            nonlocal fault, jobserver
            facts = edges.start.look_at_machine(edges, edges.folder / place).result()
            jobserver = shared.enter_context(Jobserver(cores=cores, makes=facts.makes))
            fault = facts.reads_fault
            if fault is not None:
                progress.message(fault)
            for message in list_faults(caches.values()):
                progress.message(message)

        def open_workplace() -> Workplace:
            from gatekeep.boot.trial import try_boot
            from gatekeep.build.job import Workplace
            from gatekeep.build.readset import ReadWatch
            from gatekeep.build.worktree import MaterialisedTree

            if jobserver is None:
                raise RunnerError("a job was started before its executor was prepared")
            tree = MaterialisedTree.open(edges.folder / place, edges.repository, source_date=source_date)
            ready_caches = {name: cache for name, cache in caches.items() if isinstance(cache, CompileCache)}
            return Workplace(
                tree=tree,
                folder=tree.root.parent,
                logs=edges.folder / "logs",
                runner=_confine_builds(edges, tree, ready_caches.values()),
                watch=ReadWatch(tree.root.parent, fault=fault),
                host_environment=edges.environment,
                jobs=max(1, cores // workers),
                jobserver=jobserver,
                turns=turns,
                try_boot=try_boot,
                keep=keep,
                caches=ready_caches,
            )

        turns = Semaphore(workers)
        executor = LocalExecutor(
            workers,
            spare_count=math.ceil(workers / _WORKERS_PER_SPARE),
            open_workplace=open_workplace,
            prepare=prepare,
            second_look=SecondLook(stored, progress.message),
        )
        stack.callback(executor.close)
        yield executor


def run_plan(
    edges: Edges,
    plan: Plan,
    *,
    workers: int | None,
    source_date: int,
    carrier: Carrier,
    earlier: Iterable[Evidence] = (),
    sink: ResultSink | None = None,
    place: str = WORKPLACES,
    keep: Path | None = None,
    caches: Caches = NO_CACHES,
    stored: Iterable[Evidence] = (),
) -> tuple[Evidence, ...]:
    """
    Carry or build the jobs of a plan on this machine, and show how far it is.

    Args:
        edges: What the run holds open.
        plan: Its jobs; what it knows already is carried from, too.
        workers: How many builds run at once; None means the cores that this process may use.
        source_date: As for `open_executor`.
        carrier: Says what need not be built.
        earlier: Further results to carry from.
        sink: Gets the results; the store by default.
        place: As for `open_executor`.
        keep: As for `open_executor`.
        caches: As for `open_executor`.
        stored: As for `open_executor`.

    Returns:
        One evidence a job, in no promised order.
    """
    if not plan.jobs:
        return ()
    core_count = count_usable_cores()
    worker_count = min(workers or core_count, len(plan.jobs))
    # Who asks for fewer workers than there are cores wants the machine for something else as well.
    core_count = min(workers or core_count, core_count)
    progress = edges.make_progress(worker_count, plan.jobs)
    progress.started(len(plan.jobs), len(plan.known))
    try:
        with open_executor(
            edges,
            workers=worker_count,
            cores=core_count,
            source_date=source_date,
            progress=progress,
            place=place,
            keep=keep,
            caches=caches,
            stored=stored,
        ) as executor:
            return run_jobs(
                plan.jobs,
                executor=executor,
                store=sink or edges.store,
                progress=progress,
                carrier=carrier,
                earlier=(*earlier, *plan.known),
            )
    finally:
        progress.finished()
