"""
A red verdict cannot be turned green by anything that the change itself contains.

Each way is a real change to a real tree, gated with real builds; each is blocked, with its reason. Some also break
the pier, or outgrow it, where that is what the way is meant to hide.
"""

from __future__ import annotations

import subprocess
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest

from gatekeep.cli.edges import open_edges
from gatekeep.cli.judging import load_request
from gatekeep.model.approval import ApprovalRequest
from gatekeep.tree.merge import load_landing
from tests.guarded import BREAK, FAT, LINK, MAIN, MAKEFILE, MATRIX, Guarded, rules_of, waiver
from tests.repos import Content, Link, Submodule
from tests.ssh_keys import KeyPair, make_key

Files = Mapping[str | bytes, Content]


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> Guarded:
    return Guarded(tmp_path_factory.mktemp("guarded"))


@dataclass(frozen=True, slots=True)
class Way:
    """
    A change: edits of the matrix, files beside it, or several steps of both.

    `rule` and `words` are of a reason that blocks it.
    """

    name: str
    rule: str
    words: str
    edits: tuple[tuple[str, str], ...] = ()
    files: Files | None = None

    def __str__(self) -> str:
        return self.name


def granted(*waivers: str) -> bytes:
    return ("waivers: 1\ngranted:\n" + "".join(waivers)).encode()


BROKEN: Files = {"src/main.c": BREAK.encode()}
OUTGROWN: Files = {"src/main.c": FAT.encode()}
GONE: Files = {"boards/pier/board.mk": None}
WARNS: Files = {"src/main.c": MAIN.replace("    return", "    int unused;\n    return").encode()}
PIER = "      pier:\n"
SLOW = """\
  slow:
    build: [make, "BOARD={board}", "O={out}", "WARN=-Wall -Werror"]
    elf: "{out}/{board}.elf"
    time_limit: 24 h
"""

