"""Approvals from the command line: real git, real ssh-keygen, real compilers."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.guarded import FAT, Guarded, rules_of
from tests.repos import Content, clone_repository
from tests.ssh_keys import make_key


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Guarded:
    return Guarded(tmp_path_factory.mktemp("guarded"))


@pytest.fixture
def tree(shared: Guarded) -> Guarded:
    shared.drop_approvals()
    return shared


LARGER = ("capacity: 256 B", "capacity: 1 KiB")


def test_an_approved_loosening_passes_and_every_report_says_by_whom(
    tree: Guarded, capsys: pytest.CaptureFixture[str]
) -> None:
    head = tree.propose(tree.edit(LARGER))
    code, report, text = tree.gate(head, capsys=capsys)
    assert (code, rules_of(report)) == (1, {"loosened"})
    assert "what the change loosens can be approved by oda: gatekeep approve" in " ".join(text.split())
    assert tree.approve(head) == 0
    said = capsys.readouterr().out
    assert "    the part internal: the capacity is raised from 256 B to 1 KiB; cortex-m/buoy, cortex-m/float, " in said
    (ref,) = tree.list_approvals()
    assert f"git push REMOTE {ref}" in said
    code, report, text = tree.gate(head, "--markdown", str(tree.folder / "out.md"), capsys=capsys)
    assert (code, report["reasons"]) == (0, [])
    assert {tuple(reason["approved_by"]) for reason in report["approved"]} == {("oda",)}
    assert report["approvals"] == [
        {"source": ref, "approver": "oda", "fingerprint": tree.oda.approver().fingerprint, "why": None}
    ]
    assert "approved by oda" in text
    assert text.splitlines()[-1].endswith("approved")
    assert "approved by oda" in (tree.folder / "out.md").read_text()


def test_what_was_approved_is_what_the_change_is_held_to(tree: Guarded) -> None:
    """The larger part and the image that needs it may come in one change, growth and all."""
    grown: dict[str | bytes, Content] = {
        "src/main.c": FAT.replace("const int", "__attribute__((used)) const int").encode()
    }
    head = tree.propose(tree.edit(LARGER, (", growth_per_change: {flash: 64 B}", "")) | grown)
    code, report, _ = tree.gate(head)
    assert (code, rules_of(report)) == (1, {"growth", "loosened", "outgrown"})
    assert tree.approve(head) == 0
    code, report, _ = tree.gate(head)
    assert (code, report["reasons"]) == (0, [])


def test_an_approval_excuses_nothing_but_what_is_loosened(tree: Guarded) -> None:
    head = tree.propose(tree.edit(LARGER) | {"src/main.c": b"#error\n"})
    assert tree.approve(head) == 0
    code, report, _ = tree.gate(head)
    assert (code, rules_of(report)) == (1, {"broken"})


def test_a_dropped_target_can_be_approved(tree: Guarded) -> None:
    gone: dict[str | bytes, Content] = {"boards/float/board.mk": None}
    head = tree.propose(tree.edit(("      float:\n", "")) | gone)
    code, report, _ = tree.gate(head)
    assert (code, rules_of(report)) == (1, {"dropped-target"})
    assert tree.approve(head) == 0
    code, report, _ = tree.gate(head)
    assert (code, [reason["rule"] for reason in report["approved"]]) == (0, ["dropped-target"])


def test_an_approval_as_a_file_is_found_where_it_is_named(tree: Guarded) -> None:
    head = tree.propose(tree.edit(LARGER))
    file = tree.folder / "topic.approval"
    assert tree.approve(head, "--out", str(file)) == 0
    assert tree.list_approvals() == []
    assert tree.gate(head)[0] == 1
    code, report, _ = tree.gate(head, "--approval", str(file))
    assert (code, report["approvals"][0]["source"]) == (0, str(file))
    assert tree.gate(head, "--approval", str(tree.folder / "none"))[0] == 2


def test_an_approval_is_pushed_as_a_ref(tree: Guarded, tmp_path: Path) -> None:
    head = tree.propose(tree.edit(LARGER))
    clone = clone_repository(tree.repository, tmp_path / "clone")
    clone.git("fetch", "-q", "origin", head)
    server, tree.repository = tree.repository, clone
    try:
        assert tree.approve(head) == 0
        (ref,) = tree.list_approvals()
        clone.git("push", "-q", "origin", ref)
    finally:
        tree.repository = server
    assert tree.gate(head)[0] == 0


def test_a_change_of_one_byte_or_another_base_makes_an_approval_void(
    tree: Guarded, capsys: pytest.CaptureFixture[str]
) -> None:
    step = tree.edit(LARGER)
    head = tree.propose(step)
    file = tree.folder / "topic.approval"
    assert tree.approve(head, "--out", str(file)) == 0
    other = tree.propose(step | {"src/main.c": b"int main(void)\n{\n    return BLINKS + 0;\n}\n"})
    code, report, text = tree.gate(other, "--approval", str(file), capsys=capsys)
    assert (code, rules_of(report)) == (1, {"loosened"})
    assert (
        f"it is for another change: its head is {head[:20]}…, and this one's {other[:20]}…"
        in report["approvals"][0]["why"]
    )
    assert "it is for another change" in text
    base = tree.propose({"docs/a.md": b"a\n"})
    code, report, _ = tree.gate(head, "--approval", str(file), base=base)
    assert (code, rules_of(report)) == (1, {"loosened"})
    assert "its base is" in report["approvals"][0]["why"]
    # The same tree by another commit is another change as well: what lies between may differ.
    again = tree.propose({"docs/a.md": b"a\n"}, {**step, "docs/a.md": None})
    code, report, _ = tree.gate(again, "--approval", str(file))
    assert code == 1


def test_a_stranger_cannot_approve(tree: Guarded, capsys: pytest.CaptureFixture[str]) -> None:
    head = tree.propose(tree.edit(LARGER))
    mallory = make_key(tree.folder / "keys" / "others", "mallory")
    assert tree.approve(head, key=mallory) == 2
    assert "is not in the base's list of approvers" in capsys.readouterr().err
    assert tree.list_approvals() == []


def test_a_key_counts_until_its_last_day(tree: Guarded) -> None:
    for until, code in (("2020-01-01", 2), ("9999-12-31", 0)):
        base = tree.propose(tree.edit((f'"{tree.oda.public}"', f'"{tree.oda.public}", until: {until}')))
        text = tree.repository.ask("show", f"{base}:matrix.yml").replace("capacity: 256 B", "capacity: 1 KiB")
        head = tree.propose({"matrix.yml": text.encode() + b"\n"}, base=base)
        assert tree.approve(head, base=base) == code


def test_without_something_to_approve_nothing_is_signed(tree: Guarded, capsys: pytest.CaptureFixture[str]) -> None:
    head = tree.propose({"docs/a.md": b"a\n"})
    assert tree.approve(head) == 0
    assert capsys.readouterr().out == "nothing to approve: the change loosens nothing\n"
    assert tree.list_approvals() == []


def test_the_text_can_be_read_before_it_is_signed(tree: Guarded, capsys: pytest.CaptureFixture[str]) -> None:
    head = tree.propose(tree.edit(LARGER))
    assert tree.approve(head, "--show") == 0
    lines = capsys.readouterr().out.splitlines()
    base, tip = (f"{commit} {tree.repository.tree_of(commit)}" for commit in (tree.base, head))
    assert lines[:4] == ["gatekeep approval 1", "tree kelp", f"base {base}", f"head {tip}"]
    assert lines[4].startswith("matrix sha256:")
    assert lines[5].startswith("loosens the part internal: the capacity is raised from 256 B to 1 KiB; ")
    assert tree.list_approvals() == []
