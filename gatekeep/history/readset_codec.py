"""
Read sets to bytes and back.

The stored form is 32 bytes of SHA-256 over the rest, then, compressed with zlib, the sorted paths between NULs (no path
holds one): files, an empty name, folders. Equal read sets give equal bytes, so the digest may serve as their name. A
flipped bit is noticed; it must never be read as a file that was not read.
"""

from __future__ import annotations

import hashlib
import os
import zlib
from itertools import pairwise

from gatekeep.errors import StoreError
from gatekeep.model.readset import ReadSet

_DIGEST_BYTES = 32
_LEVEL = 6


def encode_read_set(read_set: ReadSet) -> bytes:
    """Give the stored form; paths that are not UTF-8 travel as the bytes that they are."""
    # Sorted here too: bytes that could not be read again must not be stored.
    names = (*sorted(set(read_set.files)), "", *sorted(set(read_set.folders)))
    body = zlib.compress(b"\0".join(map(os.fsencode, names)), _LEVEL)
    return hashlib.sha256(body).digest() + body


def decode_read_set(payload: bytes) -> ReadSet:
    """
    Read a stored form.

    Raises:
        StoreError: The bytes are damaged, or hold something else.
    """
    digest, body = payload[:_DIGEST_BYTES], payload[_DIGEST_BYTES:]
    if hashlib.sha256(body).digest() != digest:
        raise _unreadable("its checksum does not fit")
    try:
        names = zlib.decompress(body).split(b"\0")
    except zlib.error as error:
        raise _unreadable(str(error)) from error
    if names.count(b"") != 1:
        raise _unreadable("files and folders cannot be told apart")
    between = names.index(b"")
    files, folders = (tuple(map(os.fsdecode, part)) for part in (names[:between], names[between + 1 :]))
    if not (_is_sorted(files) and _is_sorted(folders)):
        raise _unreadable("its paths are not in order")
    return ReadSet(files=files, folders=folders)


def _is_sorted(paths: tuple[str, ...]) -> bool:
    return all(left < right for left, right in pairwise(paths))


def _unreadable(reason: str) -> StoreError:
    return StoreError(f"the store holds a read set that cannot be read: {reason}; restore the store from a copy")
