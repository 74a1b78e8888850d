"""The rule for carrying: what a difference between two trees reaches."""

from __future__ import annotations

import hashlib
import random
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gatekeep.model.readset import ReadSet
from gatekeep.runner.reach import Reached, TreeChange, find_reach, make_change
from gatekeep.runner.reach_book import WordBook
from gatekeep.runner.reach_index import ReachIndex
from gatekeep.runner.reach_trees import compare_entries
from gatekeep.runner.reach_words import MAX_BLOB_BYTES, words_of_target
from gatekeep.tree.listing import EXECUTABLE, FILE, SUBMODULE, SYMLINK, Entry
from tests.judgements import make_target
from tests.model_build import VARIABLES, Content, Link, ModelBuild, Module, Program, Tree, change_tree, make_tree


class Shelf:
    """Blobs by name, as a repository has them."""

    def __init__(self) -> None:
        self.blobs: dict[str, bytes] = {}
        self.reads: list[str] = []
        self.book = WordBook(self.read)

    def read(self, blob_ids: Sequence[str]) -> Iterable[bytes]:
        self.reads.extend(blob_ids)
        return [self.blobs[blob_id] for blob_id in blob_ids]

    def enter(self, content: Content) -> Entry:
        match content:
            case Module():
                return Entry(SUBMODULE, content.commit_id)
            case Link():
                mode, data = SYMLINK, content.target
            case Program():
                mode, data = EXECUTABLE, content.content
            case _:
                mode, data = FILE, content
        blob_id = hashlib.sha1(data).hexdigest()
        self.blobs[blob_id] = data
        return Entry(mode, blob_id)

    def list(self, tree: Tree) -> dict[str, Entry]:
        return {path: self.enter(content) for path, content in sorted(tree.items())}

    def compare(
        self, old: Tree, new: Tree, *, attributes_matter: bool = True, resized: tuple[str, ...] = ()
    ) -> TreeChange:
        before, after = self.list(old), self.list(new)
        deltas = compare_entries(before, after, unknown={})
        return make_change(
            "old", "new", deltas, old_entries=before, attributes_matter=attributes_matter, resized=resized
        )


def reading(*files: str, listing: tuple[str, ...] = ()) -> ReadSet:
    return ReadSet(files=tuple(sorted(files)), folders=tuple(sorted(listing)))


def reach(
    old: Tree, new: Tree, read_set: ReadSet, *, own: bytes = b"", resized: tuple[str, ...] = ()
) -> Reached | None:
    """Ask both, the rule and the index, and hold them equal."""
    shelf = Shelf()
    change = shelf.compare(old, new, resized=resized)
    own_words = frozenset(own.split())
    found = find_reach(read_set, change, book=shelf.book, own_words=own_words)
    index = ReachIndex({"t": read_set}, book=shelf.book, own_words={"t": own_words})
    assert index.reached(change) == ({} if found is None else {"t": found})
    return found


def explain(old: Tree, new: Tree, read_set: ReadSet, *, own: bytes = b"", resized: tuple[str, ...] = ()) -> str:
    found = reach(old, new, read_set, own=own, resized=resized)
    return "carried" if found is None else found.render()


UART = b'#include "uart.h"\n'
BASE: Tree = {
    "Makefile": b"include boards/$(BOARD)/board.mk\n-include config/$(BOARD).mk\nCFLAGS += -Iinclude -Ioptional\n",
    "boards/vale/board.mk": b"ARCH = riscv\nSRC += drivers/uart.c\n",
    "boards/tarn/board.mk": b"ARCH = arm\n",
    "boards/tarn/pins.h": b"#define LED 3\n",
    "config/holm.mk": b"X = 1\n",
    "drivers/uart.c": UART,
    "drivers/spi.c": b"int spi;\n",
    "include/uart.h": b"int uart;\n",
    "include/spi.h": b"int spi;\n",
    "optional/holm.h": b"\n",
    "docs/porting.md": b"How to\n",
}
WORDS = "whose name it may put together from words that it reads"
VALE = reading("Makefile", "boards/vale/board.mk", "drivers/uart.c", "include/uart.h")


