"""
Attempts to get out of the sandbox, each by a real program in a real one. DEVELOPERS.md lists them.

What came of an attempt is looked at from outside. Whatever could hurt this machine, should nothing hold it, is small.
"""

from __future__ import annotations

import os
import select
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from gatekeep.build.command import CancelToken, Exited, Lost, Signalled, TimedOutEnd
from gatekeep.build.jobserver import Jobserver
from gatekeep.build.subprocess_runner import SubprocessRunner
from gatekeep.model.readset import ReadSet
from gatekeep.report.plain import plain_lines
from tests.job_bench import Bench, open_bench
from tests.sandboxes import Cell, list_processes

TRY = """
import os, socket, sys
def attempt(name, act):
    try:
        print(name, act(), flush=True)
    except OSError as error:
        print(name, "-", error.strerror, flush=True)
"""


@pytest.fixture(scope="module")
def machine() -> Iterator[SubprocessRunner]:
    with SubprocessRunner(grace_s=0.5) as runner:
        yield runner


@pytest.fixture
def cell(tmp_path: Path, machine: SubprocessRunner) -> Cell:
    return Cell.make(tmp_path, machine)


def attempts(printed: str) -> dict[str, str]:
    return dict(line.split(" ", 1) for line in printed.splitlines())


class TestFiles:
    """Reading and writing what is not the job's own."""

    def test_write_outside(self, cell: Cell) -> None:
        system = [Path(folder, "x") for folder in ("/usr", "/etc", "/", "/dev", "/proc")]
        places = [cell.outside / "file", cell.folder / "new", *system]
        script = TRY + "for path in sys.argv[1:]: attempt(path, lambda: os.open(path, os.O_RDWR | os.O_CREAT))"
        found = attempts(cell.python(script, *map(str, places)))
        # The bench lies in /tmp, whose parts have their names in the job's own /tmp too.
        assert all(found[str(place)].startswith("- ") for place in system), found
        assert not any(place.exists() for place in places)

    def test_write_through_a_link_that_the_tree_holds(self, cell: Cell) -> None:
        (cell.folder / "tree" / "way-out").symlink_to(cell.outside)
        result = cell.run("/bin/sh", "-c", "echo x >way-out/file")
        assert result.end == Exited(code=2)
        assert list(cell.outside.iterdir()) == []

    def test_start_in_a_folder_that_an_earlier_command_has_replaced(self, cell: Cell) -> None:
        from dataclasses import replace

        (cell.folder / "tree" / "firmware").mkdir()
        cell.sh(f"rmdir firmware && ln -s {cell.outside} firmware")
        spec = replace(cell.spec("/bin/sh", "-c", "echo x >file"), directory=cell.folder / "tree" / "firmware")
        with CancelToken() as cancel:
            cell.runner.run(spec, cancel)
        assert list(cell.outside.iterdir()) == []

    def test_read_homes_and_keys(self, cell: Cell) -> None:
        homes = {"/root", "/home", str(Path.home())}
        names = (".ssh", ".gnupg", ".netrc", ".gitconfig", ".config", ".bash_history")
        secrets = [f"{home}/{name}" for home in homes for name in names]
        script = (
            TRY
            + """
for path in sys.argv[1:]:
    attempt(path, lambda: os.listdir(path) if os.path.isdir(path) else open(path).read())
"""
        )
        found = attempts(cell.python(script, *secrets, "/etc/shadow", "/etc/ssl/private"))
        assert all(answer.startswith("- ") or answer == "[]" for answer in found.values()), found
        assert "SSH" not in cell.sh("env")

    def test_read_the_stores_database(self, tmp_path: Path, machine: SubprocessRunner) -> None:
        """Where a worker's tree lies in the store itself, and that in a repository."""
        store = tmp_path / "repo" / ".git" / "gatekeep"
        store.mkdir(parents=True)
        (store / "evidence.db").write_text("evidence")
        (store.parent / "config").write_text("token")
        cell = Cell.make(store / "trees", machine, hide=[store, store.parent])
        script = (
            f"cat {store}/evidence.db {store.parent}/config; ls -A {store} {store.parent}; cat ../../../../evidence.db"
        )
        cell.run("/bin/sh", "-c", script)
        assert "evidence" not in cell.printed().replace("evidence.db", "")
        assert "token" not in cell.printed()
        assert cell.printed().splitlines()[-1].endswith("No such file or directory")

    def test_library_in_front_of_the_sandbox(self, cell: Cell) -> None:
        """A recipe's environment must not reach bubblewrap itself, which still sees everything."""
        source = cell.folder / "tree" / "evil.c"
        source.write_text(
            "#include <stdio.h>\\n#include <stdlib.h>\\n".replace("\\n", "\n")
            + '__attribute__((constructor)) static void act(void) { FILE *f = fopen(getenv("WHERE"), "w");'
            ' if (f) { fputs("out", f); fclose(f); } }\n'
        )
        library = cell.folder / "tree" / "evil.so"
        subprocess.run(["gcc", "-shared", "-fPIC", "-o", library, source], check=True)
        for where in (cell.outside / "file", cell.folder / "out" / "file"):
            cell.run("true", environment={"LD_PRELOAD": str(library), "WHERE": str(where)})
        assert (cell.folder / "out" / "file").read_text() == "out"
        assert list(cell.outside.iterdir()) == []

    def test_hard_links_do_not_reach_from_tree_to_output(self, cell: Cell) -> None:
        (cell.folder / "tree" / "source.c").write_text("int x;\n")
        out = cell.folder / "out"
        cell.run("/bin/sh", "-c", f"ln source.c {out}/source.c; ln /etc/passwd passwd; ln /etc/passwd {out}/p")
        assert (cell.folder / "tree" / "source.c").stat().st_nlink == 1
        assert list((cell.folder / "out").iterdir()) == []
        assert not (cell.folder / "tree" / "passwd").exists()

    def test_devices_and_files_that_nobody_can_remove(self, cell: Cell) -> None:
        script = "mknod out b 8 0; mknod null c 1 3; echo x >fixed; chattr +i fixed; chmod u+s fixed; ls"
        cell.run("/bin/sh", "-c", script)
        assert not (cell.folder / "tree" / "out").exists()
        assert not (cell.folder / "tree" / "null").exists()
        (cell.folder / "tree" / "fixed").unlink()

    def test_mounts_and_the_kernels_settings(self, cell: Cell) -> None:
        """What is written is what stands there already, should a sandbox let it through."""
        before = Path("/proc/sys/kernel/core_pattern").read_text()
        script = (
            "mount -t tmpfs none /usr; umount /usr; mount -o remount,rw /usr; mount -o remount,rw /proc; "
            "for name in kernel/core_pattern kernel/hostname vm/overcommit_memory; do "
            "cat /proc/sys/$name | tee /proc/sys/$name >/dev/null && echo wrote $name; done; "
            "for place in /proc/sysrq-trigger /proc/mtrr /proc/1/oom_score_adj /usr/x; do "
            "(: >>$place) 2>/dev/null && echo wrote $place; done; :"
        )
        cell.run("/bin/bash", "-c", f"set -o pipefail; {script}")
        assert "wrote" not in cell.printed()
        assert Path("/proc/sys/kernel/core_pattern").read_text() == before


