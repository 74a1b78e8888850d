"""`gatekeep targets`: what it lists, what it says of a wrong matrix, and how it ends."""

from __future__ import annotations

import json

import pytest
from click.shell_completion import ShellComplete

from gatekeep.cli.main import cli, run
from gatekeep.matrix.schema import render_schema
from tests.unit.test_matrix_faults import DATA, SOUND

LIST = """\
riscv64: RISCV, 64 bits, little-endian; Isa Thorne, Ole Brandt
  riscv64/vale            nor-64 8 MiB   bare-clang  board-make
  riscv64/mere            nor-4 512 KiB  bare-clang  board-make  boots to 'clock {ok}'
  riscv64/tarn/debug      nor-64 8 MiB   bare-clang  board-make
  riscv64/tarn/release    nor-4 512 KiB  bare-clang  board-make

loongarch64: LOONGARCH, since 2026-03-01; Isa Thorne
  loongarch64/no/plain    nor-4 512 KiB  bare-clang  board-make
  loongarch64/1.30        nor-4 512 KiB  bare-clang  board-make
  loongarch64/host/plain  no part        0x10        library

toolchain 0x10: only cc itself is held against its digest; name what stands behind it (compiler, assembler, linker) in \
its programs
7 targets in 2 ports of skerry, built with 0x10, bare-clang
"""

SKERRY = str(DATA / "skerry.yml")


@pytest.fixture
def written(tmp_path, monkeypatch):
    """A folder of its own to run in; gives a function that writes its matrix.yml."""
    monkeypatch.chdir(tmp_path)

    def write(text: str) -> None:
        (tmp_path / "matrix.yml").write_text(text, encoding="utf-8")

    return write


def test_targets_are_listed_by_port(capsys):
    assert run(["targets", "--matrix", SKERRY]) == 0
    assert capsys.readouterr() == (LIST, "")


def test_matrix_is_found_from_any_folder_of_the_work_tree(tmp_path, monkeypatch, capsys):
    (tmp_path / "matrix.yml").write_text((DATA / "skerry.yml").read_text(encoding="utf-8"), encoding="utf-8")
    (tmp_path / ".git").mkdir()
    inner = tmp_path / "boards" / "vale"
    inner.mkdir(parents=True)
    monkeypatch.chdir(inner)
    assert run(["targets"]) == 0
    assert capsys.readouterr() == (LIST, "")


def test_matrix_of_another_work_tree_is_not_taken(tmp_path, monkeypatch, capsys):
    """Neither one around this one, nor one in a folder above where there is no work tree at all."""
    (tmp_path / "matrix.yml").write_text((DATA / "skerry.yml").read_text(encoding="utf-8"), encoding="utf-8")
    inner = tmp_path / "other" / "boards"
    inner.mkdir(parents=True)
    monkeypatch.chdir(inner)
    assert run(["targets"]) == 2
    (tmp_path / "other" / ".git").mkdir()
    (tmp_path / ".git").mkdir()
    assert run(["targets"]) == 2
    assert capsys.readouterr().err.startswith("gatekeep: matrix.yml: the matrix cannot be read: ")


def test_fault_is_named_as_from_here(tmp_path, monkeypatch, capsys):
    (tmp_path / "matrix.yml").write_text("matrix: 2\n", encoding="utf-8")
    (tmp_path / ".git").mkdir()
    (tmp_path / "boards").mkdir()
    monkeypatch.chdir(tmp_path / "boards")
    assert run(["targets"]) == 2
    assert capsys.readouterr().err.startswith("../matrix.yml:1:1: ")


def test_one_port_is_listed(capsys):
    assert run(["targets", "--matrix", SKERRY, "--port", "loongarch64"]) == 0
    assert capsys.readouterr().out == (
        "loongarch64: LOONGARCH, since 2026-03-01; Isa Thorne\n"
        "  loongarch64/no/plain    nor-4 512 KiB  bare-clang  board-make\n"
        "  loongarch64/1.30        nor-4 512 KiB  bare-clang  board-make\n"
        "  loongarch64/host/plain  no part        0x10        library\n"
        "\n"
        "toolchain 0x10: only cc itself is held against its digest; name what stands behind it (compiler, assembler, "
        "linker) in its programs\n"
        "3 targets in 1 port of skerry, built with 0x10, bare-clang\n"
    )


