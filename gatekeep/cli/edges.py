"""
The real edges of a run, wired together for the commands that build: repository, store, toolchains, workers, clock, log.
"""

from __future__ import annotations

import hashlib
import logging
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from types import MappingProxyType
from typing import TYPE_CHECKING

from gatekeep.build.command import CancelToken, CommandRunner, SubprocessRunner
from gatekeep.build.compile_cache import CompileCache, NoCompileCache, find_compile_cache, list_faults
from gatekeep.build.environment import make_base_environment
from gatekeep.build.machine import count_usable_cores
from gatekeep.build.sandbox import SandboxChoice
from gatekeep.build.sandbox_view import list_programs
from gatekeep.build.toolchain import DigestCache, probe_toolchain
from gatekeep.cli.day import Calendar
from gatekeep.cli.sandboxing import RunSandbox
from gatekeep.errors import RunnerError, StoreError, ToolchainError
from gatekeep.history.kept_logs import using_logs
from gatekeep.history.store import ResultSink, SqliteStore
from gatekeep.logs import configure_logging
from gatekeep.matrix.kept import KeptMatrices
from gatekeep.model.evidence import Evidence
from gatekeep.model.matrix import Matrix, Toolchain
from gatekeep.model.plan import Job, Plan
from gatekeep.model.waiver import Waiver
from gatekeep.report.progress import LineProgress, LiveProgress, Progress
from gatekeep.runner.local import LocalExecutor
from gatekeep.runner.plan import ReadyToolchain
from gatekeep.runner.schedule import Carrier, run_jobs
from gatekeep.runner.second_look import SecondLook
from gatekeep.tree.repository import GitRepository, open_repository

# What builds and measures is imported when the first job needs it: most gates of a large tree build nothing or little,
# and nobody waits a tenth of a second for modules that are not used.
if TYPE_CHECKING:
    from gatekeep.build.job import Workplace
    from gatekeep.build.jobserver import Jobserver
    from gatekeep.build.worktree import MaterialisedTree


Caches = Mapping[Toolchain, CompileCache | NoCompileCache]
_NO_CACHES: Caches = MappingProxyType({})
_DEFAULT_CHOICE = SandboxChoice()


def make_progress(workers: int, jobs: Sequence[Job]) -> Progress:
    """Give what a terminal shows, or one line a build for logs."""
    if sys.stderr.isatty() and os.environ.get("TERM", "dumb") != "dumb":
        return LiveProgress(workers=workers, jobs=jobs)
    return LineProgress(sys.stderr)


@dataclass(frozen=True, slots=True, kw_only=True)
class Edges:
    """
    What a run holds open.

    `folder` is the store's: `evidence.db`, `logs/`, `matrices/`, `trees/` and `gatekeep.log` lie in it. `sandbox` is
    found when something is run in it.
    """

    repository: GitRepository
    store: SqliteStore
    matrices: KeptMatrices
    folder: Path
    environment: Mapping[str, str]
    sandbox: RunSandbox
    calendar: Calendar
    make_progress: Callable[[int, Sequence[Job]], Progress] = make_progress

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
    sandbox: SandboxChoice = _DEFAULT_CHOICE,
    now: Callable[[], datetime] = _utc_now,
    make_progress: Callable[[int, Sequence[Job]], Progress] = make_progress,
) -> Iterator[Edges]:
    """
    Open the repository and the store.

    Args:
        repository: Any folder of it.
        store: The store's folder; None means `gatekeep` in the repository's common git folder.
        verbose: Log every event, not only finished builds.
        sandbox: What the operator said about it.
        now: The clock, which gives aware instants.
        make_progress: Who is told how far a run is, by its number of workers and its jobs.

    Raises:
        RepositoryError: No repository there.
        StoreError: The store cannot be used.
    """
    environment = dict(os.environ)
    calendar = Calendar(now=now)
    with ExitStack() as stack:
        opened = stack.enter_context(open_repository(repository, environment))
        folder = (store or opened.git_common_dir / "gatekeep").absolute()
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(
                f"{folder}: the store's folder cannot be made: {error.strerror}; name another with --store"
            ) from error
        stack.callback(configure_logging(folder / "gatekeep.log", verbose=verbose))
        stack.enter_context(using_logs(folder))
        kept = stack.enter_context(SqliteStore(folder / "evidence.db"))
        matrices = KeptMatrices(folder / "matrices", _parse_matrix)
        run_sandbox = RunSandbox(sandbox, environment=environment, store=folder, git_folder=opened.git_common_dir)
        yield Edges(
            repository=opened,
            store=kept,
            matrices=matrices,
            folder=folder,
            environment=environment,
            sandbox=run_sandbox,
            calendar=calendar,
            make_progress=make_progress,
        )


def _parse_matrix(text: bytes, path: str) -> Matrix:
    from gatekeep.matrix.load import parse_matrix

    return parse_matrix(text, path=path)


def parse_waivers(text: bytes, path: str, matrix: Matrix) -> tuple[Waiver, ...]:
    """Read a file of waivers; a tree that has none never imports what reads it."""
    from gatekeep.matrix.waivers import parse_waivers as parse

    return parse(text, path=path, matrix=matrix)


