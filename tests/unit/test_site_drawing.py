"""Drawings are to scale, and lose no peak."""

from __future__ import annotations

import re
from datetime import date
from itertools import pairwise

from gatekeep.model.evidence import Footprint, RegionUse
from gatekeep.model.health import Outlook, Run, State
from gatekeep.report.site.drawing import COLUMNS, ROWS, draw_part, draw_plot, draw_use
from tests.site_cases import PART


def run(first: int, last: int, used: int | None) -> Run:
    regions = (RegionUse(name="main", used_bytes=used, capacity_bytes=1000, reserve_bytes=100),) if used else ()
    return Run(
        first=first,
        last=last,
        first_evidence_id=first + 1,
        evidence_id=first + 1,
        state=State.WELL if used else State.BROKEN,
        regions=regions,
    )


def test_part_is_drawn_to_scale_without_gaps():
    footprint = Footprint(
        regions=(
            RegionUse(name="boot", used_bytes=256, capacity_bytes=512),
            RegionUse(name="main", used_bytes=950, capacity_bytes=1000, reserve_bytes=100),
        )
    )
    drawn = draw_part(PART, footprint)
    found = [(piece.kind, float(piece.left[:-1]), float(piece.width[:-1])) for piece in drawn.segments]
    assert [kind for kind, _, _ in found] == ["used", "free", "gap", "used", "late", "reserve", "gap"]
    for (_, left, width), (_, next_left, _) in pairwise(found):
        assert abs(left + width - next_left) < 0.01
    assert found[0][2] == 12.5
    assert abs(found[4][2] - 100 * 50 / 2048) < 0.001
    assert abs(found[-1][1] + found[-1][2] - 100) < 0.01


def test_part_that_outgrew_is_drawn_late_as_a_whole():
    footprint = Footprint(regions=(RegionUse(name="main", used_bytes=1200, capacity_bytes=1000, reserve_bytes=100),))
    kinds = [piece.kind for piece in draw_part(PART, footprint).segments]
    assert kinds == ["free", "gap", "late", "gap"]


def test_bar_of_a_region_past_its_capacity_is_scaled_to_what_is_used():
    use = RegionUse(name="main", used_bytes=2000, capacity_bytes=1000, reserve_bytes=0)
    assert [(piece.kind, piece.left, piece.width) for piece in draw_use(use)] == [
        ("used", "0%", "50%"),
        ("late", "50%", "50%"),
    ]


def test_plot_steps_at_commits_and_lifts_the_pen_where_nothing_is_known():
    drawn = draw_plot([run(0, 1, 400), run(2, 2, None), run(3, 3, 450)], "main", commit_count=4)
    assert drawn is not None
    assert re.fullmatch(r"M0 [\d.]+H500M750 [\d.]+H1000", drawn.line)
    assert drawn.faults == (("500", "250"),)
    assert (drawn.least_bytes, drawn.most_bytes, drawn.growth_bytes) == (400, 450, 50)


def test_plot_of_what_was_never_measured_is_none():
    assert draw_plot([run(0, 1, None)], "main", commit_count=2) is None


def test_plot_of_5000_commits_is_small_and_keeps_the_peak():
    runs = [run(at, at, 400 + at % 7) for at in range(5000)]
    runs[3210] = run(3210, 3210, 990)
    drawn = draw_plot(runs, "main", commit_count=5000)
    assert drawn is not None
    assert len(drawn.line) < 20_000
    numbers = [float(number) for number in re.findall(r"[ V]([\d.]+)", drawn.line)]
    peak = ROWS - 990 * ROWS / (1000 + 50)
    assert min(numbers) == round(peak, 3)
    columns = [int(column) for column in re.findall(r"[ML](\d+) ", drawn.line)]
    assert columns == sorted(columns)
    assert len(columns) == COLUMNS


def test_plot_of_a_full_region_begins_below_its_history_and_says_so():
    drawn = draw_plot([run(0, 3, 960), run(4, 9, 980)], "main", commit_count=10)
    assert drawn is not None
    assert 0 < drawn.low_bytes <= 960


def test_names_of_tags_that_would_run_into_the_next_are_left_out_and_their_lines_stay():
    tags = [("v1.4", 70), ("v1.5", 75), ("v2.0", 99)]
    drawn = draw_plot([run(0, 99, 400)], "main", commit_count=100, tags=tags)
    assert drawn is not None
    assert [(mark.name, mark.is_left) for mark in drawn.marks] == [("", False), ("v1.5", False), ("v2.0", True)]
    assert len({mark.x for mark in drawn.marks}) == 3
    # A name that stands left of its line needs its room there.
    drawn = draw_plot([run(0, 99, 400)], "main", commit_count=100, tags=[("v1.4", 84), ("v1.5", 99)])
    assert drawn is not None
    assert [mark.name for mark in drawn.marks] == ["", "v1.5"]


def test_names_of_tags_stand_where_the_line_is_not():
    low, high = (draw_plot([run(0, 9, used)], "main", commit_count=10) for used in (100, 450))
    assert low is not None
    assert high is not None
    assert (low.is_low, high.is_low) == (True, False)


def test_what_is_foretold_begins_at_the_newest_image_also_where_later_commits_have_no_result():
    outlook = Outlook(
        region="main",
        from_on=date(2026, 1, 5),
        reached_on=date(2026, 1, 25),
        early_on=date(2026, 1, 20),
        late_on=None,
        bytes_per_day=(5.0, 10.0, 20.0),
        from_bytes=400,
        commits_per_day=1.0,
        point_count=9,
    )
    until_now = draw_plot([run(0, 49, 400)], "main", commit_count=50, outlook=outlook)
    until_then = draw_plot([run(0, 39, 400)], "main", commit_count=50, outlook=outlook)
    for drawn in (until_now, until_then):
        assert drawn is not None
        # The line's end, the beginning of the fan and the mark are one place.
        assert drawn.line.rpartition("H")[2] == f"{float(drawn.now_x):.5g}"
        assert drawn.band.startswith(f"M{drawn.now_x} ")
        # Its middle begins there too, and ends between the fan's sides.
        begin, _, end = drawn.trend.partition("L")
        assert begin == drawn.band.partition("L")[0]
        sides = [float(side.split(" ")[1]) for side in drawn.band.removesuffix("Z").split("L")[1:]]
        assert min(sides) < float(end.split(" ")[1]) < max(sides)
    assert until_now is not None
    assert until_then is not None
    # 22 days ahead: of 72 commits across, and of 62.
    assert abs(float(until_now.now_x) - 1000 * 50 / 72) < 0.001
    assert abs(float(until_then.now_x) - 1000 * 40 / 62) < 0.001