WAYS = (
    Way("drop the target", "dropped-target", "dropped from the matrix", ((PIER, "      quay:\n"),), GONE),
    Way(
        "rename the target",
        "dropped-target",
        "dropped from the matrix",
        ((PIER, "      jetty:\n"),),
        {**BROKEN, **GONE, "boards/jetty/board.mk": b"BLINKS := 4\n"},
    ),
    Way(
        "move the target to another port",
        "dropped-target",
        "dropped from the matrix",
        (("      float:\n", "      float:\n      pier:\n"), (PIER + "claims", "      quay:\nclaims")),
    ),
    Way(
        "move the target to a configuration that nothing builds",
        "dropped-target",
        "dropped from the matrix",
        ((PIER, "      pier: {configurations: {never: }}\n"),),
    ),
    Way(
        "add a target that may run for a day",
        "loosened",
        "its time limit is 86400 s, and no target of the base may take above 600 s",
        (
            ("parts:\n", SLOW + "parts:\n"),
            (PIER, PIER + "      jetty: {recipe: slow}\n"),
        ),
        {"boards/jetty/board.mk": b"BLINKS := 4\n"},
    ),
    Way(
        "raise the capacity", "loosened", "the capacity is raised", (("capacity: 256 B", "capacity: 4 KiB"),), OUTGROWN
    ),
    Way("lower the reserve", "loosened", "the reserve of flash is lowered", (("reserve: 10 %", "reserve: 1 %"),)),
    Way(
        "take the part off",
        "loosened",
        "nothing limits its images",
        ((PIER, "      pier: {part: null, part_address: null}\n"),),
        OUTGROWN,
    ),
    Way(
        "cut the part so that the image falls into a new region",
        "loosened",
        "is new, where flash was",
        (
            (
                "{capacity: 256 B, reserve: 10 %}",
                "{capacity: 256 B, regions: {flash: {at: 0 B, size: 16 B}, rest: {at: 16 B, size: 240 B}}}",
            ),
            (", growth_per_change: {flash: 64 B}", ""),
        ),
    ),
    Way(
        "let warnings pass",
        "loosened",
        "new warnings are only reported",
        (("warnings: block", "warnings: report"),),
        WARNS,
    ),
    Way("raise the growth limit", "loosened", "the growth limit of flash is raised", (("64 B}", "4 KiB}"),)),
    Way("remove the growth limit", "loosened", "is removed", ((", growth_per_change: {flash: 64 B}", ""),)),
    Way(
        "add a waiver",
        "loosened",
        "is waived from",
        (),
        {"waivers.yml": granted(waiver(), waiver("more", targets="cortex-m/float")), "boards/float/board.mk": b"x\n"},
    ),
    Way("extend a waiver", "loosened", "and no longer only", (), {"waivers.yml": granted(waiver(until_in_days=80))}),
    Way(
        "widen a waiver",
        "loosened",
        "was not waived",
        (),
        {"waivers.yml": granted(waiver(targets="cortex-r/*, cortex-m/*"))},
    ),
    Way(
        "waive another rule",
        "loosened",
        "rule outgrown is",
        (),
        {"waivers.yml": granted(waiver(rule="outgrown")), **OUTGROWN},
    ),
    Way(
        "let waivers last longer",
        "loosened",
        "a waiver may last 366 days",
        (("rules: {", "rules: {waiver_days: 366, "),),
    ),
    Way(
        "waive what cannot be waived",
        "matrix",
        "rule loosened cannot be waived",
        (),
        {"waivers.yml": granted(waiver(rule="loosened"))},
    ),
    Way(
        "claim nothing, and leave a board unbuilt",
        "loosened",
        "is claimed no longer",
        (('claims: ["boards/{board}/board.mk"]\n', ""),),
        {"boards/quay/board.mk": b"#error\n"},
    ),
    Way(
        "leave a board unbuilt, hidden from archives",
        "unclaimed-board",
        "no target of the matrix builds it",
        (),
        {
            "boards/quay/board.mk": b"#error\n",
            ".gitattributes": b"boards/quay export-ignore\nboards/quay/* -text -diff\n",
        },
    ),
    Way("drop -Werror from the recipe", "loosened", "-Werror is no longer passed", ((" -Werror", ""),)),
    Way(
        "silence warnings in the recipe",
        "loosened",
        "-w is passed now",
        (("-Wall -Werror", "-Wall -Werror -w"),),
        WARNS,
    ),
    Way(
        "pass the options to a shell, which leaves them lying",
        "loosened",
        "sh runs in its build now",
        (
            (
                '[make, "BOARD={board}", "O={out}", "WARN=-Wall -Werror"]',
                '[sh, -c, "make BOARD={board} O={out}", -Wall, -Werror]',
            ),
        ),
        WARNS,
    ),
    Way(
        "throw away what is printed",
        "loosened",
        "sh runs in its build now",
        (
            (
                '[make, "BOARD={board}", "O={out}", "WARN=-Wall -Werror"]',
                "[sh, -c, \"make BOARD={board} O={out} 'WARN=-Wall -Werror' 2>/dev/null\"]",
            ),
        ),
    ),
    Way(
        "pass the options by a variable that nothing reads",
        "loosened",
        "make is no longer handed -Wall -Werror by WARN",
        (('"WARN=-Wall -Werror"', '"NOTHING=-Wall -Werror"'),),
        WARNS,
    ),
    Way(
        "assign the variable once more",
        "loosened",
        "make is no longer handed -Wall -Werror by WARN",
        (('"WARN=-Wall -Werror"', '"WARN=-Wall -Werror", "WARN="'),),
        WARNS,
    ),
    Way("allow a wider toolchain", "loosened", "versions >=1,<20 are allowed", ((">=10,<20", ">=1,<20"),)),
    Way(
        "ask another program for the version",
        "loosened",
        "its version is asked by",
        (("[arm-none-eabi-gcc, --version]", "[echo, 12]"),),
    ),
    Way(
        "ask for a compiler cache, which a build could fill with anything",
        "loosened",
        "objects of arm-none-eabi-gcc may be taken from a compile cache",
        ((', allow: ">=10,<20"}', ', allow: ">=10,<20", compile_cache: {in_front_of: [arm-none-eabi-gcc]}}'),),
    ),
    Way(
        "say that the port is another machine",
        "loosened",
        "the machine of its ELF files is changed",
        (("ARM\n    bits: 32", "AARCH64\n    bits: 64"),),
    ),
    Way(
        "say nothing of the port's machine",
        "loosened",
        "is no longer checked",
        (("    machine: ARM\n    bits: 32\n", "    bits: 32\n"),),
    ),
    Way("say nothing of the port's bits", "loosened", "is no longer checked", (("    bits: 32\n", ""),)),
    Way(
        "move the part in the address space",
        "loosened",
        "the address of its part is changed",
        (("0x0800_0000", "0x0900_0000"),),
        OUTGROWN,
    ),
    Way("raise the time limit", "loosened", "the time limit is raised", (("60 s", "600 s"),)),
    Way(
        "name oneself an approver",
        "loosened",
        "may approve by the key",
        (("approvers:\n", 'approvers:\n  eve: {key: "EVE"}\n'),),
    ),
    Way("remove the matrix", "matrix", "matrix.yml is gone", (), {"matrix.yml": None}),
    Way("move the matrix", "matrix", "matrix.yml is gone", (), {"matrix.yml": None, "m/matrix.yml": MATRIX.encode()}),
    Way(
        "put a symlink in the matrix' place",
        "matrix",
        "matrix.yml is gone",
        (),
        {"matrix.yml": Link(b"m.yml"), "m.yml": MATRIX.encode()},
    ),
    Way(
        "put a folder in the matrix' place",
        "matrix",
        "matrix.yml is gone",
        (),
        {"matrix.yml": None, "matrix.yml/a": b"matrix: 1\n"},
    ),
    Way("make the matrix unreadable", "matrix", "matrix.yml:", (), {"matrix.yml": b"matrix: [\n"}),
    Way("write a key twice", "matrix", "stands here again", (("rules:", "rules: {new_warnings: report}\nrules:"),)),
    Way("make the waivers unreadable", "matrix", "waivers.yml:", (), {"waivers.yml": b"{\n"}),
    Way(
        "measure nothing but an archive",
        "loosened",
        "no ELF file is checked",
        (('    elf: "{out}/{board}.elf"', '    archives: ["{out}/{board}.elf"]'),),
    ),
)


