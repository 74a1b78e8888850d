"""Which build answers for a target, and what reaches a target besides what it reads."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime

from gatekeep.model.evidence import Evidence
from gatekeep.model.matrix import Maintainer
from gatekeep.model.readset import Carried, ReadSet
from gatekeep.runner.reach import make_change
from gatekeep.runner.reach_book import WordBook
from gatekeep.runner.reach_trees import compare_entries
from gatekeep.runner.reached import NEW_TARGET, OTHER_ENTRY, TargetReach, choose_witnesses, find_reached
from gatekeep.tree.listing import FILE, Entry
from tests.cases import BASE, make_commit, make_evidence, make_matrix, make_target

MATRIX = make_matrix(("arm/mere", "mips/holm"))
OLD = {"Makefile": b"all:", "boards/mere.c": b"int a;", "boards/holm.c": b"int b;"}


def read(target: str, *files: str, number: int = 1, day: int = 1) -> Evidence:
    return replace(
        make_evidence(make_commit(number), target),
        read_set=ReadSet(files=("Makefile", *files), folders=()),
        started_at=datetime(2026, 1, day, tzinfo=UTC),
    )


def ask(witnesses: Mapping[str, Evidence], new: Mapping[str, bytes], **matrices: object) -> list[TargetReach]:
    blobs: dict[str, bytes] = {}

    def enter(content: bytes) -> Entry:
        name = hashlib.sha1(content).hexdigest()
        blobs[name] = content
        return Entry(FILE, name)

    def read_blobs(wanted: Sequence[str]) -> list[bytes]:
        return [blobs[name] for name in wanted]

    old_entries, new_entries = ({path: enter(text) for path, text in tree.items()} for tree in (OLD, new))
    change = make_change(
        "1" * 40, "2" * 40, compare_entries(old_entries, new_entries, unknown={}), old_entries=old_entries
    )
    return list(
        find_reached(
            matrices.get("base", MATRIX),  # type: ignore[arg-type]  # a matrix
            matrices.get("head", MATRIX),  # type: ignore[arg-type]  # a matrix
            witnesses=witnesses,
            change=change,
            book=WordBook(read_blobs),
            environment={},
        )
    )


def test_what_was_built_at_the_base_answers_before_newer_builds_elsewhere() -> None:
    here, newer = read("arm/mere", day=1), read("arm/mere", "x.h", number=3, day=9)
    assert choose_witnesses([here], [newer]) == {"arm/mere": here}
    assert choose_witnesses([], [newer, read("arm/mere", number=2, day=5)]) == {"arm/mere": newer}


def test_what_was_built_at_the_base_answers_before_what_was_carried_to_it() -> None:
    built = read("arm/mere", day=1)
    carried = replace(read("arm/mere", day=9), carried=Carried(tree_id="3" * 40, commit_id="3" * 40))
    assert choose_witnesses([built, carried], []) == choose_witnesses([carried, built], []) == {"arm/mere": built}


def test_a_build_without_a_read_set_answers_nothing() -> None:
    assert choose_witnesses([make_evidence(BASE, "arm/mere")], []) == {}


def test_each_target_is_reached_spared_or_not_known() -> None:
    answers = ask({"arm/mere": read("arm/mere", "boards/mere.c")}, OLD | {"boards/mere.c": b"int c;"})
    assert [(one.target, one.is_known, one.is_reached) for one in answers] == [
        ("arm/mere", True, True),
        ("mips/holm", False, False),
    ]
    assert answers[0].cause is not None
    assert answers[0].cause.render() == "boards/mere.c, which it reads, is modified"
    spared = ask({"mips/holm": read("mips/holm", "boards/holm.c")}, OLD | {"boards/mere.c": b"int c;"})[1]
    assert (spared.is_known, spared.is_reached) == (True, False)


def test_a_target_whose_entry_in_the_matrix_differs_is_reached_whatever_it_reads() -> None:
    witnesses = {name: read(name) for name in ("arm/mere", "mips/holm")}
    other = replace(MATRIX, targets=(replace(make_target("arm/mere"), settings=(("o", "2"),)), MATRIX.targets[1]))
    assert [one.entry for one in ask(witnesses, OLD, head=other)] == [OTHER_ENTRY, None]
    fewer = make_matrix(("mips/holm",))
    assert [one.entry for one in ask(witnesses, OLD, base=fewer)] == [NEW_TARGET, None]


def test_maintainers_and_places_in_the_file_reach_nobody() -> None:
    witnesses = {name: read(name) for name in ("arm/mere", "mips/holm")}
    new_people = tuple(
        replace(port, maintainers=(Maintainer(name="Oda Brekke", email="oda@kelp.example"),)) for port in MATRIX.ports
    )
    answers = ask(witnesses, OLD, head=replace(MATRIX, ports=new_people))
    assert [(one.entry, one.cause) for one in answers] == [(None, None)] * 2
