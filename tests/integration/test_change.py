"""Names to commits, and the commits of a change, on real repositories."""

import subprocess
from datetime import UTC, datetime
from pathlib import Path

import pytest

from gatekeep.errors import RepositoryError
from gatekeep.model.change import Commit
from gatekeep.tree.repository import GitRepository, open_repository
from tests.repos import GitFolder, clone_repository, make_repository


def message_of(repository: GitRepository, *revisions: str) -> str:
    ask = repository.resolve if len(revisions) == 1 else repository.load_change
    with pytest.raises(RepositoryError) as caught:
        ask(*revisions)
    return str(caught.value)


@pytest.fixture
def folder(tmp_path: Path) -> GitFolder:
    return make_repository(tmp_path / "r")


def test_commit_is_found_by_branch_tag_number_and_parent(folder: GitFolder):
    first = folder.commit({"a": b"1"}, message="first: häfen\n\nbody\n")
    second = folder.commit({"a": b"2"})
    folder.git("tag", "-a", "-m", "annotated", "v1", first)
    with open_repository(folder.path) as repository:
        commit = repository.resolve("v1")
        assert commit == Commit(
            commit_id=first,
            tree_id=folder.tree_of(first),
            parent_ids=(),
            author_name="Isa Thorne",
            author_email="isa@skerry.example",
            subject="first: häfen",
            committed_at=datetime(2001, 1, 1, 0, 1, tzinfo=UTC),
        )
        for name in (first, first[:8], "main~1", "refs/tags/v1", "HEAD^"):
            assert repository.resolve(name) == commit
        assert repository.resolve("main").commit_id == second
        assert repository.resolve("main").parent_ids == (first,)


def test_unknown_name_is_answered_with_the_nearest_one(folder: GitFolder):
    commit_id = folder.commit({"a": b"1"})
    folder.git("tag", "release-1.2", commit_id)
    place = folder.path
    with open_repository(place) as repository:
        assert message_of(repository, "mian") == f"{place}: there is no commit 'mian' here; the nearest name is 'main'"
        assert (
            message_of(repository, "relase-1.2")
            == f"{place}: there is no commit 'relase-1.2' here; the nearest name is 'release-1.2'"
        )
        assert (
            message_of(repository, "zzz")
            == f"{place}: there is no commit 'zzz' here; check its spelling, or run git fetch"
        )
        assert (
            message_of(repository, "0" * 40)
            == f"{place}: there is no commit '{'0' * 40}' here; check its spelling, or run git fetch"
        )
        assert (
            message_of(repository, "main^{tree}")
            == f"{place}: 'main^{{tree}}' does not name a commit; name a commit, a branch or a tag"
        )
        assert message_of(repository, "main", "mian").endswith("the nearest name is 'main'")


@pytest.mark.parametrize("revision", ["", "--output=stolen", "-x", "^main", "main\nHEAD", "main\0", "--help", "-"])
def test_name_that_is_no_revision_is_refused_before_git_sees_it(folder: GitFolder, revision: str):
    folder.commit({"a": b"1"})
    with open_repository(folder.path) as repository:
        assert message_of(repository, revision) == (
            f"{folder.path}: {revision!r} is no revision; name a commit, a branch or a tag, such as main or HEAD~3"
        )
    assert not (folder.path / "stolen").exists()


@pytest.mark.parametrize("revision", ["main..other", "main...other", "main other", ":/x y", "main:a", "@{upstream}"])
def test_name_of_anything_but_one_commit_is_refused(folder: GitFolder, revision: str):
    folder.commit({"a": b"1"})
    folder.git("branch", "other", "main")
    with open_repository(folder.path) as repository, pytest.raises(RepositoryError):
        repository.resolve(revision)


def test_name_of_a_branch_and_a_tag_is_refused_for_a_tag_could_choose_the_base(folder: GitFolder):
    first = folder.commit({"a": b"1"})
    second = folder.commit({"a": b"2"})
    folder.git("tag", "main", first)
    with open_repository(folder.path) as repository:
        assert message_of(repository, "main") == (
            f"{folder.path}: 'main' is the name of several things; "
            "write refs/heads/main for the branch or refs/tags/main for the tag"
        )
        assert repository.resolve("refs/heads/main").commit_id == second
        assert repository.resolve("refs/tags/main").commit_id == first


def test_change_lists_each_new_tree_once_parents_first(folder: GitFolder):
    base = folder.commit({"a": b"0"})
    first = folder.commit({"a": b"1"})
    folder.commit({"a": b"0"}, message="back to the base")
    folder.commit({"a": b"1"}, message="again the first")
    folder.commit({}, message="nothing")
    last = folder.commit({"a": b"2"})
    with open_repository(folder.path) as repository:
        change = repository.load_change(base, "main")
    assert change.base.commit_id == base
    assert change.head.commit_id == last
    assert [commit.commit_id for commit in change.commits] == [first, last]
    assert change.commit_count == 5


