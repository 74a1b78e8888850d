"""
Pushes to a real bare repository that has ci/pre-receive as its hook: real git on both sides.

Source: githooks(5), "pre-receive"; git-push(1); git-receive-pack(1), "Quarantine Environment".
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from tests.guarded import Guarded
from tests.integration.test_gate import Kelp, list_processes
from tests.integration.test_gate import kelp as kelp
from tests.repos import GitFolder, clean_environment, clone_repository

HOOK = Path(__file__).parents[2] / "ci" / "pre-receive"
COMMENT = "/* %s */\n"


class Server:
    """A bare repository with the hook, and somebody's clone (a `Kelp`) that pushes to it."""

    def __init__(self, kelp: Kelp, *, url: str = "{}") -> None:
        self.kelp = kelp
        self.path = kelp.folder.parent / "server.git"
        kelp.git("clone", "-q", "--bare", "--no-local", str(kelp.folder), str(self.path))
        shutil.copy(HOOK, self.path / "hooks" / "pre-receive")
        self.config("gatekeep.program", str(Path(sys.executable).parent / "gatekeep"))
        kelp.git("remote", "add", "origin", url.format(self.path))

    def config(self, name: str, value: str) -> None:
        self.git("config", "--add", name, value)

    def git(self, *arguments: str) -> str:
        return subprocess.run(
            ["git", f"--git-dir={self.path}", *arguments], check=True, capture_output=True, text=True
        ).stdout.strip()

    def refs(self) -> dict[str, str]:
        lines = self.git("for-each-ref", "--format=%(refname) %(objectname)").split("\n")
        return dict(line.split(" ") for line in lines)

    def command(self, *refspecs: str, options: Sequence[str] = ()) -> list[str]:
        return ["git", "push", *options, "origin", *refspecs]

    def push(self, *refspecs: str, options: Sequence[str] = (), **environment: str) -> tuple[bool, str]:
        """Give whether everything was taken, and what the pusher saw of the server, without git's `remote: `."""
        done = subprocess.run(
            self.command(*refspecs, options=options),
            cwd=self.kelp.folder,
            env=self.kelp.environment(**environment),
            capture_output=True,
            timeout=120,
        )
        raw = done.stderr.decode("utf-8", "surrogateescape")
        lines = [line.removeprefix("remote: ").rstrip() for line in raw.split("\n") if line.startswith("remote:")]
        return done.returncode == 0, "\n".join(lines)

    def has(self, object_id: str) -> bool:
        command = ["git", f"--git-dir={self.path}", "cat-file", "-e", object_id]
        return subprocess.run(command, capture_output=True).returncode == 0


@pytest.fixture
def server(kelp: Kelp) -> Server:
    return Server(kelp)


def unwrap(text: str) -> str:
    return " ".join(text.split())


def edit(kelp: Kelp, text: str = COMMENT % "CRC-16", path: str = "lib/crc.c") -> str:
    kelp.append(path, text)
    return kelp.commit("Touch it")


@pytest.mark.parametrize("url", ["{}", "file://{}"])
def test_a_push_that_passes_is_taken_and_says_why(kelp: Kelp, url: str) -> None:
    server = Server(kelp, url=url)
    head = edit(kelp)
    taken, text = server.push("main")
    assert taken, text
    assert server.refs() == {"refs/heads/main": head}
    lines = text.splitlines()
    assert "gatekeep: judging main" in lines
    assert "verdict: pass" in lines
    assert "4 to build or carry, 0 known before" in lines
    assert max(map(len, lines)) <= 72
    assert "\x1b" not in text
    # The store is in the repository, and not in the quarantine.
    assert (server.path / "gatekeep" / "evidence.db").exists()
    assert server.push("main")[0]


def test_a_push_that_is_blocked_leaves_nothing_on_the_server(server: Server) -> None:
    before = server.refs()
    head = edit(server.kelp, "syntax error\n")
    taken, text = server.push("main")
    assert not taken
    assert server.refs() == before
    assert not server.has(head)
    assert [path.name for path in (server.path / "objects").iterdir() if path.name.startswith("tmp_objdir")] == []
    lines = text.splitlines()
    assert lines[-2:] == [
        "gatekeep: refused: nothing of this push is taken",
        "gatekeep: the push is refused (exit code 1)",
    ]
    assert "verdict: block, 1 reason" in lines
    assert any(line.startswith("both targets: ") for line in lines), text
    # The next push does not stumble over evidence of a tree that was never taken.
    server.kelp.git("reset", "-q", "--hard", "HEAD~1")
    edit(server.kelp)
    assert server.push("main")[0]


