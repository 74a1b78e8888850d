"""
The jobserver under real makes, whose sub-jobs start and end when the test says so.

A sub-job says that it has started, waits at its gate (a named pipe) until the test opens it, and says that it has
ended. So it is the test, and no clock, that makes one build long and another short; only what must *not* happen is
looked for afterwards, in the whole order of events.
"""

from __future__ import annotations

import os
import re
import select
import shutil
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack, suppress
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gatekeep.build.command import (
    Cancelled,
    CancelToken,
    CommandResult,
    CommandSpec,
    Exited,
    Hindrance,
    NotStarted,
    Signalled,
    TimedOutEnd,
)
from gatekeep.build.gnu_make import NO_MAKES, Makes, find_makes, leave_out_jobs
from gatekeep.build.jobserver import Jobserver, JobserverUse, Seat
from gatekeep.build.subprocess_runner import SubprocessRunner
from tests.fakes_command import Act, FakeRunner

_PATH = os.environ.get("PATH", "/usr/bin:/bin")
_MAKES = Makes(names=frozenset(("make",)), search_path=_PATH)
_PATIENCE_S = 20.0
"""Until a thing that must happen counts as not happening."""

_JOB = """\
\t@echo "+ $@ $$PPID" >$(EVENTS); read go <$(GATES)/$@; echo "- $@" >$(EVENTS)
"""


@pytest.fixture(scope="module")
def runner() -> Iterator[SubprocessRunner]:
    with SubprocessRunner(grace_s=0.2) as runner:
        yield runner


class Stage:
    """Makes with sub-jobs that wait for their cue; `events` is what they have said so far."""

    def __init__(self, folder: Path, runner: SubprocessRunner, threads: ThreadPoolExecutor) -> None:
        self.folder = folder
        self._runner = runner
        self._threads = threads
        self.cancel = CancelToken()
        self.events: list[tuple[str, str]] = []
        self.make_of: dict[str, int] = {}
        self.gates = folder / "gates"
        self.gates.mkdir()
        os.mkfifo(folder / "events")
        # For reading and writing: it must not end while nobody writes.
        self._events = os.open(folder / "events", os.O_RDWR | os.O_NONBLOCK)
        self._unread = b""
        self._opened: set[str] = set()

    def close(self) -> None:
        os.close(self._events)
        self.cancel.close()

    def run(
        self,
        seat: Seat,
        command: tuple[str, ...],
        *,
        log: str,
        limit_s: float = 60.0,
        **environment: str,
    ) -> Future[CommandResult]:
        """Run one command of a recipe as a job would."""

        def work() -> CommandResult:
            given = {
                "PATH": _PATH,
                "EVENTS": str(self.folder / "events"),
                "GATES": str(self.gates),
                **environment,
            }
            with seat.lend(command, given) as lending:
                spec = CommandSpec(
                    argv=tuple(word.replace("{jobs}", "1") for word in lending.command),
                    directory=self.folder,
                    environment=lending.environment,
                    time_limit_s=limit_s,
                    log_path=self.folder / log,
                    log_limit_bytes=1024**2,
                    pass_fds=lending.pass_fds,
                )
                return self._runner.run(spec, self.cancel)

        return self._threads.submit(work)

    def make(self, seat: Seat, name: str, jobs: str, *, limit_s: float = 60.0) -> Future[CommandResult]:
        """Run a make with these sub-jobs, which depend on nothing."""
        self.write_makefile(f"{name}.mk", jobs, f"all: {jobs}\n{jobs}:\n{_JOB}")
        return self.run(seat, ("make", "-j{jobs}", "-f", f"{name}.mk"), log=f"{name}.log", limit_s=limit_s)

    def write_makefile(self, name: str, jobs: str, text: str) -> None:
        for job in jobs.split():
            os.mkfifo(self.gates / job)
        (self.folder / name).write_text(text)

    def expect(self, count: int) -> list[str]:
        """Wait for so many events; give them sorted, for those of one moment come in any order."""
        got: list[str] = []
        deadline = time.monotonic() + _PATIENCE_S
        while len(got) < count:
            line, newline, rest = self._unread.partition(b"\n")
            if newline:
                kind, name, *pid = line.decode().split()
                self._unread = rest
                self.events.append((kind, name))
                got.append(f"{kind}{name}")
                if pid:
                    self.make_of[name] = int(pid[0])
            elif not select.select([self._events], [], [], max(0.0, deadline - time.monotonic()))[0]:
                pytest.fail(f"waited for {count} events, got {got}; before: {self.events[: -len(got) or None]}")
            else:
                self._unread += os.read(self._events, 65536)
        return sorted(got)

    def open_gate(self, *jobs: str) -> None:
        """Let sub-jobs that have started end."""
        for job in jobs:
            self._opened.add(job)
            with (self.gates / job).open("w") as gate:
                gate.write("go\n")

    def finish(self, *builds: Future[CommandResult]) -> None:
        """Let everything end that runs or still starts; every build must succeed."""
        while not all(build.done() for build in builds) or self._has_said():
            self.open_gate(*(job for job in self.list_running() if job not in self._opened))
            if self._has_said(within_s=0.01):
                self.expect(1)
        assert [build.result().end for build in builds] == [Exited(code=0)] * len(builds)

    def _has_said(self, within_s: float = 0.0) -> bool:
        return bool(self._unread or select.select([self._events], [], [], within_s)[0])

    def list_running(self) -> list[str]:
        """Name the sub-jobs that have started and not ended, oldest first."""
        ended = {name for kind, name in self.events if kind == "-"}
        return [name for kind, name in self.events if kind == "+" and name not in ended]

    def find_most_at_once(self) -> int:
        """The largest number of sub-jobs that ran at the same time."""
        most = running = 0
        for kind, _name in self.events:
            running += 1 if kind == "+" else -1
            most = max(most, running)
        return most

    def read_log(self, name: str) -> str:
        return (self.folder / name).read_text()


