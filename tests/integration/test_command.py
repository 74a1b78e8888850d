"""
One contract for the real runner and the fake; then what only real processes can show.

Processes are watched through pidfds, so that no test sleeps or guesses.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from signal import Signals

import pytest

from gatekeep.build.command import (
    Cancelled,
    CancelToken,
    CommandRunner,
    CommandSpec,
    Exited,
    Heard,
    Hindrance,
    Lost,
    NotStarted,
    Signalled,
    TimedOutEnd,
)
from gatekeep.build.sandbox import Sandbox
from gatekeep.build.subprocess_runner import SubprocessRunner
from tests.fakes_command import Act, FakeRunner
from tests.sandboxes import make_sandbox

#: Longer than any test may take; what waits for it hangs on a fault of ours.
_PATIENCE_S = 20.0
#: So that tests need not wait for the default of 2 s.
_GRACE_S = 0.3
_PATH = os.environ.get("PATH", "/usr/bin:/bin")


@pytest.fixture(scope="module")
def real() -> Iterator[SubprocessRunner]:
    with SubprocessRunner(grace_s=_GRACE_S) as runner:
        yield runner


@pytest.fixture
def cancel() -> Iterator[CancelToken]:
    with CancelToken() as token:
        yield token


@pytest.fixture
def spec(tmp_path: Path) -> CommandSpec:
    """A command to be changed by `replace`; its folder is empty."""
    directory = tmp_path / "tree"
    directory.mkdir()
    return CommandSpec(
        argv=("true",),
        directory=directory,
        environment={"PATH": _PATH},
        time_limit_s=_PATIENCE_S,
        log_path=tmp_path / "log",
        log_limit_bytes=64 * 1024,
    )


def _sh(spec: CommandSpec, script: str, **changes: object) -> CommandSpec:
    return replace(spec, argv=("sh", "-c", script), **changes)  # type: ignore[arg-type]


def _python(spec: CommandSpec, script: str, **changes: object) -> CommandSpec:
    return replace(spec, argv=(sys.executable, "-I", "-S", "-c", script), **changes)  # type: ignore[arg-type]


# --- the contract ----------------------------------------------------------------------------------------------------


def _write_image(spec: CommandSpec) -> None:
    (spec.directory / "image.rom").write_bytes(b"rom\n")


#: The same commands for both: what /bin/sh does, and the act that stands for it.
_PLAYS: dict[str, tuple[str, Act]] = {
    "succeed": ("echo built", Act(output=b"built\n")),
    "fail": ("echo no >&2; exit 3", Act(output=b"no\n", end=Exited(code=3))),
    "crash": ("kill -SEGV $$", Act(end=Signalled(signal=Signals.SIGSEGV))),
    "hang": ("exec sleep 100", Act(takes_s=100.0)),
    "hang-hard": (
        "trap '' TERM; echo hard; while :; do sleep 100; done",
        Act(output=b"hard\n", takes_s=100.0, stopped_by="SIGKILL"),
    ),
    "speak": (
        "echo clock ok; echo handover; exec sleep 100",
        Act(output=b"clock ok\nhandover\n", takes_s=100.0),
    ),
    "write": (
        "echo rom > image.rom",
        Act(effect=_write_image),
    ),
    "print-much": ("seq -f 'line %06.0f' 1 10000", Act(output=b"".join(b"line %06d\n" % n for n in range(1, 10001)))),
}


class _Stage:
    """A runner, and the way to have it play one of `_PLAYS`."""

    def __init__(self, runner: CommandRunner, *, is_real: bool) -> None:
        self.runner = runner
        self._is_real = is_real

    def cast(self, spec: CommandSpec, play: str) -> CommandSpec:
        return _sh(spec, _PLAYS[play][0]) if self._is_real else replace(spec, argv=(play,))


@pytest.fixture(scope="module")
def sandbox(real: SubprocessRunner, tmp_path_factory: pytest.TempPathFactory) -> Sandbox:
    return make_sandbox(real, tmp_path_factory.mktemp("probe"))


@pytest.fixture(params=["real", "sandboxed", "fake"])
def stage(request: pytest.FixtureRequest, real: SubprocessRunner, spec: CommandSpec, sandbox: Sandbox) -> _Stage:
    if request.param == "real":
        return _Stage(real, is_real=True)
    if request.param == "sandboxed":
        tmp = spec.directory.parent / "tmp"
        tmp.mkdir()
        return _Stage(sandbox.confine(real, writable=(spec.directory, tmp), tmp=tmp), is_real=True)
    return _Stage(FakeRunner({name: act for name, (_script, act) in _PLAYS.items()}, grace_s=_GRACE_S), is_real=False)


class TestContract:
    """What callers may rely on, whoever runs the command."""

    def test_success_is_exit_code_zero_and_its_output_in_the_log(self, stage, spec, cancel):
        result = stage.runner.run(stage.cast(spec, "succeed"), cancel)
        assert result.end == Exited(code=0)
        assert spec.log_path.read_bytes() == b"built\n"
        assert (result.log_bytes, result.log_cut, result.log_fault) == (6, False, None)
        assert (result.survivor_count, result.oom_kills) == (0, 0)
        assert 0 < result.elapsed_s < _PATIENCE_S
        assert result.cpu_s > 0
        assert result.max_rss_bytes > 0

    def test_failure_is_its_exit_code_and_errors_are_in_the_log(self, stage, spec, cancel):
        assert stage.runner.run(stage.cast(spec, "fail"), cancel).end == Exited(code=3)
        assert spec.log_path.read_bytes() == b"no\n"

    def test_crash_is_its_signal(self, stage, spec, cancel):
        assert stage.runner.run(stage.cast(spec, "crash"), cancel).end == Signalled(signal=Signals.SIGSEGV)

    def test_command_runs_in_its_directory(self, stage, spec, cancel):
        assert stage.runner.run(stage.cast(spec, "write"), cancel).end == Exited(code=0)
        assert (spec.directory / "image.rom").read_bytes() == b"rom\n"

    def test_commands_of_a_job_share_one_log(self, stage, spec, cancel):
        for play in ("succeed", "fail", "succeed"):
            stage.runner.run(stage.cast(spec, play), cancel)
        assert spec.log_path.read_bytes() == b"built\nno\nbuilt\n"

    def test_time_limit_ends_a_command_by_sigterm(self, stage, spec, cancel):
        # Time enough for a sandbox to be set up on a busy machine: before, nothing is there to heed a signal.
        result = stage.runner.run(stage.cast(replace(spec, time_limit_s=1.0), "hang"), cancel)
        assert result.end == TimedOutEnd(stopped_by="SIGTERM")
        assert 1.0 <= result.elapsed_s < 1.0 + _GRACE_S

    def test_time_limit_ends_by_sigkill_what_does_not_heed_sigterm(self, stage, spec, cancel):
        result = stage.runner.run(stage.cast(replace(spec, time_limit_s=0.2), "hang-hard"), cancel)
        assert result.end == TimedOutEnd(stopped_by="SIGKILL")
        assert result.elapsed_s >= 0.2 + _GRACE_S
        assert spec.log_path.read_bytes() == b"hard\n"

    @pytest.mark.parametrize("listen_for", [(b"clock ok", b"handover"), (b"ok\nhand",)])
    def test_what_is_listened_for_ends_a_command(self, stage, spec, cancel, listen_for):
        result = stage.runner.run(stage.cast(replace(spec, listen_for=listen_for), "speak"), cancel)
        assert (result.end, result.heard_count) == (Heard(), len(listen_for))
        assert result.elapsed_s < spec.time_limit_s

    def test_what_is_listened_for_and_does_not_come_is_counted(self, stage, spec, cancel):
        result = stage.runner.run(
            stage.cast(replace(spec, listen_for=(b"handover", b"clock ok"), time_limit_s=0.5), "speak"), cancel
        )
        assert (result.end, result.heard_count) == (TimedOutEnd(stopped_by="SIGTERM"), 1)
        result = stage.runner.run(stage.cast(replace(spec, listen_for=(b"built", b"run")), "succeed"), cancel)
        assert (result.end, result.heard_count) == (Exited(code=0), 1)

    def test_missing_program_is_named(self, stage, spec, cancel):
        end = stage.runner.run(replace(spec, argv=("no-such-cc", "-v")), cancel).end
        assert end == NotStarted(message="'no-such-cc' is not on PATH", kind=Hindrance.MISSING_PROGRAM)
        end = stage.runner.run(replace(spec, argv=("tools/no-such",)), cancel).end
        assert end == NotStarted(message="'tools/no-such' does not exist", kind=Hindrance.MISSING_PROGRAM)

    def test_log_that_cannot_be_opened_is_the_machines_fault(self, stage, spec, cancel):
        path = spec.directory / "no-folder" / "log"
        end = stage.runner.run(stage.cast(replace(spec, log_path=path), "succeed"), cancel).end
        message = f"{path}: the log cannot be opened: No such file or directory"
        assert end == NotStarted(message=message, kind=Hindrance.MACHINE)

    def test_long_output_keeps_both_ends_whole_lines_and_the_limit(self, stage, spec, cancel):
        result = stage.runner.run(stage.cast(spec, "print-much"), cancel)
        assert (result.end, result.log_bytes, result.log_cut) == (Exited(code=0), 120000, True)
        text = spec.log_path.read_bytes()
        assert 60 * 1024 < len(text) <= 64 * 1024
        lines = text.decode().splitlines()
        (marker,) = (n for n, line in enumerate(lines) if line.startswith("[gatekeep:"))
        missing = 120000 - 12 * (len(lines) - 1)
        assert lines[marker] == f"[gatekeep: {missing} bytes of output are left out here]"
        assert lines[:marker] == [f"line {n:06d}" for n in range(1, marker + 1)]
        assert lines[marker + 1 :] == [f"line {n:06d}" for n in range(10001 - len(lines) + marker + 1, 10001)]

    def test_nothing_starts_once_cancelled(self, stage, spec, cancel):
        cancel.cancel()
        assert stage.runner.run(stage.cast(spec, "write"), cancel).end == Cancelled()
        assert not (spec.directory / "image.rom").exists()
        assert not spec.log_path.exists()


def test_fake_runner_remembers_what_ran_and_how_long_it_took(spec, cancel):
    runner = FakeRunner({"cc": Act(takes_s=1.5), "ld": Act(takes_s=0.5)})
    specs = [replace(spec, argv=(name,)) for name in ("cc", "cc", "ld")]
    for each in specs:
        runner.run(each, cancel)
    assert runner.ran == specs
    assert runner.now_s == 3.5


def test_fake_runner_cancels_when_its_effect_does(spec, cancel):
    runner = FakeRunner(lambda _spec: Act(effect=lambda _spec: cancel.cancel()))
    assert runner.run(spec, cancel).end == Cancelled()


# --- the real runner -------------------------------------------------------------------------------------------------


class TestSurroundings:
    """What a command finds around it."""

    def test_environment_is_exactly_what_was_given(self, real, spec, cancel):
        script = "import os, sys; sys.stdout.buffer.write(repr(sorted(os.environb.items())).encode())"
        environment = {"PATH": _PATH, "NAME": "ünïcode\n=", "LC_ALL": "C.UTF-8"}
        real.run(_python(spec, script, environment=environment), cancel)
        expected = sorted((name.encode(), text.encode()) for name, text in environment.items())
        assert spec.log_path.read_text() == repr(expected)

    def test_standard_input_is_empty(self, real, spec, cancel):
        assert real.run(_sh(spec, "cat; readlink /proc/self/fd/0"), cancel).end == Exited(code=0)
        assert spec.log_path.read_text() == "/dev/null\n"

    def test_it_leads_a_group_of_its_own_in_a_session_without_a_terminal(self, real, spec, cancel):
        script = """if True:
            import os
            print(os.getpgrp() == os.getpid() and os.getsid(0) == os.getppid(), flush=True)
            open('/dev/tty')"""
        real.run(_python(spec, script), cancel)
        assert spec.log_path.read_text().startswith("True\n")
        assert "No such device or address: '/dev/tty'" in spec.log_path.read_text()

    def test_signals_mask_and_limits_do_not_depend_on_who_started_us(self, real, spec, cancel):
        script = """if True:
            import os, resource, signal
            ignored = [s.name for s in signal.Signals if signal.getsignal(s) == signal.SIG_IGN]
            blocked = signal.pthread_sigmask(signal.SIG_BLOCK, ())
            print(sorted(ignored), sorted(blocked), oct(os.umask(0)), resource.getrlimit(resource.RLIMIT_CORE)[0])"""
        real.run(_python(spec, script), cancel)
        # Python itself ignores these two, whatever it was started with.
        assert spec.log_path.read_text() == "['SIGPIPE', 'SIGXFSZ'] [] 0o22 0\n"
        real.run(_sh(spec, "grep SigIgn /proc/self/status", log_path=spec.directory / "log"), cancel)
        # Without signals 32 and 33: they belong to the C library, which lets nobody touch them.
        assert int((spec.directory / "log").read_text().split()[1], 16) & ~(0b11 << 31) == 0

    def test_arguments_are_never_shell_text(self, real, spec, cancel):
        argv = ("printf", "%s|", "$(id)", "; rm -rf x", "a b", "*", "", "ü\udcff")
        real.run(replace(spec, argv=argv), cancel)
        assert spec.log_path.read_bytes() == os.fsencode("$(id)|; rm -rf x|a b|*||ü\udcff|")

    def test_descriptors_are_those_it_is_meant_to_have_under_their_numbers(self, tmp_path):
        """A jobserver names its descriptors in MAKEFLAGS. The lowest free numbers are those that the keeper has too."""
        program = """if True:
            import os, sys
            os.dup2(1, 5), os.dup2(1, 6)
            from pathlib import Path
            low, high = os.pipe()[0], os.dup2(os.open(sys.argv[1] + "/file", os.O_RDWR | os.O_CREAT), 203)
            print(low)
            from gatekeep.build.command import CancelToken, CommandSpec
            from gatekeep.build.subprocess_runner import SubprocessRunner
            script = "import os; print(sorted(map(int, os.listdir('/proc/self/fd')))); os.write(203, b'-')"
            with SubprocessRunner() as runner, CancelToken() as cancel:
                print(runner.run(CommandSpec(argv=(sys.executable, "-I", "-S", "-c", script), directory=Path("/"),
                    environment={}, time_limit_s=20, log_path=Path(sys.argv[1], "log"), log_limit_bytes=65536,
                    pass_fds=(high, 6, 5, low)), cancel).end)"""
        root = Path(__file__).parents[2]
        ran = subprocess.run(
            [sys.executable, "-c", program, str(tmp_path)],
            cwd=root,
            capture_output=True,
            text=True,
            check=False,
        )
        assert (ran.stdout, ran.stderr) == ("3\nExited(code=0)\n", "")
        # 4 is the one that lists the folder.
        assert (tmp_path / "log").read_text() == "[0, 1, 2, 3, 4, 5, 6, 203]\n"
        assert (tmp_path / "file").read_bytes() == b"-"

    def test_no_descriptor_leaks_between_commands_that_start_at_once(self, real, spec, cancel, tmp_path):
        script = "import os; print(len(os.listdir('/proc/self/fd')))"
        stop = threading.Event()

        def open_and_close() -> None:
            while not stop.is_set():
                with (tmp_path / "other").open("w"):
                    read, write = os.pipe()
                    os.close(read)
                    os.close(write)

        with ThreadPoolExecutor(5) as pool:
            noise = pool.submit(open_and_close)
            specs = [_python(spec, script, log_path=tmp_path / f"log-{n}") for n in range(24)]
            results = list(pool.map(lambda each: real.run(each, cancel), specs))
            stop.set()
            noise.result()
        assert {result.end for result in results} == {Exited(code=0)}
        # Three of its own, and the one that lists.
        assert {each.log_path.read_text() for each in specs} == {"4\n"}


class TestNotStarted:
    """Each way in which a command cannot start, told apart and worded."""

    def _end(self, real: SubprocessRunner, spec: CommandSpec, cancel: CancelToken, name: str) -> tuple[Hindrance, str]:
        end = real.run(replace(spec, argv=(name,)), cancel).end
        assert isinstance(end, NotStarted)
        return end.kind, end.message

    def _write(self, spec: CommandSpec, name: str, content: bytes, mode: int = 0o755) -> None:
        (spec.directory / name).write_bytes(content)
        (spec.directory / name).chmod(mode)

    def test_file_without_the_executable_mode(self, real, spec, cancel):
        self._write(spec, "gen.sh", b"#!/bin/sh\n", 0o644)
        message = "'./gen.sh' is not executable; set its mode to 755"
        assert self._end(real, spec, cancel, "./gen.sh") == (Hindrance.NOT_EXECUTABLE, message)

    def test_script_whose_interpreter_is_missing(self, real, spec, cancel):
        self._write(spec, "gen.py", b"#! /usr/bin/no-python2 -u\nprint 1\n")
        message = "'./gen.py' needs the interpreter '/usr/bin/no-python2', which is missing"
        assert self._end(real, spec, cancel, "./gen.py") == (Hindrance.MISSING_INTERPRETER, message)

    def test_file_that_is_neither_program_nor_script(self, real, spec, cancel):
        self._write(spec, "gen", b"echo hello\n")
        message = "'./gen' is neither a program for this machine nor a script; start it with a #! line"
        assert self._end(real, spec, cancel, "./gen") == (Hindrance.NOT_EXECUTABLE, message)

    def test_folder_in_place_of_a_program(self, real, spec, cancel):
        (spec.directory / "tools").mkdir()
        assert self._end(real, spec, cancel, "./tools") == (
            Hindrance.MISSING_PROGRAM,
            "'./tools' does not exist",
        )

    def test_directory_that_is_missing(self, real, spec, cancel):
        end = real.run(replace(spec, directory=spec.directory / "none"), cancel).end
        message = f"{spec.directory / 'none'}: a command cannot start here: No such file or directory"
        assert end == NotStarted(message=message, kind=Hindrance.MISSING_DIRECTORY)

    def test_arguments_longer_than_the_system_allows(self, real, spec, cancel):
        end = real.run(replace(spec, argv=("true", "x" * 200_000)), cancel).end
        assert isinstance(end, NotStarted)
        assert end.kind is Hindrance.TOO_LONG
        assert end.message.startswith("the arguments and environment of '/")
        assert end.message.endswith("/true' are longer than the system allows")

    def test_empty_and_relative_entries_of_path_find_nothing_in_the_tree(self, real, spec, cancel):
        self._write(spec, "make-evil", b"#!/bin/sh\n")
        changed = replace(spec, environment={"PATH": f":.:{_PATH}"})
        assert self._end(real, changed, cancel, "make-evil") == (
            Hindrance.MISSING_PROGRAM,
            "'make-evil' is not on PATH",
        )

    def test_next_command_runs_after_one_that_could_not(self, real, spec, cancel):
        real.run(replace(spec, argv=("no-such",)), cancel)
        assert real.run(spec, cancel).end == Exited(code=0)


@pytest.mark.parametrize(
    ("changes", "problem"),
    [
        ({"argv": ()}, "argv must name a program"),
        ({"argv": ("a", "b\0")}, "argv must not hold NUL"),
        ({"environment": {"A=B": ""}}, "environment must not hold names that are empty or have '=' or NUL in them"),
        ({"environment": {"A": "\0"}}, "environment must not hold NUL"),
        ({"time_limit_s": 0.0}, "time_limit_s must be above 0, got 0.0"),
        ({"time_limit_s": float("nan")}, "time_limit_s must be above 0, got nan"),
        ({"log_limit_bytes": 1023}, "log_limit_bytes must be 1024 or more, got 1023"),
        ({"pass_fds": (2,)}, "pass_fds must be 64 at most and above 2, got (2,)"),
    ],
)
def test_spec_refuses_nonsense(spec, changes, problem):
    with pytest.raises(ValueError) as caught:  # noqa: PT011 - the whole text is compared
        replace(spec, **changes)
    assert str(caught.value) == problem


# --- nothing outlives a command --------------------------------------------------------------------------------------

#: Leaves its group by setsid, its parent by forking twice, and its environment and descriptors altogether; then says
#: who it is, through a file, and stays. Each step is one that hides from some way of looking for survivors.
_ESCAPE = """if True:
    import os, sys
    if os.fork() == 0:
        os.setsid()
        if os.fork() == 0:
            os.chdir("/")
            os.closerange(0, 1000)
            code = ("import os, signal, sys; signal.signal(signal.SIGTERM, signal.SIG_IGN); "
                    "os.mkfifo; open(sys.argv[1] + '.new', 'w').write(str(os.getpid())); "
                    "os.rename(sys.argv[1] + '.new', sys.argv[1]); signal.pause()")
            os.execve(sys.executable, [sys.executable, "-I", "-S", "-c", code, FILE], {})
        os._exit(0)
    os.wait()
    while not os.path.exists(FILE):
        os.sched_yield()
