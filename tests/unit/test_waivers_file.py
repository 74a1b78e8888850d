"""The file of waivers: what it says, every fault with its place, and its JSON Schema."""

from __future__ import annotations

import json
from datetime import date

import jsonschema
import pytest

from gatekeep.errors import MatrixError
from gatekeep.matrix.schema import to_schema_text
from gatekeep.matrix.waivers import parse_waivers, read_waivers_schema_text, render_waivers_schema
from gatekeep.model.matrix import Maintainer, Place, Rules
from gatekeep.model.rule import WAIVABLE_RULES, Rule
from gatekeep.model.waiver import Waiver
from tests.cases import make_matrix
from tests.unit.test_matrix_schema import see_as_editor

MATRIX = make_matrix()
SOUND = """\
waivers: 1
granted:
  ness-part:
    rule: outgrown
    targets: [loongarch64/ness, arm/*]
    reason: "the larger part comes in June"
    who: Isa Thorne <isa@skerry.example>
    since: 2026-05-01
    until: 2026-06-30
"""


def refuse(text: str, **rules: int) -> list[str]:
    with pytest.raises(MatrixError) as caught:
        parse_waivers(text.encode(), path="w.yml", matrix=make_matrix(rules=Rules(**rules)))  # type: ignore[arg-type]
    return [str(error) for error in (caught.value, *caught.value.others)]


def test_a_waiver_is_read_whole_with_the_names_that_a_pattern_stands_for() -> None:
    assert parse_waivers(SOUND.encode(), path="waivers.yml", matrix=MATRIX) == (
        Waiver(
            name="ness-part",
            rule=Rule.OUTGROWN,
            targets=("arm/mere", "arm/tarn/debug", "arm/tarn/release", "loongarch64/ness"),
            reason="the larger part comes in June",
            who=Maintainer(name="Isa Thorne", email="isa@skerry.example"),
            since=date(2026, 5, 1),
            until=date(2026, 6, 30),
            place=Place(path="waivers.yml", line=3, column=3),
        ),
    )


@pytest.mark.parametrize("text", ["waivers: 1\n", "waivers: 1\ngranted: {}\n"])
def test_a_file_may_grant_nothing(text: str) -> None:
    assert parse_waivers(text.encode(), path="w.yml", matrix=MATRIX) == ()


def test_a_pattern_may_stand_for_the_configurations_of_a_board() -> None:
    text = SOUND.replace("[loongarch64/ness, arm/*]", "[arm/tarn/*]")
    (waiver,) = parse_waivers(text.encode(), path="w.yml", matrix=MATRIX)
    assert waiver.targets == ("arm/tarn/debug", "arm/tarn/release")


_WAIVABLE = "broken, outgrown, reserve, growth, new-warning, timed-out"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (SOUND, "", "w.yml:1:1: the file of waivers is empty; begin with waivers: 1"),
        (SOUND, "- x\n", "w.yml:1:1: a file of waivers is a mapping, got a list; begin with waivers: 1"),
        (
            "waivers: 1",
            "waivers: 2",
            "w.yml:1:10: the format version is 1, got '2'; write waivers: 1, or use the gatekeep that reads it",
        ),
        ("granted:", "grantd:", "w.yml:2:1: the file has no key 'grantd'; did you mean granted?"),
        ("outgrown", "loosened", f"w.yml:4:11: rule loosened cannot be waived; a waiver is for {_WAIVABLE}"),
        ("outgrown", "undecided", f"w.yml:4:11: rule undecided cannot be waived; a waiver is for {_WAIVABLE}"),
        ("outgrown", "outgrow", "w.yml:4:11: there is no rule 'outgrow'; did you mean outgrown?"),
        ("/ness", "/nes", "w.yml:5:15: matrix.yml has no target loongarch64/nes; did you mean loongarch64/ness?"),
        ("arm/*", "x86/*", "w.yml:5:33: matrix.yml has no target x86/*; known are arm/mere, arm/tarn/debug, "),
        ("arm/*", "loongarch64/*", "w.yml:5:33: loongarch64/ness is named here again; name each target once"),
        (
            "arm/*",
            '"*"',
            "w.yml:5:33: a target is port/board or port/board/configuration, and may end in /*, got '*'; "
            "write for instance riscv64/vale or riscv64/*",
        ),
        ("[loongarch64/ness, arm/*]", "[]", "w.yml:5:14: targets must not be empty; write targets: [riscv64/vale]"),
        ('"the larger part comes in June"', '""', "w.yml:6:13: one line of text is needed here, got ''"),
        ("    who: Isa Thorne <isa@skerry.example>\n", "", "w.yml:3:3: waiver ness-part has no who; write who: "),
        ("2026-06-30", "2026-06-31", "w.yml:9:12: there is no such day, got '2026-06-31'; check month and day"),
        (
            "2026-06-30",
            "soon",
            "w.yml:9:12: a day is written year-month-day, got 'soon'; write for instance",
        ),
        ("2026-06-30", "2026-04-30", "w.yml:9:12: ends before it begins (2026-05-01); write a later day"),
        (
            "2026-06-30",
            "2026-07-30",
            "w.yml:9:12: a waiver lasts at most 90 days from its first, got 2026-07-30; write 2026-07-29 or an earlier "
            "day",
        ),
        (
            "since: 2026-05-01\n    until: 2026-06-30",
            "since: 9999-12-30\n    until: 9999-12-29",
            "w.yml:9:12: ends before",
        ),
    ],
)
def test_a_fault_is_told_with_its_place_and_the_way_out(old: str, new: str, message: str) -> None:
    assert SOUND.count(old) == 1
    (found,) = refuse(SOUND.replace(old, new))
    assert found.startswith(message)


