"""
Which process works on which sweep.

The kernel lets go of a lock when its process ends, however it ends; so a sweep that is marked as running and whose lock
is free was interrupted: it is shown so, and goes on. Two processes never work on the same sweep at once: the second one
waits, and then has the builds of the first. So both say the same, and nothing is built twice.
"""

from __future__ import annotations

import fcntl
import os
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from gatekeep.errors import StoreError
from gatekeep.history.store import SqliteStore
from gatekeep.history.sweeps import begin_sweep, list_sweeps, load_last_sign, mark_sweep
from gatekeep.model.change import Commit
from gatekeep.model.history import Sweep, SweepState


@contextmanager
def claim_sweep(
    store: SqliteStore, folder: Path, commit: Commit, now: datetime, say: Callable[[str], None]
) -> Iterator[Sweep]:
    """
    Go on with the sweep of a commit that was interrupted or left undecided, share one that is running, or begin one.

    Only the newest can be gone on with: what ended after it may have been compared with something else. Where another
    process is at work on it, this call waits until that one has ended, well or not.

    Args:
        store: Where sweeps are kept.
        folder: Of the lock files; made when it is not there.
        commit: What is swept.
        now: When a new one begins.
        say: Told that it waits, and for what.

    Raises:
        StoreError: The lock files cannot be made, or the store cannot be used.
    """
    with ExitStack() as stack:
        try:
            folder.mkdir(parents=True, exist_ok=True)
            sweep = _choose(stack, store, folder, commit, now, say)
        except OSError as error:
            raise StoreError(
                f"{folder}: a sweep cannot be locked: {error.strerror or error}; free the disk or name another --store"
            ) from error
        yield sweep
        # Under the lock of the choice: nobody may hold on to a file that is about to go.
        with suppress(OSError), _locked(folder / "choice.lock"):
            _lock_file(folder, sweep).unlink()


def _choose(
    stack: ExitStack, store: SqliteStore, folder: Path, commit: Commit, now: datetime, say: Callable[[str], None]
) -> Sweep:
    awaited: int | None = None
    while True:
        with _locked(folder / "choice.lock"):
            sweep = next(_list_open(store, commit, awaited), None)
            if sweep is None or _take(stack, folder, sweep):
                _mark_interrupted(store, folder, sweep)
                if sweep is None:
                    sweep = begin_sweep(store, commit, now)
                    _take(stack, folder, sweep)
                return sweep
            if awaited is None:
                say(f"another process sweeps commit {commit.short_id}: waiting for its builds")
            awaited = sweep.sweep_id
            held = os.open(_lock_file(folder, sweep), os.O_RDWR | os.O_CLOEXEC)
        # Not while the choice is locked: the other one needs that to end. What it has left is looked at anew.
        try:
            fcntl.flock(held, fcntl.LOCK_EX)
        finally:
            os.close(held)


def _list_open(store: SqliteStore, commit: Commit, awaited: int | None) -> Iterator[Sweep]:
    """Give the sweep that was waited for, however it ended; else what can be gone on with, newest first."""
    sweeps = list_sweeps(store)
    yield from (sweep for sweep in sweeps if sweep.sweep_id == awaited)
    for sweep in reversed(sweeps):
        is_ours = sweep.commit_id == commit.commit_id
        if is_ours and sweep.state is not SweepState.FINISHED:
            yield sweep
        if sweep.state.has_ended:
            return


def _mark_interrupted(store: SqliteStore, folder: Path, taken: Sweep | None) -> None:
    """Keep of every sweep that is left whether a process still works on it; `taken` is this process's own."""
    for sweep in list_sweeps(store):
        if sweep.state.has_ended:
            continue
        is_ours = taken is not None and sweep.sweep_id == taken.sweep_id
        state = SweepState.RUNNING if is_ours or _is_held(folder, sweep) else SweepState.INTERRUPTED
        if state is not sweep.state:
            mark_sweep(store, sweep.sweep_id, state)


def list_settled(store: SqliteStore, folder: Path) -> tuple[Sweep, ...]:
    """
    Give every sweep, oldest first; those that are marked as running and on which no process works are interrupted.

    Args:
        store: Where sweeps are kept.
        folder: Of the lock files, as for `claim_sweep`.

    Raises:
        StoreError: The store or a lock file cannot be read.
    """
    with ExitStack() as stack:
        try:
            # A lock that is only tried must not look like a process at work to one that chooses. Where there is no
            # folder, nobody works.
            if folder.is_dir():
                stack.enter_context(_locked(folder / "choice.lock"))
            return tuple(_settle(store, folder, sweep) for sweep in list_sweeps(store))
        except OSError as error:
            raise StoreError(
                f"{folder}: who sweeps cannot be told: {error.strerror or error}; free the disk or name another --store"
            ) from error


def _settle(store: SqliteStore, folder: Path, sweep: Sweep) -> Sweep:
    if sweep.state.has_ended or _is_held(folder, sweep):
        return sweep
    return replace(sweep, state=SweepState.INTERRUPTED, seen_at=load_last_sign(store, sweep))


def _is_held(folder: Path, sweep: Sweep) -> bool:
    try:
        descriptor = os.open(_lock_file(folder, sweep), os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        return False
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(descriptor)
    return False


def _lock_file(folder: Path, sweep: Sweep) -> Path:
    return folder / f"{sweep.sweep_id}.lock"


def _take(stack: ExitStack, folder: Path, sweep: Sweep) -> bool:
    """Hold the lock of a sweep until the stack is left; False when another process holds it."""
    descriptor = os.open(_lock_file(folder, sweep), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o666)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(descriptor)
        return False
    except BaseException:
        os.close(descriptor)
        raise
    stack.callback(os.close, descriptor)
    return True


@contextmanager
def _locked(path: Path) -> Iterator[None]:
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o666)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)