def test_change_includes_merges_and_what_they_bring(folder: GitFolder):
    base = folder.commit({"a": b"0"})
    ours = folder.commit({"ours": b"1"})
    theirs = folder.commit({"theirs": b"1"}, branch="side", parents=[base])
    merge = folder.commit({"theirs": b"1"}, parents=[ours, theirs])
    with open_repository(folder.path) as repository:
        change = repository.load_change(base, "main")
    listed = [commit.commit_id for commit in change.commits]
    assert sorted(listed) == sorted([ours, theirs, merge])
    assert listed[-1] == merge
    assert change.commits[-1].parent_ids == (ours, theirs)
    # Source: git itself, asked in its own words.
    assert listed == folder.ask("rev-list", "--topo-order", "--reverse", f"{base}..main").split()


def test_change_from_a_base_that_moved_on_has_only_the_heads_commits(folder: GitFolder):
    fork = folder.commit({"a": b"0"})
    base = folder.commit({"b": b"1"})
    head = folder.commit({"c": b"1"}, branch="topic", parents=[fork])
    with open_repository(folder.path) as repository:
        change = repository.load_change("main", "topic")
    assert change.base.commit_id == base
    assert [commit.commit_id for commit in change.commits] == [head]


@pytest.mark.parametrize("side", [False, True])
def test_change_has_no_commit_of_the_base_whatever_days_their_clocks_said(folder: GitFolder, side: bool):
    """By dates, git stops looking before it comes from the base to what the change begins at."""
    folder.commit({"a": b"0"}, days_off=9000)
    fork = folder.commit({"a": b"1"}, days_off=9000)
    for number in range(12):
        folder.commit({"b": b"%d" % number}, days_off=-300)
    wanted = [folder.commit({"a": b"2"}, branch="topic", parents=[fork], days_off=9001)]
    if side:
        # A history of its own, without anything before it.
        begun = folder.commit({"c": b"1"}, branch="side", parents=[], days_off=8000)
        wanted += [begun, folder.commit({"c": b"1"}, branch="topic", parents=[wanted[0], begun], days_off=9002)]
    # git 2.39.5 lists commits of the base as well; where a newer one does not, this shows nothing.
    assert set(folder.ask("rev-list", "main..topic").split()) >= set(wanted)
    with open_repository(folder.path) as repository:
        change = repository.load_change("main", "topic")
    assert change.commit_count == len(wanted)
    assert {commit.commit_id for commit in change.commits} == set(wanted)


def test_change_that_has_landed_already_is_empty_and_ends_at_the_base(folder: GitFolder):
    folder.commit({"a": b"0"})
    folder.commit({"a": b"1"})
    with open_repository(folder.path) as repository:
        for head in ("main~1", "main"):
            change = repository.load_change("main", head)
            assert change.commits == ()
            assert change.commit_count == 0
            assert change.head == change.base == repository.resolve("main")


def test_change_of_a_shallow_clone_that_lacks_commits_is_refused(folder: GitFolder, tmp_path: Path):
    base = folder.commit({"a": b"0"})
    ids = [folder.commit({"a": b"%d" % n}) for n in range(1, 6)]
    clone = clone_repository(folder, tmp_path / "shallow", "--depth=2")
    place = clone.path
    way_out = "run git fetch --unshallow, or let CI clone the whole history"
    with open_repository(place) as repository:
        assert (
            message_of(repository, base, "main")
            == f"{place}: there is no commit '{base}' here, and the clone is shallow; {way_out}"
        )
    clone.git("fetch", "-q", "--depth=1", "origin", base)
    with open_repository(place) as repository:
        assert message_of(repository, base, "main") == (
            f"{place}: the clone is shallow, and {base[:10]} and {ids[-1][:10]} have no common commit in it; {way_out}"
        )
        # What is all there is judged, shallow or not.
        assert [commit.commit_id for commit in repository.load_change("main~1", "main").commits] == ids[-1:]


def test_change_with_a_side_branch_that_a_shallow_clone_cuts_off_is_refused(folder: GitFolder, tmp_path: Path):
    """The mainline is whole, and git would list the change without a word about the commits that it lacks."""
    base = folder.commit({"a": b"0"})
    for n in range(3):
        side = folder.commit({"s": b"%d" % n}, branch="side", parents=[base] if n == 0 else None)
    merge = folder.commit({"s": b"2", "m": b"1"}, parents=[base, side])
    clone = clone_repository(folder, tmp_path / "shallow", "--depth=2")
    with open_repository(clone.path) as repository:
        assert message_of(repository, base, "main") == (
            f"{clone.path}: the clone is shallow and cuts the change off at commit {side[:10]}, wanted every commit "
            f"from {base[:10]} to {merge[:10]}; run git fetch --unshallow, or let CI clone the whole history"
        )
    clone.git("fetch", "-q", "--unshallow")
    with open_repository(clone.path) as repository:
        assert repository.load_change(base, "main").commit_count == 4


