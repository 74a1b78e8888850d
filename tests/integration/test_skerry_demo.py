"""`gatekeep demo` makes the same repository everywhere, and what it holds is what history.yml promises."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from fnmatch import fnmatchcase
from pathlib import Path

import pytest

from gatekeep.cli.demo import make_repository
from gatekeep.cli.demo_scenario import Edit, MainCommit, go_back, list_patches, load_scenario, locate_scenario
from gatekeep.cli.main import run
from gatekeep.errors import RepositoryError, UsageError
from gatekeep.matrix.load import load_matrix, parse_matrix
from gatekeep.model.verdict import Decision, Rule
from tests.integration.skerry_boot import boot, load_board_facts
from tests.integration.skerry_build import MATRIX, TREE, build, build_all, environment, find_target

SOURCE = locate_scenario()
SCENARIO = load_scenario(SOURCE)


def git(folder: Path, *arguments: str) -> str:
    environment = {"PATH": os.environ["PATH"], "GIT_CONFIG_GLOBAL": os.devnull, "GIT_CONFIG_NOSYSTEM": "1"}
    done = subprocess.run(["git", *arguments], cwd=folder, env=environment, capture_output=True, text=True, check=True)
    return done.stdout


@pytest.fixture(scope="module")
def repository(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "skerry"
    make_repository(folder, SCENARIO, SOURCE, environment=os.environ)
    return folder


def build_image(tree: Path, name: str, out: Path) -> bytes:
    """Build a target of main from another tree; give its ROM."""
    target = find_target(name)
    done = build(target, out, tree)
    assert done.returncode == 0, done.stderr
    return (out / f"{target.board}.rom").read_bytes()


def check_out(repository: Path, commit: str, folder: Path) -> Path:
    folder.mkdir()
    git(repository, "--work-tree", str(folder), "checkout", "--quiet", commit, "--", ".")
    git(repository, "reset", "--quiet", "--hard", "main")
    return folder


def test_demo_twice_gives_the_same_ids_whatever_the_users_configuration(repository, tmp_path, monkeypatch, capsys):
    """A hook, a signing key, another name, line ending and zone of the user's change nothing."""
    hooks = tmp_path / "template" / "hooks"
    hooks.mkdir(parents=True)
    for name in ("pre-commit", "commit-msg", "applypatch-msg", "post-checkout"):
        (hooks / name).write_text("#!/bin/sh\nexit 1\n")
        (hooks / name).chmod(0o755)
    config = tmp_path / "config"
    config.write_text(
        "[user]\n name = Somebody Else\n email = else@else.example\n[commit]\n gpgSign = true\n"
        "[core]\n autocrlf = true\n hooksPath = " + str(hooks) + "\n[init]\n templateDir = " + str(hooks.parent) + "\n"
    )
    monkeypatch.setenv("GIT_CONFIG_GLOBAL", str(config))
    monkeypatch.setenv("GIT_DIR", str(tmp_path / "elsewhere"))
    monkeypatch.setenv("GIT_AUTHOR_DATE", "2001-01-01T00:00:00Z")
    monkeypatch.setenv("TZ", "Pacific/Auckland")
    other = tmp_path / "other"
    assert run(["demo", str(other)]) == 0
    assert git(other, "for-each-ref") == git(repository, "for-each-ref")
    assert capsys.readouterr().out.splitlines()[0] == f"{other}: main has 281 commits; 18 proposals:"


def test_main_ends_with_the_tree_and_leaves_nothing_behind(repository):
    assert git(repository, "status", "--porcelain") == ""
    assert git(repository, "rev-parse", "--abbrev-ref", "HEAD") == "main\n"
    files = [path.relative_to(TREE).as_posix() for path in TREE.rglob("*") if path.is_file()]
    files = [name for name in files if "__pycache__" not in name]
    assert git(repository, "ls-tree", "-r", "--name-only", "main").splitlines() == sorted(files)
    assert all((repository / name).read_bytes() == (TREE / name).read_bytes() for name in files)


def test_main_is_what_the_scenario_tells(repository):
    """Ids, and so content, by a digest of the whole log: whatever git, Python and machine made it."""
    told = [
        f"{SCENARIO.main.people[commit.by]}|{commit.at}|{commit.at}|{commit.subject}"
        for commit in SCENARIO.main.commits
    ]
    assert git(repository, "log", "--reverse", "--format=%an <%ae>|%aI|%cI|%s", "main").splitlines() == told
    assert git(repository, "log", "-1", "--format=%B", "main~280") == SCENARIO.main.commits[0].message + "\n"
    assert git(repository, "fsck", "--strict") == ""


