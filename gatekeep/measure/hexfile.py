"""
What an Intel HEX or Motorola S-record file writes, and where.

Strict: a file without its end record is cut short, and anything after that record, a wrong checksum or count, an
unknown record type, or two records that write different bytes to one address are refused.

Source: Intel, "Hexadecimal Object File Format Specification", revision A, 1988; for S-records the Motorola M68000
family programmer's reference manual, appendix C "S-Record Output Format".
"""

from __future__ import annotations

from binascii import Error, unhexlify
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from gatekeep.errors import ImageError
from gatekeep.measure.elf import Bytes

#: A file of records that jump at every line costs some 200 bytes each; an image has a handful of runs.
MAX_RUNS = 100_000
#: Two digits for each of 255 bytes and what is around them, in either format.
_MAX_LINE = 530


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """Bytes that are written from `start` on; never empty."""

    start: int
    content: bytes

    @property
    def end(self) -> int:
        """First address past it."""
        return self.start + len(self.content)


class _Line(NamedTuple):
    """Where in the file a record stands; 1-based."""

    path: str
    number: int

    def error(self, message: str) -> ImageError:
        """Give an error that names the line in its text and the file alone in its path."""
        error = ImageError(f"{self.path}:{self.number}", message)
        error.path = self.path
        return error


def read_intel_hex(data: Bytes, *, name: str) -> tuple[Run, ...]:
    """
    Read what an Intel HEX file writes.

    Args:
        data: The whole file.
        name: Its name, for messages.

    Returns:
        What it writes, ascending, with a gap between any two runs; empty without data records.

    Raises:
        ImageError: Damaged or cut short.
    """
    runs = _Runs(name)
    bases = {2: 0, 4: 0}
    latest = 2
    ended = False
    for line_number, line in _read_lines(data, name):
        place = _Line(name, line_number)
        if ended:
            raise place.error("has records after the end record")
        if line[:1] != b":":
            raise place.error("is no Intel HEX record: it does not begin with ':'")
        record = _read_digits(line[1:], place)
        if len(record) < 5 or record[0] != len(record) - 5:
            raise place.error(
                f"record says it has {record[:1].hex() or 'no'} (hex) data bytes, got {max(0, len(record) - 5)}"
            )
        if sum(record) & 0xFF:
            raise place.error(f"checksum is {record[-1]:02X}, wanted {-sum(record[:-1]) & 0xFF:02X}")
        offset = record[1] << 8 | record[2]
        kind, content = record[3], record[4:-1]
        if kind == 0:
            # Some readers take the base that came last, others the sum of both kinds: an image that lies at one place
            # for the programmer and at another for us is not measured.
            base = bases[latest]
            if base != sum(bases.values()):
                raise place.error(
                    "data has both a segment and a linear base, which readers do not read alike; "
                    "let the tool that joins the files write one kind"
                )
            # Without a linear base, offsets wrap within 64 KiB by the specification; no tool means that.
            if latest == 2 and offset + len(content) > 0x10000:
                raise place.error("data crosses the end of its 64 KiB segment")
            if base + offset + len(content) > 1 << 32:
                raise place.error("data crosses the last 32-bit address")
            runs.add(base + offset, content, place)
            continue
        _check_shape(kind, offset, content, place)
        if kind == 1:
            ended = True
        elif kind in (2, 4):
            latest = kind
            bases[kind] = int.from_bytes(content, "big") << (16 if kind == 4 else 4)
    if not ended:
        raise ImageError(name, "has no end record; it is cut short")
    return runs.merge()


def _check_shape(kind: int, offset: int, content: bytes, place: _Line) -> None:
    """Refuse records other than data that are not as the specification wants them."""
    lengths = {1: 0, 2: 2, 3: 4, 4: 2, 5: 4}
    if kind not in lengths:
        raise place.error(f"record type {kind:02X} does not exist")
    if len(content) != lengths[kind] or offset:
        raise place.error(
            f"record type {kind:02X} has {len(content)} data bytes at {offset:04X}, wanted {lengths[kind]} at 0000",
        )


