"""
Keeps builds from asking the kernel for two kinds of things: reads that nobody sees, and ways around the sandbox.

**Reads that leave no access time** (see `readset`):

- Copies that share blocks. On XFS and Btrfs `cp` asks the file system to let two files share their blocks, and on an
  overlay (the file system of most containers) to copy on its own; the source counts as unread. Both go through two
  requests, the ioctl FICLONE and `copy_file_range`. Refused with what a kernel or file system without them says
  (EOPNOTSUPP, ENOSYS), every program that uses them falls back to reading and writing.
- O_NOATIME, which the kernel grants to a file's owner. Refused with EPERM, as to anybody but the owner; programs that
  ask for it expect that. `openat2` and io_uring open files too, by a structure that no filter can look into: refused as
  by a kernel that does not know them.

**What no namespace holds**: key rings of the user; sockets of other kinds than local, Internet and kernel messages
(vsock leads from a virtual machine to its host); bpf, perf_event_open and userfaultfd, which no compiler needs and
attacks on the kernel do. And the numbers of the x32 ABI, by which every other rule could be passed.

A seccomp filter does it: once for a keeper, inherited by all that it starts, some dozen instructions that the kernel
runs only for the system calls concerned (it answers the others from a table, since Linux 5.11). Installing one takes
"no new privileges", so set-user-ID programs run as the user; a build has no business to do more.

Not covered: kernels or processors that the table below does not know. What a build reads in such a way goes unseen, and
the audit is what finds it.

Runs on the standard library alone: the keeper imports it.

Source: seccomp(2); Linux' Documentation/userspace-api/seccomp_filter.rst; the kernel's headers filter.h, seccomp.h,
audit.h, fs.h and socket.h; the numbers are those of arch/x86/entry/syscalls, arch/arm/tools/syscall.tbl and
asm-generic/unistd.h; socketcall(2).
"""

from __future__ import annotations

import ctypes
import errno
import os
import struct
import sys
from typing import NamedTuple

_PR_SET_NO_NEW_PRIVS = 38
_PR_SET_SECCOMP = 22
_SECCOMP_MODE_FILTER = 2
_ALLOW = 0x7FFF0000
_REFUSE = 0x00050000
#: struct seccomp_data: int nr, u32 arch, u64 instruction_pointer, u64 args[6].
_NUMBER_AT, _ARCHITECTURE_AT, _ARGUMENTS_AT = 0, 4, 16
_F_SETFL = 4
#: _IOW(0x94, 9, int) and _IOW(0x94, 13, struct file_clone_range); the same on every architecture below.
_CLONES = (0x40049409, 0x4020940D)
# BPF_LD|BPF_W|BPF_ABS; BPF_JMP|BPF_K with BPF_JEQ, BPF_JGE, BPF_JSET; BPF_RET|BPF_K.
_LOAD, _IF_EQUAL, _IF_AT_LEAST, _IF_ANY_BIT, _RETURN = 0x20, 0x15, 0x35, 0x45, 0x06


class _Numbers(NamedTuple):
    """The numbers of system calls as one kind of process makes them; one kernel serves several kinds."""

    architecture: int
    openat: int
    ioctl: int
    copy_file_range: int
    fcntl: tuple[int, ...]
    open: int | None
    socket: int
    #: All kinds of sockets by one call, whose arguments lie where no filter looks.
    socketcall: int | None
    #: add_key, request_key, keyctl, bpf, perf_event_open, userfaultfd.
    dangerous: tuple[int, ...]


_X86_64 = _Numbers(
    0xC000003E, openat=257, ioctl=16, copy_file_range=326, fcntl=(72,), open=2, socket=41, socketcall=None,
    dangerous=(248, 249, 250, 321, 298, 323),
)  # fmt: skip
_X86 = _Numbers(
    0x40000003, openat=295, ioctl=54, copy_file_range=377, fcntl=(55, 221), open=5, socket=359, socketcall=102,
    dangerous=(286, 287, 288, 357, 336, 374),
)  # fmt: skip
_AARCH64 = _Numbers(
    0xC00000B7, openat=56, ioctl=29, copy_file_range=285, fcntl=(25,), open=None, socket=198, socketcall=None,
    dangerous=(217, 218, 219, 280, 241, 282),
)  # fmt: skip
_ARM = _Numbers(
    0x40000028, openat=322, ioctl=54, copy_file_range=391, fcntl=(55, 221), open=5, socket=281, socketcall=None,
    dangerous=(309, 310, 311, 386, 364, 388),
)  # fmt: skip
_RISCV64 = _Numbers(
    0xC00000F3, openat=56, ioctl=29, copy_file_range=285, fcntl=(25,), open=None, socket=198, socketcall=None,
    dangerous=(217, 218, 219, 280, 241, 282),
)  # fmt: skip
#: io_uring_setup, io_uring_enter, io_uring_register, openat2: since they came, numbers are the same everywhere.
_NEW = (425, 426, 427, 437)
#: AF_UNIX, AF_INET, AF_INET6, AF_NETLINK.
_FAMILIES = (1, 2, 10, 16)
_X32_BIT = 0x40000000
#: By `uname -m`; 32-bit compilers run on 64-bit machines too.
_BY_MACHINE = {"x86_64": (_X86_64, _X86), "aarch64": (_AARCH64, _ARM), "riscv64": (_RISCV64,)}