def test_a_push_that_cannot_be_decided_is_refused(server: Server) -> None:
    kelp = server.kelp
    kelp.edit("matrix.yml", lambda old: old.replace("probe: [riscv64-unknown-elf-gcc,", "probe: [no-such-compiler,"))
    kelp.commit("Ask for another compiler")
    server.git("fetch", "-q", str(kelp.folder), "main:main")
    before = server.refs()
    edit(kelp)
    taken, text = server.push("main")
    assert (taken, server.refs()) == (False, before)
    assert "verdict: undecided" in text
    assert "undecided, which is never a pass: nothing of this push is taken" in unwrap(text)


def test_protected_branches_are_not_deleted_or_forced_and_nothing_is_built_to_say_so(server: Server) -> None:
    kelp = server.kelp
    server.git("branch", "other", "main")
    server.git("branch", "free", "main")
    server.config("gatekeep.protected", "main")
    server.config("gatekeep.protected", "other")
    server.git("config", "receive.denyDeleteCurrent", "ignore")
    before = server.refs()
    for branch in ("main", "other"):
        taken, text = server.push(f":refs/heads/{branch}")
        assert (taken, f"gatekeep: {branch} is protected: it cannot be deleted" in text) == (False, True)
    kelp.git("commit", "-q", "--amend", "-m", "Another history")
    head = kelp.git("rev-parse", "HEAD")
    taken, text = server.push("main", "+HEAD:free", options=["--force"])
    assert not taken
    base = before["refs/heads/main"]
    said = f"gatekeep: main is protected: it cannot be forced from {base[:10]} to {head[:10]};"
    assert said in unwrap(text)
    assert server.refs() == before
    assert not (server.path / "gatekeep").exists()


def test_unprotected_branches_and_tags_pass_at_once_whatever_they_hold(server: Server) -> None:
    kelp = server.kelp
    head = edit(kelp, "syntax error\n")
    kelp.git("tag", "-a", "-m", "tagged", "v1")
    assert server.push("HEAD:refs/heads/topic/x", "v1", "HEAD:refs/notes/mine") == (True, "")
    assert server.refs()["refs/heads/topic/x"] == head
    kelp.git("commit", "-q", "--amend", "-m", "Another")
    assert server.push("+HEAD:refs/heads/topic/x", ":refs/tags/v1") == (True, "")
    assert not (server.path / "gatekeep").exists()


def test_every_protected_branch_of_a_push_is_judged_and_one_that_fails_refuses_all(server: Server) -> None:
    kelp = server.kelp
    server.git("branch", "release/1.4", "main")
    server.config("gatekeep.protected", "main")
    server.config("gatekeep.protected", "release/*")
    before = server.refs()
    good = edit(kelp)
    bad = edit(kelp, "syntax error\n")
    taken, text = server.push(f"{good}:main", f"{bad}:release/1.4", f"{good}:refs/heads/free")
    assert (taken, server.refs()) == (False, before)
    assert [line for line in text.splitlines() if line.startswith(("gatekeep: judging", "verdict"))] == [
        "gatekeep: judging main",
        "verdict: pass",
        "gatekeep: judging release/1.4",
        "verdict: block, 1 reason",
    ]
    taken, text = server.push(f"{good}:main", f"{good}:release/1.4")
    assert taken, text
    assert server.refs() == dict.fromkeys(before, good)