def after(**changes: Content | None) -> Tree:
    """BASE with some paths changed; `__` stands for `/`, `_dot_` for `.`."""
    tree = dict(BASE)
    for name, content in changes.items():
        path = name.replace("__", "/").replace("_dot_", ".")
        if content is None:
            del tree[path]
        else:
            tree[path] = content
    return tree


@pytest.mark.parametrize(
    ("new", "wanted"),
    [
        (after(drivers__uart_dot_c=b"x"), "drivers/uart.c, which it reads, is modified"),
        (after(drivers__spi_dot_c=b"x"), "carried"),
        (after(docs__porting_dot_md=b"x"), "carried"),
        (after(docs__new_dot_md=b"x"), "carried"),
        (after(drivers__uart_dot_c=None), "drivers/uart.c, which it reads, is removed"),
        (after(drivers__uart_dot_c=Program(UART)), "drivers/uart.c, which it reads, has another mode"),
        (after(drivers__uart_dot_c=Link(b"spi.c")), "drivers/uart.c, which it reads, is of another type"),
        # It read drivers/uart.c and never listed the folder: it must have guessed the name.
        (after(drivers__can_dot_c=b"x"), "carried"),
        (after(drivers__spi_dot_c=None), "carried"),
        (after(drivers__zebra__can_dot_c=b"x"), "carried"),
        (after(drivers__uart_dot_S=b"x"), f"drivers/uart.S, {WORDS}, is added"),
        (after(drivers__uart__can_dot_c=b"x"), f"drivers/uart/can.c, {WORDS}, is added"),
        (after(drivers__net__phy_dot_c=b"x"), f"drivers/net/phy.c, {WORDS}, is added"),
        (after(drivers__main_dot_c=b"x"), f"drivers/main.c, {WORDS}, is added"),
        (after(drivers__can_dot_mk=b"x"), "drivers/can.mk, in a folder that it reads, is added"),
        (after(drivers__can_dot_c=Program(b"x")), "drivers/can.c, in a folder that it reads, is added"),
        (after(drivers__can_dot_c=Link(b"spi.c")), "drivers/can.c, in a folder that it reads, is added"),
        (
            after(optional__uart_dot_h=b"x"),
            "optional/uart.h, named like include/uart.h, which it reads, is added",
        ),
        (
            after(optional__UART_dot_H=b"x"),
            "optional/UART.H, named like include/uart.h, which it reads, is added",
        ),
        (
            after(optional__uart_dot_h_dot_gch=b"x"),
            "optional/uart.h.gch, named like include/uart.h, which it reads, is added",
        ),
        (after(boards__tarn__extra_dot_h=b"x"), "carried"),
        (after(boards__tarn__pins_dot_h=None), "carried"),
        # A new board's files are named like every board's; nobody else has words for its folder.
        (after(boards__shoal__board_dot_mk=b"x"), "carried"),
        (
            after(optional__riscv_dot_h=b"x"),
            "optional/riscv.h, whose name it may put together from words that it reads, is added",
        ),
        (after(optional__mips_dot_h=b"x"), "carried"),
        (
            after(optional__include=Link(b"../config")),
            "optional/include, named like a folder on the way to what it reads, is added",
        ),
    ],
)
def test_what_reaches_a_target(new: Tree, wanted: str) -> None:
    assert explain(BASE, new, VALE) == wanted


def test_an_optional_file_is_found_by_the_recipes_words() -> None:
    new = after(config__shoal_dot_mk=b"x")
    assert explain(BASE, new, VALE, own=b"make shoal") == f"config/shoal.mk, {WORDS}, is added"
    assert explain(BASE, new, VALE) == "carried"


