"""
What a repository can hold to make whoever judges it run something, write somewhere, or look away.

The repository is ours and so is its configuration, but whoever shares a checkout may have written there; so all of it
is set as a trap, after the tests' own git is done. A trap that springs leaves a file. Objects that git would not write
are made by hash-object --literally.

Source: gitattributes(5); githooks(5); git-config(1); gitmodules(5); git-fsck(1), "hasDotgit".
"""

from __future__ import annotations

import os
import random
import shutil
import subprocess
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

from gatekeep.cli.main import run
from gatekeep.errors import RepositoryError
from gatekeep.tree.listing import parse_folder
from gatekeep.tree.repository import open_repository
from tests.guarded import MAIN, Guarded, rules_of
from tests.repos import Content, Link, Submodule, clean_environment, make_repository

HARMLESS: dict[str | bytes, Content] = {"src/main.c": MAIN.encode() + b"/* */\n"}
HOOKS = (
    "applypatch-msg",
    "fsmonitor-watchman",
    "post-checkout",
    "post-commit",
    "post-index-change",
    "post-merge",
    "post-rewrite",
    "pre-auto-gc",
    "pre-commit",
    "pre-merge-commit",
    "reference-transaction",
    "sendemail-validate",
)


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Guarded:
    return Guarded(tmp_path_factory.mktemp("tricks"))


@pytest.fixture
def tree(shared: Guarded) -> Iterator[Guarded]:
    """The tree, whose traps are looked after at the end."""
    config = shared.repository.path / ".git" / "config"
    before = config.read_text()
    yield shared
    config.write_text(before)
    shutil.rmtree(shared.repository.path / ".git" / "hooks", ignore_errors=True)
    sprung = list(shared.folder.rglob("sprung"))
    for path in sprung:
        path.unlink()
    assert sprung == []


def make_trap(folder: Path) -> str:
    trap = folder / "trap"
    trap.write_text(f"#!/bin/sh\ntouch {folder}/sprung\ncat\n")
    trap.chmod(0o755)
    return str(trap)


def set_traps(tree: Guarded) -> None:
    """Point every setting that names a program at the trap, and every hook."""
    trap, git = make_trap(tree.folder), tree.repository.git
    for hook in HOOKS:
        path = tree.repository.path / ".git" / "hooks" / hook
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(Path(trap).read_bytes())
        path.chmod(0o755)
    for key in (
        "core.askPass",
        "core.editor",
        "core.fsmonitor",
        "core.gitProxy",
        "core.pager",
        "core.sshCommand",
        "credential.helper",
        "diff.external",
        "diff.trap.command",
        "diff.trap.textconv",
        "filter.trap.clean",
        "filter.trap.process",
        "filter.trap.smudge",
        "gpg.program",
        "gpg.ssh.program",
        "merge.trap.driver",
        "pager.diff",
        "sequence.editor",
        "uploadpack.packObjectsHook",
    ):
        git("config", key, trap)
    for command in ("cat-file", "commit-tree", "diff", "merge-base", "merge-tree", "rev-list", "rev-parse", "version"):
        git("config", f"alias.{command}", f"!{trap}")
    git("config", "core.hooksPath", str(tree.repository.path / ".git" / "hooks"))
    git("config", "filter.trap.required", "true")
    git("config", "commit.gpgSign", "true")
    git("config", "log.showSignature", "true")


def test_hooks_filters_drivers_aliases_and_other_programs_of_the_configuration_never_run(tree: Guarded) -> None:
    attributes = b"* filter=trap diff=trap merge=trap text eol=lf export-subst ident\n"
    base = tree.propose({"docs/a.txt": b"$Format:%H$ $Id$\n", ".gitattributes": attributes})
    tip = tree.propose({"docs/b.txt": b"b\n"}, base=base)
    head = tree.propose({**HARMLESS, "docs/a.txt": b"$Format:%H$ $Id$ more\n"}, base=base)
    set_traps(tree)
    code, report, _ = tree.gate(head, base=tip)
    assert code == 0, report
    assert report["change"]["merge"]["commit"] is not None
    (tree.repository.path / ".gitattributes").write_bytes(attributes)
    try:
        assert tree.gate(head, base=base)[0] == 0
    finally:
        (tree.repository.path / ".gitattributes").unlink()