def test_a_new_protected_branch_is_judged_from_where_it_leaves_the_others(server: Server) -> None:
    kelp = server.kelp
    server.config("gatekeep.protected", "main")
    server.config("gatekeep.protected", "release/*")
    taken, text = server.push("main:refs/heads/release/1")
    assert (taken, text) == (True, "gatekeep: release/1: a protected branch contains it already")
    bad = edit(kelp, "syntax error\n")
    taken, text = server.push("HEAD:refs/heads/release/2")
    assert (taken, "verdict: block, 1 reason" in text) == (False, True)
    kelp.git("reset", "-q", "--hard", "HEAD~1")
    good = edit(kelp)
    taken, text = server.push("HEAD:refs/heads/release/2")
    assert taken, text
    assert "verdict: pass" in text
    kelp.git("checkout", "-q", "--orphan", "stranger")
    kelp.commit("A history of its own")
    taken, text = server.push("HEAD:refs/heads/release/3")
    assert (taken, "has no commit in common with a protected branch" in unwrap(text)) == (False, True)
    assert server.refs()["refs/heads/release/2"] == good
    assert "refs/heads/release/3" not in server.refs()
    assert not server.has(bad)


@pytest.mark.parametrize("with_document", [False, True])
def test_a_merge_does_not_bring_back_a_tree_that_the_branch_has_left_behind(
    server: Server, *, with_document: bool
) -> None:
    """The branch mended a source since; the merge has both histories, and the old tree."""
    kelp = server.kelp
    broken = edit(kelp, "syntax error\n")
    kelp.git("revert", "--no-edit", broken)
    mended = kelp.git("rev-parse", "HEAD")
    # As whoever runs the server brings it, past the hook.
    server.git("fetch", "-q", str(kelp.folder), "main:main")
    kelp.git("checkout", "-q", "--detach", broken)
    if with_document:
        (kelp.folder / "NOTES").write_text("harmless\n")
        side = kelp.commit("Say something")
    else:
        side = kelp.git("commit-tree", "-p", broken, "-m", "Say nothing", f"{broken}^{{tree}}")
    merge = kelp.git("commit-tree", "-p", mended, "-p", side, "-m", "Merge", f"{side}^{{tree}}")
    before = server.refs()
    taken, text = server.push(f"{merge}:refs/heads/main")
    assert (taken, server.refs()) == (False, before), text
    assert "verdict: block, 1 reason" in text.splitlines()
    assert f"since commit {merge[:10]}" in unwrap(text)


def test_a_symbolic_name_does_not_lead_around_the_gate(server: Server) -> None:
    server.git("symbolic-ref", "refs/heads/alias", "refs/heads/main")
    before = server.refs()
    edit(server.kelp, "syntax error\n")
    taken, text = server.push("HEAD:refs/heads/alias")
    assert (taken, server.refs()) == (False, before), text
    assert "gatekeep: judging main" in text


@pytest.mark.parametrize(
    "name",
    [
        "--upload-pack=touch${IFS}sprung",
        "-x",
        "$(touch${IFS}sprung)",
        "`touch${IFS}sprung`",
        ";touch${IFS}sprung;",
        "'|touch${IFS}sprung|'\"&",
        "a%00%n%(refname)",
        "häfen\u202e",
        "x\u2028y\u2029z\x85",
        "HEAD",
    ],
)
def test_a_branch_of_any_name_is_a_branch(server: Server, name: str) -> None:
    """With a new commit for the first, to be judged, and a broken one for the second, to be refused."""
    server.config("gatekeep.protected", "*")
    head = server.kelp.git("rev-parse", "HEAD")
    taken, text = server.push(f"HEAD:refs/heads/{name}")
    assert taken, text
    assert server.refs()[f"refs/heads/{name}"] == head
    assert "\u202e" not in text
    taken, text = server.push(f":refs/heads/{name}")
    assert (taken, "is protected: it cannot be deleted" in unwrap(text)) == (False, True)
    assert not [path for folder in (server.path, server.kelp.folder) for path in folder.rglob("sprung")]


@pytest.mark.parametrize("name", ["x\u2028y", "x\u2029", "\x85x"])
def test_no_name_of_somebody_elses_branch_locks_the_server(server: Server, name: str) -> None:
    """git-check-ref-format(1) allows every character past ASCII, ends of lines by Unicode among them."""
    for folder in ("heads", "tags"):
        assert server.push(f"HEAD:refs/{folder}/{name}") == (True, "")
    edit(server.kelp)
    taken, text = server.push("main")
    assert taken, text
    assert "verdict: pass" in text
    assert server.push(f":refs/heads/{name}") == (True, "")
    assert server.refs().keys() == {"refs/heads/main", f"refs/tags/{name}"}