def test_names_put_together_from_parts_are_found() -> None:
    old: Tree = {
        "Makefile": b"-include $(A)$(B)/$(CHIP)_$(REV)0.h\nA=sky\nB=lark\nCHIP=kelp\nREV=rev\n",
        "skylark/x": b"",
    }
    old = {**old, "tool.sh": b"sky lark kelp rev"}
    read_set = reading("tool.sh")
    new = {**old, "skylark/KELP-rev12.h": b""}
    # Its root folder has traces, the folder skylark has none.
    assert explain(old, new, read_set).startswith("skylark/KELP-rev12.h, whose name it may put together")
    assert explain(old, {**old, "skylark/kelpie.h": b""}, read_set) == "carried"


def test_no_difference_reaches_nobody() -> None:
    assert explain(BASE, BASE, VALE) == "carried"


def test_the_option_that_writes_dependencies_does_not_make_every_document_known():
    makefile = b"CFLAGS += -MMD -MP\n%.o: %.c ; $(CC) -MD -c $<\n# docs, porting\n"
    old: Tree = {"Makefile": makefile, "docs/boards.md": b"x\n", "a.c": b"int a;\n"}
    new: Tree = {**old, "docs/porting.md": b"How to\n"}
    assert explain(old, new, reading("Makefile", "a.c")) == "carried"
    assert explain(old, new, reading("Makefile", "a.c"), own=b"md") != "carried"


def test_a_folder_that_comes_reaches_who_may_have_looked_for_it() -> None:
    """`test -d opt` fails in the old tree and leaves no trace; what is in the folder does not matter."""
    old: Tree = {"top/Makefile": b"ifneq (,$(shell test -d ../opt && echo 1))\n", "other/x": b"x"}
    assert explain(old, {**old, "opt/zebra.qq": b""}, reading("top/Makefile")).startswith("opt/zebra.qq, whose name")
    assert explain(old, {**old, "extra/zebra.qq": b""}, reading("top/Makefile")) == "carried"
    back = {**old, "opt/zebra.qq": b""}
    assert explain(back, old, reading("top/Makefile")).startswith("opt/zebra.qq, whose name")


def test_a_folder_that_goes_reaches_who_listed_the_one_above() -> None:
    old: Tree = {"top/Makefile": b"", "boards/vale/deep/zebra.qq": b"", "boards/tarn/x": b""}
    read_set = reading("top/Makefile", listing=("boards",))
    gone = {path: content for path, content in old.items() if "vale" not in path}
    assert explain(old, gone, read_set) == "boards/vale/deep/zebra.qq, in a folder that it reads, is removed"
    kept = {**gone, "boards/vale/y": b""}
    assert explain({**old, "boards/vale/y": b""}, kept, read_set) == "carried"


def test_a_file_that_becomes_a_folder_and_back() -> None:
    old: Tree = {"top/Makefile": b"-include ../opt/x.zz\n", "opt": b"", "lib/x": b""}
    new: Tree = {"top/Makefile": b"-include ../opt/x.zz\n", "opt/x.zz": b"", "lib/x": b""}
    read_set = reading("top/Makefile")
    assert explain(old, new, read_set) == "opt, whose name it may put together from words that it reads, is removed"
    assert explain(new, old, read_set) == "opt, whose name it may put together from words that it reads, is added"


def test_programs_and_libraries_are_found_by_names_of_their_own() -> None:
    """`PATH={tree}/tools/bin` finds the `as` that a compiler driver calls, `-Lblobs` a `libgcc.a` that nobody names."""
    old: Tree = {"top/Makefile": b"LDFLAGS = -Lblobs\n", "blobs/other.qq": b"", "tools/bin/other.qq": b""}
    read_set = reading("top/Makefile")
    assert explain(old, {**old, "blobs/libzebra.a": b""}, read_set) != "carried"
    assert explain(old, {**old, "blobs/zebra.qq": b""}, read_set) == "carried"
    assert explain(old, {**old, "tools/bin/zebra": Program(b"")}, read_set, own=b"bin") != "carried"
    assert explain(old, {**old, "tools/bin/zebra": Program(b"")}, read_set) == "carried"


