"""Sound matrices: what is inherited, filled and resolved; and files that were cut or bent."""

from __future__ import annotations

from contextlib import suppress
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gatekeep.errors import MatrixError, UsageError
from gatekeep.matrix.load import load_matrix, parse_matrix
from gatekeep.model.matrix import (
    Boot,
    CacheWish,
    Claim,
    ImageFormat,
    Maintainer,
    Matrix,
    Memory,
    Part,
    Place,
    Port,
    Recipe,
    Region,
    Rules,
    RuleStrength,
    Target,
    Toolchain,
)
from tests.matrices import render_matrix_text
from tests.unit.test_matrix_faults import DATA, SOUND

SKERRY = (DATA / "skerry.yml").read_bytes()


@pytest.fixture(scope="module")
def skerry() -> Matrix:
    return parse_matrix(SKERRY, path="skerry.yml")


def _get(matrix: Matrix, name: str) -> Target:
    target = matrix.get_target(name)
    assert target is not None
    return target


def _parse(text: str) -> Matrix:
    return parse_matrix(text.encode(), path="m.yml")


def test_targets_stand_in_the_order_of_the_file(skerry):
    assert [target.name for target in skerry.targets] == [
        "riscv64/vale",
        "riscv64/mere",
        "riscv64/tarn/debug",
        "riscv64/tarn/release",
        "loongarch64/no/plain",
        "loongarch64/1.30",
        "loongarch64/host/plain",
    ]


def test_one_target_is_whole(skerry):
    assert _get(skerry, "riscv64/vale") == Target(
        port="riscv64",
        board="vale",
        configuration=None,
        toolchain=Toolchain(
            name="bare-clang",
            probe=("python3", "-m", "ziglang", "version"),
            allow=">=0.13,<1",
            install="pip install ziglang",
            programs=("python3", ("python3", "-c", "print('/{}')")),
        ),
        recipe=Recipe(
            name="board-make",
            build=(
                ("make", "-j{jobs}", "BOARD=vale", "O={out}", "CROSS=riscv64-"),
                ("python3", "tools/stamp.py", "{tree}", "{out}/vale.rom", "{{literal}}"),
            ),
            directory="firmware",
            elf="{out}/vale.elf",
            image="{out}/vale.rom",
            image_format=ImageFormat.RAW,
            environment=(("OPT", "-O2"), ("TREE", "skerry")),
            keep_environment=("LICENSE_SERVER",),
            time_limit_s=120.0,
            log_limit_bytes=1024**2,
        ),
        part=Part(
            name="nor-64",
            capacity_bytes=8 * 1024**2,
            regions=(
                Region(name="recovery", at_bytes=0, capacity_bytes=1024**2, write_protected=True),
                # 5 % of 7,340,032 bytes are 367,001.6: a reserve is rounded up.
                Region(name="main", at_bytes=1024**2, capacity_bytes=7 * 1024**2, reserve_bytes=367_002),
            ),
        ),
        part_address=0x2000_0000,
        memories=(Memory(name="sram", address=0x8000_0000, capacity_bytes=65_536, reserve_bytes=2048),),
        settings=(("cross", "riscv64-"), ("opt", "-O2")),
        place=Place(path="skerry.yml", line=51, column=7),
    )


def test_boot_is_as_written_and_the_nearest_wins():
    text = SOUND.replace("    bits: 64\n", "    bits: 64\n    boot: {command: [emulate, '{elf}'], expect: [skerry]}\n")
    own = ", boot: {command: [emulate, '{elf}', '{{}}'], expect: ['{ok}', ok], time_limit: 2 min}"
    by_port, by_board, by_none = (
        _parse(text.replace("mere:", f"mere: {{part: nor-64{more}}}")) for more in ("", own, ", boot: null")
    )
    of_port = Boot(command=("emulate", "{out}/vale.elf"), expect=("skerry",), time_limit_s=10.0)
    assert [_get(matrix, "riscv64/vale").boot for matrix in (by_port, by_board, by_none)] == [of_port] * 3
    assert [_get(matrix, "riscv64/mere").boot for matrix in (by_port, by_board, by_none)] == [
        Boot(command=("emulate", "{out}/mere.elf"), expect=("skerry",), time_limit_s=10.0),
        Boot(command=("emulate", "{out}/mere.elf", "{{}}"), expect=("{ok}", "ok"), time_limit_s=120.0),
        None,
    ]


def test_compile_cache_is_as_written_and_off_by_default(skerry):
    text = SOUND.replace(', allow: ">=13"}', ", compile_cache: {in_front_of: [cc, c++]%s}}")
    assert _get(skerry, "riscv64/vale").toolchain.compile_cache is None
    by_default, as_said = (
        _get(_parse(text % more), "riscv64/vale").toolchain.compile_cache
        for more in ("", ", program: /opt/bin/ccache, limit: 512 MiB")
    )
    assert by_default == CacheWish(in_front_of=("cc", "c++"), program="ccache", limit_bytes=2 * 1024**3)
    assert as_said == CacheWish(in_front_of=("cc", "c++"), program="/opt/bin/ccache", limit_bytes=512 * 1024**2)


