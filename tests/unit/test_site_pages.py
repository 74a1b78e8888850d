"""The pages say what they must, escape what came from outside, and load nothing."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from html.parser import HTMLParser
from pathlib import PurePosixPath
from posixpath import normpath

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st
from jinja2 import UndefinedError

from gatekeep.model.audit import Bar
from gatekeep.model.evidence import Outcome
from gatekeep.model.health import Health, LogExcerpt, Outlook
from gatekeep.model.history import SweepState, Turn, TurnRecord
from gatekeep.model.rule import Rule
from gatekeep.report.plain import plain
from gatekeep.report.site.facts import read_schema_text, render_facts
from gatekeep.report.site.files import iter_files
from gatekeep.report.site.names import badge_path, commit_page, feed_path, mail_address, port_page, target_page
from gatekeep.report.site.page import _environment
from gatekeep.report.site.pages import (
    render_commit_page,
    render_front_page,
    render_port_page,
    render_target_page,
)
from gatekeep.report.site.words import brief
from tests.cases import broken, make_waiver, outgrown, warning
from tests.site_cases import image, make_health, make_hostile_health, make_line, make_sweep, make_wide_matrix

VOID = {"meta", "link", "input", "br", "img"}


class Reader(HTMLParser):
    """Reads a page as a person would: its text; and checks that elements close in order."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.text: list[str] = []
        self.links: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.tags: list[str] = []
        self._open: list[str] = []
        self.feed(page)
        self.close()
        assert self._open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        if tag in ("td", "th", "dt", "dd", "li", "p"):
            self.text.append(" ")
        for name, value in attrs:
            self.attributes.append((tag, name, value or ""))
            if name in ("href", "src"):
                self.links.append(value or "")
        if tag not in VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self._open.pop()

    def handle_endtag(self, tag):
        assert self._open.pop() == tag

    def handle_data(self, data):
        if self._open and self._open[-1] not in ("script", "style", "title", "desc"):
            self.text.append(data)

    @property
    def words(self) -> str:
        return " ".join("".join(self.text).split())


def usual() -> Health:
    return make_health(
        {
            "arm/mere": [(0, 5, image(600))],
            "arm/tarn/debug": [(0, 2, image(600)), (3, 5, image(950))],
            "loongarch64/ness": [(0, 3, image()), (4, 5, broken())],
            "loongarch64/wick": [(0, 3, image()), (4, 5, broken())],
            "riscv64/vale": [(0, 1, image()), (4, 5, outgrown(568, "main"))],
        },
        warnings={"arm/mere": (warning(), warning(path="a.c", line=9))},
        logs={
            "loongarch64/ness": LogExcerpt(
                lines=("cc a.c", "a.c:1: error"), first_number=7, error_index=1, line_count=8
            )
        },
        tags=(("v1", f"{2:040x}"),),
        swept=(f"{5:040x}", datetime(2026, 1, 7, 3, tzinfo=UTC)),
    )


def test_front_page_says_first_what_needs_somebody_worst_first():
    words = Reader(render_front_page(usual())).words
    needs = words[words.index("Needs somebody") : words.index("Ports, newest first")]
    assert needs == (
        "Needs somebody Both targets of loongarch64 are broken since 0000000000 Commit 4 by Mei Castellan, "
        "5 January 2026: a pointer is cut to 32 bits at drivers/uart.c:41. loongarch64/ness loongarch64/wick "
        "riscv64/vale, the only target of riscv64 has outgrown its flash since 0000000000 Commit 4 by Mei Castellan, "
        "5 January 2026, or one of the 2 commits before it, which have no result: main is 568 B too small. "
        "arm/tarn/debug is in its reserve since 0000000000 Commit 3 by Mei Castellan, 4 January 2026: "
        "main is 50 B into its reserve. "
    )


def test_front_page_lists_the_newest_port_first():
    page = render_front_page(usual())
    assert page.index(port_page("loongarch64")) < page.index(port_page("arm")) < page.index(port_page("riscv64"))


def test_front_page_is_calm_when_all_is_well():
    words = Reader(render_front_page(make_health({"arm/mere": [(0, 5, image())], "arm/holm": [(0, 5, image())]}))).words
    assert "Needs somebody Nobody. Both targets are well." in words
    assert "arm Both targets are well." in words


def undecided(*names: str) -> Health:
    return make_health(
        {name: [(0, 5, image())] for name in ("arm/mere", "arm/holm", "riscv64/vale")},
        swept=(f"{5:040x}", datetime(2026, 1, 7, 3, tzinfo=UTC)),
        undecided=names,
    )