class _Filter(ctypes.Structure):
    """struct sock_fprog."""

    _fields_ = (("length", ctypes.c_ushort), ("instructions", ctypes.c_char_p))


def refuse_calls() -> bool:
    """
    Take from this thread, and from all that it starts from now on, what a build has no business to ask for.

    Returns:
        Whether that is so now; not on a machine or kernel without the means, where the probe of access times decides.
    """
    kinds = _BY_MACHINE.get(os.uname().machine)
    if kinds is None or sys.byteorder != "little":
        return False
    code = b"".join(struct.pack("<HBBI", *instruction) for instruction in _make_filter(kinds))
    program = _Filter(len(code) // 8, code)
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.prctl(_PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0) != 0:
        return False
    return bool(libc.prctl(_PR_SET_SECCOMP, _SECCOMP_MODE_FILTER, ctypes.byref(program), 0, 0) == 0)


def _make_filter(kinds: tuple[_Numbers, ...]) -> list[tuple[int, int, int, int]]:
    """Give the instructions: operation, how many to skip if so, how many if not, value."""
    code: list[tuple[int, int, int, int]] = []
    for kind in kinds:
        rules = [_refuse_call(kind.copy_file_range, errno.ENOSYS)]
        rules.append(_refuse_values(kind.ioctl, 1, _CLONES, errno.EOPNOTSUPP))
        rules.append(_refuse_bit(kind.openat, 2, os.O_NOATIME))
        if kind.open is not None:
            rules.append(_refuse_bit(kind.open, 1, os.O_NOATIME))
        rules += [_refuse_set_flag(number) for number in kind.fcntl]
        rules += [_refuse_call(number, errno.ENOSYS) for number in _NEW]
        rules += [_refuse_call(number, errno.EPERM) for number in kind.dangerous]
        rules.append(_allow_values(kind.socket, 0, _FAMILIES, errno.EAFNOSUPPORT))
        if kind.socketcall is not None:
            rules.append(_refuse_call(kind.socketcall, errno.ENOSYS))
        if kind is _X86_64:
            rules.append([(_IF_AT_LEAST, 0, 1, _X32_BIT), (_RETURN, 0, 0, _REFUSE | errno.ENOSYS)])
        body = [(_LOAD, 0, 0, _NUMBER_AT), *(step for rule in rules for step in rule), (_RETURN, 0, 0, _ALLOW)]
        code += [(_LOAD, 0, 0, _ARCHITECTURE_AT), (_IF_EQUAL, 0, len(body), kind.architecture), *body]
    return [*code, (_RETURN, 0, 0, _ALLOW)]


# Each rule starts with the number of the system call loaded. When the number is another, it goes on behind itself with
# the number still loaded; when it is the rule's own, it ends with an answer.


def _refuse_call(number: int, code: int) -> list[tuple[int, int, int, int]]:
    return [(_IF_EQUAL, 0, 1, number), (_RETURN, 0, 0, _REFUSE | code)]


def _refuse_values(number: int, argument: int, values: tuple[int, ...], code: int) -> list[tuple[int, int, int, int]]:
    compare = [(_IF_EQUAL, len(values) - at, 0, value) for at, value in enumerate(values)]
    body = [_load_argument(argument), *compare, (_RETURN, 0, 0, _ALLOW), (_RETURN, 0, 0, _REFUSE | code)]
    return [(_IF_EQUAL, 0, len(body), number), *body]


def _allow_values(number: int, argument: int, values: tuple[int, ...], code: int) -> list[tuple[int, int, int, int]]:
    compare = [(_IF_EQUAL, len(values) - at, 0, value) for at, value in enumerate(values)]
    body = [_load_argument(argument), *compare, (_RETURN, 0, 0, _REFUSE | code), (_RETURN, 0, 0, _ALLOW)]
    return [(_IF_EQUAL, 0, len(body), number), *body]


def _refuse_bit(number: int, argument: int, bit: int) -> list[tuple[int, int, int, int]]:
    answers = [(_RETURN, 0, 0, _REFUSE | errno.EPERM), (_RETURN, 0, 0, _ALLOW)]
    body = [_load_argument(argument), (_IF_ANY_BIT, 0, 1, bit), *answers]
    return [(_IF_EQUAL, 0, len(body), number), *body]


def _refuse_set_flag(number: int) -> list[tuple[int, int, int, int]]:
    answers = [(_RETURN, 0, 0, _REFUSE | errno.EPERM), (_RETURN, 0, 0, _ALLOW)]
    body = [_load_argument(1), (_IF_EQUAL, 0, 3, _F_SETFL), _load_argument(2), (_IF_ANY_BIT, 0, 1, os.O_NOATIME)]
    return [(_IF_EQUAL, 0, len(body) + len(answers), number), *body, *answers]


def _load_argument(argument: int) -> tuple[int, int, int, int]:
    """Load the low half of an argument; all that is compared here has 32 bits."""
    return (_LOAD, 0, 0, _ARGUMENTS_AT + 8 * argument)