def test_port_claims_rules_and_date_are_as_written(skerry):
    assert (skerry.path, skerry.tree) == ("skerry.yml", "skerry")
    # Source: POSIX.1, "Seconds Since the Epoch": 31 years of 365 days and 8 leap days before 2001.
    assert skerry.source_date == (31 * 365 + 8) * 86_400
    assert skerry.ports == (
        Port(
            name="riscv64",
            maintainers=(Maintainer(name="Isa Thorne", email="isa@skerry.example"), Maintainer(name="Ole Brandt")),
            machine="RISCV",
            bits=64,
            byte_order="little",
            place=Place(path="skerry.yml", line=43, column=3),
        ),
        Port(
            name="loongarch64",
            maintainers=(Maintainer(name="Isa Thorne", email="isa@skerry.example"),),
            machine="LOONGARCH",
            bits=None,
            byte_order=None,
            since=date(2026, 3, 1),
            place=Place(path="skerry.yml", line=58, column=3),
        ),
    )
    assert skerry.claims == (
        Claim(pattern="firmware/boards/{board}/board.mk", place=Place(path="skerry.yml", line=68, column=10)),
        Claim(pattern="ports/{port}/*/{board}.c", place=Place(path="skerry.yml", line=68, column=46)),
    )
    assert skerry.rules == Rules(
        new_warnings=RuleStrength.BLOCK, growth_per_change=(("flash", 4096), ("main", 0), ("tcm", 1024))
    )


def test_part_without_regions_is_one_region_named_flash(skerry):
    assert _get(skerry, "riscv64/mere").part == Part(
        name="nor-4",
        capacity_bytes=524_288,
        regions=(Region(name="flash", at_bytes=0, capacity_bytes=524_288, reserve_bytes=8192),),
    )


def test_nearest_level_wins_and_settings_merge_by_name(skerry):
    debug, release = _get(skerry, "riscv64/tarn/debug"), _get(skerry, "riscv64/tarn/release")
    assert debug.settings == (("cross", "riscv64-"), ("opt", "-O0"))
    assert release.settings == (("cross", "riscv64-"), ("opt", "-O2"))
    assert debug.part is not None
    assert release.part is not None
    assert (debug.part.name, release.part.name) == ("nor-64", "nor-4")


def test_memories_merge_by_name_and_null_takes_one_away(skerry):
    sram = Memory(name="sram", address=0x8001_0000, capacity_bytes=32_768)
    tcm = Memory(name="tcm", address=0x1000, capacity_bytes=8192)
    assert _get(skerry, "riscv64/tarn/debug").memories == (sram,)
    assert _get(skerry, "riscv64/tarn/release").memories == (sram, tcm)


def test_null_takes_part_setting_and_configurations_away(skerry):
    host = _get(skerry, "loongarch64/host/plain")
    assert host.part is None
    assert host.settings == (("cross", ""),)
    assert _get(skerry, "loongarch64/1.30").configuration is None


def test_limits_have_defaults_where_the_recipe_is_silent(skerry):
    recipe = _get(skerry, "loongarch64/host/plain").recipe
    assert (recipe.time_limit_s, recipe.log_limit_bytes) == (600.0, 4 * 1024**2)
    assert recipe.archives == ("{tree}/lib/loongarch64/host/plain.a",)
    assert recipe.builds_in_tree


@pytest.mark.parametrize("name", ["no", "yes", "on", "0x10", "1.30", "010", "null", "true", "2001-01-01", "1e3", "x_y"])
def test_name_that_old_yaml_would_bend_is_just_a_name(name):
    """YAML 1.1 makes a boolean, a number, a date or nothing of these."""
    matrix = _parse(SOUND.replace("mere:", f"{name}:"))
    target = matrix.targets[1]
    assert target.board == name
    assert target.recipe.build == (("make", f"BOARD={name}", "O={out}"),)


@pytest.mark.parametrize("value", ["no", "1:30", "0x10", "010", "1_000", ".5", "=", "2001-01-01", "-O2", "12e03"])
def test_setting_keeps_its_text(value):
    text = SOUND.replace("BOARD={board}", "W={word}").replace("bits: 64", f"settings: {{word: {value}}}")
    assert _parse(text).targets[0].settings == (("word", value),)


def test_setting_may_serve_a_boot_alone():
    boot = 'boot: {command: [emulate, "{elf}", "{console}"], expect: [tide], time_limit: 2 s}'
    text = SOUND.replace("vale: {part: nor-64}", f"vale: {{part: nor-64, settings: {{console: ttyA}}, {boot}}}")
    target = _parse(text).targets[0]
    assert target.boot is not None
    assert target.boot.command[-1] == "ttyA"


def test_setting_may_use_what_names_the_target():
    text = SOUND.replace("BOARD={board}", "C={file}").replace(
        "bits: 64", 'settings: {file: "{tree_name}/{target}{{}}.mk"}'
    )
    target = _parse(text).targets[0]
    assert target.settings == (("file", "skerry/riscv64/vale{}.mk"),)
    assert target.recipe.build == (("make", "C=skerry/riscv64/vale{{}}.mk", "O={out}"),)