def test_a_sweep_that_left_targets_undecided_needs_somebody_and_claims_no_clean_build_of_them():
    health = undecided("arm/holm", "riscv64/vale")
    page = Reader(render_front_page(health))
    assert "The last sweep built 1 of 3 targets clean at 0000000000 and ended 7 January 2026, 03:00 UTC." in page.words
    assert (
        "Needs somebody The last sweep has no clean build of 2 of 3 targets: because of the machine they are "
        "undecided. The same sweep, called again, builds what is left. arm/holm riscv64/vale " in page.words
    )
    assert "Nobody" not in page.words
    words = [Reader(render_target_page(health, target)).words for target in health.targets]
    said = dict(zip([target.name for target in health.targets], words, strict=True))
    assert "Last clean build 0000000000, 7 January 2026, 03:00 UTC " in said["arm/mere"]
    assert "Last clean build no sweep has told of it yet" in said["arm/holm"]
    assert "every target" in Reader(render_front_page(undecided())).words
    none = Reader(render_front_page(undecided("arm/mere", "arm/holm", "riscv64/vale"))).words
    assert "The last sweep built no target clean at" in none
    assert "has no clean build of any target: " in none


def test_pages_of_targets_stay_when_a_sweep_tells_nothing_of_them():
    def digests(health: Health) -> dict[str, str]:
        return {file.path: file.digest for file in iter_files(health)}

    one, two = digests(undecided("arm/holm")), digests(undecided("arm/holm", "riscv64/vale"))
    assert {path for path in one if one[path] != two[path]} == {
        "index.html",
        "facts.json",
        target_page("riscv64/vale"),
        port_page("riscv64"),
    }


@pytest.mark.parametrize(
    ("lasts", "words"),
    [
        ((5, 5, 5), ""),
        ((4, 4, 4), "The newest commit has no result."),
        ((3, 3, 3), "The newest 2 commits have no result."),
        ((5, 4, 5), "1 of 4 targets has no result at the newest commit."),
        ((5, 4, 2), "2 of 4 targets have no result at the newest commits."),
        ((3, 3, 1), "The newest 2 commits have no result; 1 of 4 targets has none at earlier ones either."),
    ],
)
def test_every_page_says_how_far_results_reach(lasts: tuple[int, ...], words: str):
    names = ("arm/mere", "arm/holm", "arm/tarn")
    results = {name: [(0, last, image())] for name, last in zip(names, lasts, strict=True)}
    health = make_health({**results, "arm/geo": []})
    mast = Reader(render_front_page(health)).words.split("Needs somebody")[0]
    assert mast.strip().endswith(f"08:00 UTC. {words}".strip())
    port = Reader(render_port_page(health, health.ports[0])).words
    for target, last in zip(health.targets, lasts, strict=False):
        page = Reader(render_target_page(health, target)).words
        said = {5: "", 4: "The newest commit of main has no result."}.get(
            last, f"The newest {5 - last} commits of main have no result."
        )
        assert ("no result" in page) == bool(said)
        assert said in page
        assert said in port
    facts = json.loads(render_facts(health))
    assert [one["commits_without_result"] for one in facts["ports"][0]["targets"]] == [*(5 - last for last in lasts), 0]


def make_bars(*names: str) -> list[Bar]:
    return [
        Bar(
            target=name,
            key="k",
            tree_id="e" * 40,
            commit_id="d" * 40,
            barred_at=datetime(2026, 1, 5, 3, tzinfo=UTC),
            what="region main: 500 bytes, clean 504 bytes <b>",
        )
        for name in names
    ]


