"""
One GNU make jobserver for all builds of a run: the job slots that no build needs go to those that still run.

A run with as many workers as cores keeps every core busy until its tail, when the last long build would have one core
and the others would idle. So makes are told of a jobserver: a make runs one sub-job by right (its *seat*) and reads a
byte, a *token*, from a pipe for each further one at the same time, which it writes back when the sub-job has ended.
What is promised: the sub-jobs of all makes, and everything that is not make, counted as one each, are as many as the
cores at most; every core has a sub-job while any build has one to start; no build waits to start.

**Two pipes a build, and we in between.** The usual single pipe, shared by all makes, cannot do that. GNU make writes
back `+`, whatever it has read, so nobody can tell who holds a token, and those of a killed make are lost for good. And
nobody can take a token out of a pipe from which a busy make reads: it writes one and reads it again in microseconds. So
every build gets tokens by a pipe of its own and gives them back by another, which a thread of ours reads. Then

- what a build holds is what it was given less what it gave back, and what it held when it ended is free again, however
  it ended: the keeper has proved that nothing of it is alive;
- a build that starts takes a seat that is free, or a token that lies unused in the pipe of another build. Where all are
  in use it starts all the same, as *debt*, and the next token that any build gives back pays it: one sub-job too many
  until some sub-job ends, and never a deadlock;
- a build can neither make tokens for others nor keep more than it was given. One that writes more than it has read is
  given no more.

The price is one wake-up of that thread for each token that comes back: 0.04 ms of CPU, and 0.2 ms until make has it
again (tests/benchmarks/bench_jobserver.py).

**Who gets them.** A token that is free or comes back goes to the build with the fewest unused tokens in its pipe, and
of those to the one that was given the fewest. A make does not say how many it wants: an empty pipe means that it may
want more. So, twenty times a second, half of the tokens that have lain in one pipe since the last look are moved to
one that is empty. A seat that is given up rests for a moment before it is lent, since the next build mostly follows at
once.

**Whose line is whose.** Sub-jobs that run at once share the log, and compilers write a message in pieces: Clang first
the file's name, then the rest. What another sub-job wrote in between made a warning one of a file without a name, and
so a new one. A make that shares its job slots is told to hand on each recipe line's output whole (`-Oline`). What a
line that was killed had written is lost with it.

**Which commands.** A GNU make to which the matrix gives `-j{jobs}`; see `gnu_make`.

Rejected: named pipes (`--jobserver-auth=fifo:PATH`, make 4.4): every make from 4.2 on takes descriptors, 4.4 too, and a
path would have to be reachable from within a sandbox. The descriptors' one weakness stays: a makefile that calls make
in a recipe without `+` or `$(MAKE)` builds that part serially, with make's own warning, as under any `make -j`.

Source: GNU make manual, "POSIX Jobserver Interaction", "Job Slots" and "Output During Parallel Execution"; posixos.c of
GNU make 4.3; pipe(7). Tried with GNU make 4.3 and 4.4.1.
"""

from __future__ import annotations

import os
import select
import termios
import threading
import time
from bisect import insort
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from fcntl import ioctl
from types import TracebackType
from typing import Self

from gatekeep.build.gnu_make import NO_MAKES, Makes, leave_out_jobs

#: How long a seat rests before it is lent: longer than storing a result and starting the next build, which takes a few
#: milliseconds. When it was lent too soon, that build starts as debt.
_REST_S = 0.02
#: How often unused tokens are looked at while another build may want them.
_LOOK_S = 0.05
#: make waits with pselect(2), which takes no descriptors from here on.
_FD_SETSIZE = 1024
_TOKEN = b"+"


@dataclass(frozen=True, slots=True, kw_only=True)
class Lending:
    """
    What one command is run with.

    `command` is still to be filled; `environment` is whole. `pass_fds` is empty for a command that takes no part.
    """

    command: tuple[str, ...]
    environment: Mapping[str, str]
    pass_fds: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class JobserverUse:
    """
    Who has what at one moment.

    `seat_count` builds run; `lent_count` tokens are with their makes, `unused_count` of them still in the pipes;
    `free_count` cores have neither. `debt_count` is how many seats were taken beyond the cores: always
    seats + lent + free = cores + debt.
    """

    seat_count: int
    lent_count: int
    unused_count: int
    free_count: int
    debt_count: int