@pytest.fixture
def stage(tmp_path: Path, runner: SubprocessRunner) -> Iterator[Stage]:
    with ThreadPoolExecutor(4) as threads:
        stage = Stage(tmp_path, runner, threads)
        try:
            yield stage
        finally:
            stage.cancel.cancel()
            threads.shutdown()
            stage.close()


def _wait_until(holds: Callable[[], bool]) -> None:
    deadline = time.monotonic() + _PATIENCE_S
    while not holds():
        if time.monotonic() > deadline:
            pytest.fail("waited in vain")
        threading.Event().wait(0.002)


def _all_free(cores: int) -> JobserverUse:
    return JobserverUse(seat_count=0, lent_count=0, unused_count=0, free_count=cores, debt_count=0)


class TestShares:
    """Who gets how many of the cores."""

    def test_one_build_gets_every_core_and_no_more(self, stage):
        with Jobserver(cores=3, makes=_MAKES) as jobserver:
            with jobserver.take_seat() as seat:
                build = stage.make(seat, "a", "a1 a2 a3 a4 a5")
                assert stage.expect(3) == ["+a1", "+a2", "+a3"]
                stage.open_gate("a2")
                assert stage.expect(2) == ["+a4", "-a2"]
                stage.finish(build)
            assert stage.find_most_at_once() == 3
            assert jobserver.get_use() == _all_free(3)
        assert stage.read_log("a.log") == ""

    def test_last_build_gets_the_cores_of_those_that_have_ended(self, stage):
        with Jobserver(cores=3, makes=_MAKES) as jobserver, jobserver.take_seat() as seat:
            with jobserver.take_seat() as second, jobserver.take_seat() as third:
                long = stage.make(seat, "a", "a1 a2 a3 a4")
                others = (stage.make(second, "b", "b1"), stage.make(third, "c", "c1"))
                assert stage.expect(3) == ["+a1", "+b1", "+c1"]
                assert jobserver.get_use() == JobserverUse(
                    seat_count=3, lent_count=0, unused_count=0, free_count=0, debt_count=0
                )
                stage.open_gate("b1", "c1")
                assert stage.expect(2) == ["-b1", "-c1"]
                assert [other.result().end for other in others] == [Exited(code=0)] * 2
            assert stage.expect(2) == ["+a2", "+a3"]
            stage.finish(long)
        assert stage.find_most_at_once() == 3

    def test_build_that_starts_late_does_not_wait_and_is_paid_for_by_the_next_sub_job_that_ends(self, stage):
        with Jobserver(cores=3, makes=_MAKES) as jobserver, ExitStack() as seats:
            first = stage.make(seats.enter_context(jobserver.take_seat()), "a", "a1 a2 a3 a4 a5 a6")
            assert stage.expect(3) == ["+a1", "+a2", "+a3"]
            second = stage.make(seats.enter_context(jobserver.take_seat()), "b", "b1 b2 b3")
            assert stage.expect(1) == ["+b1"]
            assert jobserver.get_use() == JobserverUse(
                seat_count=2, lent_count=2, unused_count=0, free_count=0, debt_count=1
            )
            stage.open_gate("a1")
            assert stage.expect(1) == ["-a1"]
            _wait_until(lambda: jobserver.get_use().debt_count == 0)
            # From here on each that ends makes room for one: a1's place is b1's now.
            stage.open_gate("a2")
            assert stage.expect(2) == ["+a4", "-a2"]
            paid_at = len(stage.events)
            stage.finish(first, second)
            assert stage.find_most_at_once() == 4
            before = len([event for event in stage.events[:paid_at] if event[0] == "+"]) - 2
            running, most = before, before
            for kind, _name in stage.events[paid_at:]:
                running += 1 if kind == "+" else -1
                most = max(most, running)
            assert most == 3

    def test_build_that_starts_late_takes_a_token_that_lies_unused(self, stage):
        with Jobserver(cores=2, makes=_MAKES) as jobserver, jobserver.take_seat() as seat:
            first = stage.make(seat, "a", "a1")
            assert stage.expect(1) == ["+a1"]
            _wait_until(lambda: jobserver.get_use().unused_count == 1)
            with jobserver.take_seat() as other:
                assert jobserver.get_use() == JobserverUse(
                    seat_count=2, lent_count=0, unused_count=0, free_count=0, debt_count=0
                )
                second = stage.make(other, "b", "b1 b2")
                assert stage.expect(1) == ["+b1"]
                stage.finish(first, second)
        assert stage.find_most_at_once() == 2

    def test_tokens_that_one_build_does_not_use_go_to_another(self, stage):
        """The first links, one sub-job at a time; of four cores the other gets three."""
        with Jobserver(cores=4, makes=_MAKES) as jobserver:
            with jobserver.take_seat() as seat, jobserver.take_seat() as other:
                first = stage.make(seat, "a", "a1")
                second = stage.make(other, "b", "b1 b2 b3 b4 b5")
                assert stage.expect(4) == ["+a1", "+b1", "+b2", "+b3"]
                stage.finish(first, second)
            assert stage.find_most_at_once() == 4
            assert jobserver.get_use() == _all_free(4)

    def test_free_cores_rest_until_the_other_workers_have_begun(self, stage):
        now_s = [100.0]
        with Jobserver(cores=3, makes=_MAKES, now=lambda: now_s[0]) as jobserver, jobserver.take_seat() as seat:
            first = stage.make(seat, "a", "a1 a2 a3")
            assert stage.expect(1) == ["+a1"]
            with jobserver.take_seat() as other:
                second = stage.make(other, "b", "b1 b2")
                assert stage.expect(1) == ["+b1"]
                assert jobserver.get_use() == JobserverUse(
                    seat_count=2, lent_count=0, unused_count=0, free_count=1, debt_count=0
                )
                now_s[0] += 1.0
                assert stage.expect(1) in (["+a2"], ["+b2"])
                stage.finish(second)
            now_s[0] += 1.0
            stage.finish(first)
        assert stage.find_most_at_once() == 3

    def test_more_builds_than_cores_are_debt_and_nothing_is_lent(self, stage):
        with Jobserver(cores=1, makes=_MAKES) as jobserver:
            with jobserver.take_seat() as seat, jobserver.take_seat() as other:
                builds = (stage.make(seat, "a", "a1 a2"), stage.make(other, "b", "b1 b2"))
                assert stage.expect(2) == ["+a1", "+b1"]
                assert jobserver.get_use() == JobserverUse(
                    seat_count=2, lent_count=0, unused_count=0, free_count=0, debt_count=1
                )
                stage.finish(*builds)
            assert stage.find_most_at_once() == 2
            assert jobserver.get_use() == _all_free(1)

    def test_command_that_is_not_make_counts_as_one(self, stage):
        script = 'echo "+ s1 $$" >$EVENTS; read go <$GATES/s1; echo "- s1" >$EVENTS'
        os.mkfifo(stage.gates / "s1")
        with Jobserver(cores=2, makes=_MAKES) as jobserver, jobserver.take_seat() as seat:
            with jobserver.take_seat() as other:
                script_run = stage.run(other, ("sh", "-c", script, "-j{jobs}"), log="s.log")
                build = stage.make(seat, "a", "a1 a2 a3")
                assert stage.expect(2) == ["+a1", "+s1"]
                stage.open_gate("a1")
                assert stage.expect(2) == ["+a2", "-a1"]
                stage.open_gate("s1")
                assert stage.expect(1) == ["-s1"]
                assert script_run.result().end == Exited(code=0)
            assert stage.expect(1) == ["+a3"]
            stage.finish(build)
        assert stage.find_most_at_once() == 2

    def test_many_short_builds_never_use_more_than_the_cores(self, stage):
        """Sub-jobs without gates. One too many is the debt of a build that starts later than a seat rests."""
        log = stage.folder / "order"
        work = "echo + >>$(ORDER); head -c 300000 /dev/zero | sha256sum >/dev/null; echo - >>$(ORDER)"
        names = [f"j{number}" for number in range(12)]
        (stage.folder / "free.mk").write_text(f"all: {' '.join(names)}\n{' '.join(names)}:\n\t@{work}\n")
        with Jobserver(cores=2, makes=_MAKES) as jobserver:

            def build(number: int) -> CommandResult:
                with jobserver.take_seat() as seat:
                    command = ("make", "-j{jobs}", "-f", "free.mk")
                    ran: Future[CommandResult] = stage.run(seat, command, log=f"{number}.log", ORDER=str(log))
                    return ran.result()

            with ThreadPoolExecutor(2) as workers:
                results = list(workers.map(build, range(6)))
            assert [result.end for result in results] == [Exited(code=0)] * 6
            assert [stage.read_log(f"{number}.log") for number in range(6)] == [""] * 6
            assert jobserver.get_use() == _all_free(2)
        stage.events = [(line, "") for line in log.read_text().split()]
        assert len(stage.events) == 6 * 12 * 2
        assert 2 <= stage.find_most_at_once() <= 3


