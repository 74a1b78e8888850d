"""
One job in one workplace: move the tree, run the recipe, look at what it left, put the tree back.

A workplace is a worker's own: its copy of the tree, and beside it the folders `out`, `home` and `tmp`, made anew for
every job. What a job does there, no later job sees. Whatever the code does wrong is an outcome; whatever the machine
does wrong is the outcome *not decided*. Nothing is raised but what stops the whole run.

Only the commands of a job wait for their turn, of which there are as many as workers. Moving the tree before and
looking through it afterwards take some milliseconds of waiting for the disk and the clock, in which, where there is a
workplace more than turns, another job's commands run.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from threading import Semaphore
from types import MappingProxyType
from typing import Protocol

from gatekeep.build.cache_use import CacheUse
from gatekeep.build.capped_log import copy_capped
from gatekeep.build.command import (
    CancelToken,
    CommandResult,
    CommandRunner,
    CommandSpec,
    Exited,
)
from gatekeep.build.compile_cache import FOLDER as COMPILERS
from gatekeep.build.compile_cache import CompileCache
from gatekeep.build.ending import outcome_of_command, say_disk_short, was_file_limit_lowered
from gatekeep.build.environment import build_environment
from gatekeep.build.jobserver import Jobserver, Seat
from gatekeep.build.kept import digest_log, keep_artifacts
from gatekeep.build.leavings import Leavings
from gatekeep.build.machine import free_bytes
from gatekeep.build.missing_program import find_missing_program
from gatekeep.build.near_file import find_near_file
from gatekeep.build.readset import ReadWatch
from gatekeep.build.wall_clock import ReadClocks, find_set_back_s, read_clocks
from gatekeep.build.worktree import MaterialisedTree
from gatekeep.errors import ImageError, RepositoryError, RunnerError
from gatekeep.logs import log_event
from gatekeep.measure.artifacts import ArtifactPaths, MissingArtifact, measure_artifacts
from gatekeep.measure.diagnostics import LogFindings, parse_log
from gatekeep.measure.footprint import find_overflows
from gatekeep.measure.log_paths import LogPaths
from gatekeep.model.evidence import (
    Broken,
    Built,
    Evidence,
    NotDecided,
    Outcome,
    Outgrown,
    Speaker,
    TimedOut,
    log_file_name,
    name_outcome,
)
from gatekeep.model.matrix import Boot, Recipe, Toolchain
from gatekeep.model.placeholders import fill_at_run_time
from gatekeep.model.plan import Job
from gatekeep.model.readset import ReadSet

#: Below this, "no space left on device" in a log is believed to be the machine's.
_DISK_FULL_BELOW_BYTES = 64 * 1024**2
#: Output that is read for warnings, whatever less of it is kept: what drowns a warning must not hide it. A verbose
#: build of some thousand files prints so much; an endless printer costs some seconds of reading.
READ_LIMIT_BYTES = 16 * 1024**2
#: How much is kept of a console, its beginning and its end: a boot firmware says all it has to say in some kilobytes.
CONSOLE_LIMIT_BYTES = 256 * 1024
_FOLDERS = ("out", "home", "tmp")
_logger = logging.getLogger(__name__)
#: strerror(3) of ENOSPC and EFBIG, strsignal(3) of SIGXFSZ; builds run with LC_ALL=C.
_DISK_FULL_TEXT = b"No space left on device"
_FILE_LIMIT_TEXTS = (b"File too large", b"File size limit exceeded")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Run:
    """
    What running the recipe gave: None as `outcome` means that every command exited with 0.

    `missed` is a program that the failed command did not find on this machine, None where it does not say so.
    `least_free_bytes` is what the disk had left at the least while that ran, None where nobody looked; and
    `lowered_file_limit` tells that it left less room for a file than the recipe's own limit.
    """

    outcome: Outcome | None
    elapsed_s: float
    log_cut: bool
    missed: str | None = None
    least_free_bytes: int | None = None
    lowered_file_limit: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class BootResult:
    """
    What booting an image gave: None as `outcome` means that its console said all that is expected.

    `console` is what is kept of it, raw and hostile.
    """

    outcome: Outcome | None
    elapsed_s: float
    console: bytes = b""


class TryBoot(Protocol):
    """Boots an image; see `boot.trial.try_boot`."""

    def __call__(
        self, boot: Boot, spec: CommandSpec, *, recipe: Recipe, runner: CommandRunner, cancel: CancelToken
    ) -> BootResult:
        """Run the command of `spec`, and listen for what `boot` expects."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """What the commands of a workplace's jobs may write to and read; `tmp` is one of the first."""

    writable: tuple[Path, ...]
    readable: tuple[Path, ...]
    tmp: Path


