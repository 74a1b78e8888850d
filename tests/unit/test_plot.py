"""Plots in text: heights, gaps, limits, and more commits than there are columns."""

from __future__ import annotations

from gatekeep.report.plot import draw_plot, squeeze


def test_values_stand_at_their_height_and_gaps_are_marked() -> None:
    assert list(draw_plot([100, 103, None, 106], limit=None, width=40)) == [
        "106 │   •",
        "    │",
        "    │",
        "    │ •",
        "    │",
        "    │",
        "100 │•",
        "    └──×─",
    ]


def test_a_limit_is_drawn_where_it_is_near_and_left_out_where_it_would_flatten_the_values() -> None:
    near = list(draw_plot([10, 16], limit=22, width=40))
    assert near[0] == "22 │──"
    assert near[3] == "   │ •"
    assert next(draw_plot([10, 16], limit=1000, width=40)) == "16 │ •"


def test_a_value_that_never_changes_is_one_line() -> None:
    assert list(draw_plot([7, 7], limit=None, width=40)) == ["7 │••", "  └──"]


def test_nothing_is_drawn_of_nothing() -> None:
    assert list(draw_plot([None, None], limit=5, width=40)) == []


def test_no_peak_is_lost_when_many_commits_share_a_column() -> None:
    values: list[int | None] = [1] * 5000
    values[1234] = 9
    values[4000:4600] = [None] * 600
    found = squeeze(values, 50)
    assert len(found) == 50
    assert [found.index(9), found.count(9), found.count(None)] == [12, 1, 6]