class TestNetwork:
    """Reaching anybody."""

    @pytest.mark.parametrize(("family", "address"), [(socket.AF_INET, "127.0.0.1"), (socket.AF_INET6, "::1")])
    def test_internet(self, cell: Cell, family: socket.AddressFamily, address: str) -> None:
        try:
            server = socket.socket(family)
            server.bind((address, 0))
        except OSError:
            assert family is socket.AF_INET6, "no IPv4 on this machine"
            server = None  # nothing listens, and inside there is no way either
        port = server.getsockname()[1] if server else 9
        if server:
            server.listen()
        script = (
            TRY
            + """
family, address, port = int(sys.argv[1]), sys.argv[2], int(sys.argv[3])
attempt("local", lambda: socket.socket(family).connect((address, port)))
far = "192.0.2.1" if family == socket.AF_INET else "2001:db8::1"
attempt("far", lambda: socket.socket(family).connect((far, 80)))
attempt("datagram", lambda: socket.socket(family, socket.SOCK_DGRAM).sendto(b"x", (far, 53)))
"""
        )
        found = attempts(cell.python(script, str(int(family)), address, str(port)))
        assert found["local"] in ("- Connection refused", "- Cannot assign requested address")
        assert found["far"] == found["datagram"] == "- Network is unreachable" or family is socket.AF_INET6
        assert all(answer.startswith("- ") for answer in found.values()), found
        if server:
            with closing(server):
                assert select.select([server], [], [], 0)[0] == []

    def test_local_sockets_by_path_and_by_abstract_name(self, cell: Cell) -> None:
        path = cell.outside / "agent"
        name = f"\0gatekeep-test-{os.getpid()}"
        with socket.socket(socket.AF_UNIX) as by_path, socket.socket(socket.AF_UNIX) as by_name:
            by_path.bind(str(path))
            by_name.bind(name)
            by_path.listen()
            by_name.listen()
            script = (
                TRY
                + """
attempt("path", lambda: socket.socket(socket.AF_UNIX).connect(sys.argv[1]))
attempt("name", lambda: socket.socket(socket.AF_UNIX).connect("\\0" + sys.argv[2]))
for place in ("/run", "/var/run"): attempt(place, lambda: os.listdir(place))
"""
            )
            found = attempts(cell.python(script, str(path), name[1:]))
            assert found == {
                "path": "- No such file or directory",
                "name": "- Connection refused",
                "/run": "- No such file or directory",
                "/var/run": "- No such file or directory",
            }
            assert select.select([by_path, by_name], [], [], 0)[0] == []