def test_landing_runs_none_of_them_either(tree: Guarded) -> None:
    base = tree.propose({"docs/a.txt": b"a\n"})
    tree.repository.git("update-ref", "refs/heads/landing", tree.propose({"docs/b.txt": b"b\n"}, base=base))
    head = tree.propose(HARMLESS, base=base)
    set_traps(tree)
    where = ("--repository", str(tree.repository.path), "--store", str(tree.store))
    with pytest.MonkeyPatch.context() as environment:
        for name, value in clean_environment().items():
            environment.setenv(name, value)
        assert run(["land", "landing", head, *where]) == 0
    assert tree.repository.ask("rev-parse", "landing^2") == head


def test_the_traps_are_sharp(tree: Guarded) -> None:
    """What plain git does with them; otherwise the tests here would show nothing."""
    head = tree.propose(HARMLESS)
    set_traps(tree)
    sprung = tree.folder / "sprung"
    for command in (
        ("update-ref", "refs/heads/sharp", head),
        ("-c", "core.hooksPath=/", "status"),
        ("diff", tree.base),
    ):
        subprocess.run(["git", *command], cwd=tree.repository.path, env=clean_environment(), capture_output=True)
        assert sprung.exists(), command
        sprung.unlink()


@pytest.mark.parametrize("url", ["ext::sh -c 'touch sprung'", "ssh://-oProxyCommand=touch${IFS}sprung/x", "file:///x"])
def test_objects_that_are_missing_are_not_fetched_from_where_the_configuration_says(tree: Guarded, url: str) -> None:
    head = tree.propose({"src/main.c": MAIN.encode() + b"/* %s */\n" % url.encode()})
    blob = tree.repository.ask("rev-parse", f"{head}:src/main.c")
    set_traps(tree)
    for key, value in {
        "core.repositoryFormatVersion": "1",
        "extensions.partialClone": "origin",
        "remote.origin.promisor": "true",
        "remote.origin.url": url,
        "remote.origin.uploadpack": make_trap(tree.folder),
        "protocol.allow": "always",
        "protocol.ext.allow": "always",
    }.items():
        tree.repository.git("config", key, value)
    for object_id in (blob, tree.repository.ask("rev-parse", f"{head}:src"), head):
        path = tree.repository.path / ".git" / "objects" / object_id[:2] / object_id[2:]
        content = path.read_bytes()
        path.unlink()
        try:
            assert tree.gate(head)[0] == 3
        finally:
            path.write_bytes(content)


@pytest.mark.parametrize(
    "name", ["--upload-pack=touch${IFS}sprung", "--output=sprung", "-c", "--help", "$(touch${IFS}sprung)", "'`x`\"|&;"]
)
def test_names_that_look_like_options_or_commands_are_names(tree: Guarded, name: str) -> None:
    head = tree.propose(HARMLESS)
    tree.repository.git("update-ref", f"refs/heads/{name}", head)
    try:
        code, report, _ = tree.gate(f"refs/heads/{name}")
        assert (code, report["change"]["head"]["id"]) == (0, head)
        if not name.startswith("-"):
            assert tree.gate(name)[0] == 0
    finally:
        tree.repository.git("update-ref", "-d", f"refs/heads/{name}")


DOT_GIT = [
    b".GIT",
    b".gIt",
    b".git ",
    b".git. .",
    b"GIT~1",
    b"git~1.",
    b".git::$INDEX_ALLOCATION",
    b".g\xe2\x80\x8cit",
    b"a\\.git",
]