@pytest.mark.parametrize(("days", "until", "is_sound"), [(1, "2026-05-01", True), (1, "2026-05-02", False)])
def test_the_matrix_may_say_how_long_a_waiver_lasts(days: int, until: str, is_sound: bool) -> None:
    text = SOUND.replace("2026-06-30", until)
    if is_sound:
        assert parse_waivers(text.encode(), path="w.yml", matrix=make_matrix(rules=Rules(waiver_days=days)))
    else:
        assert refuse(text, waiver_days=days)


def test_the_last_day_that_there_is_can_be_said() -> None:
    text = SOUND.replace("2026-05-01", "9999-12-01").replace("2026-06-30", "9999-12-31")
    assert parse_waivers(text.encode(), path="w.yml", matrix=MATRIX)


@pytest.mark.parametrize("rule", [rule for rule in Rule if rule not in WAIVABLE_RULES])
def test_what_cannot_be_waived_is_no_value_either(rule: Rule) -> None:
    with pytest.raises(ValueError, match="cannot be waived"):
        Waiver(
            name="x",
            rule=rule,
            targets=("arm/mere",),
            reason="",
            who=Maintainer(name="Isa Thorne"),
            since=date(2026, 1, 1),
            until=date(2026, 1, 1),
            place=Place(path="w.yml", line=1, column=1),
        )


def test_a_file_cut_anywhere_is_refused_or_grants_no_more_than_the_whole() -> None:
    """A day that is cut is no day; a pattern that is cut before its star names no target."""
    (whole,) = parse_waivers(SOUND.encode(), path="w.yml", matrix=MATRIX)
    for length in range(len(SOUND)):
        try:
            found = parse_waivers(SOUND[:length].encode(), path="w.yml", matrix=MATRIX)
        except MatrixError:
            continue
        assert found in ((), (whole,))


def test_the_schema_in_the_package_is_what_the_models_say() -> None:
    """After a change of the models, write to_schema_text(render_waivers_schema()) to the file in the package."""
    assert read_waivers_schema_text() == to_schema_text(render_waivers_schema())


@pytest.mark.parametrize(
    ("old", "new", "is_sound"),
    [
        ("outgrown", "outgrown", True),
        ("outgrown", "loosened", False),
        ("arm/*", "arm", False),
        ("arm/*", "arm/tarn/*", True),
        ("2026-06-30", "'2026-06-30'", True),
        ("2026-06-30", "20260630", False),
        ("    rule", "    rules", False),
        ("granted", "grants", False),
    ],
)
def test_an_editor_sees_what_the_reader_sees(old: str, new: str, is_sound: bool) -> None:
    text = SOUND.replace(old, new, 1)
    schema = json.loads(read_waivers_schema_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    assert jsonschema.Draft202012Validator(schema).is_valid(see_as_editor(text)) is is_sound
    if is_sound:
        parse_waivers(text.encode(), path="w.yml", matrix=MATRIX)
    else:
        refuse(text)