class TestProcesses:
    """Living on, and touching others."""

    def test_survivors_that_left_session_and_parent(self, cell: Cell) -> None:
        mark = f"left-behind-{os.getpid()}"
        script = f"""
import os, time
for _ in range(3):
    if os.fork() == 0:
        os.setsid()
        if os.fork() == 0:
            os.execvp("sh", ["sh", "-c", "trap '' TERM HUP INT; echo up; while :; do sleep 1; done # {mark}"])
        os._exit(0)
for _ in range(3):
    os.wait()
"""
        result = cell.run(sys.executable, "-I", "-S", "-c", script)
        assert result.end == Exited(code=0), cell.printed()
        assert list_processes(mark) == []

    def test_survivor_that_swaps_an_output_after_the_end(self, cell: Cell) -> None:
        script = (
            "echo honest >../out/image; (setsid sh -c 'while :; do ln -sf /etc/passwd ../out/image; done' &) ; exit 0"
        )
        assert cell.run("/bin/sh", "-c", script).end == Exited(code=0)
        first = os.lstat(cell.folder / "out" / "image")
        for _ in range(200):
            os.sched_yield()
        again = os.lstat(cell.folder / "out" / "image")
        assert (first.st_ino, first.st_mtime_ns) == (again.st_ino, again.st_mtime_ns)
        assert list_processes("ln -sf /etc/passwd") == []

    def test_kill_of_parents_and_strangers(self, cell: Cell) -> None:
        with subprocess.Popen(["sleep", "60"]) as stranger:
            script = (
                TRY
                + f"""
import signal
for pid in (1, {stranger.pid}, {os.getpid()}, os.getppid()):
    attempt(f"kill-{{pid}}", lambda: os.kill(pid, signal.SIGKILL))
print("alive 1")
"""
            )
            result = cell.run(sys.executable, "-I", "-S", "-c", script)
            assert stranger.poll() is None
            stranger.kill()
        # Process 1 of a namespace takes no SIGKILL from inside (pid_namespaces(7)); all others are not there.
        assert result.end == Exited(code=0), (result, cell.printed())

    def test_kill_of_everything_that_can_be_named(self, cell: Cell) -> None:
        with subprocess.Popen(["sleep", "60"]) as stranger:
            result = cell.run(sys.executable, "-I", "-S", "-c", "import os; os.kill(-1, 9); os._exit(5)")
            assert stranger.poll() is None
            stranger.kill()
        assert not isinstance(result.end, Lost)
        assert cell.run("true").end == Exited(code=0)

    def test_stop_of_everything_ends_at_the_time_limit(self, cell: Cell) -> None:
        result = cell.run("/bin/sh", "-c", "kill -STOP -1; kill -STOP $$", time_limit_s=1.0)
        assert isinstance(result.end, TimedOutEnd)

    def test_ptrace_and_proc_of_others(self, cell: Cell) -> None:
        with subprocess.Popen(["sleep", "60"], env={"TOKEN": "sesame"}) as stranger:
            outside = str(Path(__file__).resolve())
            script = (
                TRY
                + f"""
import ctypes
libc = ctypes.CDLL(None, use_errno=True)
def ptrace(pid):
    if libc.ptrace(16, pid, 0, 0) != 0: raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()))
attempt("attach", lambda: ptrace({stranger.pid}))
attempt("read", lambda: open("/proc/{stranger.pid}/environ").read())
attempt("root", lambda: open("/proc/1/root" + {outside!r}))
attempt("outer", lambda: open("/proc/1/cwd/../../../../.." + {outside!r}))
print("seen", ",".join(name for name in os.listdir("/proc") if name.isdigit()))
"""
            )
            found = attempts(cell.python(script))
            stranger.kill()
        assert found["attach"] == "- No such process"
        assert found["read"] == "- No such file or directory"
        assert found["root"].startswith("- ")
        assert found["outer"].startswith("- ")
        assert len(found["seen"].split(",")) == 2

    def test_process_1_cannot_be_made_to_report_for_others(self, cell: Cell) -> None:
        """Whoever takes over process 1 by ptrace is still in the sandbox, and dies with it."""
        script = (
            TRY
            + """
import ctypes
libc = ctypes.CDLL(None, use_errno=True)
print("attach", libc.ptrace(16, 1, 0, 0), flush=True)
os._exit(0)
"""
        )
        result = cell.run(sys.executable, "-I", "-S", "-c", script, time_limit_s=5.0)
        assert isinstance(result.end, Exited | Signalled | TimedOutEnd)
        assert list_processes(str(cell.folder)) == []

    def test_end_of_gatekeep_is_the_end_of_it_all(self, cell: Cell, tmp_path: Path) -> None:
        mark = f"orphaned-{os.getpid()}"
        program = """
import os, sys, threading
from pathlib import Path
from tests.sandboxes import Cell
from gatekeep.build.subprocess_runner import SubprocessRunner
with SubprocessRunner() as machine:
    cell = Cell.make(Path(sys.argv[1]), machine)
    cell.run("/bin/sh", "-c", f"echo up >up; setsid sh -c 'sleep 60; : {sys.argv[2]}'")
"""
        root = Path(__file__).parents[2]
        place = tmp_path / "other"
        place.mkdir()
        with subprocess.Popen([sys.executable, "-c", program, str(place), mark], cwd=root) as gatekeep:
            flag = place / "job" / "tree" / "up"
            while not flag.exists() and gatekeep.poll() is None:
                os.sched_yield()
            gatekeep.send_signal(signal.SIGKILL)
        give_up = threading.Event()
        threading.Timer(20, give_up.set).start()
        while list_processes(mark) and not give_up.is_set():
            os.sched_yield()
        assert list_processes(mark) == []