def test_a_package_that_shadows_pythons_own() -> None:
    """`python3 tools/gen.py` lists tools and looks into its folder `json`, whose name stands in a library alone."""
    old: Tree = {"tools/gen.py": b"import struct\n", "tools/codecs/notes.qq": b""}
    read_set = reading("tools/gen.py", listing=("tools",))
    assert explain(old, {**old, "tools/codecs/__init__.py": b""}, read_set) != "carried"


def test_attributes_reach_who_reads_below_them_where_they_can_convert() -> None:
    old: Tree = {"lib/a.c": b"", "lib/deep/b.c": b"", "top/Makefile": b""}
    new = {**old, "lib/.gitattributes": b"*.c eol=crlf\n"}
    shelf = Shelf()
    for read_set, matters, wanted in (
        (reading("lib/deep/b.c"), True, "lib/.gitattributes, which says how files that it reads are written, is added"),
        (reading("lib/deep/b.c"), False, None),
        (reading("top/Makefile"), True, None),
    ):
        change = shelf.compare(old, new, attributes_matter=matters)
        found = find_reach(read_set, change, book=shelf.book)
        assert (None if found is None else found.render()) == wanted
        assert ReachIndex({"t": read_set}, book=shelf.book).reached(change) == ({} if found is None else {"t": found})


def test_a_submodule_that_is_not_here_reaches_everybody() -> None:
    old: Tree = {"Makefile": b"", "vendor/hal": Module("1" * 40)}
    new: Tree = {"Makefile": b"", "vendor/hal": Module("2" * 40)}
    wanted = "vendor/hal, of which nothing more is known, is a submodule whose content is not here to compare"
    assert explain(old, new, reading("Makefile")) == wanted
    shelf = Shelf()
    entries = shelf.list(old)
    same = make_change(
        "o", "n", compare_entries(entries, entries, unknown={"vendor/hal": entries["vendor/hal"]}), old_entries=entries
    )
    assert find_reach(reading(), same, book=shelf.book) is not None


def test_the_size_of_a_payload_that_is_asked_for_and_not_read() -> None:
    old: Tree = {"Makefile": b"SIZE = $(shell stat -c %s blobs/payload.bin)\n", "blobs/payload.bin": b"\0"}
    new = {**old, "blobs/payload.bin": b"\0\0"}
    resized = ("blobs/payload.bin",)
    wanted = "blobs/payload.bin, whose size it may ask for, is modified"
    assert explain(old, new, reading("Makefile"), resized=resized) == wanted
    assert explain(old, new, reading("Makefile")) == "carried"
    asks_nothing = {**old, "Makefile": b"payload.bin\n"}
    assert explain(asks_nothing, {**asks_nothing, "blobs/payload.bin": b"\0\0"}, reading("Makefile")) == "carried"


def test_words_are_read_only_where_something_comes_or_goes_out_of_sight() -> None:
    shelf = Shelf()
    book = shelf.book
    find_reach(VALE, shelf.compare(BASE, after(drivers__spi_dot_c=b"x")), book=book)
    find_reach(VALE, shelf.compare(BASE, after(drivers__can_dot_mk=b"x")), book=book)
    assert shelf.reads == []
    for name in ("mips", "arc"):
        find_reach(VALE, shelf.compare(BASE, {**BASE, f"optional/{name}.h": b""}), book=book)
    assert len(shelf.reads) == len(set(shelf.reads)) == len(VALE.files)


