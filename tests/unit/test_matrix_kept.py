"""A matrix that was read before comes back whole; whatever is not one is read anew."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from gatekeep.errors import MatrixError
from gatekeep.matrix.kept import KeptMatrices, decode_matrix, decode_waivers, encode_matrix, encode_waivers
from gatekeep.matrix.load import parse_matrix
from gatekeep.model.matrix import Matrix
from gatekeep.model.rule import Rule
from gatekeep.model.waiver import Waiver
from tests.cases import make_matrix, make_waiver
from tests.matrices import render_matrix_text

ROOT = Path(__file__).parents[2]
SKERRY = (ROOT / "matrices" / "skerry" / "tree" / "matrix.yml").read_bytes()
TEXTS = {
    "skerry": SKERRY,
    "kelp": (ROOT / "tests" / "data" / "kelp" / "matrix.yml").read_bytes(),
    "300 targets": render_matrix_text(300).encode(),
}


class Reader:
    """Counts how often it reads."""

    def __init__(self) -> None:
        self.count = 0

    def __call__(self, text: bytes, path: str) -> Matrix:
        self.count += 1
        return parse_matrix(text, path=path)


@pytest.fixture
def reader() -> Reader:
    return Reader()


@pytest.mark.parametrize("text", TEXTS.values(), ids=TEXTS.keys())
def test_what_was_written_comes_back_with_types_and_places(text: bytes) -> None:
    matrix = parse_matrix(text, path="matrix.yml")
    back = decode_matrix(encode_matrix(matrix))
    assert back == matrix
    # Places do not count when matrices are compared, and 1 equals 1.0: both show here.
    assert repr(back) == repr(matrix)


def test_days_come_back_as_days() -> None:
    matrix = decode_matrix(encode_matrix(parse_matrix(SKERRY, path="matrix.yml")))
    port = matrix.get_port("loongarch64")
    assert port is not None
    assert port.since == date(2026, 3, 2)


def test_the_same_bytes_are_read_once(tmp_path: Path, reader: Reader) -> None:
    first = KeptMatrices(tmp_path / "matrices", reader).read(SKERRY, "matrix.yml")
    again = KeptMatrices(tmp_path / "matrices", reader).read(SKERRY, "matrix.yml")
    assert repr(again) == repr(first)
    assert reader.count == 1


def test_other_bytes_and_other_names_are_read_by_themselves(tmp_path: Path, reader: Reader) -> None:
    kept = KeptMatrices(tmp_path, reader)
    kept.read(SKERRY, "matrix.yml")
    assert kept.read(SKERRY + b"\n", "matrix.yml").path == "matrix.yml"
    assert kept.read(SKERRY, "other.yml").path == "other.yml"
    assert reader.count == 3


def test_a_wrong_matrix_is_told_every_time(tmp_path: Path, reader: Reader) -> None:
    kept = KeptMatrices(tmp_path, reader)
    for _ in range(2):
        with pytest.raises(MatrixError):
            kept.read(b"matrix: 2\n", "matrix.yml")
    assert reader.count == 2


def test_a_kept_matrix_that_is_cut_anywhere_or_changed_is_read_anew(tmp_path: Path, reader: Reader) -> None:
    KeptMatrices(tmp_path, reader).read(TEXTS["kelp"], "matrix.yml")
    (file,) = tmp_path.iterdir()
    whole = file.read_bytes()
    for length in range(0, len(whole), 7):
        with pytest.raises(ValueError, match="damaged"):
            decode_matrix(whole[:length])
    file.write_bytes(whole.replace(b"arm", b"mra"))
    assert KeptMatrices(tmp_path, reader).read(TEXTS["kelp"], "matrix.yml").path == "matrix.yml"
    assert reader.count == 2
    assert file.read_bytes() == whole


def test_only_the_newest_are_kept(tmp_path: Path, reader: Reader) -> None:
    kept = KeptMatrices(tmp_path, reader)
    for number in range(20):
        kept.read(TEXTS["kelp"] + b"\n" * number, "matrix.yml")
        (newest,) = set(tmp_path.iterdir()) - {file for file in tmp_path.iterdir() if file.stat().st_mtime < 1000}
        os.utime(newest, (number, number))
    assert sorted(int(file.stat().st_mtime) for file in tmp_path.iterdir()) == list(range(4, 20))


def test_what_is_dated_later_than_now_goes_first(tmp_path: Path, reader: Reader) -> None:
    """The clock was set back since: else whatever is read from then on would be dropped at once."""
    kept = KeptMatrices(tmp_path, reader)
    for number in range(16):
        kept.read(TEXTS["kelp"] + b"\n" * number, "matrix.yml")
    for file in tmp_path.iterdir():
        os.utime(file, (4_000_000_000, 4_000_000_000))
    for _ in range(2):
        kept.read(SKERRY, "matrix.yml")
    assert (reader.count, len(list(tmp_path.iterdir()))) == (17, 16)


def test_a_folder_that_cannot_be_made_costs_nothing_but_time(tmp_path: Path, reader: Reader) -> None:
    (tmp_path / "file").write_bytes(b"")
    kept = KeptMatrices(tmp_path / "file" / "matrices", reader)
    assert kept.read(SKERRY, "matrix.yml") == kept.read(SKERRY, "matrix.yml")
    assert reader.count == 2


def test_a_gate_imports_what_reads_yaml_only_when_it_reads_some() -> None:
    code = "import sys, gatekeep.cli.gate; print(sorted({'pydantic', 'yaml', 'rich', 'jinja2'} & sys.modules.keys()))"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_waivers_come_back_as_they_were_and_are_read_anew_beside_another_matrix(tmp_path: Path) -> None:
    kept = KeptMatrices(tmp_path, lambda text, path: parse_matrix(text, path=path))
    waivers = (make_waiver(Rule.BROKEN, "arm/mere"), make_waiver(Rule.NEW_WARNING, "mips/holm", name="other"))
    calls: list[str] = []

    def parse(text: bytes, path: str, matrix: Matrix) -> tuple[Waiver, ...]:
        calls.append(matrix.tree)
        return waivers if text else ()

    matrix = make_matrix()
    for _ in range(2):
        found = kept.read_waivers(b"x", "waivers.yml", matrix, parse)
        assert found == waivers
        assert [waiver.place for waiver in found] == [waiver.place for waiver in waivers]
        assert kept.read_waivers(b"", "waivers.yml", matrix, parse) == ()
    assert calls == ["skerry", "skerry"]
    kept.read_waivers(b"x", "waivers.yml", replace(matrix, tree="kelp"), parse)
    assert calls == ["skerry", "skerry", "kelp"]


def test_kept_waivers_that_are_damaged_or_a_matrix_are_refused() -> None:
    whole = encode_waivers((make_waiver(),))
    for content in (b"", whole[:-1], whole.replace(b"broken", b"brokem"), encode_matrix(make_matrix())):
        with pytest.raises(ValueError, match=r"damaged|not a file of waivers"):
            decode_waivers(content)
    with pytest.raises(ValueError, match="not a matrix"):
        decode_matrix(whole)