def test_unknown_port_is_answered_with_the_nearest(capsys):
    assert run(["targets", "--matrix", SKERRY, "--port", "riscv46"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err == f"gatekeep: --port: {SKERRY} has no port 'riscv46'; did you mean riscv64?\n"


def test_matrix_yml_of_the_folder_is_read(written, capsys):
    written(SOUND)
    assert run(["targets"]) == 0
    assert capsys.readouterr().out.endswith(
        "\ntoolchain bare-clang: only cc itself is held against its digest; name what stands behind it (compiler, "
        "assembler, linker) in its programs\n"
        "2 targets in 1 port of skerry, built with bare-clang\n"
    )


def test_missing_matrix_ends_with_2(written, capsys):
    assert run(["targets"]) == 2
    assert capsys.readouterr() == (
        "",
        "gatekeep: matrix.yml: the matrix cannot be read: No such file or directory; name the file with --matrix\n",
    )


def test_every_fault_is_printed_and_the_end_is_2(written, capsys):
    written(SOUND.replace("capacity: 64 Mibit", "capacity: 8M").replace("bits: 64", "bits: 63"))
    assert run(["targets"]) == 2
    assert capsys.readouterr() == (
        "",
        "matrix.yml:12:15: a capacity needs a quantity with its unit, got '8M'; write 8 MiB\n"
        "matrix.yml:20:11: bits are 32 or 64, got '63'; write 32 or 64, without quotes\n",
    )


def test_faults_of_a_wrong_matrix_go_to_standard_error_with_json_too(written, capsys):
    written("")
    assert run(["targets", "--json"]) == 2
    assert capsys.readouterr() == ("", "matrix.yml:1:1: the matrix is empty; begin with matrix: 1\n")


def test_hostile_text_reaches_no_terminal_unescaped(written, capsys):
    """A zero-width space is no control character, so the file may hold it; the message shows it as an escape."""
    written(SOUND.replace("tree: skerry", "tree: 'sk\u200berry\\\n'"))
    assert run(["targets"]) == 2
    err = capsys.readouterr().err
    assert "\u200b" not in err
    assert "\\u200b" in err


def test_hostile_file_name_is_an_escape_in_json_too(tmp_path, capsys):
    """The loader refuses such characters in the file; its name is the only text that nobody has checked."""
    hostile = tmp_path / "\u202e\x9b2J\udcff.yml"
    hostile.write_text(SOUND, encoding="utf-8")
    assert run(["targets", "--json", "--matrix", str(hostile)]) == 0
    out = capsys.readouterr().out
    assert out.isascii()
    assert json.loads(out)["matrix"].endswith("/\u202e\x9b2J\\udcff.yml")


def test_json_holds_what_builds_each_target(capsys):
    assert run(["targets", "--matrix", SKERRY, "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert (data["format"], data["matrix"], data["tree"], data["source_date"]) == (1, SKERRY, "skerry", 978_307_200)
    assert [port["name"] for port in data["ports"]] == ["riscv64", "loongarch64"]
    assert data["ports"][1] == {
        "name": "loongarch64",
        "maintainers": [{"name": "Isa Thorne", "email": "isa@skerry.example"}],
        "since": "2026-03-01",
        "machine": "LOONGARCH",
        "bits": None,
        "byte_order": None,
    }
    assert data["targets"][0] == {
        "name": "riscv64/vale",
        "port": "riscv64",
        "board": "vale",
        "configuration": None,
        "line": 51,
        "toolchain": {
            "name": "bare-clang",
            "probe": ["python3", "-m", "ziglang", "version"],
            "allow": ">=0.13,<1",
        },
        "recipe": {
            "name": "board-make",
            "build": [
                ["make", "-j{jobs}", "BOARD=vale", "O={out}", "CROSS=riscv64-"],
                ["python3", "tools/stamp.py", "{tree}", "{out}/vale.rom", "{{literal}}"],
            ],
            "directory": "firmware",
            "elf": "{out}/vale.elf",
            "image": "{out}/vale.rom",
            "image_format": "raw",
            "archives": [],
            "environment": {"OPT": "-O2", "TREE": "skerry"},
            "keep_environment": ["LICENSE_SERVER"],
            "time_limit_s": 120.0,
            "log_limit_bytes": 1_048_576,
            "memory_limit_bytes": 8 * 1024**3,
            "disk_limit_bytes": 12 * 1024**3,
            "builds_in_tree": False,
        },
        "part": {
            "name": "nor-64",
            "capacity_bytes": 8_388_608,
            "address": "0x20000000",
            "regions": [
                {
                    "name": "recovery",
                    "at_bytes": 0,
                    "capacity_bytes": 1_048_576,
                    "reserve_bytes": 0,
                    "write_protected": True,
                },
                {
                    "name": "main",
                    "at_bytes": 1_048_576,
                    "capacity_bytes": 7_340_032,
                    "reserve_bytes": 367_002,
                    "write_protected": False,
                },
            ],
        },
        "memories": [
            {"name": "sram", "address": "0x80000000", "capacity_bytes": 65_536, "reserve_bytes": 2048},
        ],
        "settings": {"cross": "riscv64-", "opt": "-O2"},
        "boot": None,
    }
    assert data["targets"][1]["boot"] == {
        "command": ["emulate-board", "mere", "{out}/mere.rom", "{out}/mere.elf"],
        "expect": ["skerry", "clock {ok}"],
        "time_limit_s": 5.0,
    }


def test_schema_is_printed_whole_without_a_matrix(written, capsys):
    assert run(["targets", "--schema"]) == 0
    assert json.loads(capsys.readouterr().out) == render_schema()


def test_example_of_the_help_is_a_sound_matrix(written, capsys):
    """What --help teaches must work as it stands."""
    assert run(["targets", "--help"]) == 0
    lines = capsys.readouterr().out.splitlines()
    start = lines.index("    matrix: 1")
    example = [line[4:] for line in lines[start : lines.index("", start)]]
    written("\n".join(example) + "\n")
    assert run(["targets"]) == 0
    assert capsys.readouterr().out.endswith("3 targets in 1 port of skerry, built with bare-clang\n")


@pytest.mark.parametrize(
    ("matrix", "begun", "offered"),
    [(SKERRY, "r", ["riscv64"]), (SKERRY, "", ["riscv64", "loongarch64"]), ("none.yml", "r", [])],
)
def test_shell_completes_names_of_ports(matrix, begun, offered):
    complete = ShellComplete(cli, {}, "gatekeep", "_GATEKEEP_COMPLETE")
    items = complete.get_completions(["targets", "--matrix", matrix, "--port"], begun)
    assert [item.value for item in items] == offered
