"""
Logs of compilers and linkers run here and now, held against what the same programs say in other forms.

The oracles are the programs' own: GCC's `-fdiagnostics-format=json`, Clang's `-fdiagnostics-format=sarif`, and the
linkers' `--print-memory-usage` of the same link with room enough. Clang and LLD come with the test requirements; of
the cross-compilers, those that the machine has are asked.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path

import pytest
import ziglang

from gatekeep.judge.warnings import list_new_warnings
from gatekeep.measure.diagnostics import LogFindings, parse_log
from gatekeep.model.change import FileLines, Hunk, LineMap
from gatekeep.model.evidence import Diagnostic, Overflow, Severity

TREE = Path(__file__).parent.parent / "data" / "logs" / "tree"
ZIG = str(Path(ziglang.__file__).with_name("zig"))
CLANG = {
    "arm": (ZIG, "clang", "--target=arm-none-eabi", "-mcpu=cortex-m3"),
    "riscv64": (ZIG, "clang", "--target=riscv64-unknown-elf", "-mcmodel=medany"),
    "powerpc": (ZIG, "clang", "--target=powerpc-linux-gnu"),
}
GCC = {"arm": "arm-none-eabi-gcc", "riscv64": "riscv64-unknown-elf-gcc", "powerpc": "powerpc-linux-gnu-gcc"}
LD = {"arm": "arm-none-eabi-ld", "riscv64": "riscv64-unknown-elf-ld", "powerpc": "powerpc-linux-gnu-ld"}
SOURCES = ("drivers/gauge.c", "drivers/lamp.c", "drivers/missing.c", "odd names/a: b.c")
WARNINGS = ("-Wall", "-Wextra", "-Wconversion")


def need(program: str) -> str:
    found = shutil.which(program)
    if found is None:
        pytest.fail(f"{program} is not on this machine; ./ci/test installs it")
    return found


def run(command: Sequence[str], *, folder: Path = TREE, locale: str = "C") -> bytes:
    done = subprocess.run(
        command,
        cwd=folder,
        env={"PATH": os.environ["PATH"], "LC_ALL": locale},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        check=False,
    )
    return done.stdout


def find(log: bytes, out: Path, tree: Path = TREE) -> LogFindings:
    return parse_log(log, tree=str(tree), out=str(out))


@pytest.mark.parametrize("source", SOURCES)
@pytest.mark.parametrize("port", GCC)
def test_gccs_text_gives_what_its_json_says(port: str, source: str, tmp_path: Path) -> None:
    command = [need(GCC[port]), *WARNINGS, "-c", source, "-o", str(tmp_path / "x.o")]
    expected: set[tuple[object, ...]] = set()
    entries = json.loads(run([*command, "-fdiagnostics-format=json"]).splitlines()[0])
    while entries:
        entry = entries.pop()
        entries += entry.get("children", [])
        if entry["kind"] == "note":
            continue
        caret = entry["locations"][0]["caret"]
        expected.add(
            (
                Severity.WARNING if entry["kind"] == "warning" else Severity.ERROR,
                os.path.normpath(caret["file"]),
                caret["line"],
                caret["column"],
                entry["option"].removeprefix("-W") if "option" in entry else None,
                entry["message"],
            )
        )
    assert expected
    for variant in ([], ["-fdiagnostics-color=always", "-fdiagnostics-urls=always"], ["-fno-diagnostics-show-caret"]):
        found = find(run([*command, *variant]), tmp_path)
        assert {
            (entry.severity, entry.path, entry.line, entry.column, entry.option, entry.message)
            for entry in found.diagnostics
        } == expected


@pytest.mark.parametrize("source", SOURCES)
@pytest.mark.parametrize("port", CLANG)
def test_clangs_text_gives_what_its_sarif_says(port: str, source: str, tmp_path: Path) -> None:
    """SARIF gives the start of the marked range and not the caret, so columns are left out."""
    command = [*CLANG[port], *WARNINGS, "-c", source, "-o", str(tmp_path / "x.o")]
    text = run([*command, "-fdiagnostics-format=sarif", "-Wno-sarif-format-unstable"]).decode()
    log, _ = json.JSONDecoder().raw_decode(text[text.index("{") :])
    expected: dict[tuple[Severity, str, int, str], None] = {}
    for result in log["runs"][0]["results"]:
        if result["level"] == "note":
            continue
        place = result["locations"][0]["physicalLocation"]
        uri = place["artifactLocation"]["uri"].replace("%20", " ").replace("%3A", ":")
        expected[
            Severity(result["level"]),
            os.path.relpath(uri.removeprefix("file://"), TREE),
            place["region"]["startLine"],
            result["message"]["text"],
        ] = None
    assert expected
    for variant in ([], ["-fcolor-diagnostics"], ["-fno-diagnostics-show-line-numbers"]):
        found = find(run([*command, *variant]), tmp_path)
        assert {
            (entry.severity, entry.path, entry.line, entry.message): None for entry in found.diagnostics
        } == expected
        if source == "drivers/gauge.c":
            assert {entry.option for entry in found.diagnostics} > {"unused-variable", "parentheses"}


def link(linker: Sequence[str], large: Path, out: Path, script: str, *options: str) -> bytes:
    path = out / "x.ld"
    path.write_text(script)
    return run([*linker, *options, "-T", str(path), str(large), "-o", str(out / "x.elf")])


def usage(linker: Sequence[str], large: Path, out: Path, script: str) -> dict[str, int]:
    """Bytes used by region, as the linker counts them itself."""
    text = link(linker, large, out, script, "--print-memory-usage").decode()
    units = {"B": 1, "KB": 1024, "MB": 1024**2}
    rows = [line.replace(":", " ").split() for line in text.splitlines() if "%" in line and "Region Size" not in line]
    return {row[0]: int(row[1]) * units[row[2]] for row in rows}


@pytest.mark.parametrize("port", CLANG)
@pytest.mark.parametrize("kind", ["ld", "lld"])
@pytest.mark.parametrize("locale", ["C", "C.UTF-8"])
def test_overflow_is_what_the_linker_counts_past_the_capacity(
    kind: str, port: str, locale: str, tmp_path: Path
) -> None:
    linker = (need(LD[port]),) if kind == "ld" else (ZIG, "ld.lld")
    large = tmp_path / "large.o"
    assert run([*CLANG[port], "-ffreestanding", "-fno-pic", "-c", "lib/large.c", "-o", str(large)]) == b""
    small = (TREE / "boards" / "small.ld").read_text()
    roomy = small.replace("LENGTH = 4K", "LENGTH = 4000K").replace("LENGTH = 2K", "LENGTH = 2000K")
    used = usage(linker, large, tmp_path, roomy)
    found = find(link(linker, large, tmp_path, small), tmp_path)
    assert found.overflows == (
        Overflow(region="FLASH", over_bytes=used["FLASH"] - 4096),
        Overflow(region="RAM", over_bytes=used["RAM"] - 2048),
    )
    assert found.first_error is not None
    assert "will not fit in region" in found.first_error.message


@pytest.mark.parametrize("kind", ["ld", "lld"])
def test_section_astray_names_its_region(kind: str, tmp_path: Path) -> None:
    linker = (need(LD["arm"]),) if kind == "ld" else (ZIG, "ld.lld")
    large = tmp_path / "large.o"
    run([*CLANG["arm"], "-c", "lib/large.c", "-o", str(large)])
    found = find(link(linker, large, tmp_path, (TREE / "boards" / "astray.ld").read_text()), tmp_path)
    assert [entry.region for entry in found.overflows] == ["FLASH", "RAM"]


@pytest.mark.parametrize("kind", ["ld", "lld"])
def test_undefined_symbol_has_the_place_of_its_use(kind: str, tmp_path: Path) -> None:
    linker = (need(LD["arm"]),) if kind == "ld" else (ZIG, "ld.lld")
    run([*CLANG["arm"], "-g", "-c", "lib/user.c", "-o", str(tmp_path / "user.o")])
    found = find(run([*linker, str(tmp_path / "user.o"), "-o", str(tmp_path / "x.elf")]), tmp_path)
    assert found.first_error is not None
    assert found.first_error.place == "lib/user.c:5"
    assert found.first_error.message in ("undefined reference to `missing'", "undefined symbol: missing")


def warnings_of(command: Sequence[str], tree: Path, text: str, out: Path) -> tuple[Diagnostic, ...]:
    (tree / "x.c").write_text(text)
    return find(run([*command, "-Wall", "-c", "x.c", "-o", str(out / "x.o")], folder=tree), out, tree).diagnostics


@pytest.mark.parametrize("kind", ["gcc", "clang"])
def test_moved_warning_is_not_new_and_an_added_one_is(kind: str, tmp_path: Path) -> None:
    command = (need(GCC["arm"]),) if kind == "gcc" else CLANG["arm"]
    tree, out = tmp_path / "tree", tmp_path / "out"
    tree.mkdir()
    out.mkdir()
    function = "int f(void)\n{\n\tint unused;\n}\n"
    base = warnings_of(command, tree, function, out)
    assert len(base) == 2
    head = warnings_of(command, tree, f"int g;\nint h;\n{function}static int forgotten(void) {{ return 1; }}\n", out)
    hunks = (
        Hunk(old_start=0, old_count=0, new_start=1, new_count=2),
        Hunk(old_start=4, old_count=0, new_start=7, new_count=1),
    )
    line_map = LineMap(files={"x.c": FileLines(old_path="x.c", new_path="x.c", hunks=hunks)})
    assert [(entry.place, entry.option) for entry in list_new_warnings(base, head, line_map)] == [
        ("x.c:7", "unused-function")
    ]
