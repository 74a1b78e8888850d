"""The digest of a large file, beside what coreutils say of it."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from gatekeep.build.file_digest import PART_BYTES, digest_file


def digest(path: Path) -> str:
    with path.open("rb") as stream:
        return digest_file(stream.fileno())


def write(path: Path, size_bytes: int) -> Path:
    """Bytes none of whose parts are alike."""
    pattern = b"".join(number.to_bytes(4, "big") for number in range(65536))
    path.write_bytes((pattern * (size_bytes // len(pattern) + 1))[:size_bytes])
    if size_bytes > PART_BYTES:
        with path.open("r+b") as stream:
            stream.seek(PART_BYTES)
            stream.write(b"second")
    return path


@pytest.mark.parametrize("size_bytes", [1, PART_BYTES - 1, PART_BYTES, PART_BYTES + 7, 3 * PART_BYTES, 20_000_000])
def test_it_is_what_split_and_b2sum_say(tmp_path: Path, size_bytes: int) -> None:
    """Source: split(1) and b2sum(1) of GNU coreutils."""
    path = write(tmp_path / "cc", size_bytes)
    script = f"split -b {PART_BYTES} --filter='b2sum -l 256' \"$1\" | b2sum -l 256"
    said = subprocess.run(["sh", "-c", script, "sh", str(path)], capture_output=True, text=True, check=True).stdout
    assert digest(path) == said.split()[0]


def test_each_byte_counts(tmp_path: Path) -> None:
    path = write(tmp_path / "cc", 2 * PART_BYTES + 100)
    before = digest(path)
    for offset in (0, PART_BYTES - 1, PART_BYTES, 2 * PART_BYTES + 99):
        with path.open("r+b") as stream:
            stream.seek(offset)
            was = stream.read(1)
            stream.seek(offset)
            stream.write(bytes([was[0] ^ 1]))
            stream.flush()
            assert digest(path) != before
            stream.seek(offset)
            stream.write(was)
    assert digest(path) == before


def test_length_and_order_count(tmp_path: Path) -> None:
    path = write(tmp_path / "cc", 2 * PART_BYTES)
    before = digest(path)
    first, second = path.read_bytes()[:PART_BYTES], path.read_bytes()[PART_BYTES:]
    path.write_bytes(second + first)
    assert digest(path) != before
    path.write_bytes(first + second + b"\0")
    assert digest(path) != before


def test_empty_file_has_a_digest_of_its_own(tmp_path: Path) -> None:
    assert digest(write(tmp_path / "empty", 0)) != digest(write(tmp_path / "one", 1))


def test_file_that_cannot_be_read_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "cc").write_bytes(bytes(2 * PART_BYTES))
    descriptor = os.open(tmp_path / "cc", os.O_WRONLY)
    try:
        with pytest.raises(OSError, match="Bad file descriptor"):
            digest_file(descriptor)
    finally:
        os.close(descriptor)
