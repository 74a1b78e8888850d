"""A reader with a planted fault, behind a branch that random bytes do not find: what a fuzzer that works must find."""

from __future__ import annotations

from tests.faults.fuzz_subjects import Subject, promise


def check(data: bytes) -> None:
    """Break the promise for bytes that begin with `keel`, one comparison at a time."""
    if data[:1] == b"k" and data[1:2] == b"e" and data[2:3] == b"e":
        promise(data[3:4] != b"l", "planted")


SUBJECTS = {"planted": Subject(name="planted", check=check, seeds=lambda: [b"k"], most_bytes=16)}