def test_configurations_of_the_nearest_level_replace_the_others_whole():
    text = SOUND.replace("bits: 64", "configurations: {debug: , release: }").replace(
        "      mere:\n", "      mere: {configurations: {plain: }}\n      tarn: {configurations: null}\n"
    )
    matrix = _parse(text)
    assert [target.name for target in matrix.targets] == [
        "riscv64/vale/debug",
        "riscv64/vale/release",
        "riscv64/mere/plain",
        "riscv64/tarn",
    ]
    # Inherited configurations stand at the board, its own at their line.
    assert [target.place.line for target in matrix.targets] == [22, 22, 23, 24]


@pytest.mark.parametrize(
    ("written", "seconds"),
    [
        ("1970-01-01", 0),
        # Source: RFC 3339, section 5.8, first example and second: 1985-04-12T23:20:50Z, 1996-12-19T16:39:57-08:00.
        ("1985-04-12T23:20:50Z", 482_196_050),
        ("1996-12-19T16:39:57-08:00", 851_042_397),
        ("1996-12-20T00:39:57Z", 851_042_397),
    ],
)
def test_source_date_is_a_day_or_an_instant(written, seconds):
    assert _parse(SOUND.replace("2001-01-01", written)).source_date == seconds


def test_line_ends_and_byte_order_mark_of_other_systems_change_nothing():
    sound = parse_matrix(SOUND.encode(), path="m.yml")
    assert parse_matrix(SOUND.replace("\n", "\r\n").encode(), path="m.yml") == sound
    assert parse_matrix(b"\xef\xbb\xbf" + SOUND.encode(), path="m.yml") == sound


def test_byte_that_is_not_utf8_is_named_with_its_place_behind_a_byte_order_mark_too():
    for mark in (b"", b"\xef\xbb\xbf"):
        with pytest.raises(MatrixError) as caught:
            parse_matrix(mark + b"matrix: 1\nn\xbfn,,", path="m.yml")
        assert str(caught.value) == "m.yml:2:2: byte 0xBF is not UTF-8; save the file as UTF-8"


def test_what_nobody_uses_is_accepted():
    spare = '  spare: {build: [make, "{whatever}"], elf: "{out}/x"}\nparts:\n  nor-1: {capacity: 1 Mibit}\n'
    assert len(_parse(SOUND.replace("parts:\n", spare)).targets) == 2


def test_places_do_not_matter_when_matrices_are_compared():
    assert _parse(SOUND) == _parse("# a line more\n" + SOUND)


def test_three_hundred_targets_are_loaded():
    assert len(_parse(render_matrix_text(300)).targets) == 300


def test_file_cut_at_every_length_is_refused_or_read_but_never_crashes():
    """What is still sound holds the first of the targets; only the last name may be cut itself (`mer`)."""
    data = SOUND.encode()
    whole = [target.name for target in parse_matrix(data, path="m.yml").targets]
    for length in range(len(data)):
        try:
            matrix = parse_matrix(data[:length], path="m.yml")
        except MatrixError:
            continue
        names = [target.name for target in matrix.targets]
        assert names[: len(names) - 1] == whole[: len(names) - 1]


def test_long_file_cut_here_and_there_never_crashes():
    for length in range(0, len(SKERRY), 13):
        try:
            parse_matrix(SKERRY[:length], path="skerry.yml")
        except MatrixError:
            continue


@settings(deadline=None)
@given(
    st.integers(0, len(SOUND) - 1),
    st.integers(0, 12),
    st.one_of(st.text(max_size=6), st.sampled_from([*"{}[]:,&*!|>'\"%@`#-?~\n ", "{{", "}}", "<<: ", "\n  - "])),
)
def test_bent_file_is_refused_or_read_but_never_crashes(start, length, text):
    bent = SOUND[:start] + text + SOUND[start + length :]
    with suppress(MatrixError):
        parse_matrix(bent.encode(), path="m.yml")


@settings(deadline=None)
@given(st.binary(max_size=60))
def test_any_bytes_are_refused(data):
    with pytest.raises(MatrixError):
        parse_matrix(data, path="m.yml")


def test_file_is_loaded_by_its_path(tmp_path):
    path = tmp_path / "m.yml"
    path.write_text(SOUND, encoding="utf-8")
    assert load_matrix(path) == parse_matrix(SOUND.encode(), path=str(path))


def test_missing_file_is_an_error_of_the_command_line(tmp_path):
    path = tmp_path / "none.yml"
    with pytest.raises(UsageError) as caught:
        load_matrix(path)
    assert str(caught.value) == (
        f"{path}: the matrix cannot be read: No such file or directory; name the file with --matrix"
    )


def test_endless_file_is_refused_and_not_read_to_its_end():
    with pytest.raises(MatrixError) as caught:
        load_matrix(Path("/dev/zero"))
    assert str(caught.value) == "/dev/zero:1:1: the file is larger than 4 MiB; shorten it"