@pytest.mark.parametrize("name", DOT_GIT)
@pytest.mark.parametrize("deep", [False, True])
def test_a_git_folder_under_another_name_is_refused(tree: Guarded, name: bytes, deep: bool) -> None:
    folder = tree.repository
    trap = make_trap(tree.folder).encode()
    config = folder.write_tree([(b"100644", b"config", folder.write_blob(b"[core]\n\tfsmonitor = %s\n" % trap))])
    made = folder.write_tree([(b"40000", name, config)])
    if deep:
        made = folder.write_tree([(b"40000", b"docs", made)])
    listed = folder.git("ls-tree", "-z", tree.base).split(b"\0")[:-1]
    entries = [(mode, path, object_id) for line in listed for mode, _, object_id, path in [_split(line)]]
    entries.append((b"40000", b"docs", folder.ask("rev-parse", f"{made}:docs"))) if deep else entries.append(
        (b"40000", name, config)
    )
    whole = folder.write_tree(sorted(entries, key=lambda entry: entry[1] + (b"/" if entry[0] == b"40000" else b"")))
    head = folder.ask("commit-tree", "-p", tree.base, "-m", "A folder", whole)
    assert tree.gate(head)[0] == 3


def _split(line: bytes) -> tuple[bytes, bytes, str, bytes]:
    facts, _, path = line.partition(b"\t")
    mode, kind, object_id = facts.split(b" ")
    return mode.lstrip(b"0"), kind, object_id.decode(), path


def test_which_names_are_git_folders_is_what_git_says(tmp_path: Path) -> None:
    """Source: git-fsck(1), message `hasDotgit`, asked about made-up names."""
    folder = make_repository(tmp_path / "r")
    blob = folder.write_blob(b"x")
    rng = random.Random(20010101)
    parts = [
        b".",
        b"g",
        b"G",
        b"i",
        b"t",
        b".git",
        b"git~1",
        b" ",
        b":",
        b"\\",
        b"\xe2\x80\x8d",
        b"\xef\xbb\xbf",
        b"\n",
    ]
    names = [*DOT_GIT, b".git\n", b".gitmodules", b".gi\xff", b"git~2", b"..git", b"back\\slash", b".git\\x", b".gitx"]
    names += [b"".join(rng.choice(parts) for _ in range(rng.randint(1, 6))) for _ in range(250)]
    trees = {
        name: folder.write_tree([(b"100644", name, blob)]) for name in dict.fromkeys(names) if name.strip(b".") != b""
    }
    done = subprocess.run(
        ["git", "fsck", "--strict"], cwd=folder.path, env=clean_environment(), capture_output=True, text=True
    )
    told = {name for name, tree_id in trees.items() if f"tree {tree_id}: hasDotgit" in done.stderr}
    refused = set()
    for name, tree_id in trees.items():
        try:
            parse_folder(folder.git("cat-file", "tree", tree_id), 20)
        except ValueError:
            refused.add(name)
    assert refused == told
    assert len(told) > 15


@pytest.mark.parametrize(
    "files",
    [
        {"sub": Submodule("12" * 20)},
        {"src": None, "sub": Submodule("12" * 20), ".gitmodules": b'[submodule "../../x"]\n\tpath = sub\n\turl = -x\n'},
        {
            "sub": Submodule("12" * 20),
            ".gitmodules": b'[submodule "s"]\n\tpath = sub\n\turl = --upload-pack=touch sprung\n'
            b"\tupdate = !touch sprung\n",
        },
        {"sub": Submodule("12" * 20), ".gitmodules": b'[submodule "s"]\n\tpath = sub\n\turl = ext::touch sprung\n'},
        {"src": Submodule("12" * 20)},
        {"boards/buoy": Submodule("12" * 20)},
        {".gitmodules": b"[include]\n\tpath = /etc/passwd\n[submodule\n", "sub": Submodule("12" * 20)},
        {".gitmodules": Link(b"/etc/passwd"), "sub": Submodule("12" * 20)},
    ],
)
def test_submodules_with_options_or_in_odd_places_are_not_followed(
    tree: Guarded, files: Mapping[str | bytes, Content]
) -> None:
    head = tree.propose(files)
    set_traps(tree)
    code, report, _ = tree.gate(head)
    assert code in (1, 3), report
    assert report.get("verdict") != "pass"


