"""
The sandbox: bubblewrap around every command that a change or a matrix names.

What holds inside. Namespaces of its own for users, processes, IPC, host name, network (with nothing but a loopback) and
mounts; no capabilities and no way to further user namespaces; everything read-only but the worker's tree, its output,
home and temporary folders; of the machine only what `sandbox_view` shows; a /dev of harmless devices; a /proc of its
own processes. Everybody is user 1000 there: what a build finds out about its user is the same whoever runs gatekeep,
and programs that behave otherwise as root (tar) do not. When the command ends, its process 1 ends, and with it the
kernel ends whatever is left in there.

The tree is mounted writable: a read-only mount would move no access times, and blind the read sets. Its modes are those
of any checkout: files that forbid writing are still the build's own, whose mode it may change, and what it copies of
them would differ from what anybody else builds. What a build does to the tree is found afterwards (see `worktree`).
Hard links and renames between tree and output folder are refused (EXDEV), since they are mounts of their own.

bubblewrap itself gets an empty environment, and the command's by arguments: a recipe's LD_PRELOAD would otherwise run
in front of the sandbox. Those come by a descriptor, where no other user reads them and no length is too much.

Source: bwrap(1), 0.8; user_namespaces(7); pid_namespaces(7); mount_namespaces(7); network_namespaces(7).
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from pathlib import Path

from gatekeep.build.command import CancelToken, CommandResult, CommandRunner, CommandSpec, Exited, NotStarted
from gatekeep.build.confinement import Confinement
from gatekeep.build.groups import find_groups
from gatekeep.build.machine import count_memory, free_bytes
from gatekeep.build.sandbox_view import MachineView, drop_inner, is_system, list_system
from gatekeep.model.limits import Limits

#: Raise it when builds see another machine than before: what was built in the old sandbox is then built anew.
_FORMAT = 1
_NAMESPACES = ("pid", "net", "mnt", "ipc", "uts", "user")
_USER = "1000"
_SHM_BYTES = 64 * 1024**2
_MASK_BYTES = 1024**2
_PROBE_LIMIT_S = 20.0
_PROBE_LOG_LIMIT_BYTES = 65536
_INSTALL = "install bubblewrap 0.8 or later (apt-get install bubblewrap)"

#: Run inside with three arguments: the namespaces, a folder that is shown and one that is not. What it prints is
#: compared with what is so outside.
_PROBE = """
for name in $1; do echo "$name $(readlink /proc/self/ns/$name)"; done
while read name value rest; do case $name in CapEff:|NoNewPrivs:) echo "$name $value" ;; esac; done </proc/self/status
for place in "$3/file" /usr/gatekeep-probe /etc/gatekeep-probe /gatekeep-probe /proc/sys/kernel/hostname; do
    (: >>"$place") 2>/dev/null && echo "wrote $place"