class TestSharedThings:
    """What builds have in common on purpose."""

    def test_tokens_of_the_jobserver_cannot_be_kept_or_made(self, cell: Cell, machine: SubprocessRunner) -> None:
        from dataclasses import replace

        from gatekeep.build.gnu_make import find_makes

        (cell.folder / "tree" / "Makefile").write_text(
            "all:\n\t+@python3 steal.py\n".replace("python3", sys.executable + " -I -S")
        )
        (cell.folder / "tree" / "steal.py").write_text(
            "import os, re\n"
            "read, write = map(int, re.search(r'--jobserver-auth=(\\d+),(\\d+)', os.environ['MAKEFLAGS']).groups())\n"
            "os.set_blocking(read, False)\n"
            "try: print(len(os.read(read, 64)))\n"
            "except BlockingIOError: print(0)\n"
            "os.write(write, b'+' * 1000)\n"
        )
        environment = cell.spec("true").environment
        with CancelToken() as cancel:
            scratch = cell.folder / "home"
            makes = find_makes(runner=cell.runner, environment=environment, scratch=scratch, cancel=cancel)
            with Jobserver(cores=4, makes=makes) as jobserver:
                with jobserver.take_seat() as seat, seat.lend(("make", "-j{jobs}"), environment) as lending:
                    spec = replace(
                        cell.spec(*lending.command), environment=lending.environment, pass_fds=lending.pass_fds
                    )
                    assert len(lending.pass_fds) == 2
                    cell.runner.run(spec, cancel)
                use = jobserver.get_use()
        assert use.lent_count == use.seat_count == use.debt_count == 0
        assert use.free_count == 4

    def test_log_of_escape_codes_is_shown_as_text(self, cell: Cell) -> None:
        cell.sh(r"printf '\033]0;title\007\033[2J\033[31mred\n\302\233 8-bit\n'; printf 'a\rb\n'")
        raw = cell.log.read_bytes()
        assert b"\x1b" in raw
        shown = "".join(plain_lines(raw.decode("utf-8", "surrogateescape")))
        assert not any(ord(sign) < 32 or 127 <= ord(sign) < 160 for sign in shown)


