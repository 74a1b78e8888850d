"""Texts with placeholders: parsed by one rule, filled at load and at run time."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gatekeep.model.placeholders import (
    Placeholder,
    double_braces,
    fill_at_load,
    fill_at_run_time,
    list_names,
    parse_template,
)


@pytest.mark.parametrize(
    ("text", "template"),
    [
        ("", ()),
        ("plain", ("plain",)),
        ("{out}/{board}.elf", (Placeholder(name="out"), "/", Placeholder(name="board"), ".elf")),
        ("{{out}}", ("{out}",)),
        ("{{{out}}}", ("{", Placeholder(name="out"), "}")),
        ("a{{}}b", ("a{}b",)),
        ("${{HOME}}", ("${HOME}",)),
    ],
)
def test_text_is_taken_apart_into_literals_and_placeholders(text, template):
    assert parse_template(text) == template


@pytest.mark.parametrize(
    ("text", "brace"),
    [("{", "{"), ("}", "}"), ("{}", "{"), ("{0}", "{"), ("{out", "{"), ("out}", "}"), ("{a b}", "{"), ("{out}}", "}")],
)
def test_single_brace_is_refused_with_the_way_to_write_it(text, brace):
    with pytest.raises(ValueError, match=r"^a single ") as caught:
        parse_template(text)
    assert str(caught.value) == (
        f"a single '{brace}' is neither a {{placeholder}} nor a literal brace, got '{text}'; "
        f"write {brace}{brace} where a brace is meant"
    )


def test_names_come_once_in_order():
    assert list_names(parse_template("{b}{a}{b}")) == ("b", "a")


def test_load_fills_its_own_and_leaves_the_run_time_names():
    text = fill_at_load(parse_template("{cross}gcc -o {out}/{board} -j{jobs} {tree}"), {"cross": "r-", "board": "vale"})
    assert text == "r-gcc -o {out}/vale -j{jobs} {tree}"


def test_value_that_looks_like_a_placeholder_stays_text_to_the_end():
    text = fill_at_load(parse_template("{trap}-{{tree}}"), {"trap": "{out}"})
    assert text == "{{out}}-{{tree}}"
    assert fill_at_run_time(text, out="/o", tree="/t", jobs=2) == "{out}-{tree}"


def test_folder_whose_name_holds_braces_is_filled_as_it_is():
    assert fill_at_run_time("{out}/{tree}", out="{tree}", tree="{jobs}", jobs=1) == "{tree}/{jobs}"


def test_placeholder_that_run_time_does_not_know_is_refused():
    with pytest.raises(ValueError, match=r"^nothing fills \{board\} at run time, got '\{board\}'$"):
        fill_at_run_time("{board}", out="", tree="", jobs=1)


@settings(deadline=None)
@given(st.text())
def test_doubled_braces_come_back_as_they_were(text):
    assert fill_at_run_time(double_braces(text), out="o", tree="t", jobs=1) == text


@settings(deadline=None)
@given(
    st.lists(st.one_of(st.text(), st.sampled_from(["out", "tree", "jobs", "word"]).map(lambda n: Placeholder(name=n))))
)
def test_filling_twice_equals_filling_once(pieces):
    """Load then run gives what one pass over all values would give."""
    text = "".join(double_braces(p) if isinstance(p, str) else f"{{{p.name}}}" for p in pieces)
    values = {"out": "{tree}", "tree": "t}", "jobs": "3", "word": "{out}{{"}
    once = "".join(p if isinstance(p, str) else values[p.name] for p in pieces)
    loaded = fill_at_load(parse_template(text), {"word": values["word"]})
    assert fill_at_run_time(loaded, out=values["out"], tree=values["tree"], jobs=3) == once
