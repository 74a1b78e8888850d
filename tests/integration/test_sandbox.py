"""
The sandbox as builds find it, and what becomes of a command in it. How it is attacked stands in test_sandbox_escapes.

What is true inside is asked of the kernel (/proc, see proc(5) and namespaces(7)), not of us.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from gatekeep.build.command import CancelToken, Exited, Hindrance, NotStarted, Signalled, TimedOutEnd
from gatekeep.build.readset import probe_access_times
from gatekeep.build.sandbox import NoSandbox, Sandbox
from gatekeep.build.subprocess_runner import SubprocessRunner
from gatekeep.build.toolchain import DigestCache, probe_toolchain
from gatekeep.errors import RunnerError, ToolchainError
from gatekeep.model.matrix import Toolchain
from tests.sandboxes import Cell, make_environment, make_sandbox, try_sandbox


@pytest.fixture(scope="module")
def machine() -> Iterator[SubprocessRunner]:
    with SubprocessRunner(grace_s=0.5) as runner:
        yield runner


@pytest.fixture
def cell(tmp_path: Path, machine: SubprocessRunner) -> Cell:
    return Cell.make(tmp_path, machine)


class TestInside:
    """What a command finds around it."""

    def test_namespaces_are_its_own(self, cell: Cell) -> None:
        names = ("pid", "net", "mnt", "ipc", "uts", "user", "cgroup")
        inside = cell.sh(f"cd /proc/self/ns; for name in {' '.join(names)}; do readlink $name; done").split()
        outside = [os.readlink(f"/proc/self/ns/{name}") for name in names]
        assert [link.partition(":")[0] for link in inside] == list(names)
        assert not set(inside) & set(outside)

    def test_it_has_no_privileges_and_gets_none(self, cell: Cell) -> None:
        status = dict(line.split(":", 1) for line in cell.sh("cat /proc/self/status").splitlines())
        assert {int(status[name], 16) for name in ("CapInh", "CapPrm", "CapEff", "CapBnd", "CapAmb")} == {0}
        assert status["NoNewPrivs"].strip() == "1"
        assert "cannot" in cell.sh("unshare --user true 2>&1 || echo cannot")

    def test_user_is_the_same_whoever_runs_gatekeep(self, cell: Cell) -> None:
        assert cell.sh("id -u; id -g") == "1000\n1000\n"

    def test_environment_is_what_was_given_and_where_it_is(self, cell: Cell) -> None:
        script = "import os; print(sorted(os.environb.items()))"
        printed = cell.python(script)
        expected = {**make_environment(cell.folder / "home"), "PWD": str(cell.folder / "tree")}
        assert printed == f"{sorted((name.encode(), text.encode()) for name, text in expected.items())}\n"

    def test_folders_of_the_job_can_be_written_and_all_else_cannot(self, cell: Cell) -> None:
        for name in ("tree", "out", "home", "tmp"):
            cell.sh(f"echo x >{cell.folder}/{name}/written")
            assert (cell.folder / name / "written").read_text() == "x\n"
        own = r"\( -path /proc -o -path /tmp -o -path /var/tmp \) -prune"
        writable = cell.sh(rf"find / -maxdepth 3 {own} -o \( -type f -o -type d \) -writable -print 2>/dev/null; :")
        # Devices lie on empty files, and a folder of terminals takes no files.
        devices = {f"/dev/{name}" for name in ("full", "null", "random", "tty", "urandom", "zero", "pts", "shm")}
        assert {path for path in writable.split() if not path.startswith("/etc/")} <= devices
        private = [path for path in writable.split() if path.startswith("/etc/")]
        assert all(Path(path).stat().st_mode & stat.S_IROTH == 0 for path in private)
        assert cell.sh(f"cat {' '.join(private)} 2>&1 | grep -v denied; :") == ""

    def test_temporary_folders_are_the_jobs_own(self, cell: Cell) -> None:
        theirs = {str(path) for path in Path("/tmp").iterdir()}
        inside = cell.sh("echo x >/tmp/mine; cat /var/tmp/mine; ls -d /tmp/*").split()
        assert (cell.folder / "tmp" / "mine").read_text() == inside[0] + "\n"
        top = {"/tmp/" + path.parts[2] for path in (cell.folder, Path(sys.prefix)) if path.parts[1] == "tmp"}
        assert set(inside[1:]) & theirs <= top

    def test_access_times_still_tell_what_is_read(self, cell: Cell) -> None:
        place = cell.folder / "tree"
        assert probe_access_times(place, runner=cell.runner, environment=make_environment(cell.folder / "home")) is None

    def test_pipes_of_a_jobserver_keep_their_numbers(self, cell: Cell) -> None:
        read, write = os.pipe()
        high = os.dup2(write, 207, inheritable=False)
        try:
            from dataclasses import replace

            script = f"import os; print(sorted(map(int, os.listdir('/proc/self/fd')))); os.write({high}, b'+')"
            spec = replace(cell.spec(sys.executable, "-I", "-S", "-c", script), pass_fds=(read, high))
            with CancelToken() as cancel:
                assert cell.runner.run(spec, cancel).end == Exited(code=0)
            assert os.read(read, 9) == b"+"
            numbers = json.loads(cell.printed())
            assert {read, high} < set(numbers)
            assert len(numbers) == 6  # three standard ones, the two, and the one that lists
        finally:
            for fd in (read, write, high):
                os.close(fd)


class TestProgramsOnPath:
    """Toolchains that lie where builds see nothing else."""

    def _install(self, home: Path) -> Path:
        """A compiler in a home, linked into the home's bin; beside both what no build shall see."""
        tool = home / "tools" / "harbour-gcc"
        for name in ("bin", "lib", "mips-elf/lib", "secrets"):
            (tool / name).mkdir(parents=True)
        program = tool / "bin" / "harbour-cc"
        program.write_text('#!/bin/sh\ncat "$(dirname "$(readlink -f "$0")")/../lib/specs"; ls "$1"\n')
        program.chmod(0o755)
        (tool / "lib" / "specs").write_text("specs\n")
        (tool / "secrets" / "key").write_text("secret\n")
        (home / "bin").mkdir()
        (home / "bin" / "harbour-cc").symlink_to("../tools/harbour-gcc/bin/harbour-cc")
        (home / ".netrc").write_text("secret\n")
        return tool

    def test_linked_program_brings_its_own_files_and_not_the_home(
        self, tmp_path: Path, machine: SubprocessRunner, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        home = tmp_path / "keeper"
        home.mkdir()
        tool = self._install(home)
        monkeypatch.setenv("HOME", str(home))
        monkeypatch.setenv("PATH", f"{home}/bin:{os.environ['PATH']}")
        cell = Cell.make(tmp_path / "cell", machine)
        printed = cell.sh(f"harbour-cc {tool}; ls -A {home}; cat {home}/.netrc {tool}/secrets/key 2>&1; :")
        lines = printed.splitlines()
        assert lines[0] == "specs"
        assert lines[1:] == [
            "bin",
            "lib",
            "mips-elf",
            "bin",
            "tools",
            f"cat: {home}/.netrc: No such file or directory",
            f"cat: {tool}/secrets/key: No such file or directory",
        ]

    def test_environment_of_python_brings_its_interpreter(self, tmp_path: Path, machine: SubprocessRunner) -> None:
        environment = tmp_path / "venv"
        subprocess.run([sys.executable, "-m", "venv", "--without-pip", environment], check=True)
        path = f"{environment}/bin:/usr/bin:/bin"
        scratch = tmp_path / "scratch"
        scratch.mkdir()
        sandbox = try_sandbox(machine, {"PATH": path}, scratch)
        assert isinstance(sandbox, Sandbox)
        cell = Cell.make(tmp_path / "cell", machine)
        cell.runner = sandbox.confine(machine, writable=[cell.folder / "tree"], tmp=cell.folder / "tmp")
        assert cell.sh("python3 -c 'import sys, json; print(sys.prefix)'", PATH=path) == f"{environment}\n"

    def test_operator_shows_a_folder(self, tmp_path: Path, machine: SubprocessRunner) -> None:
        (tmp_path / "licence").mkdir()
        (tmp_path / "licence" / "file").write_text("granted\n")
        hidden = Cell.make(tmp_path / "one", machine)
        shown = Cell.make(tmp_path / "two", machine, show=[tmp_path / "licence"])
        script = f"cat {tmp_path}/licence/file; (echo x >{tmp_path}/licence/file) 2>&1; :"
        assert "No such file" in hidden.sh(script)
        assert shown.sh(script).splitlines()[0] == "granted"
        assert (tmp_path / "licence" / "file").read_text() == "granted\n"
        assert hidden.sandbox.mark != shown.sandbox.mark

    def test_store_and_git_folder_are_hidden_in_what_is_shown(self, tmp_path: Path, machine: SubprocessRunner) -> None:
        work = tmp_path / "work"
        (work / ".git" / "gatekeep").mkdir(parents=True)
        (work / ".git" / "config").write_text("token\n")
        (work / "tool").write_text("tool\n")
        cell = Cell.make(tmp_path / "cell", machine, show=[work], hide=[work / ".git", work / ".git" / "gatekeep"])
        assert (
            cell.sh(f"cat {work}/tool; ls -A {work}/.git; touch {work}/.git/x 2>/dev/null || echo fixed")
            == "tool\nfixed\n"
        )

    def test_job_within_a_hidden_store_within_what_is_shown_has_its_own_folders(
        self, tmp_path: Path, machine: SubprocessRunner
    ) -> None:
        store = tmp_path / "work" / ".git" / "gatekeep"
        store.mkdir(parents=True)
        (store / "evidence.db").write_text("evidence\n")
        cell = Cell.make(store / "trees", machine, show=[tmp_path / "work"], hide=[store.parent, store])
        assert cell.sandbox.hidden == (str(store.parent),)
        assert cell.sh(f"echo x >file; cat {store}/evidence.db 2>/dev/null; ls -A {store.parent} {store}") == (
            f"{store.parent}:\ngatekeep\n\n{store}:\ntrees\n"
        )
        assert (cell.folder / "tree" / "file").read_text() == "x\n"

    def test_it_is_found_in_a_folder_of_any_name(self, tmp_path: Path, machine: SubprocessRunner) -> None:
        make_sandbox(machine, tmp_path / "a $(b) 'c' \"d\" größe; *")

    def test_what_is_to_be_shown_must_exist(self, tmp_path: Path, machine: SubprocessRunner) -> None:
        with pytest.raises(RunnerError, match=r"--sandbox-show: .*/nothing does not exist"):
            make_sandbox(machine, tmp_path / "probe", show=[tmp_path / "nothing"])

    def test_toolchain_whose_parts_are_hidden_is_missing_with_the_way_out(self, cell: Cell) -> None:
        """A script on PATH in front of a compiler that lies elsewhere, as version managers have them."""
        front = cell.folder / "tree" / "harbour-cc"
        front.write_text(f'#!/bin/sh\nexec {cell.outside}/harbour-cc "$@"\n')
        front.chmod(0o755)
        shutil.copy("/bin/true", cell.outside / "harbour-cc")
        with CancelToken() as cancel, pytest.raises(ToolchainError) as raised:
            probe_toolchain(
                Toolchain(name="harbour", probe=(str(front), "--version")),
                runner=cell.runner,
                environment=make_environment(cell.folder / "home"),
                scratch=cell.folder / "tree",
                digests=DigestCache(None),
                cancel=cancel,
            )
        assert "ended with exit code 127" in str(raised.value)
        assert str(raised.value).endswith("or show what it needs to the sandbox (--sandbox-show)")


class TestEnds:
    """How a command's end is told from its sandbox's."""

    def test_exit_code_and_signal_are_the_commands_own(self, cell: Cell) -> None:
        assert cell.run("/bin/sh", "-c", "exit 7").end == Exited(code=7)
        assert cell.run("/bin/sh", "-c", "kill -ABRT $$").end == Signalled(signal=signal.SIGABRT)

    def test_build_that_speaks_like_the_sandbox_is_not_believed(self, cell: Cell) -> None:
        result = cell.run("/bin/sh", "-c", 'echo "bwrap: Can\'t chdir to /x: No such file or directory" >&2; exit 1')
        assert result.end == Exited(code=1)

    def test_program_that_only_the_outside_has_is_the_machines_matter(self, cell: Cell) -> None:
        program = cell.outside / "cc"
        shutil.copy("/bin/true", program)
        end = cell.run(str(program)).end
        assert end == NotStarted(
            message=f"'{program}' or what it needs is not seen in the sandbox; show its folder with --sandbox-show",
            kind=Hindrance.HIDDEN,
        )

    def test_setup_that_fails_is_the_machines_fault(self, cell: Cell) -> None:
        shutil.rmtree(cell.folder / "tmp")
        end = cell.run("true").end
        assert isinstance(end, NotStarted)
        assert end.kind is Hindrance.MACHINE
        assert "could not be set up: bwrap: Can't find source path" in end.message

    def test_polite_end_comes_first(self, cell: Cell) -> None:
        script = "trap 'echo leaving; exit' TERM; echo here; while :; do :; done"
        assert cell.run("/bin/sh", "-c", script, time_limit_s=0.5).end == TimedOutEnd(stopped_by="SIGTERM")
        assert cell.printed() == "here\nleaving\n"

    def test_cpu_time_is_counted_across_the_border(self, cell: Cell) -> None:
        script = "import time\nend = time.process_time() + 0.3\nwhile time.process_time() < end: pass"
        result = cell.run(sys.executable, "-I", "-S", "-c", script)
        assert 0.3 <= result.cpu_s < 1.5


def test_machine_without_bubblewrap_says_so(tmp_path: Path, machine: SubprocessRunner) -> None:
    (tmp_path / "scratch").mkdir()
    found = try_sandbox(machine, {"PATH": str(tmp_path)}, tmp_path / "scratch")
    message = "no sandbox: bwrap is not on PATH; install bubblewrap 0.8 or later (apt-get install bubblewrap)"
    assert found == NoSandbox(message=message)


def test_bubblewrap_that_holds_nothing_is_no_sandbox(tmp_path: Path, machine: SubprocessRunner) -> None:
    """A program of that name that runs its command as it is: only trying shows it."""
    program = tmp_path / "bin" / "bwrap"
    program.parent.mkdir()
    program.write_text(
        "#!/bin/sh\n"
        'eval "printf \'{\\"child-pid\\": $$}\\n\' >&$4"; while [ "$1" != -- ]; do shift; done; shift\n'
        'export PATH=/usr/bin:/bin; "$@"; code=$?; printf \'{"exit-code": %s}\\n\' $code >&4; exit $code\n'
    )
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    (tmp_path / "scratch").mkdir()
    environment = {"PATH": f"{program.parent}:/usr/bin:/bin"}
    found = try_sandbox(machine, environment, tmp_path / "scratch")
    assert isinstance(found, NoSandbox)
    assert "there is no pid namespace of its own" in found.message