class TestReadSets:
    """Hiding what was read, which would have a stale result carried."""

    @pytest.fixture
    def bench(self, tmp_path: Path, machine: SubprocessRunner) -> Iterator[Bench]:
        folder = tmp_path / "bench"
        (folder / "source").mkdir(parents=True)
        (folder / "tmp").mkdir()
        (folder / "source" / "tide.h").write_text("#define TIDE 1\n")
        (folder / "source" / "lamp.c").write_text("int lamp;\n")
        cell = Cell.make(tmp_path / "cell", machine)
        runner = cell.sandbox.confine(machine, writable=(folder / "tree", folder / "out"), tmp=folder / "tmp")
        with open_bench(folder, runner) as bench:  # type: ignore[arg-type]  # any runner does
            yield bench

    def test_reads_are_seen_in_the_sandbox(self, bench: Bench) -> None:
        assert bench.run("cat tide.h >$OUT/copy") == ReadSet(files=("tide.h",), folders=())

    @pytest.mark.parametrize(
        "hide",
        [
            "touch -a -d '1990-01-01' tide.h",
            "touch -r lamp.c tide.h",
            "touch -m tide.h",
            "mv tide.h x && mv x tide.h",
            "chmod 600 tide.h && chmod 644 tide.h",
            "cp -p tide.h x && mv x tide.h",
        ],
    )
    def test_re_dating_voids_the_read_set(self, bench: Bench, hide: str) -> None:
        assert bench.run(f"cat tide.h >$OUT/copy; {hide}") is None
        # And the next job finds everything as it was.
        assert bench.run("cat tide.h >$OUT/copy") == ReadSet(files=("tide.h",), folders=())

    def test_reading_without_access_times_is_refused(self, bench: Bench) -> None:
        script = f"""{sys.executable} -I -S -c "
import os
try:
    os.read(os.open('tide.h', os.O_RDONLY | os.O_NOATIME), 9)
except PermissionError:
    print('refused')
"; cat lamp.c >$OUT/copy"""
        assert bench.run(script) == ReadSet(files=("lamp.c",), folders=())
        assert (bench.folder / "log").read_text() == "refused\n"

    @pytest.mark.parametrize(
        "mess",
        [
            "chmod 000 . lamp.c",
            "rm lamp.c && ln -s /etc/passwd lamp.c",
            "rm lamp.c && mkfifo lamp.c",
            "mkdir -p $(seq -s / 1 300) && chmod 000 1",
            "rm -rf * && mkdir lamp.c tide.h",
            "touch 'a\nb' \"$(printf '\\377')\"; chmod 000 a*",
            "mkdir .git && echo x >.git/config; mkdir .GIT 2>/dev/null; :",
        ],
    )
    def test_whatever_is_left_in_the_tree_the_next_job_does_not_see(self, bench: Bench, mess: str) -> None:
        bench.run(f"{mess}; echo done")
        bench.run("ls -lA --time-style=+%s | awk '{print $1, $5, $6, $7}' | tail -n +2")
        assert (bench.folder / "log").read_text() == (
            "-rw-r--r-- 10 978307200 lamp.c\n-rw-r--r-- 15 978307200 tide.h\n"
        )