@pytest.mark.parametrize("way", WAYS, ids=str)
def test_a_change_cannot(tree: Guarded, way: Way) -> None:
    eve = make_key(tree.folder / "keys" / way.name.replace(" ", "-").replace("'", ""), "eve")
    edits = tuple((old, new.replace("EVE", eve.public)) for old, new in way.edits)
    head = tree.propose({**(tree.edit(*edits) if edits else {}), **(way.files or {})})
    code, report, _ = tree.gate(head)
    assert code == 1
    assert report["verdict"] == "block"
    said = [reason["message"] for reason in report["reasons"] if reason["rule"] == way.rule]
    assert any(way.words in message for message in said), report["reasons"]


def link(folder: Path, source: str) -> bytes:
    """An image as the tree would make it, of other sources."""
    (folder / "other.c").write_text(source)
    (folder / "link.ld").write_text(LINK)
    options = ["-mcpu=cortex-m3", "-mthumb", "-Os", "-ffreestanding", "-nostdlib", "-DBLINKS=3"]
    command = ["arm-none-eabi-gcc", *options, "-Wl,-T,link.ld", "-o", "other.elf", "other.c"]
    subprocess.run(command, cwd=folder, check=True, capture_output=True)
    return (folder / "other.elf").read_bytes()


RECIPE = 'build: [make, "BOARD={board}", "O={out}", "WARN=-Wall -Werror"]\n    elf: "{out}/{board}.elf"'
STEALTHY = MAKEFILE.replace("\tarm-none-eabi-gcc", "\ttrue arm-none-eabi-gcc") + "\tcp prebuilt/pier.elf $@\n"