def list_confined(root: Path) -> Places:
    """List the places of the workplace whose tree is at `root`; all but the tree come and go with each job."""
    folder = root.parent
    own = tuple(folder / name for name in _FOLDERS)
    return Places(writable=(root, *own), readable=(folder / COMPILERS,), tmp=folder / "tmp")


class Workplace:
    """Builds one job after another in its own folders. Used by one thread at a time."""

    def __init__(
        self,
        *,
        tree: MaterialisedTree,
        folder: Path,
        logs: Path,
        runner: CommandRunner,
        watch: ReadWatch,
        host_environment: Mapping[str, str],
        jobs: int,
        jobserver: Jobserver,
        turns: Semaphore,
        try_boot: TryBoot,
        keep: Path | None = None,
        caches: Mapping[Toolchain, CompileCache] = MappingProxyType({}),
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
        clocks: ReadClocks = read_clocks,
    ) -> None:
        """
        Set up a workplace.

        Args:
            tree: The worker's copy of the tree.
            folder: Holds `out`, `home`, `tmp` and the log while a job runs.
            logs: Where logs worth keeping go; names in the evidence are relative to its parent.
            runner: Starts commands.
            watch: Says what each job has read.
            host_environment: gatekeep's own; only PATH and what a recipe keeps is passed on.
            jobs: What `{jobs}` becomes where the jobserver does not serve.
            jobserver: Shares the cores among all builds of the run.
            turns: As many as builds may run at once, for all workplaces of the run.
            try_boot: Boots the images of targets that ask for it.
            keep: Where artifacts are kept (see `kept`); None keeps none.
            caches: Compiler caches by toolchain; builds of the others are clean.
            now: The clock.
            clocks: Tells whether that was set back.
        """
        self._tree = tree
        self._folder = folder
        self._logs = logs
        self._runner = runner
        self._watch = watch
        self._host_environment = host_environment
        self._jobs = jobs
        self._jobserver = jobserver
        self._turns = turns
        self._try_boot = try_boot
        self._keep = keep
        self._cache_use = CacheUse(caches, tree=tree, folder=folder)
        self._now = now
        self._clocks = clocks
        self._leavings = Leavings(folder, (*_FOLDERS, COMPILERS))
        self._out = folder / "out"
        self._log = folder / "job.log"
        self._console = folder / "console.log"

    @property
    def tree_id(self) -> str | None:
        """The tree that it holds at the moment."""
        return self._tree.tree_id

    def close(self) -> None:
        """Let go of the tree and remove what the last job left."""
        self._leavings.close()
        self._tree.close()

    def build(self, job: Job, cancel: CancelToken, attempt: int = 1) -> Evidence:
        """
        Build a job and say what it has shown; never raises for what the build or the machine does.

        The log of an attempt above 1 is kept beside that of the first, whatever it says.
        """
        started_at = self._now()
        run = _Run(outcome=None, elapsed_s=0.0, log_cut=False)
        findings: LogFindings | None = None
        touched: tuple[str, ...] = ()
        read_set: ReadSet | None = None
        clocks = self._clocks()
        try:
            self._check_clock(started_at, job)
            # A commit may bring another date, and what is built of it counts for that date.
            self._tree.date(job.source_date)
            self._tree.move_to(job.commit.tree_id)
            try:
                self._make_folders()
                self._watch.before()
                with self._turns, self._jobserver.take_seat() as seat:
                    run = self._run_recipe(job, cancel, seat)
                findings = self._read_log(job.target.recipe, run)
                outcome = self._decide(job, run, findings)
                if isinstance(outcome, Built) and job.target.boot is not None:
                    with self._turns, self._jobserver.take_seat():
                        run, outcome = self._boot(job, job.target.boot, run, outcome, cancel)
            finally:
                touched = self._tree.restore()
            if self._cache_use.is_in_doubt(job.target, self._tree.accesses):
                return self.build(job, cancel, attempt)
            seen = self._watch.result(self._tree.accesses, builds_in_tree=job.target.recipe.builds_in_tree)
            read_set = self._cache_use.complete(seen)
            if set_back_s := find_set_back_s(clocks, self._clocks()):
                outcome, read_set = _say_set_back(set_back_s), None
        except (RepositoryError, RunnerError) as error:
            outcome = NotDecided(message=str(error))
        except OSError as error:
            outcome = NotDecided(
                message=f"the machine failed: {error}", hint="free disk space or repair it, and run again", passing=True
            )
        log_path = self._keep_log(job, outcome, findings, attempt)
        evidence = Evidence(
            target=job.target.name,
            tree_id=job.commit.tree_id,
            commit_id=job.commit.commit_id,
            key=job.key,
            toolchain_version=job.toolchain_version,
            outcome=outcome,
            diagnostics=findings.diagnostics if findings else (),
            elapsed_s=run.elapsed_s,
            started_at=started_at,
            log_path=log_path,
            log_sha256=digest_log(self._logs.parent, log_path),
            log_cut=run.log_cut or bool(findings and findings.dropped_count),
            reason=job.reason,
            read_set=read_set,
            touched=() if job.target.recipe.builds_in_tree else touched,
        )
        _log_build(evidence)
        return evidence

    def _check_clock(self, moment: datetime, job: Job) -> None:
        """Every file of the tree has the source date; to make it would be newer than whatever is made from it."""
        if moment.timestamp() < job.source_date:
            source_date = datetime.fromtimestamp(job.source_date, UTC)
            raise RunnerError(
                f"the machine's clock says {moment:%Y-%m-%d}, and the matrix's source_date is {source_date:%Y-%m-%d}: "
                "make would take every source for newer than what it has made; set the clock, or correct the date"
            )

    def drop_log(self, evidence: Evidence) -> None:
        """Remove the kept log of a build that nobody will hear of."""
        if evidence.log_path is not None:
            with suppress(OSError):
                (self._logs.parent / evidence.log_path).unlink()

    def _make_folders(self) -> None:
        self._leavings.clear()
        for name in _FOLDERS:
            (self._folder / name).mkdir(mode=0o700, parents=True)
        self._log.unlink(missing_ok=True)
        self._console.unlink(missing_ok=True)

    def _fill(self, text: str) -> str:
        return fill_at_run_time(text, out=str(self._out), tree=str(self._tree.root), jobs=self._jobs)

    def _make_environment(self, job: Job) -> dict[str, str]:
        return build_environment(
            job.target.recipe,
            host=self._host_environment,
            source_date=job.source_date,
            out=self._out,
            tree=self._tree.root,
            jobs=self._jobs,
            home=self._folder / "home",
            tmp=self._folder / "tmp",
        )

    def _run_recipe(self, job: Job, cancel: CancelToken, seat: Seat) -> _Run:
        recipe = job.target.recipe
        environment = self._cache_use.put_in_front(job.target, self._make_environment(job))
        elapsed_s, log_cut = 0.0, False
        for command in recipe.build:
            left_s = recipe.time_limit_s - elapsed_s
            if left_s <= 0:
                outcome: Outcome | None = TimedOut(limit_s=recipe.time_limit_s, stopped_by="SIGTERM")
                return _Run(outcome=outcome, elapsed_s=elapsed_s, log_cut=log_cut)
            with seat.lend(command, environment) as lending:
                argv = tuple(self._fill(word) for word in lending.command)
                result = self._runner.run(
                    CommandSpec(
                        argv=argv,
                        directory=self._tree.root / recipe.directory,
                        environment=lending.environment,
                        time_limit_s=left_s,
                        log_path=self._log,
                        log_limit_bytes=max(recipe.log_limit_bytes, READ_LIMIT_BYTES),
                        limits=recipe.limits,
                        pass_fds=lending.pass_fds,
                    ),
                    cancel,
                )
            elapsed_s += result.elapsed_s
            log_cut = log_cut or result.log_cut
            outcome = outcome_of_command(argv[0], result, recipe)
            if outcome is not None:
                missed = self._find_missed(result, lending.environment)
                return _Run(
                    outcome=outcome,
                    elapsed_s=elapsed_s,
                    log_cut=log_cut,
                    missed=missed,
                    least_free_bytes=result.least_free_bytes,
                    lowered_file_limit=was_file_limit_lowered(result, recipe),
                )
        return _Run(outcome=None, elapsed_s=elapsed_s, log_cut=log_cut)

    def _read_log(self, recipe: Recipe, run: _Run) -> LogFindings:
        # With what ran out of time nothing is compared: an endless printer is not worth the reading.
        most_bytes = recipe.log_limit_bytes if isinstance(run.outcome, TimedOut) else -1
        try:
            with self._log.open("rb") as stream:
                log = stream.read(most_bytes)
        except FileNotFoundError:
            log = b""
        return parse_log(log, tree=str(self._tree.root), out=str(self._out), directory=recipe.directory)

    def _find_missed(self, result: CommandResult, environment: Mapping[str, str]) -> str | None:
        if not isinstance(result.end, Exited):
            return None
        try:
            log = self._log.read_bytes()
        except OSError:
            return None
        return find_missing_program(log, exit_code=result.end.code, path=environment.get("PATH", ""))

    def _decide(self, job: Job, run: _Run, findings: LogFindings) -> Outcome:
        ended = run.outcome
        if ended is None:
            return self._measure(job)
        if isinstance(ended, TimedOut):
            return TimedOut(limit_s=ended.limit_s, stopped_by=ended.stopped_by, excerpt=self._last_lines())
        if not isinstance(ended, Broken):
            return ended
        if self._ran_out_of_disk(run):
            return say_disk_short()
        first = findings.first_error
        if run.missed is not None and (first is None or first.speaker is Speaker.MAKE):
            return NotDecided(
                message=f"the build calls {run.missed}, which is not on this machine",
                hint=f"install {run.missed}, or correct the name where it is called",
            )
        is_link_only = first is None or first.speaker in (Speaker.LINKER, Speaker.MAKE)
        if findings.overflows and is_link_only:
            return Outgrown(
                overflows=findings.overflows,
                footprint=None,
                message="the linker refused",
                excerpt=findings.excerpt,
            )
        return Broken(message=ended.message, first_error=first, excerpt=findings.excerpt or self._last_lines())

    def _measure(self, job: Job) -> Outcome:
        target, recipe = job.target, job.target.recipe
        paths = ArtifactPaths(
            elf=Path(self._fill(recipe.elf)) if recipe.elf else None,
            image=Path(self._fill(recipe.image)) if recipe.image else None,
            archives=tuple(Path(self._fill(path)) for path in recipe.archives),
        )
        try:
            footprint, artifacts = measure_artifacts(paths, target=target, port=job.port, root=self._folder)
        except MissingArtifact as error:
            missing = self._folder / error.path
            # Among the sources a linker script may be the nearest.
            left = find_near_file(missing) if missing.is_relative_to(self._out) else None
            nearest = f"; the nearest is {self._shown(str(left))}" if left is not None else ""
            message = f"the recipe succeeded and left no {self._shown(error.path)}{nearest}"
            return Broken(message=message, first_error=None)
        except ImageError as error:
            return Broken(message=self._shown(str(error)), first_error=None)
        if self._keep is not None:
            keep_artifacts(self._keep, job, artifacts, root=self._folder)
        overflows = find_overflows(footprint, target=target, artifacts=artifacts)
        if overflows:
            return Outgrown(overflows=overflows, footprint=footprint, message="measured on the image")
        return Built(footprint=footprint, artifacts=artifacts)

    def _boot(self, job: Job, boot: Boot, run: _Run, built: Built, cancel: CancelToken) -> tuple[_Run, Outcome]:
        """Boot what was built; its console stands in the log after what the recipe printed."""
        recipe = job.target.recipe
        spec = CommandSpec(
            argv=tuple(self._fill(word) for word in boot.command),
            directory=self._tree.root / recipe.directory,
            environment=self._make_environment(job),
            time_limit_s=boot.time_limit_s,
            log_path=self._console,
            log_limit_bytes=CONSOLE_LIMIT_BYTES,
            limits=recipe.limits,
        )
        found = self._try_boot(boot, spec, recipe=recipe, runner=self._runner, cancel=cancel)
        with self._log.open("ab") as log:
            log.write(b"[gatekeep: what follows is the console of the boot]\n" + found.console)
        outcome = found.outcome or replace(built, booted_s=found.elapsed_s)
        return replace(run, elapsed_s=run.elapsed_s + found.elapsed_s), outcome

    def _shown(self, text: str) -> str:
        """Name files as the recipe does; worker folders are no help to a reader and make one fault look like many."""
        for name, folder in (("{out}", self._out), ("{tree}", self._tree.root)):
            text = text.replace(str(folder), name)
            if text.startswith(f"{folder.name}/"):
                text = name + text.removeprefix(folder.name)
        return text

    def _ran_out_of_disk(self, run: _Run) -> bool:
        """Believe a log that says so where it was so; whoever filled the disk may have gone by now."""
        try:
            log = self._log.read_bytes()
        except OSError:
            return True
        if run.lowered_file_limit and any(text in log for text in _FILE_LIMIT_TEXTS):
            return True
        seen = () if run.least_free_bytes is None else (run.least_free_bytes,)
        return _DISK_FULL_TEXT in log and min(free_bytes(self._folder), *seen) < _DISK_FULL_BELOW_BYTES

    def _last_lines(self, count: int = 8) -> tuple[str, ...]:
        try:
            lines = self._log.read_bytes()[-8192:].decode("utf-8", "surrogateescape").splitlines()
        except OSError:
            return ()
        paths = LogPaths(tree=str(self._tree.root), out=str(self._out))
        return tuple(paths.relate(line) for line in lines[-count:])

    def _keep_log(self, job: Job, outcome: Outcome, findings: LogFindings | None, attempt: int) -> str | None:
        """Keep the log of what failed, warned or contradicts; give its path relative to the store."""
        is_quiet = attempt == 1 and isinstance(outcome, Built) and not (findings and findings.diagnostics)
        if is_quiet or not self._log.exists():
            return None
        kept = self._logs / log_file_name(job.commit.tree_id, job.target.name, job.key, attempt)
        try:
            kept.parent.mkdir(parents=True, exist_ok=True)
            if self._log.stat().st_size > job.target.recipe.log_limit_bytes:
                copy_capped(self._log, kept, job.target.recipe.log_limit_bytes)
            else:
                self._log.replace(kept)
        except OSError:
            return None
        return kept.relative_to(self._logs.parent).as_posix()


def _say_set_back(by_s: float) -> NotDecided:
    return NotDecided(
        message=f"the machine's clock was set back by {by_s:.2f} s during the build, which goes by the times of files",
        hint="run again",
        passing=True,
    )


def _log_build(evidence: Evidence) -> None:
    """One line a finished build."""
    flash = next((use for use in evidence.footprint.regions if use.flash), None) if evidence.footprint else None
    log_event(
        _logger,
        logging.INFO,
        "build",
        commit=evidence.commit_id[:10],
        target=evidence.target,
        outcome=name_outcome(evidence.outcome),
        elapsed_s=round(evidence.elapsed_s, 3),
        flash_bytes=flash.used_bytes if flash else None,
    )