@pytest.mark.parametrize(
    ("text", "word", "is_there"),
    [
        (b"CFLAGS = -Ialpha -DBETA=1 -lgamma", b"alpha", True),
        (b"CFLAGS = -Ialpha -DBETA=1 -lgamma", b"beta", True),
        (b"CFLAGS = -Ialpha -DBETA=1 -lgamma", b"gamma", True),
        (b'printf("\\nalpha/%sbeta")', b"alpha", True),
        (b'printf("\\nalpha/%sbeta")', b"beta", True),
        (b"x := $Dalpha", b"alpha", True),
        (b"prevalent", b"vale", False),
        (b"vale_pins.h", b"pins", True),
        (b"VALE2PINS", b"pins", True),
        ("küste/x".encode(), "küste".encode(), True),
        (b"\0\1vale\2abc\3", b"vale", True),
        (b"\0\1vale\2abc\3", b"abc", False),
        (b" " * MAX_BLOB_BYTES + b"vale", b"vale", False),
    ],
)
def test_what_counts_as_a_word(text: bytes, word: bytes, is_there: bool) -> None:
    book = WordBook(lambda blob_ids: [text for _ in blob_ids])
    assert set(book.find(word)) == set()
    assert book.load(["b"]) == {0}
    assert list(book.find(word)) == ([0] if is_there else [])


def test_a_file_that_cannot_be_read_stops_the_question() -> None:
    def read(blob_ids: Sequence[str]) -> Iterable[bytes]:
        raise OSError("gone")

    change = Shelf().compare(BASE, {**BASE, "optional/mips.h": b""})
    with pytest.raises(OSError, match="gone"):
        find_reach(VALE, change, book=WordBook(read))


def test_a_name_made_to_cost_time_counts_as_known() -> None:
    name = "ab" * 100
    old: Tree = {"a/Makefile": b"opt", "opt/x": b""}
    assert reach(old, {**old, f"opt/{name}": b""}, reading("a/Makefile")) is not None


def test_all_that_the_matrix_says_to_a_build_is_words() -> None:
    target = make_target("riscv64/vale")
    words = words_of_target(target, {})
    assert {b"make", b"elf", b"riscv", b"vale"} <= words


def test_values_that_a_recipe_keeps_from_our_environment_are_words() -> None:
    """`-include $(KIT)/$(FLAVOUR).mk`; PATH is no name of a file."""
    target = make_target("riscv64/vale")
    keeping = replace(target, recipe=replace(target.recipe, keep_environment=("FLAVOUR", "UNSET")))
    environment = {"FLAVOUR": "night-shift", "OTHER": "zebra", "PATH": "/usr/quoll"}
    words = words_of_target(keeping, environment)
    assert {b"night", b"shift"} <= words
    assert {b"zebra", b"quoll"}.isdisjoint(words)


BOARDS = ("vale", "kelp")


def check_model(seed: int) -> tuple[bool, bool]:
    """Whether the model build's result is the same in both trees, and whether the rule carries."""
    choose = random.Random(seed)
    old = make_tree(choose)
    missed = ModelBuild(old, VARIABLES | {"$B": choose.choice(BOARDS)}).run().missed
    new = change_tree(choose, old, tuple(missed))
    shelf = Shelf()
    change = shelf.compare(old, new)
    read_sets, own_words, same = {}, {}, True
    for board in BOARDS:
        variables = VARIABLES | {"$B": board}
        before = ModelBuild(old, variables).run()
        is_same = before.result == ModelBuild(new, variables).run().result
        read_sets[board], own_words[board] = before.read_set, frozenset({board.encode(), b"sky", b"qd"})
        found = find_reach(before.read_set, change, book=shelf.book, own_words=own_words[board])
        assert is_same or found is not None, f"seed {seed}: {board} would be carried wrongly"
        same = same and is_same
    one_by_one = {
        board: found
        for board, read_set in read_sets.items()
        if (found := find_reach(read_set, change, book=shelf.book, own_words=own_words[board])) is not None
    }
    assert ReachIndex(read_sets, book=shelf.book, own_words=own_words).reached(change) == one_by_one
    return same, len(one_by_one) < len(read_sets)


@settings(deadline=None, max_examples=300)
@given(st.integers(min_value=0, max_value=2**40))
def test_no_result_of_the_model_build_is_carried_wrongly(seed: int) -> None:
    check_model(seed)


def test_the_model_tries_the_rule_and_the_rule_carries_most_of_what_it_may() -> None:
    found = Counter(check_model(seed) for seed in range(1500))
    differing = found[False, False] + found[False, True]
    assert differing > 150
    assert found[True, True] > found[True, False]