def read_s_record(data: Bytes, *, name: str) -> tuple[Run, ...]:
    """
    Read what a Motorola S-record file writes.

    Args:
        data: The whole file.
        name: Its name, for messages.

    Returns:
        What it writes, ascending, with a gap between any two runs; empty without data records.

    Raises:
        ImageError: Damaged or cut short.
    """
    runs = _Runs(name)
    data_records = 0
    widest = 0
    ended = False
    for line_number, line in _read_lines(data, name):
        place = _Line(name, line_number)
        if ended:
            raise place.error("has records after the end record")
        kind = line[1:2]
        if line[:1] != b"S" or kind not in _ADDRESS_BYTES:
            raise place.error("is no S-record: it does not begin with S0, S1, S2, S3, S5, S6, S7, S8 or S9")
        record = _read_digits(line[2:], place)
        width = _ADDRESS_BYTES[kind]
        if len(record) < width + 2 or record[0] != len(record) - 1:
            raise place.error(
                f"record says it has {record[:1].hex() or 'no'} (hex) bytes, got {max(0, len(record) - 1)}"
            )
        if sum(record) & 0xFF != 0xFF:
            raise place.error(f"checksum is {record[-1]:02X}, wanted {~sum(record[:-1]) & 0xFF:02X}")
        address = int.from_bytes(record[1 : 1 + width], "big")
        content = record[1 + width : -1]
        if kind in b"123":
            if address + len(content) > 1 << 8 * width:
                raise place.error("data crosses the last address of its record type")
            runs.add(address, content, place)
            data_records += 1
            widest = max(widest, width)
        elif kind in b"56789" and content:
            raise place.error(f"record type S{kind.decode()} has data")
        elif kind in b"56" and address != data_records:
            raise place.error(f"says there are {address} data records, got {data_records}")
        elif kind in b"789":
            ended = True
            if widest and width != widest:
                raise place.error(f"end record has {8 * width}-bit addresses, the data {8 * widest}-bit ones")
    if not ended:
        raise ImageError(name, "has no end record; it is cut short")
    return runs.merge()


_ADDRESS_BYTES = {b"0": 2, b"1": 2, b"2": 3, b"3": 4, b"5": 2, b"6": 3, b"7": 4, b"8": 3, b"9": 2}


def _read_lines(data: Bytes, name: str) -> Iterator[tuple[int, bytes]]:
    """Give 1-based line numbers and lines; ended by LF or CR LF, the last one by nothing too."""
    start = 0
    number = 0
    while start < len(data):
        number += 1
        end = data.find(b"\n", start, start + _MAX_LINE)
        if end < 0:
            end = len(data)
            if end - start > _MAX_LINE:
                raise _Line(name, number).error("line is longer than any record; the file is in another format")
        yield number, data[start:end].removesuffix(b"\r")
        start = end + 1


def _read_digits(digits: bytes, place: _Line) -> bytes:
    try:
        return unhexlify(digits)
    except Error as error:
        raise place.error("holds something other than pairs of hexadecimal digits") from error


class _Runs:
    """Collects written bytes; consecutive records grow one run, so that an image costs its own size in memory."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._runs: list[tuple[int, bytearray]] = []

    def add(self, address: int, content: bytes, place: _Line) -> None:
        if not content:
            return
        if self._runs and self._runs[-1][0] + len(self._runs[-1][1]) == address:
            self._runs[-1][1].extend(content)
            return
        if len(self._runs) == MAX_RUNS:
            raise place.error(f"has more than {MAX_RUNS} separate runs of data")
        self._runs.append((address, bytearray(content)))

    def merge(self) -> tuple[Run, ...]:
        """Join what touches; refuse what writes one address twice with different bytes."""
        merged: list[tuple[int, bytearray]] = []
        for address, content in sorted(self._runs, key=lambda run: run[0]):
            if not merged or address > merged[-1][0] + len(merged[-1][1]):
                merged.append((address, content))
                continue
            start, before = merged[-1]
            again = before[address - start : address - start + len(content)]
            if again != content[: len(again)]:
                raise ImageError(self._name, f"writes different bytes to 0x{address:X} and beyond")
            before.extend(content[len(again) :])
        return tuple(Run(start=start, content=bytes(content)) for start, content in merged)