def test_what_was_carried_wrongly_needs_somebody_and_stands_on_its_pages():
    results = {name: [(0, 5, image())] for name in ("arm/mere", "arm/holm")}
    health = make_health(results, bars=make_bars("arm/holm", "arm/gone"))
    front = Reader(render_front_page(health)).words
    assert (
        "Needs somebody arm/holm was carried wrongly at dddddddddd, as an audit found 5 January 2026, 03:00 UTC: "
        "region main: 500 bytes, clean 504 bytes <b>. That is a fault of gatekeep, not of the code. "
        "It is built at every commit until gatekeep audit --clear arm/holm." in front
    )
    assert "Nobody" not in front
    said = "Carried wrongly at dddddddddd, found 5 January 2026, 03:00 UTC: region main: 500 bytes, clean 504 bytes <b>"
    mere, holm = (Reader(render_target_page(health, target)).words for target in health.targets)
    assert said in holm
    assert "Carried wrongly" not in mere
    assert said in Reader(render_port_page(health, health.ports[0])).words
    facts = json.loads(render_facts(health))
    jsonschema.validate(facts, json.loads(read_schema_text()))
    assert [len(one["carried_wrongly"]) for one in facts["ports"][0]["targets"]] == [0, 1]
    many = [f"arm/board{number}" for number in range(9)]
    front = Reader(render_front_page(make_health({name: [] for name in many}, bars=make_bars(*many)))).words
    assert front.count("was carried wrongly at") == 6
    assert "And 3 more targets were carried wrongly; gatekeep audit --barred lists all." in front


def test_pages_are_made_anew_when_something_was_carried_wrongly_and_when_it_is_cleared():
    def digests(*names: str) -> dict[str, str]:
        bars = make_bars(*names)
        results = {name: [(0, 5, image())] for name in ("arm/mere", "arm/holm")}
        return {file.path: file.digest for file in iter_files(make_health(results, bars=bars))}

    before, barred = digests(), digests("arm/holm")
    changed = {path for path in before if before[path] != barred[path]}
    assert changed == {"index.html", "facts.json", target_page("arm/holm"), port_page("arm")}


def outlook(reached_on: date, *, early_on: date = date(2026, 2, 1), late_on: date | None = None) -> Outlook:
    return Outlook(
        region="main",
        from_on=date(2026, 1, 6),
        reached_on=reached_on,
        early_on=early_on,
        late_on=late_on,
        bytes_per_day=(1.0, 2.0, 3.0),
        from_bytes=500,
        commits_per_day=1.0,
        point_count=9,
    )


SOON = date(2026, 3, 1)


def filling(told: Outlook, today: date | None) -> Health:
    return make_health({"arm/mere": [(0, 5, image())]}, outlooks={"arm/mere": (told,)}, today=today)


def test_front_page_tells_of_regions_that_fill_within_90_days_only():
    health = make_health(
        {"arm/mere": [(0, 5, image())], "arm/holm": [(0, 5, image())]},
        outlooks={"arm/mere": (outlook(date(2026, 3, 1)),), "arm/holm": (outlook(date(2026, 9, 1)),)},
        today=date(2026, 1, 7),
    )
    words = Reader(render_front_page(health)).words
    assert (
        "Filling up arm/mere: at its present growth main reaches its reserve around 1 March 2026, "
        "hardly before 1 February 2026." in words
    )
    assert "1 September 2026" not in words
    assert "around 1 September 2026, hardly before" in Reader(render_target_page(health, health.targets[1])).words


@pytest.mark.parametrize(
    ("today", "words"),
    [
        (date(2026, 4, 1), None),
        (date(2026, 4, 2), "likely between 1 June 2026 and 1 August 2026."),
        (date(2026, 6, 1), "likely between 1 June 2026 and 1 August 2026."),
        (date(2026, 6, 2), "at its present growth main reaches its reserve around 1 July 2026, hardly after 1 August"),
        (date(2026, 7, 1), "at its present growth main reaches its reserve around 1 July 2026, hardly after 1 August"),
        (
            date(2026, 7, 2),
            "by its growth up to 6 January 2026 main was to reach its reserve around 1 July 2026; "
            "the newest image is of 6 January 2026.",
        ),
        (date(2028, 1, 1), "was to reach its reserve around 1 July 2026"),
        # A machine whose clock begins in 1970 tells it as it was foretold.
        (date(1970, 1, 1), None),
    ],
)
def test_what_was_foretold_for_a_day_that_is_over_is_told_as_that(today: date, words: str | None):
    told = outlook(date(2026, 7, 1), early_on=date(2026, 6, 1), late_on=date(2026, 8, 1))
    health = filling(told, today)
    front = Reader(render_front_page(health)).words
    assert ("Filling up" in front) == (words is not None)
    assert words is None or words in front
    page = Reader(render_target_page(health, health.targets[0])).words
    over = "By its growth of 2 B a day up to 6 January 2026 it was to reach its reserve around 1 July 2026 (from 9"
    assert (over in page) == (today > date(2026, 7, 1))
    assert ("it reaches its reserve around 1 July 2026" in page) == (today <= date(2026, 7, 1))