@dataclass(eq=False, slots=True, kw_only=True)
class _Loan:
    """The two pipes of a running make; `theirs` are the ends that it gets."""

    give: int
    take_back: int
    returned: int
    theirs: tuple[int, int]
    lent_count: int = 0
    #: The fewest unused tokens since the last look: those that it does not even want to read.
    idle_count: int = 0
    #: It did what no make does, and is given no more.
    is_cut: bool = False

    @classmethod
    def open(cls) -> _Loan:
        opened: list[int] = []
        try:
            for _ in range(2):
                opened += os.pipe2(os.O_CLOEXEC)
            read, give, returned, write = opened
            # Our own way to the tokens in the pipe: what a build does to the flags of its descriptor cannot make us
            # wait. The others are not shared with it.
            opened.append(os.open(f"/proc/self/fd/{read}", os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC))
            os.set_blocking(give, False)
            os.set_blocking(returned, False)
        except BaseException:
            for fd in opened:
                os.close(fd)
            raise
        return cls(give=give, take_back=opened[-1], returned=returned, theirs=(read, write))

    def close(self) -> None:
        for fd in (self.give, self.take_back, self.returned, *self.theirs):
            os.close(fd)

    def count_unused(self) -> int:
        """Count the tokens in its pipe; what a build may have put there itself is none of ours."""
        waiting = int.from_bytes(ioctl(self.take_back, termios.FIONREAD, bytes(4)), "little")
        return min(waiting, self.lent_count)

    def add(self) -> bool:
        """Give it one more token; False where that cannot be."""
        try:
            os.write(self.give, _TOKEN)
        except OSError:  # full: no make has done that
            self.is_cut = True
            return False
        self.lent_count += 1
        return True

    def withdraw(self) -> bool:
        """Take one unused token out of its pipe; False where there is none."""
        with suppress(BlockingIOError):
            if self.lent_count and os.read(self.take_back, 1):
                self.lent_count -= 1
                return True
        return False

    def count_returned(self) -> int:
        """Read the tokens that it gave back; what it never had does not count, and cuts it off."""
        try:
            written_count = len(os.read(self.returned, 4096))
        except BlockingIOError:
            return 0
        held_count = self.lent_count - self.count_unused()
        self.is_cut = self.is_cut or written_count > held_count
        count = min(written_count, held_count)
        self.lent_count -= count
        return count


class Seat:
    """The right of one running build to keep one core busy; its makes may be lent more."""

    def __init__(self, jobserver: Jobserver) -> None:
        self._jobserver = jobserver

    @contextmanager
    def lend(self, command: tuple[str, ...], environment: Mapping[str, str]) -> Iterator[Lending]:
        """
        Share the free slots with a command of a recipe while it runs.

        Args:
            command: As in the loaded recipe, its placeholders not yet filled.
            environment: What it would get without us.

        Raises:
            OSError: The machine is short of descriptors.
        """
        with self._jobserver._lend(command, environment) as lending:
            yield lending


