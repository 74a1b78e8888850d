"""
The start of a run: what goes side by side before the first build.

Other programs have to be asked first, and each takes tens of milliseconds in which this process would only wait, while
it has twice as much of its own to do: reading git, the matrix and the store, and importing what reads them. So whatever
waits for others goes to a thread as soon as what it needs is there:

    this thread                       beside it
    open the repository               a keeper starts
    what builds would see
    the change, its matrices          the sandbox is tried
    open the store, what is stored    toolchains say what they are; their programs are hashed
    the plan                          make and access times are tried, where something will be built for sure
    the builds

Only what waits goes beside: a thread lets go of Python's lock at each system call and waits milliseconds to have it
back from one that imports, so that to look through folders there took fifteen times as long as here.

Whoever needs an answer waits for it there, and gets its error there. Nothing here is remembered from run to run but the
digests of programs (`build.toolchain.DigestCache`).
"""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType, TracebackType
from typing import TYPE_CHECKING, Self, TypeVar

from gatekeep.build.command import CancelToken
from gatekeep.build.compile_cache import CompileCache, NoCompileCache, find_compile_cache
from gatekeep.build.environment import make_base_environment
from gatekeep.build.gnu_make import Makes, find_makes
from gatekeep.build.sandbox_view import list_programs
from gatekeep.build.subprocess_runner import SubprocessRunner
from gatekeep.build.toolchain import DigestCache, probe_toolchain
from gatekeep.errors import ToolchainError
from gatekeep.model.matrix import Matrix, Toolchain
from gatekeep.runner.plan import ReadyToolchain
from gatekeep.scratch import scratch_folder

if TYPE_CHECKING:
    from gatekeep.cli.edges import Edges

_T = TypeVar("_T")
Toolchains = Mapping[Toolchain, ReadyToolchain | ToolchainError]
Caches = Mapping[Toolchain, CompileCache | NoCompileCache]
NO_CACHES: Caches = MappingProxyType({})
#: All of them wait for other programs or hash; the trial of the sandbox, which the others need, is first in the queue.
_THREAD_COUNT = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineFacts:
    """What builds need to know of this machine: which makes share job slots, and why read sets cannot be told."""

    makes: Makes
    reads_fault: str | None


class Start:
    """
    The threads, and the keepers of commands, of one run; a context manager.

    On leaving, what is still asked is cancelled: nobody waits for its answer any more.

    Attributes:
        runner: Starts every command of the run.
        cancel: Ends what is asked here.
    """

    def __init__(self) -> None:
        self.runner = SubprocessRunner()
        self.cancel = CancelToken()
        self._threads = ThreadPoolExecutor(max_workers=_THREAD_COUNT, thread_name_prefix="start")
        self._machine: dict[Path, Future[MachineFacts]] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.cancel.cancel()
        self._threads.shutdown(wait=True, cancel_futures=True)
        self.runner.close()
        self.cancel.close()

    def beside(self, step: Callable[[], _T]) -> Future[_T]:
        """Do a step in a thread."""
        return self._threads.submit(step)

    def end_threads(self) -> None:
        """Wait for what was asked; nothing is done beside any more. With threads no process can be copied safely."""
        self._threads.shutdown(wait=True)

    def look_at_machine(self, edges: Edges, place: Path) -> Future[MachineFacts]:
        """Try, once a run and folder, what builds in workplaces of that folder need to know."""
        found = self._machine.get(place)
        if found is None:
            reads = self.beside(lambda: _probe_reads(edges, place))
            found = self._machine[place] = self.beside(
                lambda: MachineFacts(makes=_find_makes(edges), reads_fault=reads.result())
            )
        return found


def ready_toolchains(edges: Edges, matrices: Iterable[Matrix]) -> Toolchains:
    """
    Probe every toolchain that a target uses, once.

    Raises:
        RunnerError: The machine could not run a probe.
    """
    return begin_toolchains(edges, matrices)()