class _Client:
    """What a build does with its descriptors: reads tokens without waiting, gives some back, holds the others."""

    def __init__(self, jobserver: Jobserver, stack: ExitStack) -> None:
        seat = stack.enter_context(jobserver.take_seat())
        lending = stack.enter_context(seat.lend(("make", "-j{jobs}"), {"PATH": _PATH}))
        self._read, self._write = lending.pass_fds
        os.set_blocking(self._read, False)
        self.held_count = 0

    def take(self) -> None:
        with suppress(BlockingIOError):
            self.held_count += len(os.read(self._read, 1))

    def give_back(self) -> None:
        if self.held_count:
            self.held_count -= 1
            os.write(self._write, b"+")


@settings(max_examples=60, deadline=None)
@given(
    cores=st.integers(1, 4),
    steps=st.lists(st.tuples(st.sampled_from(["start", "take", "give", "end"]), st.integers(0, 4)), max_size=40),
)
def test_what_runs_is_never_more_than_the_cores_and_the_debt(cores, steps):
    """Whatever builds do, in whatever order, and however far the thread is at any moment."""
    builds: dict[int, tuple[_Client, ExitStack]] = {}
    with Jobserver(cores=cores, makes=_MAKES) as jobserver, ExitStack() as everything:
        for step, number in steps:
            if step == "start" and number not in builds:
                stack = everything.enter_context(ExitStack())
                builds[number] = (_Client(jobserver, stack), stack)
            elif number in builds:
                client, stack = builds[number]
                if step == "take":
                    client.take()
                elif step == "give":
                    client.give_back()
                else:
                    del builds[number]
                    stack.close()
            use = jobserver.get_use()
            assert use.seat_count == len(builds)
            assert use.seat_count + use.lent_count + use.free_count == cores + use.debt_count
            held_count = sum(client.held_count for client, _stack in builds.values())
            assert held_count + use.unused_count <= use.lent_count
        for _client, stack in builds.values():
            stack.close()
        assert jobserver.get_use() == _all_free(cores)


