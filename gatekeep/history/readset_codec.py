"""
Read sets to bytes and back.

Paths are bytes to git and to the filesystem, and no path holds NUL: files, then folders, each list NUL-joined, with an
empty entry between the two, compressed, behind a SHA-256. A board's read set of 500 paths takes about 5 KiB.
"""

from __future__ import annotations

import hashlib
import os
import zlib

from gatekeep.errors import StoreError
from gatekeep.model.readset import ReadSet


def encode_read_set(read_set: ReadSet) -> bytes:
    """Give the stored form."""
    text = "\0".join((*read_set.files, "", *read_set.folders))
    body = zlib.compress(os.fsencode(text), 6)
    return hashlib.sha256(body).digest() + body


def decode_read_set(payload: bytes) -> ReadSet:
    """
    Read the stored form.

    Raises:
        StoreError: The bytes are damaged.
    """
    digest, body = payload[:32], payload[32:]
    if hashlib.sha256(body).digest() != digest:
        raise StoreError("a stored read set is damaged: its checksum does not fit; restore the store from a copy")
    try:
        paths = os.fsdecode(zlib.decompress(body)).split("\0")
        middle = paths.index("")
    except (ValueError, zlib.error) as error:
        raise StoreError(f"a stored read set cannot be read: {error}; it was written by another version") from error
    return ReadSet(files=tuple(paths[:middle]), folders=tuple(paths[middle + 1 :]))
