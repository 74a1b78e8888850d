"""
The probe of access times: where they tell what a build reads, and the sentence where they do not.

Real mounts of every kind that an ordinary user may make (in a namespace of its own, unshare(1)), and a fake runner that
reads in all ways but one.

Source: mount(8) for noatime, nodiratime, strictatime and noexec; chattr(1), A.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from gatekeep.build.command import CancelToken, CommandResult, CommandSpec, Exited
from gatekeep.build.readset import probe_access_times
from gatekeep.build.subprocess_runner import SubprocessRunner
from tests.fakes_command import Act, FakeRunner
from tests.lacking import do_without

ENVIRONMENT = {"PATH": os.environ["PATH"]}
WAYS = {
    "read": "reading a file",
    "mapped": "mapping a file",
    "sent": "sending a file (sendfile)",
    "copied": "copying a file within the file system (copy_file_range)",
    "cloned": "copying a file by sharing its blocks (FICLONE)",
    "run": "running a program",
    "listed": "listing a folder",
    "link": "reading a symlink",
    "followed": "following a symlink",
}


def sentence(folder: Path, fault: str) -> str:
    return (
        f"{folder}: what a build reads cannot be told here, so no result is carried: {fault}; "
        "put the store's folder on ext4 or tmpfs, mounted without noatime and nodiratime"
    )


def act(effect: Callable[[Path], None], ways: tuple[str, ...] = tuple(WAYS), code: int = 0) -> FakeRunner:
    return FakeRunner(
        lambda _spec: Act(
            output="\n".join(ways).encode(), effect=lambda spec: effect(spec.directory), end=Exited(code=code)
        )
    )


def read(place: Path, ways: tuple[str, ...]) -> None:
    for way in ways:
        os.utime(place / way, follow_symlinks=False)


def test_access_times_serve_when_every_way_moves_them(tmp_path: Path) -> None:
    runner = act(lambda place: read(place, tuple(WAYS)))
    assert probe_access_times(tmp_path, runner=runner, environment=ENVIRONMENT) is None
    assert len(runner.ran) == 2
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("unseen", WAYS)
def test_a_way_that_moves_nothing_is_named(tmp_path: Path, unseen: str) -> None:
    runner = act(lambda place: read(place, tuple(way for way in WAYS if way != unseen)))
    fault = probe_access_times(tmp_path, runner=runner, environment=ENVIRONMENT)
    assert fault == sentence(tmp_path, f"{WAYS[unseen]} does not move its access time")
    assert list(tmp_path.iterdir()) == []


def test_what_is_read_from_a_cache_the_second_time_must_be_seen_too(tmp_path: Path) -> None:
    """As on a network mount, whose server hears of the first reading only."""
    rounds: list[Path] = []

    def read_seen_once(place: Path) -> None:
        rounds.append(place)
        if len(rounds) == 1:
            read(place, tuple(WAYS))

    fault = probe_access_times(tmp_path, runner=act(read_seen_once), environment=ENVIRONMENT)
    assert fault == sentence(tmp_path, "reading a file does not move its access time")
    assert len(rounds) == 2


def test_times_that_move_by_themselves_do_not_serve(tmp_path: Path) -> None:
    runner = act(lambda place: read(place, (*WAYS, "untouched")))
    fault = probe_access_times(tmp_path, runner=runner, environment=ENVIRONMENT)
    assert fault == sentence(tmp_path, "the access time of a file moves though nobody reads it")


def test_a_way_that_the_kernel_refuses_need_not_be_seen(tmp_path: Path) -> None:
    needed = ("read", "mapped", "listed", "link", "followed")
    runner = act(lambda place: read(place, needed), ways=needed)
    assert probe_access_times(tmp_path, runner=runner, environment=ENVIRONMENT) is None


def test_a_refused_way_that_every_build_needs_is_named(tmp_path: Path) -> None:
    ways = tuple(way for way in WAYS if way != "mapped")
    fault = probe_access_times(tmp_path, runner=act(lambda place: read(place, ways), ways), environment=ENVIRONMENT)
    assert fault == sentence(tmp_path, "mapping a file is refused")


def test_a_trial_that_fails_or_cannot_start_is_no_yes(tmp_path: Path) -> None:
    failed = act(lambda place: read(place, tuple(WAYS)), code=1)
    assert probe_access_times(tmp_path, runner=failed, environment=ENVIRONMENT) == sentence(
        tmp_path, "the trial did not run to its end: Exited(code=1)"
    )
    missing = probe_access_times(tmp_path, runner=FakeRunner({}), environment=ENVIRONMENT)
    assert missing is not None
    assert missing.startswith(sentence(tmp_path, "the trial was not started: ").split("; put")[0])


def test_a_folder_that_cannot_be_made_is_no_yes(tmp_path: Path) -> None:
    place = tmp_path / "file"
    place.touch()
    fault = probe_access_times(place, runner=FakeRunner({}), environment=ENVIRONMENT)
    assert fault == sentence(place, "this cannot be tried: Not a directory")


def test_what_an_earlier_process_left_is_in_nobodys_way(tmp_path: Path) -> None:
    (tmp_path / "access-times" / "listed").mkdir(parents=True)
    runner = act(lambda place: read(place, tuple(WAYS)))
    assert probe_access_times(tmp_path, runner=runner, environment=ENVIRONMENT) is None


def test_files_that_the_kernel_keeps_no_access_times_of_do_not_serve(tmp_path: Path) -> None:
    """chattr(1): new files of a folder with the attribute A have it too. Any user may set it."""
    folder = tmp_path / "still"
    folder.mkdir()
    subprocess.run(["chattr", "+A", folder], check=True)
    with SubprocessRunner() as runner:
        fault = probe_access_times(folder, runner=runner, environment=ENVIRONMENT)
        assert fault == sentence(folder, "reading a file does not move its access time")
        assert probe_access_times(tmp_path, runner=runner, environment=ENVIRONMENT) is None


#: Runs in a namespace with a mount on /mnt; a runner without a keeper, so that only what is named here is in force.
INSIDE = """
import os, subprocess, sys
from pathlib import Path
from gatekeep.build.command import CommandResult, Exited
from gatekeep.build.readset import probe_access_times
from gatekeep.build.refused_calls import refuse_calls