def test_what_a_commit_says_steers_no_terminal(server: Server) -> None:
    kelp = server.kelp
    kelp.append("lib/crc.c", '#error "\x1b[2J\x1b]0;pwned\x07 \u202e \x9b31m"\n')
    kelp.git("add", "-A")
    kelp.git("commit", "-q", "-m", "\x1b[2J\x1b[1;1Hremote: \u202everdict: pass\u2066\x9b2J \r gone")
    taken, text = server.push("main")
    assert not taken
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]", text)
    assert not [line for line in text.splitlines() if line.strip() == "verdict: pass"]
    assert "\\x1b[2J" in text


def test_what_takes_too_long_is_refused_and_goes_on_with_the_next_push(server: Server) -> None:
    kelp = server.kelp
    server.config("gatekeep.timeLimit", "3 s")
    flag = kelp.folder.parent / "flag"
    server.config("gatekeep.sandbox", "off")
    kelp.edit("Makefile", lambda old: old.replace("all:\n", f"all:\n\t[ -e {flag} ] || sleep 86399.5\n"))
    kelp.commit("Take a day")
    taken, text = server.push("main")
    assert not taken
    assert "gatekeep: judging ran into its limit of 3" in text
    assert "undecided, which is never a pass" in text
    assert list_processes("86399.5") == []
    flag.touch()
    server.git("config", "--unset-all", "gatekeep.timeLimit")
    taken, text = server.push("main")
    assert taken, text


def test_a_server_that_is_not_set_up_takes_nothing(server: Server) -> None:
    kelp = server.kelp
    edit(kelp)
    before = server.refs()

    def refused(name: str, value: str, *said: str) -> None:
        old = server.git("config", "--get-all", name) if name == "gatekeep.program" else ""
        server.git("config", "--replace-all", name, value)
        taken, text = server.push("main")
        assert (taken, server.refs()) == (False, before)
        assert all(words in unwrap(text) for words in said), text
        server.git("config", "--unset-all", name)
        if old:
            server.config(name, old)

    refused("gatekeep.program", "/nowhere/gatekeep", "'/nowhere/gatekeep' is not on this server")
    dying = kelp.folder.parent / "dying"
    dying.write_text("#!/bin/sh\nkill -SEGV $$\n")
    dying.chmod(0o755)
    refused("gatekeep.program", str(dying), "the push is refused (exit code 139)")
    refused("gatekeep.protectd", "main", "gatekeep.protectd is no setting; the nearest is gatekeep.protected")
    refused("gatekeep.protected", "refs/tags/*", "gatekeep.protected names branches, got 'refs/tags/*'")
    (server.path / "HEAD").write_text(before["refs/heads/main"] + "\n")
    refused("gatekeep.workers", "1", "no branch is protected, since HEAD names none")
    (server.path / "HEAD").write_text("ref: refs/heads/main\n")
    refused("gatekeep.timeLimit", "30", "gatekeep.timeLimit: a time needs a number above zero with its unit")
    refused("gatekeep.sandbox", "maybe", "gatekeep.sandbox is one of require, auto, off")
    refused("gatekeep.workers", "many", "gatekeep.workers needs a number from 1 to 512")
    refused("gatekeep.matrix", "nowhere.yml", "nowhere.yml", "undecided, which is never a pass")
    refused("gatekeep.store", "/proc/nowhere", "the store's folder cannot be made")
    assert server.push("main")[0]


def test_without_a_sandbox_nothing_is_built_and_nothing_taken(server: Server, tmp_path: Path) -> None:
    """The server's PATH has everything but bubblewrap."""
    programs = tmp_path / "bin"
    programs.mkdir()
    for folder in os.environ["PATH"].split(":")[::-1]:
        for program in Path(folder).iterdir() if Path(folder).is_dir() else ():
            if program.name != "bwrap":
                (programs / program.name).unlink(missing_ok=True)
                (programs / program.name).symlink_to(program)
    before = server.refs()
    edit(server.kelp)
    taken, text = server.push("main", PATH=str(programs))
    assert (taken, server.refs()) == (False, before)
    assert "--sandbox off builds without one" in unwrap(text)
    server.config("gatekeep.sandbox", "off")
    taken, text = server.push("main", PATH=str(programs))
    assert taken, text