@pytest.mark.slow
def test_what_is_carried_over_commits_of_main_is_what_a_clean_build_gives(repository, tmp_path):
    """The newest commit that touches a driver and three before it; all of main takes an hour (`gatekeep audit`)."""
    head = git(repository, "log", "-1", "--format=%H", "main", "--", "drivers").strip()
    report = tmp_path / "audit.json"
    options = ("--sample", "24", "--store", str(tmp_path / "store"), "--json", str(report))
    done = subprocess.run(
        [sys.executable, "-m", "gatekeep", "audit", f"{head}~4..{head}", *options],
        cwd=repository,
        env=environment(),
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    found = json.loads(report.read_text())
    assert found["carried"] > 48
    assert [one["standing"] for one in found["results"]] == ["equal"] * 24


def test_releases_are_annotated_tags_in_the_order_of_main(repository):
    tags = git(repository, "for-each-ref", "--sort=creatordate", "--format=%(refname:short) %(objecttype)", "refs/tags")
    assert tags.splitlines() == [f"v1.{minor} tag" for minor in range(6)]
    assert git(repository, "describe", "--exact-match", "main") == "v1.5\n"


def test_each_commit_of_main_changes_what_it_names_and_nothing_else(repository):
    changed = {}
    for entry in git(repository, "log", "--reverse", "--format=%x00%s|%cI", "--name-only", "main").split("\0")[1:]:
        subject, *paths = [line for line in entry.splitlines() if line]
        changed[subject] = paths
    for commit in SCENARIO.main.commits[1:]:
        paths = changed[f"{commit.subject}|{commit.at}"]
        edited = {edit.path for edit in commit.edits}
        assert edited <= set(paths)
        assert all(
            any(path == name or path.startswith(f"{name}/") for name in commit.adds)
            for path in paths
            if path not in edited
        )


@pytest.mark.parametrize("tag", ["v1.0", "v1.2", "v1.4"])
def test_releases_have_a_sound_matrix_of_their_boards(repository, tmp_path, tag):
    tree = check_out(repository, tag, tmp_path / "tree")
    matrix = load_matrix(tree / "matrix.yml")
    assert {target.board for target in matrix.targets} == {path.parent.name for path in tree.glob("boards/*/board.mk")}


def test_going_back_replaces_lines_and_keeps_their_indentation():
    tree = {"a.c": b"int a[] = {\n    1,\n    3,\n};\n", "new/b.c": b"b\n", "new/c.c": b"c\n"}
    commits = [
        MainCommit(by="isa", at="2026-01-01T00:00:00Z", message="Begin"),
        MainCommit(
            by="isa",
            at="2026-01-02T00:00:00Z",
            message="Change",
            adds=("new",),
            edits=(Edit.model_validate({"in": "a.c", "was": "1,\n2,", "now": "1,"}),),
        ),
        MainCommit(
            by="isa",
            at="2026-01-03T00:00:00Z",
            message="Add",
            edits=(Edit.model_validate({"in": "a.c", "now": "3,"}),),
        ),
    ]
    first, second, third = go_back(tree, commits)
    assert third == tree
    assert second == tree | {"a.c": b"int a[] = {\n    1,\n};\n"}
    assert first == {"a.c": b"int a[] = {\n    1,\n    2,\n};\n"}


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"edits": ({"in": "a.c", "now": "x"},)}, "a.c has the line 'x' 2 times, wanted once"),
        ({"edits": ({"in": "a.c", "now": "y"},)}, "a.c has the line 'y' 0 times, wanted once"),
        ({"adds": ("b.c",)}, "b.c is not there"),
    ],
)
def test_commit_that_cannot_be_gone_back_is_named(change, message):
    commit = MainCommit.model_validate({"by": "isa", "at": "2026-01-01T00:00:00Z", "message": "Change", **change})
    with pytest.raises(UsageError) as caught:
        go_back({"a.c": b"x\n  x\n"}, [commit])
    place = "main.yml: commit of 2026-01-01T00:00:00Z (Change)"
    assert str(caught.value) == f"{place}: {message}; amend the tree or the commit"


def test_nightly_is_main_and_what_landed_night_after_night(repository):
    nightly = SCENARIO.nightly
    proposed = {proposal.name: proposal.branch for proposal in SCENARIO.proposals}
    log = git(repository, "log", "--reverse", "--format=%an %s", f"main..{nightly.branch}").splitlines()
    for night in nightly.nights:
        landed = []
        for name in night.lands:
            patches = list_patches(SOURCE, name)
            if name in proposed:
                subjects = git(
                    repository, "log", "--reverse", "--format=%an %s", f"main..{proposed[name]}"
                ).splitlines()
                assert log[: len(patches)] == subjects
            landed += log[: len(patches)]
            log = log[len(patches) :]
        assert sum(line.endswith(f" {night.expect.subject}") for line in landed) == 1
    assert log == []
    times = git(repository, "log", "--reverse", "--format=%ct", f"main~1..{nightly.branch}").split()
    assert times == sorted(times, key=int)