class TestEnds:
    """However a build ends, what it held is free."""

    def _hold(
        self, jobserver: Jobserver, stage: Stage, seats: ExitStack, limit_s: float = 60.0
    ) -> Future[CommandResult]:
        """Start a build that holds both tokens of three cores."""
        seat = seats.enter_context(jobserver.take_seat())
        build = stage.make(seat, "a", "a1 a2 a3 a4", limit_s=limit_s)
        assert stage.expect(3) == ["+a1", "+a2", "+a3"]
        use = JobserverUse(seat_count=1, lent_count=2, unused_count=0, free_count=0, debt_count=0)
        assert jobserver.get_use() == use
        return build

    def _prove_all_are_there(self, jobserver: Jobserver, stage: Stage) -> None:
        assert jobserver.get_use() == _all_free(3)
        stage.events.clear()
        with jobserver.take_seat() as seat:
            build = stage.make(seat, "b", "b1 b2 b3 b4")
            assert stage.expect(3) == ["+b1", "+b2", "+b3"]
            stage.finish(build)

    def test_make_killed_by_signal_9(self, stage):
        with Jobserver(cores=3, makes=_MAKES) as jobserver:
            with ExitStack() as seats:
                build = self._hold(jobserver, stage, seats)
                os.kill(stage.make_of["a1"], signal.SIGKILL)
                assert build.result().end == Signalled(signal=signal.SIGKILL)
            self._prove_all_are_there(jobserver, stage)

    def test_time_limit(self, stage):
        with Jobserver(cores=3, makes=_MAKES) as jobserver:
            with ExitStack() as seats:
                build = self._hold(jobserver, stage, seats, limit_s=1.0)
                assert build.result().end == TimedOutEnd(stopped_by="SIGTERM")
            self._prove_all_are_there(jobserver, stage)

    def test_run_that_is_cancelled(self, stage):
        with Jobserver(cores=3, makes=_MAKES) as jobserver:
            with ExitStack() as seats:
                build = self._hold(jobserver, stage, seats)
                stage.cancel.cancel()
                assert build.result().end == Cancelled()
            assert jobserver.get_use() == _all_free(3)

    def test_build_that_fails_while_others_wait_for_cores(self, stage):
        with Jobserver(cores=3, makes=_MAKES) as jobserver, jobserver.take_seat() as other:
            waiting = stage.make(other, "w", "w1 w2 w3")
            with ExitStack() as seats:
                assert stage.expect(3) == ["+w1", "+w2", "+w3"]
                seat = seats.enter_context(jobserver.take_seat())
                failing = stage.make(seat, "a", "a1 a2")
                assert stage.expect(1) == ["+a1"]
                os.kill(stage.make_of["a1"], signal.SIGKILL)
                assert failing.result().end == Signalled(signal=signal.SIGKILL)
            stage.events.remove(("+", "a1"))
            stage.finish(waiting)
            _wait_until(lambda: jobserver.get_use().free_count == 2)

    def test_sub_jobs_that_fail(self, stage):
        (stage.folder / "f.mk").write_text("all: f1 f2 f3\nf1 f2 f3: ; @exit 1\n")
        with Jobserver(cores=3, makes=_MAKES) as jobserver:
            with jobserver.take_seat() as seat:
                assert stage.run(seat, ("make", "-kj{jobs}", "-f", "f.mk"), log="f").result().end == Exited(code=2)
                command = ("make", "-k", "-j{jobs}", "-f", "f.mk")
                assert stage.run(seat, command, log="f.log").result().end == Exited(code=2)
            assert jobserver.get_use() == _all_free(3)
        assert "jobserver" not in stage.read_log("f.log")

    def test_descriptors_are_given_back(self, stage):
        before = len(os.listdir("/proc/self/fd"))
        with Jobserver(cores=2, makes=_MAKES) as jobserver:
            for number in range(3):
                with jobserver.take_seat() as seat:
                    stage.finish(stage.make(seat, f"a{number}", f"a{number}1 a{number}2"))
        # The runner keeps the socket and the handle of each keeper.
        assert len(os.listdir("/proc/self/fd")) <= before + 2