def test_pages_with_a_forecast_are_made_anew_only_when_they_must_say_something_else():
    told = outlook(date(2026, 7, 1), early_on=date(2026, 6, 1), late_on=date(2026, 8, 1))

    def digests(today: date | None) -> dict[str, str]:
        return {file.path: file.digest for file in iter_files(filling(told, today))}

    days = [date(2026, 1, 7) + timedelta(days=number) for number in range(400)]
    every = [digests(day) for day in days]
    assert every[0] == digests(None)
    turned = [day for day, before, after in zip(days[1:], every, every[1:], strict=False) if before != after]
    assert turned == [date(2026, 4, 2), date(2026, 6, 2), date(2026, 7, 2)]


def test_front_page_says_over_how_many_commits_a_change_may_be_spread():
    health = make_health(
        {"arm/mere": [(0, 2, image()), (4, 5, image(600))], "arm/holm": [(0, 1, image()), (2, 5, image(600))]}
    )
    page = render_front_page(health)
    assert '<span class="n">1 target over 2 commits</span>' in page
    assert '<span class="n">1 target</span>' in page
    change = next(one for one in health.changes if one.position == 4)
    assert "It or the commit before it changed 1 target" in Reader(render_commit_page(health, change)).words
    change = next(one for one in health.changes if one.position == 2)
    assert "It changed 1 target" in Reader(render_commit_page(health, change)).words


def test_front_page_names_a_target_that_is_alone_in_its_trouble_once():
    health = make_health({"arm/mere": [(0, 5, broken())], "arm/holm": [(0, 5, image())], "x86/voe": [(0, 5, image())]})
    page = render_front_page(health)
    assert '<a href="targets/arm,mere.html">arm/mere</a></strong> is broken' in page
    assert 'class="which"' not in page


#: Longer than any compiler's, and each character of it the longest in HTML, or in what makes it visible.
ENDLESS = "'\u202e\"<&\U000e0101" * 700