def test_what_a_night_mends_was_broken_by_one_before():
    broken: set[str] = set()
    for night in SCENARIO.nightly.nights:
        assert broken.issuperset(night.expect.mended)
        broken.update(night.expect.targets)


@pytest.mark.parametrize("proposal", SCENARIO.proposals, ids=lambda proposal: proposal.name)
def test_proposal_is_a_series_on_main_and_expects_targets_that_exist(repository, proposal):
    patches = list((SOURCE / "history" / proposal.name).glob("*.patch"))
    commits = git(repository, "rev-list", f"main..{proposal.branch}").split()
    assert len(commits) == len(patches) > 0
    assert git(repository, "merge-base", "main", proposal.branch) == git(repository, "rev-parse", "main")
    assert (proposal.expect.decision is Decision.BLOCK) == bool(proposal.expect.reasons)
    for reason in proposal.expect.reasons:
        assert reason.commit is None or reason.commit <= len(commits)
        for pattern in reason.targets:
            assert any(fnmatchcase(target.name, pattern) for target in MATRIX.targets)


def test_every_folder_of_patches_is_proposed_or_lands():
    folders = {path.name for path in (SOURCE / "history").iterdir()}
    landed = {name for night in SCENARIO.nightly.nights for name in night.lands}
    assert folders == {proposal.name for proposal in SCENARIO.proposals} | landed


# The line that the compiler or linker must say on one target of each proposal that breaks a build; None: it builds.
SAYS = [
    (
        "03-remember-the-writer",
        "riscv64/vale",
        "drivers/uart.c:23:19: error: cast to smaller integer type 'u32' (aka 'unsigned int') from 'void *' "
        "[-Werror,-Wvoid-pointer-to-int-cast]",
    ),
    ("03-remember-the-writer", "riscv32/rill", None),
    (
        "05-say-why-in-words",
        "riscv32/gill",
        "ld.lld: error: section '.rodata' will not fit in region 'BOOT': overflowed by 176 bytes",
    ),
    (
        "06-holm-sizes",
        "arm/holm",
        "core/record.c:4:30: error: use of undeclared identifier 'RECORD_SLOTS'; did you mean 'RECORD_CLOCK'?",
    ),
    ("09-show-the-stack", "loongarch64/dune", "ld.lld: error: undefined symbol: arch_stack_pointer"),
    ("09-show-the-stack~1", "loongarch64/dune", None),
    (
        "13-console-names~1",
        "arm/holm",
        "payload/keeper.c:22:5: error: call to undeclared function 'print'; ISO C99 and later do not support implicit "
        "function declarations [-Wimplicit-function-declaration]",
    ),
    ("13-console-names", "arm/holm", None),
]


@pytest.mark.parametrize(("revision", "name", "line"), SAYS, ids=lambda value: str(value)[:24])
def test_proposal_breaks_the_targets_that_it_should_and_no_other(repository, tmp_path, revision, name, line):
    tree = check_out(repository, f"proposal/{revision}", tmp_path / "tree")
    target = find_target(name)
    done = build(target, tmp_path / "out", tree)
    if line is None:
        assert done.returncode == 0, done.stderr
    else:
        assert done.returncode == 2
        assert line in done.stderr.splitlines()


@pytest.mark.parametrize(
    ("revision", "name", "expected"),
    [
        ("07-read-three-bytes", "arm/holm", ["include/bytes.h:23:50: warning: unused parameter 'strict'"]),
        ("08-rotor-step-rate", "mips/lough", ["drivers/lamp_rotor.c:31:17: warning: comparison of integers"]),
    ],
)
def test_warning_is_new_or_only_moves(repository, tmp_path, revision, name, expected):
    tree = check_out(repository, f"proposal/{revision}", tmp_path / "tree")
    target = find_target(name)
    lines = [line for line in build(target, tmp_path / "out", tree).stderr.splitlines() if "warning:" in line]
    assert [line[: len(start)] for line, start in zip(lines, expected, strict=True)] == expected