class TestStrangers:
    """What a build can do to the others: nothing."""

    def test_tokens_that_a_build_makes_up_are_of_no_use_to_anybody(self, stage):
        write = "+@fd=$${MAKEFLAGS##*,}; fd=$${fd%% *}; printf '%01000d' 0 >/dev/fd/$$fd"
        stage.write_makefile("s.mk", "s1 s2 s3", f"all: s1 s2 s3\ns1 s2 s3: forge\n{_JOB}forge:\n\t{write}\n")
        with Jobserver(cores=2, makes=_MAKES) as jobserver:
            with jobserver.take_seat() as seat, jobserver.take_seat() as other:
                forger = stage.run(seat, ("make", "-j{jobs}", "-f", "s.mk"), log="s.log")
                honest = stage.make(other, "a", "a1 a2")
                assert stage.expect(2) == ["+a1", "+s1"]
                assert jobserver.get_use() == JobserverUse(
                    seat_count=2, lent_count=0, unused_count=0, free_count=0, debt_count=0
                )
                stage.finish(forger, honest)
            assert stage.find_most_at_once() == 2
            assert jobserver.get_use() == _all_free(2)

    def test_build_that_writes_without_end_hangs_alone(self, stage):
        # Far more than a pipe holds: whoever goes on reading lets it come to its end.
        flood = "+@fd=$${MAKEFLAGS##*,}; fd=$${fd%% *}; exec head -c 30000000 /dev/zero >/dev/fd/$$fd"
        (stage.folder / "s.mk").write_text(f"all:\n\t{flood}\n")
        with Jobserver(cores=2, makes=_MAKES) as jobserver:
            with jobserver.take_seat() as seat, jobserver.take_seat() as other:
                flooding = stage.run(seat, ("make", "-j{jobs}", "-f", "s.mk"), log="s.log", limit_s=1.0)
                honest = stage.make(other, "a", "a1 a2")
                stage.finish(honest)
                assert flooding.result().end == TimedOutEnd(stopped_by="SIGTERM")
            assert jobserver.get_use() == _all_free(2)

    def test_tokens_that_are_hoarded_come_back_at_the_end(self, stage):
        hoard = "+@fd=$${MAKEFLAGS##*--jobserver-auth=}; fd=$${fd%%,*}; head -c 1 </dev/fd/$$fd"
        (stage.folder / "s.mk").write_text(f"all:\n\t{hoard}\n")
        with Jobserver(cores=2, makes=_MAKES) as jobserver:
            with jobserver.take_seat() as seat:
                build = stage.run(seat, ("make", "-j{jobs}", "-f", "s.mk"), log="s.log")
                assert build.result().end == Exited(code=0)
            assert stage.read_log("s.log") == "+"
            assert jobserver.get_use() == _all_free(2)


