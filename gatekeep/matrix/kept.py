"""
Matrices and waivers that were read before, kept in the store's folder: the same bytes need not be read twice.

Most changes leave the matrix as it is. Reading 300 targets anew costs 0.3 s, most of it the import of what reads YAML
and checks it; a kept one is there in 10 ms, and nothing of that is imported.

A kept matrix is a digest and rows of JSON, one a value, each made of plain values and of rows before it. It is trusted
as far as the evidence beside it is: a damaged one is read anew, and nothing in it is code. Its name says from what it
was made: the bytes, their path, and the program that read them.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import os
from collections.abc import Callable
from contextlib import suppress
from datetime import date
from enum import Enum
from pathlib import Path
from typing import Any

import gatekeep
from gatekeep.model import matrix as model
from gatekeep.model import rule as rule_model
from gatekeep.model import waiver as waiver_model
from gatekeep.model.matrix import Matrix
from gatekeep.model.waiver import Waiver

_FORMAT = 1
#: So many are kept, the newest: a change seldom brings more than one, and branches take turns.
_KEPT_COUNT = 16
#: Every kind of value that a matrix or a file of waivers may hold is defined in one of these modules.
_KINDS: dict[str, type] = {
    name: kind
    for module in (model, waiver_model, rule_model)
    for name, kind in vars(module).items()
    if isinstance(kind, type) and kind.__module__ == module.__name__
}
_TUPLE, _DATE = "", "date"
_DIGEST_LENGTH = 65


class KeptMatrices:
    """
    Reads matrices, each once.

    Args:
        folder: Where they are kept; made when it is missing. A folder that cannot be used costs time, nothing else.
        parse: Reads what is not there, as `parse_matrix` does; what it raises comes through, and nothing is kept.
    """

    def __init__(self, folder: Path, parse: Callable[[bytes, str], Matrix]) -> None:
        self._folder = folder
        self._parse = parse
        self._program = _describe_program()
        #: Of every matrix that was read here, by its identity: to write one of 300 targets anew takes 50 ms.
        self._known: dict[int, tuple[Matrix, str]] = {}

    def read(self, text: bytes, path: str) -> Matrix:
        """
        Give the matrix of a file's bytes.

        Args:
            text: The whole file.
            path: Its name, for places in messages and in the matrix.
        """
        kept = self._place([path], text)
        try:
            content = kept.read_bytes()
            return self._note(decode_matrix(content), content)
        except (OSError, ValueError):
            # Not there, cut, or not a matrix: the bytes themselves say what it is.
            pass
        matrix = self._parse(text, path)
        content = encode_matrix(matrix)
        with suppress(OSError):
            self._keep(kept, content)
        return self._note(matrix, content)

    def _note(self, matrix: Matrix, content: bytes) -> Matrix:
        self._known[id(matrix)] = (matrix, hashlib.sha256(content).hexdigest())
        return matrix

    def read_waivers(
        self, text: bytes, path: str, matrix: Matrix, parse: Callable[[bytes, str, Matrix], tuple[Waiver, ...]]
    ) -> tuple[Waiver, ...]:
        """
        Give the waivers of a file's bytes.

        Args:
            text: The whole file.
            path: Its name, for places in messages.
            matrix: The one beside it, on which what the file means depends.
            parse: Reads what is not kept; what it raises comes through, and nothing is kept.
        """
        _, digest = self._known.get(id(matrix)) or (matrix, hashlib.sha256(encode_matrix(matrix)).hexdigest())
        kept = self._place([path, digest], text)
        try:
            return decode_waivers(kept.read_bytes())
        except (OSError, ValueError):
            pass
        waivers = parse(text, path, matrix)
        with suppress(OSError):
            self._keep(kept, encode_waivers(waivers))
        return waivers

    def _place(self, names: list[str], text: bytes) -> Path:
        facts = json.dumps([_FORMAT, self._program, *names]).encode("ascii")
        return self._folder / f"{hashlib.sha256(facts + text).hexdigest()}.json"

    def _keep(self, kept: Path, content: bytes) -> None:
        self._folder.mkdir(parents=True, exist_ok=True)
        fresh = kept.with_suffix(f".{os.getpid()}.new")
        fresh.write_bytes(content)
        fresh.replace(kept)
        kept_ns = kept.stat().st_mtime_ns
        # What is dated later than the one just written is from before the clock was set back, and older than all.
        others = sorted(self._folder.iterdir(), key=lambda path: _order(path, kept_ns), reverse=True)
        for old in others[_KEPT_COUNT:]:
            old.unlink(missing_ok=True)


def encode_matrix(matrix: Matrix) -> bytes:
    """Write a matrix as rows; equal values are written once."""
    return _encode(matrix)


def encode_waivers(waivers: tuple[Waiver, ...]) -> bytes:
    """Write waivers as `encode_matrix` writes a matrix."""
    return _encode(waivers)


def _encode(whole: object) -> bytes:
    rows: list[list[object]] = []
    numbers: dict[str, int] = {}

    def keep(kind: str, values: list[object]) -> list[int]:
        row = [kind, *values]
        # As text: 1, 1.0 and True are one key of a dictionary, and are not one value.
        number = numbers.setdefault(json.dumps(row), len(rows))
        if number == len(rows):
            rows.append(row)
        return [number]

    def encode(value: object) -> object:
        match value:
            case None | bool() | int() | float() | str():
                return value
            case tuple():
                return keep(_TUPLE, [encode(entry) for entry in value])
            case Enum():
                return keep(type(value).__name__, [value.value])
            case date():
                return keep(_DATE, [value.isoformat()])
            case _:
                kind = type(value).__name__
                if _KINDS.get(kind) is not type(value):
                    raise TypeError(f"a {kind} has no place in a kept matrix")
                return keep(kind, [encode(getattr(value, name)) for name in _FIELDS[kind]])

    encode(whole)
    content = json.dumps(rows, separators=(",", ":")).encode("ascii")
    return _digest(content) + content


def decode_matrix(content: bytes) -> Matrix:
    """
    Read what `encode_matrix` has written.

    Raises:
        ValueError: It is damaged, or something else.
    """
    matrix = _decode(content)
    if not isinstance(matrix, Matrix):
        raise ValueError("the last row is not a matrix")  # noqa: TRY004 - of what was read, not of what was handed in
    return matrix


def decode_waivers(content: bytes) -> tuple[Waiver, ...]:
    """
    Read what `encode_waivers` has written.

    Raises:
        ValueError: It is damaged, or something else.
    """
    waivers = _decode(content)
    if not isinstance(waivers, tuple) or not all(isinstance(waiver, Waiver) for waiver in waivers):
        raise ValueError("the last row is not a file of waivers")
    return waivers


def _decode(content: bytes) -> object:
    """Give the value of the last row, in which all others are."""
    digest, rows = content[:_DIGEST_LENGTH], content[_DIGEST_LENGTH:]
    if digest != _digest(rows):
        raise ValueError("damaged")
    table: list[object] = []
    try:
        for kind, *values in json.loads(rows):
            given = [table[value[0]] if type(value) is list else value for value in values]
            table.append(_decode_row(kind, given))
    except (LookupError, TypeError, RecursionError) as error:
        raise ValueError("not the rows of a matrix") from error
    return table[-1] if table else None


def _digest(content: bytes) -> bytes:
    return hashlib.sha256(content).hexdigest().encode("ascii") + b"\n"


def _decode_row(kind: str, given: list[Any]) -> object:
    match kind:
        case "":
            return tuple(given)
        case "date":
            return date.fromisoformat(*given)
    made = _KINDS[kind]
    if issubclass(made, Enum):
        return made(*given)
    return made(**dict(zip(_FIELDS[kind], given, strict=True)))


def _order(path: Path, now_ns: int) -> int:
    time_ns = path.stat().st_mtime_ns
    return time_ns if time_ns <= now_ns else 0


def _list_fields(kind: type) -> tuple[str, ...]:
    return tuple(entry.name for entry in dataclasses.fields(kind) if entry.init)


_FIELDS = {name: _list_fields(kind) for name, kind in _KINDS.items() if dataclasses.is_dataclass(kind)}


def _describe_program() -> list[object]:
    """Tell one program from another: whoever works on gatekeep changes how matrices are read without a new version."""
    folders = [Path(__file__).parent, Path(model.__file__).parent]
    sources = sorted(path for folder in folders for path in folder.glob("*.py"))
    stamps = [(path.name, status.st_size, status.st_mtime_ns) for path in sources for status in [path.stat()]]
    return [gatekeep.__version__, stamps]
