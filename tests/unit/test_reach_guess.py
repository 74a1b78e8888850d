"""What a target may look for in a folder in which it has read, and which it never listed."""

from __future__ import annotations

import pytest

from gatekeep.runner.reach_guess import mask_guessing, may_be_searched, split_guessed


@pytest.mark.parametrize(
    ("path", "child", "wanted"),
    [
        ("drivers/zebra.c", "zebra.c", False),
        ("drivers/zebra.S", "zebra.S", False),
        ("drivers/zebra.HPP", "zebra.HPP", False),
        ("drivers/notes.md", "notes.md", False),
        ("drivers/zebra/uart.c", "zebra", False),
        ("drivers/zebra/board.mk", "zebra", False),
        ("zebra/net/zebra", "zebra", False),
        # Tools read settings beside what they are given, and makefiles include what they find.
        ("drivers/zebra.mk", "zebra.mk", True),
        ("drivers/zebra.conf", "zebra.conf", True),
        ("drivers/Kconfig", "Kconfig", True),
        ("drivers/zebra.c.orig", "zebra.c.orig", True),
        ("drivers/.clang-format", ".clang-format", True),
        ("drivers/.c", ".c", True),
        ("drivers/__stddef_zebra.h", "__stddef_zebra.h", True),
        # perldoc, `require`: `Tie::Hash` is looked for as Tie/Hash.pm in each folder of @INC.
        ("tools/Tie/Hash.pm", "Tie", True),
        ("tools/.cargo/config.toml", ".cargo", True),
        ("tools/lib/libzebra.so.1", "lib", True),
    ],
)
def test_what_is_looked_for_by_names_that_stand_nowhere_in_the_tree(path: str, child: str, wanted: bool) -> None:
    is_folder = not path.endswith(f"/{child}") or path.startswith(f"{child}/")
    assert may_be_searched(path, child, is_folder=is_folder) is wanted


@pytest.mark.parametrize(
    ("name", "words", "wanted"),
    [
        ("zebra.c", "uart", False),
        ("zebra.c", "zebra", True),
        # The extension comes free: GNU make manual, "Catalogue of Built-In Rules" (foo.S, foo.c, foo.y … for foo.o).
        ("zebra.dts", "zebra", True),
        ("zebra.qq.c", "zebra", False),
        # Cut off a longer word: $(BOARD:_debug=), ${name%x}.
        ("mips.c", "mipsel", True),
        ("ebr.c", "zebra", True),
        # $(FAMILY)$(SUB).c and $(ISA)$(EXT).c
        ("samq21.c", "sam q21", True),
        ("samq21.c", "sam", False),
        ("rvimac.c", "rv imac", True),
        ("rvgc.c", "rv gc", True),
        ("skylark.c", "sky lark", True),
        ("skylarkgc.c", "sky lark gc", True),
        # More than one short piece among others is not put together.
        ("rvimacgc.c", "rv imac gc", False),
        ("zebra_uart.c", "uart", False),
        ("zebra_uart.c", "uart zebra", True),
        # What makefiles and kits outside the tree call things.
        ("main.c", "", True),
        ("board_init.c", "", True),
        ("board_zebra.c", "", False),
        ("17.c", "", True),
        ("z" * 65 + ".c", "", True),
    ],
)
def test_who_can_guess_a_name(name: str, words: str, wanted: bool) -> None:
    known = [letters.encode() for word in words.split() for letters in word.replace("21", " ").split()]

    def having(word: bytes) -> int:
        return int(word in known)

    def within(run: bytes) -> int:
        return int(any(run in word for word in known))

    assert all(mask_guessing(run, having, within, 1) for run in split_guessed(name, is_folder=False)) is wanted


def test_a_folders_name_has_no_extension() -> None:
    assert split_guessed("zebra.d", is_folder=True) == (b"zebra",)
    assert split_guessed("zebra.uart", is_folder=True) == (b"zebra", b"uart")
    assert split_guessed("zebra.uart", is_folder=False) == (b"zebra",)


def test_many_targets_are_asked_at_once() -> None:
    masks = {b"zeb": 0b0110, b"ra": 0b0010, b"zebra": 0b1000}
    assert mask_guessing(b"zebra", lambda word: masks.get(word, 0), lambda run: masks.get(run, 0), 0b1111) == 0b1010
    assert mask_guessing(b"zebra", lambda word: masks.get(word, 0), lambda run: masks.get(run, 0), 0b0101) == 0