class TestMake:
    """What makes themselves do with it."""

    def test_makes_below_a_make_share_the_same_slots(self, stage):
        stage.write_makefile(
            "sub.mk",
            "x1 x2 x3 y1 y2 y3",
            f"all: x y\nx y: ; @$(MAKE) --no-print-directory -f sub.mk $@1 $@2 $@3\nx1 x2 x3 y1 y2 y3:\n{_JOB}",
        )
        with Jobserver(cores=3, makes=_MAKES) as jobserver, jobserver.take_seat() as seat:
            build = stage.run(seat, ("make", "-j{jobs}", "-f", "sub.mk"), log="sub.log")
            stage.expect(3)
            stage.finish(build)
        assert stage.find_most_at_once() == 3
        assert stage.read_log("sub.log") == ""

    def test_make_that_makes_its_makefile_first_and_starts_again(self, stage):
        stage.write_makefile(
            "r.mk", "r1 r2 r3", f"all: r1 r2 r3\nr1 r2 r3:\n{_JOB}-include made.mk\nmade.mk: ; @echo 'X = 1' >$@\n"
        )
        with Jobserver(cores=2, makes=_MAKES) as jobserver, jobserver.take_seat() as seat:
            build = stage.run(seat, ("make", "-j{jobs}", "-f", "r.mk"), log="r.log")
            assert stage.expect(2) == ["+r1", "+r2"]
            stage.finish(build)
        assert (stage.folder / "made.mk").exists()
        assert stage.find_most_at_once() == 2
        assert stage.read_log("r.log") == ""

    def test_a_message_written_in_pieces_stays_whole(self, stage):
        """Clang writes the file's name first. The other sub-job writes after that, and only then comes the rest."""
        os.mkfifo(stage.folder / "turn")
        (stage.folder / "pieces.mk").write_text(
            "all: a b\n"
            "a: ; @printf 'drivers/a.c' >&2; read go <turn; echo ':26:17: warning: signs differ' >&2\n"
            "b: ; @echo 'cc drivers/b.c'; echo go >turn\n"
        )
        with Jobserver(cores=2, makes=_MAKES) as jobserver, jobserver.take_seat() as seat:
            done = stage.run(seat, ("make", "-j{jobs}", "-f", "pieces.mk"), log="pieces.log").result()
        assert done.end == Exited(code=0)
        lines = stage.read_log("pieces.log").splitlines()
        assert sorted(lines) == ["cc drivers/b.c", "drivers/a.c:26:17: warning: signs differ"]

    def test_descriptors_reach_makes_only(self, stage):
        """Neither a command of the recipe that is no make, nor a sub-job of a make that is none."""
        (stage.folder / "fds.mk").write_text("all: ; @ls /proc/self/fd | tr '\\n' ' '\n")
        with Jobserver(cores=2, makes=_MAKES) as jobserver, jobserver.take_seat() as seat:
            show = "ls /proc/self/fd | tr '\\n' ' '; echo $MAKEFLAGS"
            stage.run(seat, ("sh", "-c", show, "-j{jobs}"), log="sh.log").result()
            stage.run(seat, ("make", "-j{jobs}", "-f", "fds.mk"), log="make.log").result()
        # 3 is the folder that ls reads.
        assert stage.read_log("sh.log") == "0 1 2 3 \n"
        assert stage.read_log("make.log") == "0 1 2 3 "

    @pytest.mark.parametrize(
        ("command", "shows"),
        [
            (("make", "-j{jobs}", "-f", "m.mk"), " -j -Oline --jobserver-auth=R,W"),
            (("make", "-f", "m.mk", "--jobs={jobs}"), " -j -Oline --jobserver-auth=R,W"),
            # Serial, as the matrix says.
            (("make", "-f", "m.mk"), ""),
            # A number of its own: one, and a jobserver that the make itself keeps.
            (("make", "-j1", "-f", "m.mk"), " -j1"),
            (("make", "-j2", "-f", "m.mk"), " -j2 --jobserver-auth=R,W"),
        ],
    )
    def test_flags_that_a_makefile_sees(self, stage, command, shows):
        """Make 4.4 adds the lock of its output, and a jobserver of its own is a named pipe: both are its affair."""
        (stage.folder / "m.mk").write_text("all: ; @echo '$(MAKEFLAGS)'\n")
        with Jobserver(cores=2, makes=_MAKES) as jobserver, jobserver.take_seat() as seat:
            assert stage.run(seat, command, log="m.log").result().end == Exited(code=0)
        seen = re.sub(r" --sync-mutex=\S+", "", stage.read_log("m.log"))
        own = r"|fifo:\S+" if "-j2" in command else ""
        assert re.sub(rf"=(\d+,\d+{own})", "=R,W", seen) == f"{shows}\n"

    def test_make_of_another_path_and_a_machine_without_any_take_no_part(self, tmp_path):
        environment = {"PATH": "/other"}
        for makes in (_MAKES, NO_MAKES):
            with (
                Jobserver(cores=2, makes=makes) as jobserver,
                jobserver.take_seat() as seat,
                seat.lend(("make", "-j{jobs}"), environment) as lending,
            ):
                assert (lending.command, lending.environment) == (("make", "-j{jobs}"), environment)
                assert lending.pass_fds == ()