class Jobserver:
    """
    The job slots of a machine, for the builds of one run; see the module. Safe to be used by many threads.

    Close it when no build runs any more; a context manager.
    """

    def __init__(self, *, cores: int, makes: Makes = NO_MAKES, now: Callable[[], float] = time.monotonic) -> None:
        """
        Make one.

        Args:
            cores: How many sub-jobs may run at once.
            makes: Who takes part; without any, builds are only counted.
            now: The clock, in seconds.
        """
        if cores < 1:
            raise ValueError(f"cores must be 1 or more, got {cores}")
        self._cores = cores
        self._makes = makes
        self._now = now
        self._lock = threading.Lock()
        self._seat_count = 0
        self._debt_count = 0
        #: One entry for every core that is neither a seat nor lent: the moment from which it may be lent, in order.
        self._free: list[float] = [0.0] * cores
        #: By the descriptor on which tokens come back, the oldest first.
        self._loans: dict[int, _Loan] = {}
        self._look_at = 0.0
        self._is_closed = False
        self._epoll = select.epoll()
        self._wake = os.eventfd(0, os.EFD_CLOEXEC | os.EFD_NONBLOCK)
        self._epoll.register(self._wake, select.EPOLLIN)
        self._thread = threading.Thread(target=self._serve, name="jobserver", daemon=True)
        if makes.names:
            self._thread.start()

    def close(self) -> None:
        """End the thread and give the descriptors back."""
        with self._lock:
            if self._is_closed:
                return
            self._wake_thread()
            self._is_closed = True
        if self._thread.is_alive():
            self._thread.join()
        self._epoll.close()
        os.close(self._wake)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @contextmanager
    def take_seat(self) -> Iterator[Seat]:
        """Count a build while it runs. Never waits."""
        with self._lock:
            self._seat()
        try:
            yield Seat(self)
        finally:
            with self._lock:
                self._seat_count -= 1
                self._settle_one(self._now() + _REST_S)
                self._wake_thread()

    def get_use(self) -> JobserverUse:
        """Give a snapshot."""
        with self._lock:
            return JobserverUse(
                seat_count=self._seat_count,
                lent_count=sum(loan.lent_count for loan in self._loans.values()),
                unused_count=sum(loan.count_unused() for loan in self._loans.values()),
                free_count=len(self._free),
                debt_count=self._debt_count,
            )

    @contextmanager
    def _lend(self, command: tuple[str, ...], environment: Mapping[str, str]) -> Iterator[Lending]:
        alone = Lending(command=command, environment=environment)
        shared = leave_out_jobs(command) if self._makes.has(command[0], environment) else None
        if shared is None:
            yield alone
            return
        loan = _Loan.open()
        try:
            read, write = loan.theirs
            if max(read, write) >= _FD_SETSIZE:
                yield alone
                return
            with self._lock:
                self._loans[loan.returned] = loan
                self._epoll.register(loan.returned, select.EPOLLIN)
                self._wake_thread()
            try:
                # As make itself writes it: `-j` without a number, and no letters in the first word.
                flags = f" -j -Oline --jobserver-auth={read},{write}"
                yield Lending(command=shared, environment={**environment, "MAKEFLAGS": flags}, pass_fds=(read, write))
            finally:
                with self._lock:
                    self._end_loan(loan)
                    self._wake_thread()
        finally:
            loan.close()

    # From here on, the lock is held.

    def _seat(self) -> None:
        if self._seat_count == 0:
            # The other workers are about to begin too.
            self._free = [self._now() + _REST_S] * len(self._free)
        self._seat_count += 1
        if self._free:
            self._free.pop()  # the one that rests longest: it was another build's seat
        elif not self._withdraw_one():
            self._debt_count += 1

    def _withdraw_one(self) -> bool:
        """Take an unused token from the build that has most of them."""
        by_unused = sorted(self._loans.values(), key=lambda loan: -loan.count_unused())
        return any(loan.withdraw() for loan in by_unused)

    def _settle_one(self, rested_at: float) -> None:
        """Take back a token or a seat: pay a debt with it, or keep it to be lent from then on."""
        if self._debt_count:
            self._debt_count -= 1
        else:
            insort(self._free, rested_at)

    def _end_loan(self, loan: _Loan) -> None:
        """Forget a make: whatever it still held is free, since nothing of it is alive."""
        del self._loans[loan.returned]
        self._stop_listening(loan)
        for _ in range(loan.lent_count):
            self._settle_one(0.0)

    def _take_returned(self, loan: _Loan) -> None:
        for _ in range(loan.count_returned()):
            if self._debt_count:
                self._debt_count -= 1
            elif not self._lend_one(before=loan):
                insort(self._free, 0.0)
        if loan.is_cut:
            # One that writes without end must not keep us reading. What it holds is free when it has ended.
            self._stop_listening(loan)

    def _stop_listening(self, loan: _Loan) -> None:
        if not self._is_closed:
            with suppress(FileNotFoundError):
                self._epoll.unregister(loan.returned)

    def _wake_thread(self) -> None:
        # Closed while a build runs, which is a fault of the caller: the number may be another file's by now.
        if not self._is_closed:
            os.eventfd_write(self._wake, 1)

    def _lend_one(self, before: _Loan | None = None) -> bool:
        """Give a token to the build that has the fewest unused ones; of equals to the one that had it before."""
        loans = [loan for loan in self._loans.values() if not loan.is_cut]
        if not loans:
            return False
        return min(loans, key=lambda loan: (loan.count_unused(), loan.lent_count, loan is not before)).add()

    def _balance(self) -> float | None:
        """Lend what is free and move what is unused; give the time until there may be more to do, None for never."""
        while self._debt_count and self._withdraw_one():
            self._debt_count -= 1
        now = self._now()
        while self._free and self._free[0] <= now and self._lend_one():
            self._free.pop(0)
        loans = [loan for loan in self._loans.values() if not loan.is_cut]
        if not loans:
            return None
        wait_s = self._free[0] - now if self._free else None
        for loan in loans:
            loan.idle_count = min(loan.idle_count, loan.count_unused())
        if len(loans) > 1 and any(loan.count_unused() for loan in loans):
            if now >= self._look_at:
                self._look_at = now + _LOOK_S
                self._move_idle(loans)
            look_s = self._look_at - now
            wait_s = look_s if wait_s is None else min(wait_s, look_s)
        return None if wait_s is None else max(wait_s, 0.001)

    def _move_idle(self, loans: list[_Loan]) -> None:
        for loan in sorted(loans, key=lambda loan: loan.lent_count):
            if loan.count_unused():
                continue
            giver = max(loans, key=lambda other: other.idle_count)
            for _ in range((giver.idle_count + 1) // 2):
                giver.idle_count -= 1
                if giver.withdraw() and not loan.add():
                    insort(self._free, 0.0)
        for loan in loans:
            loan.idle_count = loan.count_unused()

    # The thread.

    def _serve(self) -> None:
        wait_s: float | None = None
        while not self._is_closed:
            ready = self._epoll.poll(wait_s)
            with self._lock:
                for fd, _events in ready:
                    if fd == self._wake:
                        with suppress(BlockingIOError):
                            os.eventfd_read(self._wake)
                    elif loan := self._loans.get(fd):
                        self._take_returned(loan)
                wait_s = self._balance()
