"""What a listener hears of output that comes in pieces, against a search of the whole."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gatekeep.build.listener import Listener

CONSOLE = b"\x1b[1mskerry\x1b[0m 4.2\r\n\0clock ok\r\nhandover to keeper\r\n"
#: Few letters, so that texts overlap and repeat.
LETTERS = st.sampled_from([b"a", b"b", b"\n"])
OUTPUT = st.lists(LETTERS, max_size=40).map(b"".join)
TEXTS = st.lists(st.lists(st.sampled_from([b"a", b"b"]), min_size=1, max_size=4).map(b"".join), max_size=5)


def hear(texts: list[bytes], *pieces: bytes) -> int:
    listener = Listener(texts)
    for piece in pieces:
        listener.take(piece)
    assert listener.has_all is (listener.heard_count == len(texts))
    return listener.heard_count


@pytest.mark.parametrize(
    ("texts", "heard"),
    [
        ([b"skerry", b"clock ok", b"handover"], 3),
        ([b"clock ok", b"skerry"], 1),
        ([b"clock ok", b"clock ok"], 1),
        ([b"clock", b"ok", b"hand", b"over"], 4),
        ([b"clock ok\r\nhandover"], 1),
        ([b"skerry 4.2"], 0),  # an escape code within a text parts it
        ([b"Skerry"], 0),
        ([], 0),
    ],
)
def test_texts_are_heard_in_their_order_byte_for_byte(texts: list[bytes], heard: int) -> None:
    assert hear(texts, CONSOLE) == heard
    assert hear(texts, *(bytes([byte]) for byte in CONSOLE)) == heard


@given(TEXTS, st.lists(OUTPUT, max_size=6))
def test_pieces_are_heard_as_the_whole_is(texts: list[bytes], pieces: list[bytes]) -> None:
    whole = b"".join(pieces)
    counts = [
        count
        for count in range(len(texts) + 1)
        if re.search(b".*?".join(map(re.escape, texts[:count])), whole, re.DOTALL)
    ]
    assert hear(texts, *pieces) == max(counts)


def test_what_is_held_is_shorter_than_the_longest_text() -> None:
    listener = Listener([b"handover"])
    for _block in range(100):
        listener.take(b"hand" * 16384)
        assert len(listener._held) < len(b"handover")


def test_an_empty_text_is_refused() -> None:
    with pytest.raises(ValueError, match="must not be empty"):
        Listener([b""])