def test_what_a_pusher_says_besides_changes_nothing(server: Server) -> None:
    server.git("config", "receive.advertisePushOptions", "true")
    before = server.refs()
    edit(server.kelp, "syntax error\n")
    options = ["-o", "gatekeep.protected=none", "-o", "skip", "--no-verify"]
    pushed = server.push(
        "main",
        options=options,
        GIT_CONFIG_COUNT="1",
        GIT_CONFIG_KEY_0="gatekeep.protected",
        GIT_CONFIG_VALUE_0="none",
        GIT_CONFIG_PARAMETERS="'gatekeep.protected'='none'",
    )
    assert (pushed[0], server.refs()) == (False, before), pushed[1]
    assert "verdict: block, 1 reason" in pushed[1]


def test_an_approval_counts_in_the_push_that_brings_it_and_only_a_true_one(tmp_path: Path) -> None:
    tree = Guarded(tmp_path)
    head = tree.propose(tree.edit(("capacity: 256 B", "capacity: 1 KiB")))
    path = tmp_path / "server.git"
    clone_repository(tree.repository, path, "--bare", "--single-branch", "--branch=main")
    (path / "hooks").mkdir()
    shutil.copy(HOOK, path / "hooks" / "pre-receive")
    program = str(Path(sys.executable).parent / "gatekeep")
    GitFolder(path).git("config", "gatekeep.program", program)

    def push(*refspecs: str) -> tuple[int, str]:
        done = subprocess.run(
            ["git", "push", f"file://{path}", *refspecs],
            cwd=tree.repository.path,
            capture_output=True,
            text=True,
            env=clean_environment(),
        )
        return done.returncode, done.stderr

    code, text = push(f"{head}:refs/heads/main")
    assert (code, "can be approved by oda" in text) == (1, True), text
    assert tree.approve(head) == 0
    (signed,) = tree.list_approvals()
    # The text of the approval, under a signature of the same key that is damaged.
    text_of, armour, rest = tree.repository.git("cat-file", "blob", signed).partition(b"-----BEGIN SSH")
    forged = f"{signed.rpartition('/')[0]}/forged"
    lines = rest.split(b"\n")
    lines[3] = lines[3][::-1]
    tree.repository.git("update-ref", forged, tree.repository.write_blob(text_of + armour + b"\n".join(lines)))
    code, text = push(f"{head}:refs/heads/main", forged)
    assert (code, "the signature" in unwrap(text.replace("remote: ", ""))) == (1, True), text
    assert GitFolder(path).ask("for-each-ref", "refs/gatekeep") == ""
    code, text = push(f"{head}:refs/heads/main", signed)
    assert code == 0, text
    assert "approved by oda" in text
    assert GitFolder(path).ask("rev-parse", "main") == head


@pytest.mark.parametrize("same", [False, True])
def test_two_pushes_at_once(server: Server, same: bool) -> None:
    """To two branches both are taken; to one branch, git's own lock lets the first one in."""
    kelp = server.kelp
    server.git("branch", "release", "main")
    server.config("gatekeep.protected", "*")
    one = edit(kelp)
    kelp.git("checkout", "-q", "--detach", "HEAD~1")
    two = edit(kelp, path="lib/ring.c")
    refspecs = [f"{one}:main", f"{two}:{'main' if same else 'release'}"]
    running = [
        subprocess.Popen(
            server.command(refspec),
            cwd=kelp.folder,
            env=kelp.environment(),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        )
        for refspec in refspecs
    ]
    said = [process.communicate(timeout=120)[1] for process in running]
    codes = [process.returncode for process in running]
    if same:
        assert sorted(codes) == [0, 1], said
        assert server.refs()["refs/heads/main"] == (one if codes[0] == 0 else two)
    else:
        assert codes == [0, 0], said
        assert server.refs() == {"refs/heads/main": one, "refs/heads/release": two}


def test_the_command_without_git_says_that_git_runs_it(server: Server) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "gatekeep", "receive"],
        input="hello\n",
        cwd=server.path,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 2
    assert "this command is run by git, as a pre-receive hook" in " ".join(done.stdout.split())