done
[ -e "$3" ] && echo "saw $3"
echo tide >"$2/file"
echo end
"""


class SandboxWish(Enum):
    """What the operator wants: never build outside one, build in one where it works, or do without."""

    REQUIRE = "require"
    AUTO = "auto"
    OFF = "off"


@dataclass(frozen=True, slots=True, kw_only=True)
class SandboxChoice:
    """What the operator said: the wish, and what builds see besides the system and the programs on PATH."""

    wish: SandboxWish = SandboxWish.AUTO
    show: tuple[Path, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Sandbox:
    """
    A sandbox that was tried on this machine.

    `program` is where bubblewrap lies, `base` its arguments that are the same for every command, `private` what of the
    system is covered (`list_private`), `shown` what is seen besides the system, `hidden` what is covered even where it
    lies in something that is shown. `mark` goes into the evidence key: what was built in a sandbox never stands for
    what was built outside of one, nor the other way round, since a build that fetches from the network passes only
    there. `groups` are those of `find_groups`.
    """

    program: str
    base: tuple[str, ...]
    private: tuple[tuple[str, bool], ...]
    shown: tuple[str, ...]
    hidden: tuple[str, ...]
    mark: str
    groups: Mapping[str, str]

    def confine(
        self, runner: CommandRunner, *, writable: Sequence[Path], tmp: Path, readable: Sequence[Path] = ()
    ) -> CommandRunner:
        """
        Give a runner whose commands all run in the sandbox.

        Args:
            runner: Starts them.
            writable: Folders that they may write to; a missing one is passed over.
            tmp: One of those; it is /tmp and /var/tmp too.
            readable: Further absolute paths that they see, perhaps within what is hidden; a missing one is passed over.
        """
        places = tuple(place.absolute() for place in writable)
        return _ConfinedRunner(
            runner, lambda limits: self._cover(limits, writable=places, tmp=tmp.absolute(), readable=readable)
        )

    def _cover(self, limits: Limits, *, writable: tuple[Path, ...], tmp: Path, readable: Sequence[Path]) -> Confinement:
        """Mount what is there at this moment: folders come and go with each job."""
        arguments = [*self.base]
        for path, is_folder in self.private:
            # Packages come and go during a long run, and what is not there cannot be covered.
            if os.path.lexists(path):
                arguments += (
                    ("--size", str(_MASK_BYTES), "--tmpfs", path) if is_folder else ("--ro-bind", os.devnull, path)
                )
                arguments += ("--remount-ro", path) if is_folder else ()
        arguments += ("--bind", str(tmp), "/tmp", "--bind", str(tmp), "/var/tmp")  # noqa: S108 - mount points of the sandbox's own
        for path in self.shown:
            arguments += ("--ro-bind", path, path)
        for hidden in self.hidden:
            arguments += ("--size", str(_MASK_BYTES), "--tmpfs", hidden)
        for place in writable:
            if place.is_dir():
                arguments += ("--bind", str(place), str(place))
        for place in readable:
            if place.exists():
                arguments += ("--ro-bind", str(place), str(place))
        for hidden in (*self.hidden, "/"):
            arguments += ("--remount-ro", hidden)
        return Confinement(
            program=self.program,
            arguments=tuple(arguments),
            limits=lower_limits(limits, tmp),
            places=writable,
            groups=self.groups,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class NoSandbox:
    """Why there is no sandbox on this machine, and what to do: one sentence for people."""

    message: str


class _ConfinedRunner:
    """Starts every command confined."""

    def __init__(self, runner: CommandRunner, cover: Callable[[Limits], Confinement]) -> None:
        self._runner = runner
        self._cover = cover

    def run(self, spec: CommandSpec, cancel: CancelToken) -> CommandResult:
        """Run one command; see `CommandRunner.run`."""
        return self._runner.run(replace(spec, confinement=self._cover(spec.limits)), cancel)


def lower_limits(limits: Limits, folder: Path) -> Limits:
    """
    Lower limits to what this machine can give to one build.

    Four fifths of its memory, and half of what is free on the disk of `folder`: the rest is for whoever else works.
    """
    return replace(
        limits,
        memory_bytes=min(limits.memory_bytes, count_memory() * 4 // 5),
        disk_bytes=min(limits.disk_bytes, max(free_bytes(folder) // 2, 1)),
    )


def find_sandbox(
    *,
    runner: CommandRunner,
    environment: Mapping[str, str],
    scratch: Path,
    cancel: CancelToken,
    hide: Iterable[Path],
    view: MachineView,
) -> Sandbox | NoSandbox:
    """
    Find out, by trying, whether commands can be run in a sandbox here.

    Args:
        runner: Starts the trial.
        environment: As builds get it; `view` was made with its PATH.
        scratch: An empty folder, which exists.
        cancel: Ends the trial, which then says that there is none.
        hide: Folders that no build sees, whatever is shown around them: the repository's git folder, the store.
        view: What builds see of this machine, by `survey`.
    """
    program = shutil.which("bwrap", path=environment.get("PATH", ""))
    if program is None:
        return NoSandbox(message=f"no sandbox: bwrap is not on PATH; {_INSTALL}")
    shown = drop_inner((*view.programs, *view.extra))
    hidden = _list_within(hide, shown)
    seen = tuple(str(path) for path in shown if not is_system(path))
    groups = find_groups()
    fault = ""
    # Root may set namespaces up where user namespaces are switched off.
    for users in (True, False) if os.geteuid() == 0 else (True,):
        base = _make_base(users=users)
        facts = [_FORMAT, users, [str(path) for path in view.extra]]
        mark = hashlib.sha256(json.dumps(facts).encode()).hexdigest()
        sandbox = Sandbox(
            program=program, base=base, private=view.private, shown=seen, hidden=hidden, mark=mark, groups=groups
        )
        found = _try(sandbox, runner, environment, scratch, cancel, users=users)
        if found is None:
            return sandbox
        fault = fault or found
    return NoSandbox(
        message=f"no sandbox: {program} does not work here: {fault}; {_INSTALL}, and allow user namespaces"
    )


def _list_within(hide: Iterable[Path], shown: Sequence[Path]) -> tuple[str, ...]:
    """Give what is to be hidden and would be seen, by all its names."""
    named = {name for path in hide for name in (path.absolute(), Path(os.path.realpath(path)))}
    seen = [name for name in named if is_system(name) or any(name.is_relative_to(outer) for outer in shown)]
    return tuple(str(path) for path in drop_inner(seen) if path.is_dir())


def _make_base(*, users: bool) -> tuple[str, ...]:
    arguments = ["--unshare-pid", "--unshare-ipc", "--unshare-uts", "--unshare-net", "--unshare-cgroup-try"]
    if users:
        arguments += ("--unshare-user", "--disable-userns", "--uid", _USER, "--gid", _USER)
    arguments += ("--cap-drop", "ALL", "--die-with-parent", "--new-session", "--hostname", "build", "--clearenv")
    for path, target in list_system():
        arguments += ("--ro-bind", path, path) if target is None else ("--symlink", target, path)
    # Root's own settings of the kernel (/proc/sys) could be written by whoever has root's number outside, and root's
    # builds have that: what is inside called user 1000 is root to procfs.
    arguments += (
        "--proc",
        "/proc",
        "--remount-ro",
        "/proc",
        "--dev",
        "/dev",
        "--size",
        str(_SHM_BYTES),
        "--perms",
        "1777",
    )
    arguments += ("--tmpfs", "/dev/shm", "--remount-ro", "/dev")  # noqa: S108 - the sandbox's own
    return tuple(arguments)


def _try(
    sandbox: Sandbox,
    runner: CommandRunner,
    environment: Mapping[str, str],
    scratch: Path,
    cancel: CancelToken,
    *,
    users: bool,
) -> str | None:
    """Run the trial; give None when all holds, else what does not."""
    inside, outside = Path(tempfile.mkdtemp(dir=scratch)), Path(tempfile.mkdtemp(dir=scratch))
    log = outside / "log"
    namespaces = [name for name in _NAMESPACES if users or name != "user"]
    spec = CommandSpec(
        argv=("/bin/sh", "-c", _PROBE, "sh", " ".join(namespaces), str(inside), str(outside)),
        directory=inside,
        environment=environment,
        time_limit_s=_PROBE_LIMIT_S,
        log_path=log,
        log_limit_bytes=_PROBE_LOG_LIMIT_BYTES,
    )
    result = sandbox.confine(runner, writable=(inside,), tmp=inside).run(spec, cancel)
    if isinstance(result.end, NotStarted):
        return result.end.message
    lines = log.read_text(encoding="utf-8", errors="replace").split("\n")
    if result.end != Exited(code=0) or "end" not in lines:
        return f"the trial did not run to its end: {result.end}"
    for name in namespaces:
        own = str(Path("/proc/self/ns", name).readlink())
        if not any(line.startswith(f"{name} {name}:[") for line in lines) or f"{name} {own}" in lines:
            return f"there is no {name} namespace of its own"
    if not {"CapEff: 0000000000000000", "NoNewPrivs: 1"} <= {*lines}:
        return "a build would have privileges"
    leak = next((line for line in lines if line.startswith(("wrote ", "saw "))), None)
    if leak is not None:
        return f"what is outside is within reach ({leak})"
    if not (inside / "file").exists():
        return "what is written to a writable folder does not arrive"
    return None
