"""The log that keeps both ends."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gatekeep.build.capped_log import CappedLog, copy_capped

_MARKER = re.compile(rb"^\[gatekeep: ([0-9]+) bytes of output are left out here\]\n", re.MULTILINE)
_LIMIT_BYTES = 1024


def _log(path: Path, *blocks: bytes, limit_bytes: int = _LIMIT_BYTES) -> bool:
    log = CappedLog(os.fsencode(path), limit_bytes)
    for block in blocks:
        log.write(block)
    is_cut = log.finish()
    assert log.fault is None
    assert log.printed_bytes == sum(map(len, blocks))
    return is_cut


@settings(max_examples=200, deadline=None)
@given(
    commands=st.lists(
        st.lists(
            st.tuples(st.sampled_from([b"a", b"word ", b"line\n", b"\n", b"\xff\x00"]), st.integers(0, 400)).map(
                lambda drawn: drawn[0] * drawn[1]
            ),
            max_size=5,
        ),
        min_size=1,
        max_size=4,
    ),
    limit_bytes=st.integers(1024, 3000),
)
def test_whatever_is_printed_the_limit_holds_and_every_byte_is_kept_or_counted(tmp_path_factory, commands, limit_bytes):
    path = tmp_path_factory.mktemp("log") / "log"
    everything = b""
    is_cut = False
    for blocks in commands:
        is_cut = _log(path, *blocks, limit_bytes=limit_bytes)
        everything += b"".join(blocks)
    text = path.read_bytes()
    assert len(text) <= limit_bytes
    if not is_cut:
        assert text == everything
        return
    (marker,) = _MARKER.finditer(text)
    head, tail = text[: marker.start()], text[marker.end() :]
    if not everything.startswith(head):
        head = head[:-1]  # the line end before the marker is ours where the output had none
    assert everything.startswith(head)
    assert everything.endswith(tail)
    assert int(marker[1]) == len(everything) - len(head) - len(tail)
    # Three quarters of the limit and about a quarter, less what a cut may move to reach a line end.
    assert len(head) >= limit_bytes * 3 // 4 - limit_bytes // 8
    assert len(tail) >= limit_bytes // 16


def test_cuts_fall_between_lines(tmp_path):
    assert _log(tmp_path / "log", b"".join(b"src/a.c:%d: warning: x\n" % n for n in range(1000)))
    lines = (tmp_path / "log").read_bytes().splitlines()
    assert sum(1 for line in lines if not re.fullmatch(rb"src/a\.c:[0-9]+: warning: x", line)) == 1


def test_log_of_one_endless_line_is_cut_where_it_must(tmp_path):
    assert _log(tmp_path / "log", b"x" * 5000)
    text = (tmp_path / "log").read_bytes()
    assert re.fullmatch(rb"x{768}\n\[gatekeep: 4072 bytes of output are left out here\]\nx{160}", text)


def test_memory_in_use_stays_bounded(tmp_path):
    log = CappedLog(os.fsencode(tmp_path / "log"), 64 * 1024)
    for _ in range(100_000):
        log.write(b"0123456789")
    assert len(log._tail) <= 2 * 16 * 1024 + 10
    assert log.finish()


def test_earlier_log_longer_than_the_limit_is_brought_under_it(tmp_path):
    (tmp_path / "log").write_bytes(b"line\n" * 1000)
    assert _log(tmp_path / "log", b"end\n")
    text = (tmp_path / "log").read_bytes()
    assert len(text) <= _LIMIT_BYTES
    assert text.endswith(b"line\nend\n")


def test_a_whole_log_is_copied_as_it_would_have_been_written(tmp_path: Path) -> None:
    text = b"".join(b"line %d\n" % number for number in range(1000))
    source, target = tmp_path / "whole", tmp_path / "kept"
    source.write_bytes(text)
    target.write_bytes(b"an older one")
    copy_capped(source, target, len(text))
    assert target.read_bytes() == text
    copy_capped(source, target, 2048)
    straight = CappedLog(os.fsencode(tmp_path / "straight"), 2048)
    straight.write(text)
    assert straight.finish()
    assert target.read_bytes() == (tmp_path / "straight").read_bytes()
    with pytest.raises(FileNotFoundError):
        copy_capped(tmp_path / "gone", target, 2048)