@pytest.mark.parametrize("how", ["by the recipe", "by the makefile", "built in the tree"])
def test_an_image_that_lies_in_the_tree_is_not_taken_for_a_built_one(tree: Guarded, tmp_path: Path, how: str) -> None:
    files: dict[str | bytes, Content] = {"prebuilt/pier.elf": link(tmp_path, MAIN), **BROKEN}
    if how == "by the makefile":
        files["Makefile"] = STEALTHY.encode()
    elif how == "by the recipe":
        copy = 'build: [sh, -c, "cp prebuilt/pier.elf {out}/{board}.elf", -Wall, -Werror]\n    elf: "{out}/{board}.elf"'
        files |= tree.edit((RECIPE, copy))
    else:
        nothing = 'build: ["true", -Wall, -Werror]\n    elf: "{tree}/prebuilt/pier.elf"\n    builds_in_tree: true'
        files |= tree.edit((RECIPE, nothing))
    code, report, _ = tree.gate(tree.propose(files))
    assert code == 1
    assert "prebuilt" in rules_of(report)
    reason = next(reason for reason in report["reasons"] if reason["rule"] == "prebuilt")
    assert "what was measured is prebuilt/pier.elf of the tree, byte for byte" in reason["message"]


def test_a_file_that_equals_an_image_is_seen_before_anything_copies_it(tree: Guarded, tmp_path: Path) -> None:
    """Else it could land as a harmless file, and the recipe that copies it in the next change."""
    as_built = link(tmp_path, MAIN)
    copied = tree.propose({"src/main.c": MAIN.encode(), "prebuilt/pier.elf": as_built, "Makefile": STEALTHY.encode()})
    assert rules_of(tree.gate(copied)[1]) == {"prebuilt"}
    first = tree.propose({"prebuilt/pier.elf": as_built, "Makefile": MAKEFILE.replace("$(WARN) ", "").encode()})
    second = tree.propose({"Makefile": STEALTHY.encode()}, base=first)
    assert "prebuilt" in rules_of(tree.gate(second, base=first)[1]) | rules_of(tree.gate(first)[1])


def test_the_tree_itself_passes(tree: Guarded) -> None:
    """Else all of the above would be blocked for nothing."""
    head = tree.propose({"docs/a.md": b"a\n", "waivers.yml": b"waivers: 1\n"})
    assert tree.gate(head)[0] == 0


LOOSER = (("capacity: 256 B", "capacity: 4 KiB"),)


def test_a_loosening_that_a_later_commit_takes_back_blocks(tree: Guarded) -> None:
    head = tree.propose(
        {**tree.edit(*LOOSER), **OUTGROWN},
        {"matrix.yml": tree.matrix.encode(), "src/main.c": MAIN.encode(), "docs/a.md": b"a\n"},
    )
    code, report, _ = tree.gate(head)
    assert (code, rules_of(report)) == (1, {"loosened", "outgrown"})
    assert all("but every commit of a change must hold" in reason["details"][-1] for reason in report["reasons"])


def test_a_matrix_that_is_unreadable_midway_blocks(tree: Guarded) -> None:
    head = tree.propose(
        {"matrix.yml": b"matrix: [\n", "src/main.c": BREAK.encode()}, {"matrix.yml": tree.matrix.encode()}
    )
    code, report, _ = tree.gate(head)
    assert (code, rules_of(report)) == (1, {"matrix"})


def test_a_change_is_judged_as_it_is_and_not_as_a_replacement_shows_it(tree: Guarded) -> None:
    """Source: git-replace(1): refs/replace, which anybody may push, makes git show another commit in its place."""
    head, harmless = tree.propose(tree.edit(*LOOSER)), tree.propose({"docs/a.md": b"a\n"})
    tree.repository.git("replace", head, harmless)
    try:
        code, report, _ = tree.gate(head)
    finally:
        tree.repository.git("replace", "-d", head)
    assert (code, rules_of(report)) == (1, {"loosened"})


def test_a_submodule_hides_no_board(tree: Guarded) -> None:
    """What cannot be read cannot be judged: undecided, which is never a pass."""
    sub = Submodule(tree.base)
    code, report, _ = tree.gate(tree.propose({"boards/pier": sub, "boards/pier/board.mk": None}))
    assert (code, report["verdict"]) == (3, "undecided")


