"""Landing on real branches, with somebody else at work on them."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.integration.test_gate import Kelp
from tests.integration.test_gate import kelp as kelp

IDENTITY = {
    "GIT_AUTHOR_NAME": "Oda Brekke",
    "GIT_AUTHOR_EMAIL": "oda@kelp.example",
    "GIT_COMMITTER_NAME": "Oda Brekke",
    "GIT_COMMITTER_EMAIL": "oda@kelp.example",
}
COMMENT = "/* %s */\n"


def land_command(*arguments: str) -> list[str]:
    return [sys.executable, "-m", "gatekeep", "land", *arguments]


def land(kelp: Kelp, *arguments: str, **environment: str) -> tuple[int, str, str]:
    """Give exit code, report and what was said besides."""
    done = subprocess.run(
        land_command(*arguments),
        cwd=kelp.folder,
        env=kelp.environment(**(environment or IDENTITY)),
        capture_output=True,
        text=True,
        timeout=120,
    )
    return done.returncode, done.stdout, done.stderr


@pytest.fixture
def topic(kelp: Kelp) -> Kelp:
    """A commit on `topic`, one on `main` beside it; neither is checked out."""
    kelp.git("branch", "topic")
    kelp.append("lib/crc.c", COMMENT % "CRC-16")
    kelp.commit("Name the checksum")
    kelp.git("checkout", "-q", "topic")
    kelp.append("lib/ring.c", COMMENT % "ring")
    kelp.commit("Name the ring")
    kelp.git("checkout", "-q", "--detach")
    return kelp


def move_main(kelp: Kelp) -> str:
    """Move main by one commit that leaves the tree, as another process."""
    tip = kelp.git("rev-parse", "main")
    made = kelp.git("commit-tree", "-p", tip, "-m", "Meanwhile", f"{tip}^{{tree}}")
    kelp.git("update-ref", "refs/heads/main", made, tip)
    return made


def test_head_that_descends_from_the_branch_lands_itself(kelp: Kelp) -> None:
    kelp.git("checkout", "-q", "-b", "topic")
    kelp.append("lib/crc.c", COMMENT % "CRC-16")
    head = kelp.commit("Name the checksum")
    code, report, said = land(kelp, "main", "topic", HOME=str(kelp.home))
    assert (code, report.splitlines()[-1]) == (0, "verdict: pass"), said
    assert kelp.git("rev-parse", "main") == head
    assert said.endswith(f"gatekeep: landed: main is at {head[:10]}\n")
    assert kelp.git("reflog", "-1", "--format=%gs", "main") == f"gatekeep land: {kelp.base[:10]}..{head[:10]} passed"
    again = land(kelp, "main", "topic")
    assert (again[0], again[2].splitlines()[-1]) == (0, "gatekeep: nothing to land: main contains the change already")


def test_what_was_judged_lands_as_a_merge_signed_by_whom_git_names(topic: Kelp) -> None:
    tip, head = topic.git("rev-parse", "main"), topic.git("rev-parse", "topic")
    _, _, said = land(topic, "main", "topic", "--dry-run")
    assert "not landed, as --dry-run asks: main would be at " in said
    assert topic.git("rev-parse", "main") == tip
    out = topic.folder.parent / "report.json"
    code, _, said = land(topic, "main", "topic", "--json", str(out), "--message", "Merge the ring's name")
    assert code == 0, said
    landed = topic.git("rev-parse", "main")
    assert topic.git("log", "-1", "--format=%P|%an|%ae|%cn|%s", "main") == (
        f"{tip} {head}|Oda Brekke|oda@kelp.example|Oda Brekke|Merge the ring's name"
    )
    # The commit of the report is the one that landed, and its tree is what git makes of a merge.
    assert f'"id": "{landed}"' in out.read_text()
    topic.git("checkout", "-q", tip)
    topic.git("merge", "-q", "--no-edit", head)
    assert topic.git("rev-parse", "HEAD^{tree}") == topic.git("rev-parse", "main^{tree}")
    assert said.endswith(f"landed: main is at {landed[:10]}, which merges {head[:10]} onto {tip[:10]}\n")
    assert topic.git("fsck", "--strict") == ""


def test_user_that_git_does_not_know_is_asked_who_they_are(topic: Kelp) -> None:
    topic.git("config", "user.useConfigOnly", "true")
    code, _, said = land(topic, "main", "topic", HOME=str(topic.home))
    assert (code, "git does not know who makes the merge" in said) == (2, True)
    topic.git("config", "user.name", "Ole Brekke")
    topic.git("config", "user.email", "ole@kelp.example")
    assert land(topic, "main", "topic", HOME=str(topic.home))[0] == 0
    assert topic.git("log", "-1", "--format=%an", "main") == "Ole Brekke"


def test_blocked_and_undecided_changes_do_not_land(topic: Kelp) -> None:
    tip = topic.git("rev-parse", "main")
    topic.append("lib/ring.c", "syntax error\n")
    topic.commit("Break it")
    code, report, said = land(topic, "main", "HEAD")
    assert (code, report.splitlines()[-1]) == (1, "verdict: block, 1 reason")
    assert said.endswith(f"not landed: main stays at {tip[:10]}\n")
    # Only the base's matrix judges, and it asks for what is not here.
    topic.git("checkout", "-q", "main")
    topic.edit("matrix.yml", lambda old: old.replace("probe: [riscv64-unknown-elf-gcc,", "probe: [no-such-compiler,"))
    tip = topic.commit("Ask for another compiler")
    topic.git("checkout", "-q", "--detach", "topic")
    code, report, said = land(topic, "main", "topic")
    assert (code, report.splitlines()[-1]) == (3, "verdict: undecided, 2 reasons"), report
    assert topic.git("rev-parse", "main") == tip


def test_branch_that_is_checked_out_is_not_moved(topic: Kelp) -> None:
    place = topic.folder.parent / "place"
    topic.git("worktree", "add", "-q", str(place), "main")
    tip = topic.git("rev-parse", "main")
    code, _, said = land(topic, "main", "topic")
    assert (code, topic.git("rev-parse", "main")) == (2, tip)
    assert f"main is checked out in {place}, which would be out of step" in said
    # A symbolic name does not lead around it.
    topic.git("symbolic-ref", "refs/heads/alias", "refs/heads/main")
    assert land(topic, "alias", "topic")[0] == 2
    topic.git("worktree", "remove", str(place))
    code, _, said = land(topic, "alias", "topic")
    assert code == 0, said
    assert topic.git("symbolic-ref", "refs/heads/alias") == "refs/heads/main"


def test_names_that_look_like_options_are_names(topic: Kelp) -> None:
    name = "refs/heads/--upload-pack=touch${IFS}sprung"
    topic.git("update-ref", name, "main")
    code, _, said = land(topic, "--", name.removeprefix("refs/heads/"), "topic")
    assert code == 0, said
    assert topic.git("rev-parse", f"{name}^2") == topic.git("rev-parse", "topic")
    assert not list(topic.folder.rglob("sprung"))
    assert land(topic, "no-such-branch", "topic")[0] == 3
    assert land(topic, "main", "-x")[0] == 2


@contextmanager
def running(kelp: Kelp, *arguments: str) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        land_command(*arguments),
        cwd=kelp.folder,
        env=kelp.environment(**IDENTITY),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield process
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGKILL)
        process.communicate()


def test_branch_that_moves_while_the_change_is_judged_is_judged_anew(topic: Kelp) -> None:
    """A build waits until another process has moved the branch; the move that was prepared must not happen."""
    flag = topic.folder.parent / "flag"
    topic.edit("Makefile", lambda old: old.replace("all:\n", f"all:\n\twhile [ ! -e {flag} ]; do sleep 0.05; done\n"))
    topic.commit("Wait for a flag")
    head = topic.git("rev-parse", "HEAD")
    with running(topic, "main", head, "--sandbox", "off") as process:
        assert process.stderr is not None
        for line in process.stderr:
            if " to build or carry" in line:
                break
        moved = move_main(topic)
        flag.touch()
        report, said = process.communicate(timeout=120)
    assert process.returncode == 0, said
    assert "main was moved while the change was judged; judging what would land now, 4 more after this" in said
    assert topic.git("rev-parse", "main^1") == moved
    assert topic.git("rev-parse", "main^2") == head
    # The new base has the tree of the old one: nothing was built for it.
    assert "0 built now, 0 carried" in report


def test_branch_that_never_rests_ends_undecided_after_so_many_attempts(topic: Kelp) -> None:
    assert land(topic, "main", "topic", "--dry-run")[0] == 0
    tip = topic.git("rev-parse", "main")
    enough = threading.Event()

    def keep_moving() -> None:
        while not enough.is_set():
            move_main(topic)

    mover = threading.Thread(target=keep_moving)
    mover.start()
    try:
        code, _, said = land(topic, "main", "topic", "--attempts", "2")
    finally:
        enough.set()
        mover.join()
    assert code == 3, said
    assert "main was moved each of the 2 times that the change was judged, and nothing was landed" in said
    assert said.splitlines()[-1] == "verdict: undecided; this is never a pass"
    # Nothing but what the other did: each commit follows on the one before.
    subjects = topic.git("log", "--first-parent", "--format=%s", f"{tip}..main").splitlines()
    assert set(subjects) == {"Meanwhile"}


def test_two_landings_at_once_both_land_one_on_the_other(topic: Kelp) -> None:
    topic.git("checkout", "-q", "-b", "other", "main~1")
    topic.append("app/main.c", COMMENT % "main")
    topic.commit("Name the program")
    topic.git("checkout", "-q", "--detach")
    with running(topic, "main", "topic") as one, running(topic, "main", "other") as two:
        ended = [process.communicate(timeout=120) for process in (one, two)]
    assert [one.returncode, two.returncode] == [0, 0], ended
    for branch in ("topic", "other"):
        topic.git("merge-base", "--is-ancestor", branch, "main")
    files = topic.git("diff", "--name-only", "topic~1", "main").splitlines()
    assert files == ["app/main.c", "lib/crc.c", "lib/ring.c"]


def test_bare_repository_needs_no_work_tree(topic: Kelp) -> None:
    bare = topic.folder.parent / "bare.git"
    topic.git("clone", "-q", "--bare", str(topic.folder), str(bare))
    code, _, said = land(topic, "main", "topic", "--repository", str(bare))
    assert code == 0, said
    assert Path(bare, "gatekeep", "evidence.db").exists()