"""


def _escape(pid_file: Path) -> str:
    return _ESCAPE.replace("FILE", repr(str(pid_file)))


def _is_gone(pid: int) -> bool:
    """Wait for a process to end; True when it has."""
    try:
        watch = os.pidfd_open(pid)
    except ProcessLookupError:
        return True
    try:
        return bool(select.select([watch], [], [], _PATIENCE_S)[0])
    finally:
        os.close(watch)


def _runs(pid: int) -> bool:
    """Tell whether a process runs now."""
    try:
        state = Path(f"/proc/{pid}/stat").read_bytes().rpartition(b")")[2].split()[0]
    except (FileNotFoundError, ProcessLookupError):
        return False
    return state not in (b"Z", b"X")


class TestNothingSurvives:
    """The promise that a command ends with all that it spawned."""

    def test_child_left_in_the_background_is_ended_and_counted(self, real, spec, cancel):
        result = real.run(_sh(spec, "sleep 1000 & echo $!"), cancel)
        assert (result.end, result.survivor_count) == (Exited(code=0), 1)
        assert not _runs(int(spec.log_path.read_text()))

    def test_process_that_left_group_parent_environment_and_output_is_ended(self, real, spec, cancel, tmp_path):
        result = real.run(_python(spec, _escape(tmp_path / "pid")), cancel)
        assert (result.end, result.survivor_count) == (Exited(code=0), 1)
        assert not _runs(int((tmp_path / "pid").read_text()))

    def test_it_is_ended_at_the_time_limit_too(self, real, spec, cancel, tmp_path):
        script = _escape(tmp_path / "pid") + "    import signal; signal.pause()\n"
        result = real.run(_python(spec, script, time_limit_s=0.5), cancel)
        assert result.end == TimedOutEnd(stopped_by="SIGTERM")
        assert not _runs(int((tmp_path / "pid").read_text()))

    def test_commands_beside_it_are_left_alone(self, real, spec, cancel, tmp_path):
        """Three commands run at once, one escapes and times out; the two others and their orphans live on."""
        os.mkfifo(tmp_path / "go")
        wait = _sh(spec, f"setsid sh -c 'read x < {tmp_path}/go; echo $x' & wait", log_path=tmp_path / "log-waits")
        script = _escape(tmp_path / "pid") + "    import signal; signal.pause()\n"
        with ThreadPoolExecutor(2) as pool:
            waiting = pool.submit(real.run, wait, cancel)
            with (tmp_path / "go").open("w") as go:  # opens once its reader is there
                ended = real.run(_python(spec, script, time_limit_s=0.5), cancel)
                assert not waiting.done()
                go.write("alive\n")
            result = waiting.result()
        assert ended.end == TimedOutEnd(stopped_by="SIGTERM")
        assert (result.end, result.survivor_count) == (Exited(code=0), 0)
        assert (tmp_path / "log-waits").read_text() == "alive\n"

    def test_stopped_process_is_ended(self, real, spec, cancel):
        result = real.run(_sh(spec, "kill -STOP $$", time_limit_s=0.2), cancel)
        assert result.end == TimedOutEnd(stopped_by="SIGTERM")

    def test_many_short_orphans_do_not_pile_up(self, real, spec, cancel):
        """They become children of the keeper, which takes them in while the command still runs."""
        script = """if True:
            import os
            read, write = os.pipe()
            for _ in range(200):
                if os.fork() == 0:
                    if os.fork() == 0:
                        os._exit(0)
                    os._exit(0)
                os.wait()
            parent = os.getppid()
            while True:
                stats = []
                for name in filter(str.isdigit, os.listdir('/proc')):
                    try:
                        stats.append(open(f'/proc/{name}/stat').read().rpartition(')')[2].split())
                    except OSError:
                        pass
                if not [each for each in stats if int(each[1]) == parent and each[0] == 'Z']:
                    break"""
        assert real.run(_python(spec, script), cancel).end == Exited(code=0)

    def test_times_of_orphans_are_counted(self, real, spec, cancel):
        """An orphan burns CPU time; the command that left it only waits for its end."""
        burn = "import time\nwhile time.process_time() < 0.3: pass"
        script = f"""if True:
            import os, sys
            read, write = os.pipe()
            if os.fork() == 0:
                if os.fork() == 0:
                    os.close(read)
                    os.set_inheritable(write, True)
                    os.execv(sys.executable, [sys.executable, '-I', '-S', '-c', {burn!r}])
                os._exit(0)
            os.wait()
            os.close(write)
            os.read(read, 1)"""
        result = real.run(_python(spec, script), cancel)
        assert result.end == Exited(code=0)
        assert result.cpu_s >= 0.3

    def test_processes_that_fork_faster_than_one_looks_are_ended(self, real, spec, cancel):
        """Chains in sessions of their own, each process ending as soon as it has forked the next."""
        script = """if True:
            import os
            for _ in range(5):
                if os.fork() == 0:
                    os.setsid()
            while True:
                pid = os.fork()
                if pid:
                    os._exit(0)"""
        result = real.run(_python(spec, script), cancel)
        assert result.end == Exited(code=0)
        assert result.survivor_count > 0

    def test_endless_printer_is_stopped_at_its_time_limit(self, real, spec, cancel):
        result = real.run(replace(spec, argv=("yes",), time_limit_s=0.3), cancel)
        assert result.end == TimedOutEnd(stopped_by="SIGTERM")
        assert result.log_cut
        assert result.log_bytes > 1024**2
        assert spec.log_path.stat().st_size <= spec.log_limit_bytes

    def test_holder_of_the_output_outside_does_not_hold_the_run_up(self, real, spec, cancel, tmp_path):
        """A command hands its output to a process of somebody else, which keeps it open."""
        import socket

        with socket.socket(socket.AF_UNIX) as server, contextlib.ExitStack() as stack:
            server.bind(str(tmp_path / "socket"))
            server.listen()
            script = f"""if True:
                import socket
                client = socket.socket(socket.AF_UNIX)
                client.connect({str(tmp_path / "socket")!r})
                socket.send_fds(client, [b'x'], [1])
                client.recv(1)
                print('bye')"""
            with ThreadPoolExecutor(1) as pool:
                running = pool.submit(real.run, _python(spec, script), cancel)
                client, _address = server.accept()
                stack.enter_context(client)
                _message, (held,), _flags, _from = socket.recv_fds(client, 1, 1)
                stack.callback(os.close, held)
                client.send(b"x")
                result = running.result()
        assert result.end == Exited(code=0)
        assert spec.log_path.read_text() == "bye\n"


class TestCancel:
    """Ctrl-C, seen from the workers."""

    def test_all_running_commands_end_at_once(self, real, spec, cancel, tmp_path):
        os.mkfifo(tmp_path / "ready")
        specs = [
            _sh(spec, f"echo up > {tmp_path}/ready; exec sleep 1000", log_path=tmp_path / f"log-{n}") for n in range(3)
        ]
        with ThreadPoolExecutor(3) as pool:
            running = [pool.submit(real.run, each, cancel) for each in specs]
            seen = 0
            while seen < 3:
                with (tmp_path / "ready").open() as ready:
                    seen += len(ready.readlines())
            cancel.cancel()
            results = [each.result(_PATIENCE_S) for each in running]
        assert [result.end for result in results] == [Cancelled()] * 3

    def test_command_that_does_not_heed_sigterm_is_killed(self, real, spec, cancel, tmp_path):
        os.mkfifo(tmp_path / "ready")
        script = f"trap '' TERM; echo $$ > {tmp_path}/ready; while :; do sleep 100; done"
        with ThreadPoolExecutor(1) as pool:
            running = pool.submit(real.run, _sh(spec, script), cancel)
            pid = int((tmp_path / "ready").read_text())
            cancel.cancel()
            result = running.result(_PATIENCE_S)
        assert result.end == Cancelled()
        assert result.elapsed_s >= _GRACE_S
        assert not _runs(pid)

    def test_runner_is_of_use_again_afterwards(self, real, spec, tmp_path):
        os.mkfifo(tmp_path / "ready")
        with ThreadPoolExecutor(1) as pool, CancelToken() as first:
            running = pool.submit(real.run, _sh(spec, f"echo > {tmp_path}/ready; exec sleep 1000"), first)
            (tmp_path / "ready").read_text()
            first.cancel()
            assert running.result(_PATIENCE_S).end == Cancelled()
        with CancelToken() as second:
            assert real.run(spec, second).end == Exited(code=0)

    def test_token_may_be_switched_in_a_signal_handler_and_twice(self, cancel):
        before = signal.signal(signal.SIGUSR1, lambda _number, _frame: cancel.cancel())
        try:
            signal.raise_signal(signal.SIGUSR1)
            signal.raise_signal(signal.SIGUSR1)
        finally:
            signal.signal(signal.SIGUSR1, before)
        assert cancel.is_cancelled
        assert select.select([cancel], [], [], 0)[0] == [cancel]


class TestDeath:
    """What is left when one of the three dies: gatekeep, the keeper, the disk."""

    def test_kill_of_gatekeep_ends_commands_and_what_escaped_them(self, tmp_path):
        """A whole gatekeep in a process of its own, ended by SIGKILL while its command waits."""
        (tmp_path / "tree").mkdir()
        os.mkfifo(tmp_path / "ready")
        escape = _escape(tmp_path / "pid")
        say = f"    open({str(tmp_path / 'ready')!r}, 'w').write(str(os.getpid()))\n    import signal; signal.pause()\n"
        script = escape + say
        program = """if True:
            import json, sys
            from pathlib import Path
            from gatekeep.build.command import CancelToken, CommandSpec
            from gatekeep.build.subprocess_runner import SubprocessRunner
            folder, script = Path(sys.argv[1]), sys.argv[2]
            with SubprocessRunner() as runner, CancelToken() as cancel:
                runner.run(CommandSpec(argv=(sys.executable, "-c", script), directory=folder / "tree",
                    environment={}, time_limit_s=600, log_path=folder / "log", log_limit_bytes=65536), cancel)"""
        root = Path(__file__).parents[2]
        with subprocess.Popen([sys.executable, "-c", program, str(tmp_path), script], cwd=root) as gatekeep:
            command = int((tmp_path / "ready").read_text())
            escaped = int((tmp_path / "pid").read_text())
            keeper = int(Path(f"/proc/{command}/stat").read_text().rpartition(")")[2].split()[1])
            assert keeper != gatekeep.pid
            gatekeep.kill()
        assert _is_gone(command)
        assert _is_gone(escaped)
        assert _is_gone(keeper)

    def test_command_that_kills_its_keeper_is_lost_and_its_group_ended(self, spec, cancel, tmp_path):
        with SubprocessRunner() as runner:
            result = runner.run(_sh(spec, f"echo $$ > {tmp_path}/pid; kill -9 $PPID; exec sleep 1000"), cancel)
            assert result.end == Lost(message="the process that watches over 'sh' was ended from outside")
            assert _is_gone(int((tmp_path / "pid").read_text()))
            assert runner.run(spec, cancel).end == Exited(code=0)

    def test_keeper_that_was_ended_between_commands_is_replaced(self, spec, cancel):
        with SubprocessRunner() as runner:
            runner.run(_sh(spec, "echo $PPID"), cancel)
            keeper = int(spec.log_path.read_text())
            watch = os.pidfd_open(keeper)
            os.kill(keeper, signal.SIGKILL)
            assert select.select([watch], [], [], _PATIENCE_S)[0]
            os.close(watch)
            assert runner.run(spec, cancel).end == Exited(code=0)

    def test_keeper_does_not_heed_the_signals_of_a_terminal_or_a_kill_by_name(self, spec, cancel):
        with SubprocessRunner() as runner:
            script = "for s in INT TERM HUP QUIT TSTP; do kill -$s $PPID; done; echo $PPID"
            assert runner.run(_sh(spec, script), cancel).end == Exited(code=0)
            assert runner.run(_sh(spec, "echo $PPID"), cancel).end == Exited(code=0)
        first, second = spec.log_path.read_text().split()
        assert first == second

    def test_closing_the_runner_leaves_no_process(self, spec, cancel):
        with SubprocessRunner() as runner:
            runner.run(_sh(spec, "echo $PPID"), cancel)
        assert not Path(f"/proc/{spec.log_path.read_text().strip()}").exists()

    def test_keepers_are_used_again(self, spec, cancel):
        with SubprocessRunner() as runner:
            for _ in range(5):
                runner.run(_sh(spec, "echo $PPID"), cancel)
        assert len(set(spec.log_path.read_text().split())) == 1

    def test_full_disk_is_told_and_does_not_hold_the_command_up(self, real, spec, cancel):
        """/dev/full answers every write with ENOSPC. Source: full(4)."""
        result = real.run(_sh(spec, "seq 1 100000; echo done > done", log_path=Path("/dev/full")), cancel)
        assert result.end == Exited(code=0)
        assert result.log_fault == "the log cannot be written: No space left on device"
        assert (spec.directory / "done").exists()

    def test_log_that_is_a_link_is_refused(self, real, spec, cancel, tmp_path):
        spec.log_path.symlink_to(tmp_path / "elsewhere")
        end = real.run(spec, cancel).end
        assert isinstance(end, NotStarted)
        assert end.kind is Hindrance.MACHINE
        assert not (tmp_path / "elsewhere").exists()


class TestWithMake:
    """GNU make as the command, since that is what most recipes run."""

    def test_make_removes_a_half_written_target_when_the_limit_ends_it(self, real, spec, cancel):
        """Source: GNU make manual, "Interrupting or Killing make"."""
        (spec.directory / "Makefile").write_text("half.o:\n\techo half > $@; sleep 1000\n")
        result = real.run(replace(spec, argv=("make",), time_limit_s=0.5), cancel)
        assert result.end == TimedOutEnd(stopped_by="SIGTERM")
        assert "Deleting file 'half.o'" in spec.log_path.read_text()
        assert not (spec.directory / "half.o").exists()

    def test_make_shares_the_slots_of_a_jobserver_that_is_handed_in(self, real, spec, cancel):
        """Source: GNU make manual, "POSIX Jobserver Interaction"."""
        (spec.directory / "Makefile").write_text("all: a b c\na b c:\n\t@echo $@ $(words $(MAKEFLAGS))\n")
        read, write = os.pipe()
        try:
            os.write(write, b"+")
            environment = {"PATH": _PATH, "MAKEFLAGS": f" -j2 --jobserver-auth={read},{write}"}
            changed = replace(spec, argv=("make",), environment=environment, pass_fds=(read, write))
            assert real.run(changed, cancel).end == Exited(code=0)
            assert "jobserver unavailable" not in spec.log_path.read_text()
            assert os.read(read, 2) == b"+"
        finally:
            os.close(read)
            os.close(write)


def test_unexpected_interruption_leaves_no_command_behind(spec, cancel, tmp_path):
    """A KeyboardInterrupt in the thread that waits: the command ends before the exception goes on."""
    os.mkfifo(tmp_path / "ready")
    main = threading.main_thread().ident
    assert main is not None
    pid = []

    def interrupt() -> None:
        pid.append(json.loads((tmp_path / "ready").read_text()))
        signal.pthread_kill(main, signal.SIGINT)

    thread = threading.Thread(target=interrupt)
    thread.start()
    with SubprocessRunner() as runner, pytest.raises(KeyboardInterrupt):
        runner.run(_sh(spec, f"echo $$ > {tmp_path}/ready; exec sleep 1000"), cancel)
    thread.join()
    assert not _runs(pid[0])