def test_byte_order_fault_boots_on_little_endian_and_stops_on_big_endian(repository, tmp_path):
    tree = check_out(repository, "proposal/04-read-words-at-once", tmp_path / "tree")
    little = boot(load_board_facts(tree, "mere"), build_image(tree, "arm/mere/release", tmp_path / "little"))
    assert little.splitlines()[-1] == "keeper idle"
    image = build_image(tree, "mips/corrie/release", tmp_path / "big")
    big = boot(load_board_facts(tree, "corrie"), image).splitlines()
    assert big[:2] == ["skerry corrie", "clock ok"]
    assert big[-3:] == ["main payload bad (2)", "recovery payload bad (2)", "stopped: no payload"]


def test_smallest_gauge_grows_into_its_reserve(repository, tmp_path):
    tree = check_out(repository, "proposal/12-minor-constituents", tmp_path / "tree")
    image = build_image(tree, "riscv32/gill", tmp_path / "out")
    used = len(image[3584:5120].rstrip(b"\xff"))
    assert 1536 - 154 < used <= 1536


def test_lighthouse_grows_by_more_than_the_rule_allows(repository, tmp_path, tmp_path_factory):
    out, _ = build_all(tmp_path_factory.getbasetemp())["powerpc/heugh"]
    before = (out / "heugh.rom").read_bytes()[16384:49152].rstrip(b"\xff")
    tree = check_out(repository, "proposal/16-heugh-soundings", tmp_path / "tree")
    after = build_image(tree, "powerpc/heugh", tmp_path / "after")[16384:49152].rstrip(b"\xff")
    assert len(after) - len(before) > dict(MATRIX.rules.growth_per_change)["main"]


def test_matrices_of_the_proposals_that_change_it(repository):
    def names(revision: str) -> set[str]:
        text = git(repository, "show", f"{revision}:matrix.yml").encode()
        return {target.name for target in parse_matrix(text, path="matrix.yml").targets}

    base = names("main")
    assert base - names("proposal/11-drop-tarn-debug") == {"riscv64/tarn/debug", "riscv64/tarn/release"}
    assert names("proposal/11-drop-tarn-debug") - base == {"riscv64/tarn"}
    assert names("proposal/15-geo-new-board") - base == {"x86/geo"}
    assert names("proposal/10-shoal-not-listed") == base


@pytest.mark.parametrize("what", ["file", "folder"])
def test_demo_refuses_what_is_not_an_empty_folder(tmp_path, capsys, what):
    place = tmp_path / "place"
    if what == "file":
        place.write_text("mine")
        message = f"gatekeep: {place}: cannot be used: File exists; name another folder\n"
    else:
        place.mkdir()
        (place / "mine").write_text("mine")
        message = f"gatekeep: {place}: is not empty; name a new folder, or an empty one\n"
    assert run(["demo", str(place)]) == 2
    assert capsys.readouterr().err == message
    assert (place if what == "file" else place / "mine").read_text() == "mine"


@pytest.mark.parametrize("was_there", [True, False])
def test_failure_leaves_the_folder_as_it_was(tmp_path, was_there):
    folder = tmp_path / "demo"
    if was_there:
        folder.mkdir()
    early = SCENARIO.main.model_copy(update={"commits": SCENARIO.main.commits[:1]})
    (tmp_path / "source" / "history").mkdir(parents=True)
    (tmp_path / "source" / "tree").mkdir()
    (tmp_path / "source" / "tree" / "README.md").write_text("another tree\n")
    shutil.copytree(SOURCE / "history", tmp_path / "source" / "history", dirs_exist_ok=True)
    scenario = SCENARIO.model_copy(update={"main": early})
    with pytest.raises(RepositoryError, match=r"boards/holm/board.c: does not exist in index"):
        make_repository(folder, scenario, tmp_path / "source", environment=os.environ)
    assert folder.exists() == was_there
    assert not was_there or list(folder.iterdir()) == []


def test_missing_git_is_said(tmp_path):
    with pytest.raises(RepositoryError, match=r"git cannot be started: No such file or directory; install git"):
        make_repository(tmp_path / "demo", SCENARIO, SOURCE, environment={"PATH": str(tmp_path)})
    assert not (tmp_path / "demo").exists()


def test_expected_rules_cover_what_the_gate_can_say():
    """
    A build that writes into the tree is only shown, and a time limit would make the demonstration slow.

    A matrix with a fault in it is the author's own affair, and teaches nothing about the rules. All proposals begin at
    main's tip, so none conflicts with it. An image that is committed would be a file of bytes among patches of text.
    """
    rules = {reason.rule for proposal in SCENARIO.proposals for reason in proposal.expect.reasons}
    left_out = {Rule.TIMED_OUT, Rule.UNDECIDED, Rule.WROTE_IN_TREE, Rule.MATRIX, Rule.CONFLICT, Rule.PREBUILT}
    assert rules == set(Rule) - left_out
