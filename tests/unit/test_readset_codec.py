"""Read sets survive storing whatever their paths hold; damage is noticed."""

from __future__ import annotations

import hashlib
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gatekeep.errors import StoreError
from gatekeep.history.readset_codec import decode_read_set, encode_read_set
from gatekeep.model.readset import ReadSet

_UNREADABLE = "the store holds a read set that cannot be read: {}; restore the store from a copy"

# What git and Linux take for a path: bytes, no NUL (path_resolution(7)); here as Python shows them.
_PATHS = st.binary(min_size=1, max_size=20).filter(lambda raw: b"\0" not in raw)
_SORTED = st.sets(_PATHS, max_size=8).map(
    lambda paths: tuple(sorted(path.decode("utf-8", "surrogateescape") for path in paths))
)


def seal(body: bytes) -> bytes:
    packed = zlib.compress(body)
    return hashlib.sha256(packed).digest() + packed


@given(files=_SORTED, folders=_SORTED)
def test_what_is_stored_is_read_again(files: tuple[str, ...], folders: tuple[str, ...]) -> None:
    read_set = ReadSet(files=files, folders=folders)
    assert decode_read_set(encode_read_set(read_set)) == read_set


def test_form_is_paths_between_nuls() -> None:
    payload = encode_read_set(ReadSet(files=("Makefile", "src/\udcff.c"), folders=(".", "src")))
    assert zlib.decompress(payload[32:]) == b"Makefile\0src/\xff.c\0\0.\0src"
    assert payload[:32] == hashlib.sha256(payload[32:]).digest()


def test_three_hundred_paths_take_less_than_two_kilobytes() -> None:
    files = tuple(sorted(f"drivers/{kind}/{kind}_{n}.c" for kind in ("uart", "clock", "flash") for n in range(100)))
    assert len(encode_read_set(ReadSet(files=files, folders=(".",)))) < 2048


@pytest.mark.parametrize("files", [(), ("a", "b/c")])
def test_every_cut_and_every_flipped_bit_is_noticed(files: tuple[str, ...]) -> None:
    payload = encode_read_set(ReadSet(files=files, folders=(".",)))
    for length in range(len(payload)):
        with pytest.raises(StoreError) as caught:
            decode_read_set(payload[:length])
        assert str(caught.value) == _UNREADABLE.format("its checksum does not fit")
    for bit in range(8 * len(payload)):
        bent = bytearray(payload)
        bent[bit // 8] ^= 1 << bit % 8
        with pytest.raises(StoreError):
            decode_read_set(bytes(bent))


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        (b"a", "files and folders cannot be told apart"),
        (b"a\0\0\0b", "files and folders cannot be told apart"),
        (b"b\0a\0\0.", "its paths are not in order"),
        (b"a\0a\0\0.", "its paths are not in order"),
        (b"a\0\0b\0.", "its paths are not in order"),
    ],
)
def test_sealed_nonsense_is_refused(body: bytes, reason: str) -> None:
    with pytest.raises(StoreError) as caught:
        decode_read_set(seal(body))
    assert str(caught.value) == _UNREADABLE.format(reason)


def test_what_is_sealed_but_not_compressed_is_refused() -> None:
    with pytest.raises(StoreError, match="restore the store from a copy"):
        decode_read_set(hashlib.sha256(b"paths").digest() + b"paths")