@pytest.mark.parametrize(("ports", "each"), [(1, 300), (10, 30), (60, 5)])
@pytest.mark.parametrize("text", ["", "call to undeclared function 'arch_stack_pointer'; " * 8, ENDLESS])
@pytest.mark.parametrize("together", [1, 12])
def test_front_page_of_300_targets_stays_under_200_kilobytes_whatever_is_wrong(
    ports: int, each: int, text: str, together: int
):
    matrix = make_wide_matrix(ports, each)
    commits = [replace(commit, subject=text, author_name=text) for commit in make_line(6)]
    results: dict[str, list[tuple[int, int, Outcome]]] = {
        # Each has a cause of its own, or shares it with so many.
        target.name: [(0, 3, image(500 + number)), (4, 5, broken(f"{number // together}: {text}", path=f"{text}/a.c"))]
        for number, target in enumerate(matrix.targets)
    }
    noise = [warning(f"{number // together}: {text}", path="a.c") for number in range(40 * together)]
    told = [
        TurnRecord(target=name, turn=Turn.WARNED, message=f"new warning: {one.message} at a.c:1")
        for name, one in zip(results, noise, strict=False)
    ]
    ended = make_sweep(commits[5].commit_id, datetime(2026, 1, 7, 3, tzinfo=UTC), told)
    health = make_health(
        results,
        matrix=matrix,
        commits=commits,
        warnings={name: (one,) for name, one in zip(results, noise, strict=False)},
        outlooks={name: (outlook(SOON),) for name in results},
        sweeps=[replace(ended, state=SweepState.UNDECIDED)],
        bars=[replace(bar, what=text) for bar in make_bars(*results)],
    )
    assert (len(health.undecided), len(health.warned)) == (300, min(40, 300 // together))
    page = render_front_page(health)
    assert len(page.encode()) < 200_000
    assert all(f'href="{target_page(target.name)}"' in page for target in matrix.targets)
    assert all(f'href="{port_page(port.name)}"' in page for port in matrix.ports)
    reader = Reader(page)
    assert reader.words.count("since 0000000000") >= 24
    causes, news = 300 // together - 24, len(health.warned) - 12
    words = f"And {causes} more {'causes' if causes > 1 else 'cause'}, of {causes * together} targets"
    assert f"{words}: the pages of their ports, below, tell each." in reader.words
    assert f"And {news} more: the pages of their ports tell each." in reader.words
    assert "And 276 more, later than these: the pages of their targets tell each." in reader.words


def test_front_page_leaves_room_for_what_is_waived():
    names = [f"arm/board{number:03}" for number in range(40)]
    waivers = [make_waiver(Rule.BROKEN, name, until=date(2026, 6, 30)) for name in names[30:]]
    health = make_health({name: [(0, 5, broken(name))] for name in names}, waivers=waivers)
    words = Reader(render_front_page(health)).words
    urgent, waived = words[: words.index("Ports, newest")].split(" Waived ")
    assert urgent.count(" is broken since ") == 24
    assert "And 6 more causes, of 6 targets" in urgent
    assert waived.count("waived until 30 June 2026") == 4
    assert "And 6 more causes, of 6 targets" in waived


def test_the_front_page_cuts_what_other_pages_say_whole():
    long = "0123456789" * 40
    results: dict[str, list[tuple[int, int, Outcome]]] = {
        "arm/mere": [(0, 5, broken(long, path=f"{long}/uart.c"))],
        "arm/holm": [(0, 5, image())],
    }
    health = make_health(results)
    front = Reader(render_front_page(health)).words
    assert f": {long[:199]}… at …{long[-109:]}/uart.c:41." in front
    for page in (render_port_page(health, health.ports[0]), render_target_page(health, health.targets[0])):
        assert f": {long} at {long}/uart.c:41" in Reader(page).words


@given(st.text(max_size=40), st.integers(2, 12), st.booleans())
def test_a_text_in_brief_is_never_longer_and_says_so_when_cut(text: str, most: int, at_end: bool):
    found = brief(text, most, at_end=at_end)
    whole = plain(text)
    assert len(found) <= most
    assert found == plain(found)
    if len(whole) <= most:
        assert found == whole
    elif at_end:
        assert whole.endswith(found.removeprefix("…"))
        assert len(found) == most
    else:
        assert whole.startswith(found.removesuffix("…"))
        assert len(found) == most


def test_port_page_names_maintainers_states_flash_and_toolchain():
    health = usual()
    words = Reader(render_port_page(health, health.ports[0])).words
    assert "Neither of its two targets is well." in words
    assert "Cared for by Isa Thorne" in words
    assert "In the tree since 1 March 2026" in words
    assert "Fullest is main: 500 B of 1000 B, 50.0 %. Measured at 0000000000, the last image." in words
    assert "Toolchain bare-clang 0.17.1" in words
    assert "Last clean build 0000000000, 7 January 2026, 03:00 UTC: broken" in words
    assert "loongarch64/ness broke at 0000000000 Commit 4 by Mei Castellan, 5 January 2026" in words


def test_pages_say_that_what_happened_may_be_older_than_the_commit_they_name():
    health = make_health({"arm/mere": [(0, 1, image()), (2, 2, broken()), (4, 5, image())]})
    doubt = "at 0000000000 Commit 4 by Mei Castellan, 5 January 2026, or the commit before it, which has no result"
    assert f"Mended {doubt}" in Reader(render_target_page(health, health.targets[0])).words
    assert f"arm/mere mended {doubt}" in Reader(render_port_page(health, health.ports[0])).words


def test_target_page_marks_the_first_error_and_draws_the_part():
    health = usual()
    target = next(one for one in health.targets if one.name == "loongarch64/ness")
    page = render_target_page(health, target)
    assert '<mark id="first-error"><span class="flag">first error</span> a.c:1: error</mark>' in page
    words = Reader(page).words
    assert "Lines 7 to 8 of 8; the first error is line 8." in words
    assert "nor-1, 2 KiB, drawn to scale; measured at 0000000000 Commit 3 by Mei Castellan." in words
    assert "main 0x000400 1000 B 500 B 50.0 % 100 B 400 B" in words


def test_target_page_groups_warnings_by_file_and_option():
    health = usual()
    words = Reader(render_target_page(health, next(one for one in health.targets if one.name == "arm/mere"))).words
    assert "a.c unused-variable 1 9 unused variable 'i'" in words
    assert "include/lamp.h unused-variable 1 7 unused variable 'i'" in words


def test_commit_page_says_what_changed_for_which_targets():
    health = usual()
    change = next(one for one in health.changes if one.position == 4)
    words = Reader(render_commit_page(health, change)).words
    # One of the three may have come from a commit without a result.
    assert "It or the 2 commits before it changed 3 targets" in words
    assert "Was well, now broken: a pointer is cut to 32 bits, 2 targets." in words
    assert "Was well, now outgrown: main is 568 B too small, 1 target. 2 commits before it have no result" in words


def test_every_link_of_every_page_leads_to_a_file_of_the_site():
    files = {file.path: file.render() for file in iter_files(usual())}
    for path, content in files.items():
        if not path.endswith(".html"):
            continue
        for link in Reader(content).links:
            if link.startswith(("#", "mailto:")):
                continue
            assert normpath(str(PurePosixPath(path).parent / link)) in files, (path, link)


def test_no_page_asks_for_anything_outside_the_site():
    for health in (usual(), make_hostile_health()):
        for file in iter_files(health):
            if file.path.endswith((".html", ".css", ".js")):
                content = file.render()
                assert "//" not in content.replace("\n// ", "").replace("  // ", ""), file.path
                assert "url(" not in content.replace("url(#", ""), file.path


def test_hostile_text_is_text_on_every_page():
    health = make_hostile_health()
    calm = {"script": 1, "img": 0, "iframe": 0, "object": 0}
    for file in iter_files(health):
        content = file.render()
        assert "\x1b" not in content
        assert "\u202e" not in content
        content.encode("utf-8")
        if file.path.endswith(".html"):
            reader = Reader(content)
            assert {tag: reader.tags.count(tag) for tag in calm} == calm
            assert [entry for entry in reader.attributes if entry[1].startswith("on")] == []
            assert [entry for entry in reader.attributes if entry[1] == "style"] == []
            assert "{{7*7}}" in reader.words


@pytest.mark.parametrize("name", ["con", "NUL", "aux.html", "Com1", "lpt9.v2/mere"])
def test_no_file_has_the_name_of_a_device(name: str):
    """Source: Microsoft, "Naming Files, Paths, and Namespaces"."""
    for path in (port_page(name), feed_path(name), badge_path(name)):
        stem = path.rpartition("/")[2].split(".")[0]
        assert stem.startswith("x-")
    assert target_page("con/nul") == "targets/con,nul.html"


@pytest.mark.parametrize(
    ("name", "path"),
    [
        ("arm/mere", "targets/arm,mere.html"),
        ("arm/tarn/debug", "targets/arm,tarn,debug.html"),
        ("arm/x.html/y", "targets/arm,x.html,y.html"),
        ("../../etc/passwd", "targets/x-2387a7c54a1dbfd2d2ba5bd5,x-2387a7c54a1dbfd2d2ba5bd5,etc,passwd.html"),
    ],
)
def test_file_names_come_from_restricted_names(name: str, path: str):
    found = target_page(name)
    if ".." in name:
        assert ".." not in found
        assert found.count("/") == 1
    else:
        assert found == path


def test_commit_page_refuses_what_is_no_object_name():
    with pytest.raises(ValueError, match=r"'\.\./x' is no full object name"):
        commit_page("../x")


def test_mail_address_is_quoted():
    assert mail_address('a"onclick="x@y.example') == "mailto:a%22onclick%3D%22x@y.example"


def test_an_undefined_name_is_an_error():
    with pytest.raises(UndefinedError):
        _environment().from_string("{{ nothing_of_this_name }}").render()


def test_every_time_is_rfc_3339():
    health = usual()
    times = [
        value
        for target in health.targets
        for tag, name, value in Reader(render_target_page(health, target)).attributes
        if (tag, name) == ("time", "datetime")
    ]
    assert times
    # RFC 3339 section 5.6: full-date "T" full-time; fromisoformat of Python 3.11 reads all of it.
    assert all(datetime.fromisoformat(time).tzinfo is not None and time[10] == "T" for time in times)


def test_front_page_tells_of_a_sweep_that_was_interrupted():
    commits = make_line(6)
    ended = make_sweep(commits[3].commit_id, datetime(2026, 1, 5, 3, tzinfo=UTC))
    begun = replace(ended, sweep_id=2, commit_id=commits[5].commit_id, state=SweepState.INTERRUPTED, finished_at=None,
                    seen_at=datetime(2026, 1, 7, 2, 40, tzinfo=UTC))  # fmt: skip
    for sweeps in ([ended, begun], [begun]):
        page = render_front_page(make_health({"arm/mere": [(0, 5, image())]}, sweeps=sweeps))
        text = " ".join(re.sub(r"<[^>]*>", "", page).split())
        assert ". A sweep of 0000000000 began 5 January 2026, 02:00 UTC and was interrupted: nothing is known" in text
    later = render_front_page(make_health({"arm/mere": [(0, 5, image())]}, sweeps=[begun, ended]))
    assert "A sweep of" not in later
