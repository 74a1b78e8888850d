"""
What builds may not ask for is refused as by a kernel without it, and nothing else is.

Each test runs a process that has refused it, and programs below that. Source: copy_file_range(2), ERRORS;
ioctl_ficlone(2), ERRORS (EOPNOTSUPP, on Linux another name of ENOTSUP); open(2), O_NOATIME; seccomp(2).
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

START = """
import os, sys
from gatekeep.build.refused_calls import refuse_calls
assert refuse_calls()
os.execvp(sys.argv[1], sys.argv[1:])
"""
TRY = """
import errno, fcntl, os, struct
def show(name, ask):
    try:
        ask()
        print(name, "fine")
    except OSError as error:
        print(name, errno.errorcode[error.errno])
source = os.open("source", os.O_RDONLY)
copy = os.open("copy", os.O_RDWR | os.O_CREAT)
show("copy_file_range", lambda: os.copy_file_range(source, copy, 4096))
# No file has this number: a kernel that were asked would answer EBADF, whatever the file system.
show("FICLONE", lambda: fcntl.ioctl(copy, 0x40049409, 9999))
show("FICLONERANGE", lambda: fcntl.ioctl(copy, 0x4020940D, struct.pack("=qQQQ", 9999, 0, 0, 0)))
show("FIONREAD", lambda: fcntl.ioctl(source, 0x541B, bytes(4)))
show("open O_NOATIME", lambda: os.open("source", os.O_RDONLY | os.O_NOATIME))
show("open a folder O_NOATIME", lambda: os.open(".", os.O_RDONLY | os.O_DIRECTORY | os.O_NOATIME))
show("open O_NONBLOCK", lambda: os.open("source", os.O_RDONLY | os.O_NONBLOCK))
show("F_SETFL O_NOATIME", lambda: fcntl.fcntl(source, fcntl.F_SETFL, os.O_NOATIME))
show("F_SETFL O_NONBLOCK", lambda: fcntl.fcntl(source, fcntl.F_SETFL, os.O_NONBLOCK))
import ctypes, socket
libc = ctypes.CDLL(None, use_errno=True)
def call(number, *arguments):
    if libc.syscall(number, *arguments) < 0:
        raise OSError(ctypes.get_errno(), "")
show("openat2", lambda: call(437, -100, b"source", struct.pack("=QQQ", os.O_NOATIME, 0, 0), 24))
show("io_uring_setup", lambda: call(425, 1, bytes(120)))
show("vsock", lambda: socket.socket(40, socket.SOCK_STREAM))
show("packet", lambda: socket.socket(socket.AF_PACKET, socket.SOCK_RAW))
show("local", lambda: socket.socketpair())
show("Internet", lambda: socket.socket(socket.AF_INET6))
if os.uname().machine == "x86_64":
    show("keyctl", lambda: call(250, 0, -3, 0))
    show("bpf", lambda: call(321, 0, bytes(128), 128))
    show("x32 openat", lambda: call(0x40000000 | 257, -100, b"source", os.O_NOATIME))
show("F_GETFL", lambda: fcntl.fcntl(source, fcntl.F_GETFL, os.O_NOATIME))
"""
REFUSED = """\
copy_file_range ENOSYS
FICLONE ENOTSUP
FICLONERANGE ENOTSUP
FIONREAD fine
open O_NOATIME EPERM
open a folder O_NOATIME EPERM
open O_NONBLOCK fine
F_SETFL O_NOATIME EPERM
F_SETFL O_NONBLOCK fine
openat2 ENOSYS
io_uring_setup ENOSYS
vsock EAFNOSUPPORT
packet EAFNOSUPPORT
local fine
Internet fine
"""
if os.uname().machine == "x86_64":
    REFUSED += "keyctl EPERM\nbpf EPERM\nx32 openat ENOSYS\n"
REFUSED += "F_GETFL fine\n"


def run(folder: Path, *argv: str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", START, *argv],
        cwd=folder,
        env={"PATH": os.environ["PATH"], "PYTHONPATH": str(Path(__file__).parents[2])},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "source").write_bytes(b"tide\n" * 4000)
    return tmp_path


def test_only_what_is_listed_is_refused(folder: Path) -> None:
    assert run(folder, sys.executable, "-c", TRY) == REFUSED


def test_what_a_filtered_process_starts_is_filtered_too(folder: Path) -> None:
    assert run(folder, "sh", "-c", f"({sys.executable} -c '{TRY}' )&\nwait") == REFUSED


def test_a_second_filter_changes_nothing(folder: Path) -> None:
    assert run(folder, sys.executable, "-c", START, sys.executable, "-c", TRY) == REFUSED


@pytest.mark.parametrize(
    "script",
    [
        "cp source copied && cmp source copied",
        "cp --reflink=auto source copied && cmp source copied",
        "install -m 600 source copied && cmp source copied",
        "mkdir a && cp -a source a && cp -a a b && cmp source b/source",
        "tar -cf a.tar source && mkdir a && tar -xf a.tar -C a && cmp source a/source",
        "git init -q . && git add source && git stash list && git fsck && git count-objects",
        f'{sys.executable} -c \'import shutil; shutil.copyfile("source", "copied")\' && cmp source copied',
        "echo 'int main(void) { return 0; }' > m.c && cc m.c -o m && ./m",
        "printf 'all: copied\\n\\t@cmp source copied\\ncopied: source\\n\\tcp $< $@\\n' | make -j2 -s -f -",
    ],
)
def test_common_programs_read_and_write_instead(folder: Path, script: str) -> None:
    run(folder, "sh", "-c", script)