def test_a_branch_that_is_merged_hides_no_loosening(tree: Guarded) -> None:
    side = tree.propose(tree.edit(*LOOSER))
    main = tree.propose({"docs/a.md": b"a\n"})
    head = tree.repository.commit({"matrix.yml": tree.matrix.encode()}, branch="evil", parents=[main, side])
    code, report, _ = tree.gate(head)
    assert (code, rules_of(report)) == (1, {"loosened"})


@pytest.fixture(scope="module")
def moved(tree: Guarded) -> tuple[str, str]:
    """Where a base was, and where it is since it mended the float, added a board and took a smaller part."""
    broken = MAIN.replace("return", "#if BLINKS == 2\n#error not yet\n#endif\n    return")
    old = tree.propose({"src/main.c": broken.encode()})
    smaller = tree.edit(("capacity: 256 B", "capacity: 128 B"), (PIER, PIER + "      jetty:\n"))
    return old, tree.propose(
        {"src/main.c": MAIN.encode(), **smaller, "boards/jetty/board.mk": b"BLINKS := 4\n"}, base=old
    )


class TestOldTrees:
    """A merge may carry any tree, also one that the base has left behind."""

    SHAPES = (
        "one commit",
        "a merge with an empty commit",
        "a merge with a document",
        "a merge whose first parent is the old commit",
        "a merge with the base's own past",
        "a merge of three",
        "a merge, and an empty commit after it",
        "a commit after an honest merge",
        "a merge across merges",
        "a merge with a history of its own",
        "a merge of a merge that lands alone",
    )

    @pytest.mark.parametrize("shape", SHAPES)
    def test_what_the_base_has_gained_is_not_taken_back_by(
        self, tree: Guarded, moved: tuple[str, str], shape: str
    ) -> None:
        old, base = moved
        empty = self.commit(tree, old, old)
        document = tree.propose({"docs/a.md": b"a\n"}, base=old)
        match shape:
            case "one commit":
                head = self.commit(tree, old, base)
            case "a merge with an empty commit":
                head = self.commit(tree, old, base, empty)
            case "a merge with a document":
                head = self.commit(tree, document, base, document)
            case "a merge whose first parent is the old commit":
                head = self.commit(tree, document, document, base)
            case "a merge with the base's own past":
                head = self.commit(tree, old, base, old)
            case "a merge of three":
                head = self.commit(tree, old, base, empty, document)
            case "a merge, and an empty commit after it":
                merged = self.commit(tree, document, base, document)
                head = self.commit(tree, merged, merged)
            case "a commit after an honest merge":
                head = self.commit(tree, document, self.commit(tree, base, base, document))
            case "a merge across merges":
                side = self.commit(tree, old, empty, document)
                head = self.commit(tree, document, self.commit(tree, base, base, document), side)
            case "a merge with a history of its own":
                head = self.commit(tree, old, base, self.commit(tree, old))
            case _:
                # Its first parent keeps the base's tree, so that nothing but the last merge would show it.
                head = self.commit(tree, old, self.commit(tree, base, base), self.commit(tree, old, empty, document))
        code, report, _ = tree.gate(head, base=base)
        assert code == 1
        assert {"dropped-target", "loosened", "broken"} <= rules_of(report)
        said = {(reason["rule"], *reason["targets"]) for reason in report["reasons"]}
        assert ("dropped-target", "cortex-r/jetty") in said
        assert ("broken", "cortex-m/float") in said
        assert any("is raised from 128 B to 256 B" in reason["message"] for reason in report["reasons"])

    def test_a_tree_from_before_there_was_a_matrix_has_none(self, tree: Guarded) -> None:
        """What left the base's history before that removes no matrix; the same tree merged with the base does."""
        old = tree.propose({"matrix.yml": None, "waivers.yml": None})
        base = self.commit(tree, tree.base, old)
        before = tree.propose({"docs/a.md": b"a\n"}, base=old)
        assert tree.gate(before, base=base)[0] == 0
        code, report, _ = tree.gate(self.commit(tree, before, base, before), base=base)
        assert (code, rules_of(report)) == (1, {"matrix"})

    @staticmethod
    def commit(tree: Guarded, content: str, *parents: str) -> str:
        """A commit with the tree of another."""
        named = [word for parent in parents for word in ("-p", parent)]
        return tree.repository.ask("commit-tree", *named, "-m", "Merge", f"{content}^{{tree}}")