def begin_toolchains(edges: Edges, matrices: Iterable[Matrix]) -> Callable[[], Toolchains]:
    """Begin to probe every toolchain that a target uses; what is given waits for the answers, as `ready_toolchains`."""
    wanted = dict.fromkeys(target.toolchain for matrix in matrices for target in matrix.targets)
    digests = DigestCache(edges.folder / "toolchains.json")

    def ask(toolchain: Toolchain) -> Future[ReadyToolchain | ToolchainError]:
        return edges.start.beside(lambda: _ready_toolchain(edges, toolchain, digests))

    asked = {toolchain: ask(toolchain) for toolchain in wanted}

    def get() -> Toolchains:
        found = {toolchain: answer.result() for toolchain, answer in asked.items()}
        digests.save()
        return found

    return get


def _ready_toolchain(edges: Edges, toolchain: Toolchain, digests: DigestCache) -> ReadyToolchain | ToolchainError:
    with scratch_folder(edges.folder, "probe-") as scratch:
        folders = {name: scratch / name for name in ("home", "tmp", "scratch")}
        for folder in folders.values():
            folder.mkdir()
        environment = make_base_environment(edges.environment, home=folders["home"], tmp=folders["tmp"])
        runner = edges.sandbox.confine(edges.start.runner, writable=tuple(folders.values()), tmp=folders["tmp"])
        try:
            facts = probe_toolchain(
                toolchain,
                runner=runner,
                environment=environment,
                scratch=folders["scratch"],
                digests=digests,
                cancel=edges.start.cancel,
            )
            cache = find_compile_cache(
                toolchain,
                facts,
                folder=edges.folder / "compile-cache",
                runner=runner,
                environment=environment,
                scratch=folders["scratch"],
                digests=digests,
                cancel=edges.start.cancel,
            )
        except ToolchainError as error:
            return error
        digest = cache.digest if isinstance(cache, CompileCache) else facts.digest
        return ReadyToolchain(version=facts.version, digest=_mark_sandboxed(digest, edges), cache=cache)


def _mark_sandboxed(digest: str, edges: Edges) -> str:
    """Tell a toolchain in the sandbox from the same one outside: results of the two do not stand for each other."""
    sandbox = edges.sandbox.get()
    return digest if sandbox is None else hashlib.sha256(f"{digest} {sandbox.mark}".encode()).hexdigest()


def list_caches(toolchains: Toolchains) -> Caches:
    """Give the compiler caches that the matrices ask for, by toolchain."""
    ready = ((toolchain, found) for toolchain, found in toolchains.items() if isinstance(found, ReadyToolchain))
    return {toolchain: found.cache for toolchain, found in ready if found.cache is not None}


def _find_makes(edges: Edges) -> Makes:
    with scratch_folder(edges.folder, "make-") as scratch:
        environment = make_base_environment(edges.environment, home=scratch, tmp=scratch)
        confined = edges.sandbox.confine(edges.start.runner, writable=(scratch,), tmp=scratch)
        return find_makes(runner=confined, environment=environment, scratch=scratch, cancel=edges.start.cancel)


def _probe_reads(edges: Edges, place: Path) -> str | None:
    # As all that builds: a run that builds nothing does not wait for modules that it does not use.
    from gatekeep.build.readset import probe_access_times

    place.mkdir(parents=True, exist_ok=True)
    with scratch_folder(place, "probe-") as scratch:
        folders = {name: scratch / name for name in ("home", "tmp")}
        for folder in folders.values():
            folder.mkdir()
        # The trial runs our own Python, which may lie anywhere; builds see it only where it is on PATH.
        own = list_programs(str(Path(sys.executable).parent))
        return probe_access_times(
            scratch,
            runner=edges.sandbox.confine(edges.start.runner, writable=(scratch,), tmp=folders["tmp"], readable=own),
            environment=make_base_environment(edges.environment, home=folders["home"], tmp=folders["tmp"]),
        )