@pytest.mark.parametrize(
    ("command", "shared"),
    [
        ("make -j{jobs} all", "make all"),
        ("make all --jobs={jobs}", "make all"),
        ("make -k -j {jobs} all", "make -k all"),
        ("make --jobs {jobs}", "make"),
        ("make -j{jobs} N={jobs}", "make N={jobs}"),
        ("make --no-print-directory -j{jobs} -C obj", "make --no-print-directory -C obj"),
        # Nothing is asked for, or something else.
        ("make all", None),
        ("make {jobs}", None),
        ("make N={jobs}", None),
        ("make -j all", None),
        ("make -j4", None),
        ("make --jobs=4", None),
        ("make -j{jobs} -j4", None),
        ("make -j{jobs} -kj4", None),
        ("make -kj{jobs}", None),
        ("make -j", None),
        ("make", None),
    ],
)
def test_word_that_gives_the_jobs_is_left_out(command, shared):
    assert leave_out_jobs(tuple(command.split())) == (None if shared is None else tuple(shared.split()))


class TestFindMakes:
    """Which makes know the jobserver."""

    def _find(self, runner: FakeRunner | SubprocessRunner, scratch: Path) -> frozenset[str]:
        with CancelToken() as cancel:
            makes = find_makes(runner=runner, environment={"PATH": _PATH}, scratch=scratch, cancel=cancel)
        assert makes.search_path == _PATH
        return makes.names

    def test_makes_of_this_machine(self, runner, tmp_path):
        wanted = set()
        for name in ("make", "gmake"):
            if shutil.which(name):
                ran = subprocess.run([name, "--version"], capture_output=True, text=True, check=True)
                if ran.stdout.startswith("GNU Make 4.") and not ran.stdout.startswith(("GNU Make 4.0", "GNU Make 4.1")):
                    wanted.add(name)
        assert "make" in wanted
        assert self._find(runner, tmp_path) == wanted

    @pytest.mark.parametrize(
        ("output", "knows"),
        [
            (b"GNU Make 4.2.1\nBuilt for x86_64-pc-linux-gnu\n", True),
            (b"GNU Make 4.4.1\n", True),
            (b"GNU Make 4.10\n", True),
            (b"GNU Make 5.0\n", True),
            (b"GNU Make 4.1\n", False),
            (b"GNU Make 3.82\n", False),
            (b"make 20220208\n", False),
            (b"", False),
        ],
    )
    def test_version_4_2_is_the_first(self, tmp_path, output, knows):
        names = self._find(FakeRunner({"make": Act(output=output)}), tmp_path)
        assert names == ({"make"} if knows else set())

    def test_make_that_fails_or_cannot_be_started_takes_no_part(self, tmp_path):
        said = b"GNU Make 4.3\n"
        broken = NotStarted(message="no memory", kind=Hindrance.MACHINE)
        acts = {"make": Act(output=said, end=Exited(code=2)), "gmake": Act(output=said, end=broken)}
        assert self._find(FakeRunner(acts), tmp_path) == set()


def test_cores_must_be_one_or_more():
    with pytest.raises(ValueError, match=re.escape("cores must be 1 or more, got 0")):
        Jobserver(cores=0)