@pytest.mark.parametrize("link", ["ci/matrix.yml", "ci"])
def test_a_link_in_the_checkout_does_not_lead_past_the_bases_matrix(
    tree: Guarded, monkeypatch: pytest.MonkeyPatch, link: str
) -> None:
    """As a CI job runs it: in a checkout of the change, with the matrix named."""
    base = tree.propose({"ci/matrix.yml": tree.matrix.encode()})
    loose = tree.edit(*LOOSER)["matrix.yml"]
    target = b"../evil/matrix.yml" if link.endswith(".yml") else b"evil"
    gone: Files = {"ci/matrix.yml": None} if link == "ci" else {}
    head = tree.propose({**gone, link: Link(target), "evil/matrix.yml": loose, **OUTGROWN}, base=base)
    tree.repository.git("checkout", "-q", "-f", "--detach", head)
    monkeypatch.chdir(tree.repository.path)
    code, report, _ = tree.gate(head, "--matrix", "ci/matrix.yml", base=base)
    assert (code, report["matrix"]) == (1, "ci/matrix.yml")
    assert {"matrix", "outgrown"} <= rules_of(report)


def test_a_recipe_of_the_change_is_not_given_a_secret_that_the_base_does_not_keep(
    tree: Guarded, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SKERRY_TOKEN", "s3cr3t")
    spill = MAKEFILE + "\t@echo token $(SKERRY_TOKEN) >&2; false\n"
    asks = ("    time_limit: 60 s\n", "    time_limit: 60 s\n    keep_environment: [SKERRY_TOKEN]\n")
    code, report, _ = tree.gate(tree.propose({**tree.edit(asks), "Makefile": spill.encode()}))
    assert (code, rules_of(report)) == (1, {"loosened", "broken"})
    assert any("builds are given SKERRY_TOKEN" in reason["message"] for reason in report["reasons"])
    assert "s3cr3t" not in str(report)
    assert not [path for path in tree.store.rglob("*") if path.is_file() and b"s3cr3t" in path.read_bytes()]


def test_a_secret_that_the_base_kept_once_is_not_given_to_a_change_that_leaves_it_there(
    tree: Guarded, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever makes a change chooses where it begins."""
    monkeypatch.setenv("SKERRY_TOKEN", "0ld-s3cr3t")
    kept = tree.edit(("    time_limit: 60 s\n", "    time_limit: 60 s\n    keep_environment: [SKERRY_TOKEN]\n"))
    fork = tree.propose(kept)
    base = tree.propose(tree.edit(), base=fork)
    spill = MAKEFILE + "\t@echo token $(SKERRY_TOKEN) >&2; false\n"
    code, report, _ = tree.gate(tree.propose({"Makefile": spill.encode()}, base=fork), base=base)
    assert (code, rules_of(report)) == (1, {"broken"})
    assert "0ld-s3cr3t" not in str(report)
    assert not [path for path in tree.store.rglob("*") if path.is_file() and b"0ld-s3cr3t" in path.read_bytes()]


def test_builds_of_a_change_are_held_to_the_bases_limits_until_they_are_approved(tree: Guarded) -> None:
    """And what was seen under the smaller limit is not taken for a result under the larger."""
    base = tree.propose(tree.edit(("time_limit: 60 s", "time_limit: 3 s")))
    slow = MAKEFILE + "\t@[ $(BOARD) != pier ] || sleep 4\n"
    head = tree.propose({**tree.edit(), "Makefile": slow.encode()}, base=base)
    tree.drop_approvals()
    code, report, _ = tree.gate(head, base=base)
    assert (code, rules_of(report)) == (1, {"loosened", "timed-out"})
    assert any("its time limit of 3 s" in reason["message"] for reason in report["reasons"]), report["reasons"]
    assert tree.approve(head, base=base) == 0
    code, report, _ = tree.gate(head, base=base)
    assert code == 0, report["reasons"]
    tree.drop_approvals()
    code, report, _ = tree.gate(head, base=base)
    assert (code, rules_of(report)) == (1, {"loosened", "timed-out"})


def test_a_line_that_a_linker_could_have_printed_does_not_bring_a_broken_target_under_a_waiver(tree: Guarded) -> None:
    base = tree.propose({"waivers.yml": granted(waiver(rule="outgrown"))})
    line = "ld: region `ROM' overflowed by 4 bytes"
    cloak = MAKEFILE + f'\t@if [ $(BOARD) = pier ]; then echo "{line.replace("`", chr(92) + "`")}"; exit 1; fi\n'
    code, report, _ = tree.gate(tree.propose({"Makefile": cloak.encode()}, base=base), base=base)
    assert (code, rules_of(report)) == (1, {"outgrown"})
    assert "pier-part does not waive it" in report["reasons"][0]["details"][-1]


NOISE = "\thead -c {count} /dev/zero | tr '\\000' x | fold -w 100\n"


@pytest.mark.parametrize(("count", "code", "rules"), [(7_000_000, 1, {"new-warning"}), (17_000_000, 3, {"undecided"})])
def test_a_warning_that_is_drowned_in_output_is_seen_or_nothing_is_decided(
    tree: Guarded, count: int, code: int, rules: set[str]
) -> None:
    noise = NOISE.format(count=count)
    head, compile_line = MAKEFILE.replace("$(WARN)", "-Wall").split("\tarm-none", 1)
    drowned = f"{head}{noise}\tarm-none{compile_line}{noise}"
    ended, report, _ = tree.gate(tree.propose({"Makefile": drowned.encode(), **WARNS}))
    assert (ended, rules_of(report)) == (code, rules)
    (reason,) = report["reasons"]
    assert len(reason["targets"]) == 3
    assert all(len((tree.folder / path).read_bytes()) <= 4 * 1024**2 for path in reason["logs"])
    if code == 3:
        assert "so that a new warning may be unseen" in reason["message"]
        # What cannot be read is not carried on as read either: the same again is as undecided.
        assert tree.gate(tree.propose({"Makefile": drowned.encode(), **WARNS, "docs/c.md": b"c\n"}))[0] == 3


class TestApprovals:
    """Nothing in a change can approve it."""

    @pytest.fixture(autouse=True)
    def _without_approvals(self, tree: Guarded) -> None:
        tree.drop_approvals()

    def test_a_key_that_the_change_itself_lists_approves_nothing(self, tree: Guarded) -> None:
        eve = make_key(tree.folder / "keys" / "self", "eve")
        mine = ("approvers:\n", f'approvers:\n  eve: {{key: "{eve.public}"}}\n')
        head = tree.propose(tree.edit(mine, *LOOSER))
        self.plant(tree, head, sign_as(tree, head, eve))
        code, report, _ = tree.gate(head)
        assert (code, rules_of(report)) == (1, {"loosened"})
        assert "is not in the base's list of approvers" in report["approvals"][0]["why"]

    def test_the_approval_of_another_change_is_no_use(self, tree: Guarded) -> None:
        other, head = tree.propose(tree.edit(*LOOSER)), tree.propose({**tree.edit(*LOOSER), "docs/b.md": b"b\n"})
        self.plant(tree, head, sign_as(tree, other, tree.oda))
        code, report, _ = tree.gate(head)
        assert (code, rules_of(report)) == (1, {"loosened"})
        assert "it is for another change: its head is" in report["approvals"][0]["why"]

    def test_what_oda_signed_for_git_is_no_approval(self, tree: Guarded) -> None:
        head = tree.propose(tree.edit(*LOOSER))
        self.plant(tree, head, sign_as(tree, head, tree.oda, "git"))
        code, report, _ = tree.gate(head)
        assert code == 1
        assert report["approvals"][0]["why"] == "the signature is not of this text as an approval"

    def test_a_ref_of_something_else_is_no_approval(self, tree: Guarded) -> None:
        head = tree.propose(tree.edit(*LOOSER))
        digest = request_of(tree, head).digest
        tree.repository.git("update-ref", f"refs/gatekeep/approvals/{digest}/0", head)
        code, report, _ = tree.gate(head)
        assert code == 1
        assert report["approvals"][0]["why"].startswith("it is no approval")

    def test_the_name_of_an_approver_on_a_commit_has_no_weight(self, tree: Guarded) -> None:
        first = tree.propose(tree.edit(*LOOSER))
        signed_off = "Larger part\n\nApproved-by: oda\nSigned-off-by: Oda Brekke <oda@kelp.example>"
        person = {"NAME": "oda", "EMAIL": "oda@kelp.example"}
        names = {f"GIT_{role}_{what}": said for role in ("AUTHOR", "COMMITTER") for what, said in person.items()}
        commit = ("commit-tree", "-p", tree.base, "-m", signed_off, f"{first}^{{tree}}")
        head = tree.repository.git(*commit, feed=b"", **names).decode().strip()
        code, report, _ = tree.gate(head)
        assert (code, rules_of(report)) == (1, {"loosened"})

    def test_a_true_approval_is_found_among_any_number_of_others(self, tree: Guarded) -> None:
        """Whoever can push can put refs there, and the digest that they lie under is no secret."""
        head = tree.propose(tree.edit(*LOOSER))
        assert tree.approve(head) == 0
        true = sign_as(tree, head, tree.oda)
        text, begin, armour = true.partition(b"-----BEGIN SSH SIGNATURE-----")
        eve = make_key(tree.folder / "keys" / "many", "eve")
        junk = [head, *(tree.repository.write_blob(one) for one in (b"", b"x", bytes(3 << 20)))]
        for number in range(100):
            claims = sign_as(tree, head, eve) if number == 0 else true
            lines = claims.partition(begin)[2].split(b"\n")
            lines[3] = b"A%02d" % number + lines[3][3:]
            forged = text + begin + b"\n".join(lines)
            junk += [tree.repository.write_blob(forged), tree.repository.write_blob(b"%d" % number + forged)]
        prefix = f"refs/gatekeep/approvals/{request_of(tree, head).digest}"
        updates = "".join(f"create {prefix}/0{number:04} {object_id}\n" for number, object_id in enumerate(junk))
        tree.repository.git("update-ref", "--stdin", feed=updates.encode())
        assert armour
        code, report, _ = tree.gate(head)
        assert code == 0, report["reasons"]
        assert len(report["approvals"]) <= 100
        assert [one["approver"] for one in report["approvals"] if one["approver"]] == ["oda"]

    def test_an_approval_that_lies_in_the_tree_is_a_file(self, tree: Guarded) -> None:
        step = tree.edit(*LOOSER)
        file = sign_as(tree, tree.propose(step), tree.oda)
        head = tree.propose({**step, "topic.approval": file, f"refs/gatekeep/approvals/{'0' * 64}/0": file})
        code, report, _ = tree.gate(head)
        assert (code, report["approvals"]) == (1, [])

    def plant(self, tree: Guarded, head: str, content: bytes) -> None:
        """Put a file where the gate looks for approvals of a change, as anybody may who can push."""
        ref = f"refs/gatekeep/approvals/{request_of(tree, head).digest}/0"
        tree.repository.git("update-ref", ref, tree.repository.write_blob(content))


def request_of(tree: Guarded, head: str) -> ApprovalRequest:
    """What has to be approved of a change to the tree."""
    with open_edges(tree.repository.path, store=tree.store, verbose=False) as edges:
        return load_request(edges, load_landing(edges.repository, tree.base, head), None)[0]


def sign_as(tree: Guarded, head: str, key: KeyPair, namespace: str = "gatekeep-approval") -> bytes:
    """Sign by hand, as no command of ours would."""
    text = request_of(tree, head).text.encode()
    command = ["ssh-keygen", "-q", "-Y", "sign", "-n", namespace, "-f", str(key.private)]
    signature: bytes = subprocess.run(command, input=text, check=True, capture_output=True).stdout
    return text + signature