class Runner:
    def run(self, spec, cancel):
        with spec.log_path.open("wb") as log:
            done = subprocess.run(spec.argv, cwd=spec.directory, env=spec.environment, stdout=log, stderr=log)
        return CommandResult(end=Exited(code=done.returncode))

if sys.argv[1] == "refuse":
    assert refuse_calls()
print(probe_access_times(Path("/mnt/place"), runner=Runner(), environment={"PATH": os.environ["PATH"]}), end="")
"""
TMPFS = "mount -t tmpfs -o {} mounted /mnt"
OVERLAY = """
mount -t tmpfs mounted /mnt && cd /mnt && mkdir lower upper work &&
mount -t overlay -o userxattr,lowerdir=lower,upperdir=upper,workdir=work mounted /mnt
"""
COPIED = "copying a file within the file system (copy_file_range) does not move its access time"


def can_mount() -> bool:
    done = subprocess.run(
        ["unshare", "--map-root-user", "--mount", "mount", "-t", "tmpfs", "mounted", "/mnt"], check=False
    )
    return done.returncode == 0


@pytest.mark.parametrize(
    ("mount", "filtered", "fault"),
    [
        pytest.param(TMPFS.format("relatime"), False, None, id="relatime"),
        pytest.param(TMPFS.format("strictatime"), False, None, id="strictatime"),
        pytest.param(TMPFS.format("noexec"), False, None, id="noexec"),
        pytest.param(TMPFS.format("noatime"), False, "reading a file does not move its access time", id="noatime"),
        pytest.param(
            TMPFS.format("nodiratime"), False, "listing a folder does not move its access time", id="nodiratime"
        ),
        pytest.param(TMPFS.format("ro"), False, "this cannot be tried: Read-only file system", id="read-only"),
        pytest.param(OVERLAY, False, COPIED, id="overlay"),
        pytest.param(OVERLAY, True, None, id="overlay-and-no-hidden-copies"),
    ],
)
def test_probe_tells_mounts_apart(mount: str, filtered: bool, fault: str | None) -> None:
    if not can_mount():
        do_without("this machine lets no user mount anything, so the probe cannot be tried")
    script = f'{mount}\ncd / && exec "$0" -c "$1" {"refuse" if filtered else "plain"}'
    done = subprocess.run(
        ["unshare", "--map-root-user", "--mount", "sh", "-c", script, sys.executable, INSIDE],
        env={**ENVIRONMENT, "PYTHONPATH": str(Path(__file__).parents[2])},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stderr == ""
    assert done.stdout == ("None" if fault is None else sentence(Path("/mnt/place"), fault))


@pytest.mark.parametrize(("mount", "keeps"), [("tmpfs", True), ("mqueue", False)])
def test_times_that_are_kept_by_the_second_are_found(mount: str, keeps: bool) -> None:
    """A change within a second leaves no trace there; message queues are the one such file system that anybody has."""
    if not can_mount():
        do_without("this machine lets no user mount anything, so times by the second cannot be tried")
    script = (
        f"mount -t {mount} mounted /mnt && touch /mnt/dated && exec {sys.executable} -c "
        "'from gatekeep.build.tree_files import keeps_nanoseconds; print(keeps_nanoseconds(b\"/mnt/dated\"))'"
    )
    done = subprocess.run(
        ["unshare", "--map-root-user", "--mount", "--ipc", "sh", "-c", script],
        env={**ENVIRONMENT, "PYTHONPATH": str(Path(__file__).parents[2])},
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.stdout, done.stderr) == (f"{keeps}\n", "")


def test_the_runner_of_builds_is_what_reads(tmp_path: Path) -> None:
    """A sandbox may mount the tree anew, with options of its own; only what it starts can find out."""
    started: list[CommandSpec] = []

    class Watched(SubprocessRunner):
        def run(self, spec: CommandSpec, cancel: CancelToken) -> CommandResult:
            started.append(spec)
            return super().run(spec, cancel)

    with Watched() as runner:
        assert probe_access_times(tmp_path, runner=runner, environment=ENVIRONMENT) is None
    assert [spec.environment for spec in started] == [ENVIRONMENT, ENVIRONMENT]