def test_change_between_unrelated_histories_is_refused(folder: GitFolder):
    base = folder.commit({"a": b"0"})
    head = folder.commit({"b": b"0"}, branch="other", parents=[])
    with open_repository(folder.path) as repository:
        assert message_of(repository, "main", "other") == (
            f"{folder.path}: {base[:10]} and {head[:10]} have no common commit: the histories are unrelated; "
            "name the base that the change started from"
        )


def test_commit_made_by_hand_is_read_whatever_it_holds(folder: GitFolder):
    base = folder.commit({"a": b"0"})
    tree = folder.tree_of(base)
    for date, at in ((b"99999999999999 +0000", datetime(9999, 12, 31, 23, 59, 59, tzinfo=UTC)), (b"", None)):
        raw = b"tree %s\nparent %s\nauthor \xff\x1b[31m <@\x07> %s\ncommitter x <y> %s\n\n\x1b[2J <b>\xfe\r\n" % (
            tree.encode(),
            base.encode(),
            date,
            date,
        )
        feed = folder.git("hash-object", "-w", "--literally", "-t", "commit", "--stdin", feed=raw)
        with open_repository(folder.path) as repository:
            commit = repository.resolve(feed.decode().strip())
        assert commit.tree_id == tree
        assert "\x1b[2J <b>" in commit.subject
        assert commit.committed_at == (at or datetime(1970, 1, 1, tzinfo=UTC))


def test_latin_1_commit_is_read_in_its_own_encoding(folder: GitFolder):
    base = folder.commit({"a": b"0"})
    raw = b"tree %s\nauthor \xc5ke <a@b.example> 1 +0000\ncommitter x <y> 1 +0000\nencoding ISO-8859-1\n\ngr\xfcn\n"
    feed = folder.git("hash-object", "-w", "-t", "commit", "--stdin", feed=raw % folder.tree_of(base).encode())
    with open_repository(folder.path) as repository:
        commit = repository.resolve(feed.decode().strip())
    assert (commit.author_name, commit.subject) == ("Åke", "grün")


def test_replaced_and_grafted_commits_are_judged_as_they_are(folder: GitFolder):
    base = folder.commit({"a": b"0"})
    bad = folder.commit({"a": b"bad"})
    head = folder.commit({"a": b"good"})
    folder.git("replace", "--graft", head, base)
    (folder.path / ".git" / "info").mkdir(exist_ok=True)
    (folder.path / ".git" / "info" / "grafts").write_text(f"{head} {base}\n")
    with open_repository(folder.path) as repository:
        change = repository.load_change(base, head)
    assert [commit.commit_id for commit in change.commits] == [bad, head]


def test_configuration_that_would_change_the_answer_or_run_programs_has_no_effect(folder: GitFolder, tmp_path: Path):
    base = folder.commit({"a": b"0"})
    head = folder.commit({"a": b"1"})
    trap = tmp_path / "trap"
    trap.write_text(f"#!/bin/sh\ntouch {tmp_path}/sprung\n")
    trap.chmod(0o755)
    for key in ("core.fsmonitor", "core.pager", "gpg.program", "diff.external", "core.sshCommand", "core.editor"):
        folder.git("config", key, str(trap))
    folder.git("config", "log.showSignature", "true")
    folder.git("config", "i18n.logOutputEncoding", "UTF-16")
    folder.git("config", "core.warnAmbiguousRefs", "false")
    with open_repository(folder.path) as repository:
        assert [commit.commit_id for commit in repository.load_change(base, head).commits] == [head]
    assert not (tmp_path / "sprung").exists()


def test_surrounding_git_variables_have_no_effect(folder: GitFolder, tmp_path: Path):
    """A hook, or a wrapper around it, runs with variables that name another repository."""
    head = folder.commit({"a": b"0"})
    other = make_repository(tmp_path / "other")
    other.commit({"b": b"0"})
    code = (
        "import sys; from pathlib import Path; from gatekeep.tree.repository import open_repository\n"
        "with open_repository(Path(sys.argv[1])) as r: print(r.resolve('main').commit_id)"
    )
    environment = {
        "GIT_DIR": str(other.path / ".git"),
        "GIT_INDEX_FILE": "/nonexistent",
        "GIT_WORK_TREE": "/nonexistent",
        "GIT_COMMON_DIR": str(other.path / ".git"),
        "GIT_CONFIG_PARAMETERS": "'core.bare'='banana'",
        "GIT_NAMESPACE": "other",
    }
    done = subprocess.run(
        ["/usr/bin/env", *(f"{k}={v}" for k, v in environment.items()), _python(), "-c", code, str(folder.path)],
        capture_output=True,
        text=True,
    )
    assert (done.stdout.strip(), done.stderr) == (head, "")


def _python() -> str:
    import sys

    return sys.executable
