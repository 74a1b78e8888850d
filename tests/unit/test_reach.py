"""The rule for carrying: what a difference between two trees reaches."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence

import pytest

from gatekeep.model.readset import ReadSet
from gatekeep.runner.reach import Reached, TreeChange, find_reach, make_change
from gatekeep.runner.reach_index import ReachIndex
from gatekeep.runner.reach_trees import compare_entries
from gatekeep.runner.reach_words import WordBook
from gatekeep.tree.listing import EXECUTABLE, FILE, SUBMODULE, SYMLINK, Entry
from tests.model_build import Content, Link, Module, Program, Tree


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


BASE: Tree = {
    "Makefile": b"include boards/$(BOARD)/board.mk\n-include config/$(BOARD).mk\nCFLAGS += -Iinclude -Ioptional\n",
    "boards/vale/board.mk": b"ARCH = riscv\nSRC += drivers/uart.c\n",
    "boards/tarn/board.mk": b"ARCH = arm\n",
    "boards/tarn/pins.h": b"#define LED 3\n",
    "config/holm.mk": b"X = 1\n",
    "drivers/uart.c": b'#include "uart.h"\n',
    "drivers/spi.c": b"int spi;\n",
    "include/uart.h": b"int uart;\n",
    "include/spi.h": b"int spi;\n",
    "optional/holm.h": b"\n",
    "docs/porting.md": b"How to\n",
}
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
        (
            after(drivers__uart_dot_c=Program(BASE["drivers/uart.c"])),
            "drivers/uart.c, which it reads, has another mode",
        ),  # type: ignore[arg-type]
        (after(drivers__uart_dot_c=Link(b"spi.c")), "drivers/uart.c, which it reads, is of another type"),
        (after(drivers__can_dot_c=b"x"), "drivers/can.c, in a folder that it reads, is added"),
        (after(drivers__spi_dot_c=None), "drivers/spi.c, in a folder that it reads, is removed"),
        (after(drivers__net__phy_dot_c=b"x"), "drivers/net/phy.c, in a folder that it reads, is added"),
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
        (
            after(boards__shoal__board_dot_mk=b"x"),
            "boards/shoal/board.mk, named like boards/vale/board.mk, which it reads, is added",
        ),
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
    new = after(config__vale_dot_mk=b"x")
    wanted = "config/vale.mk, whose name it may put together from words that it reads, is added"
    assert explain(BASE, new, VALE, own=b"make vale") == wanted
    assert explain(BASE, new, VALE) == "carried"


def test_names_put_together_from_parts_are_found() -> None:
    old = {"Makefile": b"-include $(A)$(B)/$(CHIP)_$(REV)0.h\nA=sky\nB=lark\nCHIP=kelp\nREV=rev\n", "skylark/x": b""}
    old["tool.sh"] = b"sky lark kelp rev"
    read_set = reading("tool.sh")
    new = old | {"skylark/KELP-rev12.h": b""}
    # Its root folder has traces, the folder skylark has none.
    assert explain(old, new, read_set).startswith("skylark/KELP-rev12.h, whose name it may put together")
    assert explain(old, old | {"skylark/kelpie.h": b""}, read_set) == "carried"


def test_no_difference_reaches_nobody() -> None:
    assert explain(BASE, BASE, VALE) == "carried"


def test_the_option_that_writes_dependencies_does_not_make_every_document_known():
    makefile = b"CFLAGS += -MMD -MP\n%.o: %.c ; $(CC) -MD -c $<\n# docs, porting\n"
    old: Tree = {"Makefile": makefile, "docs/boards.md": b"x\n", "a.c": b"int a;\n"}
    new: Tree = {**old, "docs/porting.md": b"How to\n"}
    assert explain(old, new, reading("Makefile", "a.c")) == "carried"
    assert explain(old, new, reading("Makefile", "a.c"), own=b"md") != "carried"