def ready_toolchains(edges: Edges, matrices: Iterable[Matrix]) -> dict[Toolchain, ReadyToolchain | ToolchainError]:
    """Probe every toolchain that a target uses, once."""
    wanted = dict.fromkeys(target.toolchain for matrix in matrices for target in matrix.targets)
    found: dict[Toolchain, ReadyToolchain | ToolchainError] = {}
    digests = DigestCache(edges.folder / "toolchains.json")
    with CancelToken() as cancel, SubprocessRunner() as machine:
        for toolchain in wanted:
            with TemporaryDirectory(prefix="probe-", dir=edges.folder) as scratch:
                folders = {name: Path(scratch, name) for name in ("home", "tmp", "scratch")}
                for folder in folders.values():
                    folder.mkdir()
                environment = make_base_environment(edges.environment, home=folders["home"], tmp=folders["tmp"])
                runner = edges.sandbox.confine(machine, writable=tuple(folders.values()), tmp=folders["tmp"])
                try:
                    facts = probe_toolchain(
                        toolchain,
                        runner=runner,
                        environment=environment,
                        scratch=folders["scratch"],
                        digests=digests,
                        cancel=cancel,
                    )
                    cache = find_compile_cache(
                        toolchain,
                        facts,
                        folder=edges.folder / "compile-cache",
                        runner=runner,
                        environment=environment,
                        scratch=folders["scratch"],
                        digests=digests,
                        cancel=cancel,
                    )
                    digest = cache.digest if isinstance(cache, CompileCache) else facts.digest
                    found[toolchain] = ReadyToolchain(
                        version=facts.version, digest=_mark_sandboxed(digest, edges), cache=cache
                    )
                except ToolchainError as error:
                    found[toolchain] = error
    digests.save()
    return found


def _mark_sandboxed(digest: str, edges: Edges) -> str:
    """Tell a toolchain in the sandbox from the same one outside: results of the two do not stand for each other."""
    sandbox = edges.sandbox.get()
    return digest if sandbox is None else hashlib.sha256(f"{digest} {sandbox.mark}".encode()).hexdigest()


def list_caches(toolchains: Mapping[Toolchain, ReadyToolchain | ToolchainError]) -> Caches:
    """Give the compiler caches that the matrices ask for, by toolchain."""
    ready = ((toolchain, found) for toolchain, found in toolchains.items() if isinstance(found, ReadyToolchain))
    return {toolchain: found.cache for toolchain, found in ready if found.cache is not None}


def _probe_reads(edges: Edges, place: Path, runner: SubprocessRunner) -> str | None:
    from gatekeep.build.readset import probe_access_times

    place.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory(prefix="probe-", dir=place) as scratch:
        folders = {name: Path(scratch, name) for name in ("home", "tmp")}
        for folder in folders.values():
            folder.mkdir()
        # The trial runs our own Python, which may lie anywhere; builds see it only where it is on PATH.
        own = list_programs(str(Path(sys.executable).parent))
        return probe_access_times(
            Path(scratch),
            runner=edges.sandbox.confine(runner, writable=(Path(scratch),), tmp=folders["tmp"], readable=own),
            environment=make_base_environment(edges.environment, home=folders["home"], tmp=folders["tmp"]),
        )


def _confine_builds(
    edges: Edges, runner: SubprocessRunner, tree: MaterialisedTree, caches: Iterable[CompileCache]
) -> CommandRunner:
    from gatekeep.build.job import list_confined

    places = list_confined(tree.root)
    return edges.sandbox.confine(
        runner,
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
    place: str = "trees",
    keep: Path | None = None,
    caches: Caches = _NO_CACHES,
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
        runner = stack.enter_context(SubprocessRunner())
        # Left after the executor has ended what runs, though it is filled only when the first job comes.
        shared = stack.enter_context(ExitStack())
        fault: str | None = None
        jobserver: Jobserver | None = None

        def prepare() -> None:
            from gatekeep.build.gnu_make import find_makes
            from gatekeep.build.jobserver import Jobserver

            nonlocal fault, jobserver
            edges.sandbox.get()
            # Both wait for other programs; the first builds need not wait for one after the other.
            with ThreadPoolExecutor(max_workers=1, thread_name_prefix="probe") as beside:
                reads = beside.submit(_probe_reads, edges, edges.folder / place, runner)
                with TemporaryDirectory(prefix="make-", dir=edges.folder) as scratch, CancelToken() as cancel:
                    environment = make_base_environment(edges.environment, home=Path(scratch), tmp=Path(scratch))
                    confined = edges.sandbox.confine(runner, writable=(Path(scratch),), tmp=Path(scratch))
                    makes = find_makes(runner=confined, environment=environment, scratch=Path(scratch), cancel=cancel)
                jobserver = shared.enter_context(Jobserver(cores=cores, makes=makes))
                fault = reads.result()
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
                runner=_confine_builds(edges, runner, tree, ready_caches.values()),
                watch=ReadWatch(tree.root.parent, fault=fault),
                host_environment=edges.environment,
                jobs=max(1, cores // workers),
                jobserver=jobserver,
                try_boot=try_boot,
                keep=keep,
                caches=ready_caches,
            )

        executor = LocalExecutor(
            workers, open_workplace=open_workplace, prepare=prepare, second_look=SecondLook(stored, progress.message)
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
    place: str = "trees",
    keep: Path | None = None,
    caches: Caches = _NO_CACHES,
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