@pytest.mark.parametrize(
    "link",
    [
        b"/etc/passwd",
        b"../../../../../../etc/passwd",
        b"/proc/self/environ",
        b"docs/../../..",
        b"..",
        b"self",
    ],
)
def test_a_symlink_that_leads_out_of_the_tree_is_not_followed(tree: Guarded, link: bytes) -> None:
    head = tree.propose({"self": Link(link), "src/main.c": b'#include "../self"\n' + MAIN.encode()})
    code, report, _ = tree.gate(head)
    assert code in (1, 3), report
    text = str(report) + "".join(path.read_text(errors="replace") for path in tree.store.rglob("*.log"))
    assert "root:" not in text


@pytest.mark.parametrize("path", ["matrix.yml", "waivers.yml"])
@pytest.mark.parametrize("content", [Link(b"src/main.c"), Submodule("12" * 20), None])
def test_what_judges_cannot_be_replaced_by_something_else(tree: Guarded, path: str, content: Content) -> None:
    """A file of the gate that is a link or a submodule is as good as gone; losing all waivers loosens nothing."""
    code, report, _ = tree.gate(tree.propose({path: content}))
    if path == "matrix.yml":
        assert code in (1, 3)
        assert code == 3 or "matrix" in rules_of(report)
    else:
        assert isinstance(content, Submodule) == (code != 0)


def test_replacements_grafts_and_a_shallow_list_hide_no_commit(tree: Guarded) -> None:
    bad = tree.propose({"src/main.c": b"#error broken\n"})
    good = tree.propose(HARMLESS, base=bad)
    folder = tree.repository
    folder.git("replace", bad, good)
    info = folder.path / ".git" / "info"
    info.mkdir(exist_ok=True)
    (info / "grafts").write_text(f"{good} {tree.base}\n")
    try:
        code, report, _ = tree.gate(good)
        assert (code, rules_of(report)) == (1, {"broken"})
    finally:
        (info / "grafts").unlink()
        folder.git("replace", "-d", bad)
    shallow = folder.path / ".git" / "shallow"
    shallow.write_text(f"{good}\n")
    try:
        assert tree.gate(good)[0] == 3
    finally:
        shallow.unlink()


def test_a_work_tree_elsewhere_and_included_settings_have_no_say(tree: Guarded) -> None:
    head = tree.propose(HARMLESS)
    set_traps(tree)
    other = tree.folder / "included"
    other.write_text(f"[core]\n\tfsmonitor = {make_trap(tree.folder)}\n\tworktree = /etc\n")
    tree.repository.git("config", "include.path", str(other))
    tree.repository.git("config", "core.worktree", "/etc")
    code, report, _ = tree.gate(head)
    assert code == 0, report


def test_no_name_of_a_branch_can_hold_a_line_break(tmp_path: Path) -> None:
    """
    So one line is one name, in what git lists and in what it tells a hook.

    Source: git-check-ref-format(1), rule 4.
    """
    folder = make_repository(tmp_path / "r")
    head = folder.commit({"a": b"1"})
    for name in ("a\nb", "a b", "a\tb", "a\x7fb", "a..b", "a\\b"):
        done = subprocess.run(
            ["git", "update-ref", f"refs/heads/{name}", head],
            cwd=folder.path,
            env=clean_environment(),
            capture_output=True,
        )
        assert done.returncode != 0, name
    # One that was put there by hand is not believed either.
    (folder.path / ".git" / "refs" / "heads" / "a\nb").write_text(f"{head}\n")
    with open_repository(folder.path) as repository, pytest.raises(RepositoryError):
        repository.resolve("a\nb")
    assert os.listdir(folder.path) == [".git"]
