"""
The site as a person meets it: headless Chromium opens the files, and axe-core looks for what stands in anybody's way.

Needs Debian's chromium and npm; ci/test installs both. axe-core is unpacked once into the virtual environment.

Source: axe-core's rules for WCAG 2.2 A and AA, and its best practices; WAI-ARIA 1.2 on the names of images.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser

from gatekeep.model.audit import Bar
from gatekeep.model.evidence import TimedOut
from gatekeep.model.health import LogExcerpt
from gatekeep.model.history import Sweep, SweepState, Turn, TurnRecord
from gatekeep.model.rule import Rule
from gatekeep.report.site.names import commit_page, port_page, target_page
from gatekeep.report.site.write import write_site
from tests.browser.visit import SIZES, Visit, open_page
from tests.cases import broken, make_waiver, outgrown, warning
from tests.site_cases import image, make_health, make_hostile_health, make_sweep

FRONT = "index.html"
PORT = port_page("loongarch64")
TARGET = target_page("loongarch64/ness")
FULL = target_page("arm/tarn/debug")
COMMIT = commit_page(f"{4:040x}")
PAGES = [FRONT, PORT, TARGET, FULL, COMMIT]


@pytest.fixture(scope="session")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("site")
    long_log = tuple(f"cc drivers/file{number}.c {'x' * 200}" for number in range(60))
    health = make_health(
        {
            "arm/mere": [(0, 5, image(600))],
            "arm/tarn/debug": [(0, 2, image(600)), (3, 5, image(950))],
            "loongarch64/ness": [(0, 3, image()), (4, 5, broken())],
            "loongarch64/wick": [(0, 3, image()), (4, 5, broken())],
            "riscv64/vale": [(0, 1, image()), (4, 5, outgrown(568, "main"))],
            "mips/holm": [(0, 5, image(420))],
        },
        warnings={"arm/tarn/debug": (warning(),)},
        logs={
            "loongarch64/ness": LogExcerpt(
                lines=(*long_log, "drivers/uart.c:41: error: a pointer is cut"),
                first_number=1,
                error_index=60,
                line_count=61,
            )
        },
        tags=(("v1", f"{2:040x}"),),
    )
    write_site(health, out)
    return out


@pytest.fixture(scope="session")
def waived_site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A waiver, an interrupted sweep and one that left something undecided, a target too slow and one never built."""
    out = tmp_path_factory.mktemp("waived")
    waiver = make_waiver(Rule.BROKEN, "loongarch64/ness", until=date(2026, 6, 30))
    swept_at = datetime(2026, 1, 5, 3, tzinfo=UTC)
    warned = TurnRecord(
        target="arm/mere", turn=Turn.WARNED, message="new warning: unused variable 'tide' at app/main.c:7"
    )
    health = make_health(
        {
            "arm/mere": [(0, 5, image(600))],
            "arm/tarn/debug": [(0, 2, image(600)), (3, 5, TimedOut(limit_s=60, stopped_by="SIGTERM"))],
            "loongarch64/ness": [(0, 3, image()), (4, 5, broken())],
            "riscv64/vale": [],
        },
        waivers=(waiver,),
        warnings={"arm/mere": (warning("unused variable 'tide'", path="app/main.c"),)},
        sweeps=(make_sweep(f"{3:040x}", swept_at - timedelta(days=1), [warned]),),
        swept=(f"{4:040x}", swept_at),
        undecided=("riscv64/vale",),
        bars=[
            Bar(
                target="loongarch64/ness",
                key="k",
                tree_id="e" * 40,
                commit_id="d" * 40,
                barred_at=swept_at,
                what="region main: 500 bytes, clean 504 bytes",
            )
        ],
    )
    interrupted = Sweep(
        sweep_id=2,
        commit_id=f"{5:040x}",
        tree_id="",
        started_at=swept_at + timedelta(days=1),
        finished_at=None,
        state=SweepState.INTERRUPTED,
        seen_at=swept_at + timedelta(days=1, minutes=7),
    )
    write_site(replace(health, open_sweep=interrupted), out)
    return out


@pytest.fixture(scope="session")
def hostile_site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("hostile")
    write_site(make_hostile_health(), out)
    return out


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("path", PAGES)
def test_axe_finds_nothing_and_nothing_overflows(browser: Browser, site: Path, axe: str, path, size, scheme):
    check_access(open_page(browser, site, path, size=size, scheme=scheme), axe, size)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("path", [FRONT, PORT, TARGET, FULL, target_page("riscv64/vale")])
def test_axe_finds_nothing_where_little_is_well(browser: Browser, waived_site: Path, axe: str, path, size, scheme):
    check_access(open_page(browser, waived_site, path, size=size, scheme=scheme), axe, size)


def check_access(visit: Visit, axe: str, size: str) -> None:
    assert visit.faults == []
    # Evaluated by the inspector, which the pages' own policy does not bind.
    visit.page.evaluate(axe)
    found = visit.page.evaluate("axe.run(document, {resultTypes: ['violations']})")
    assert [(rule["id"], [node["target"] for node in rule["nodes"]]) for rule in found["violations"]] == []
    assert visit.page.evaluate("document.documentElement.scrollWidth") <= SIZES[size][0]
    visit.page.context.close()


@pytest.mark.parametrize("path", PAGES)
def test_every_drawing_is_named_and_described(browser: Browser, site: Path, path):
    visit = open_page(browser, site, path)
    drawings = visit.page.locator("svg[role=img]")
    for index in range(drawings.count()):
        drawing = drawings.nth(index)
        first, second = (drawing.get_attribute("aria-labelledby") or "").split()
        for identity, element in ((first, "title"), (second, "desc")):
            named = visit.page.locator(f"{element}#{identity}")
            assert named.count() == 1
            assert named.text_content()
    loose = visit.page.locator("body > main svg:not([role=img]):not([aria-hidden=true])")
    assert loose.evaluate_all("all => all.every(one => one.parentElement.closest('[role=img], [aria-hidden=true]'))")
    visit.page.context.close()


def test_broken_newest_port_is_on_the_front_page_with_its_culprit(browser: Browser, site: Path):
    visit = open_page(browser, site, FRONT)
    first = visit.page.locator(".today li").first
    assert "Both targets of loongarch64 are broken since" in first.inner_text()
    assert "Commit 4" in first.inner_text()
    assert "by Mei Castellan" in first.inner_text()
    assert visit.page.locator(".port h3").first.inner_text() == "loongarch64"
    first.get_by_role("link", name="loongarch64/ness").click()
    assert visit.page.locator("h1").inner_text().startswith("ness")
    visit.page.get_by_role("link", name="the first error").click()
    assert visit.page.locator("#first-error").inner_text().startswith("first error")
    visit.page.context.close()


def test_search_and_filter_work_in_place(browser: Browser, site: Path):
    visit = open_page(browser, site, FRONT)
    page = visit.page

    def shown() -> list[str]:
        return page.locator(".boards > li:visible > a").all_inner_texts()

    page.get_by_label("Find a target").fill("arm tarn")
    assert shown() == ["tarn/debug"]
    assert page.locator("#found").inner_text() == "1 target"
    page.get_by_label("Find a target").fill("")
    page.get_by_label("not well only").check()
    assert shown() == ["ness", "wick", "tarn/debug", "vale"]
    page.get_by_label("Find a target").fill("nothing like this")
    assert shown() == []
    assert page.get_by_text("No target fits.").is_visible()
    assert visit.faults == []
    assert [url for url in visit.requests if not url.startswith("file:")] == []
    page.context.close()


def test_front_page_is_complete_without_script(browser: Browser, site: Path):
    visit = open_page(browser, site, FRONT, script=False)
    page = visit.page
    assert page.locator("#find").is_hidden()
    assert page.locator(".boards > li").count() == 6
    boards = page.locator(".port").filter(has_text="mips").locator(".boards")
    assert not boards.is_visible()
    page.locator("summary", has_text="of mips").click()
    assert boards.is_visible()
    assert "2026, 08:00 UTC" in page.locator(".mast time").inner_text()
    page.context.close()


def test_times_are_shown_in_the_readers_zone(browser: Browser, site: Path):
    visit = open_page(browser, site, FRONT)
    time = visit.page.locator(".mast time")
    # 08:00 UTC is 17:00 in Tokyo, which has no summer time.
    assert time.inner_text() == "6 January 2026, 17:00"
    assert time.get_attribute("datetime") == "2026-01-06T08:00:00Z"
    assert time.get_attribute("title") == "6 January 2026, 08:00 UTC"
    visit.page.context.close()


@pytest.mark.parametrize("zone", ["America/Los_Angeles", "Pacific/Kiritimati", "UTC"])
@pytest.mark.parametrize("path", [FRONT, PORT, TARGET])
def test_a_day_is_the_same_day_in_every_zone(browser: Browser, waived_site: Path, zone, path):
    visit = open_page(browser, waived_site, path, zone=zone)
    (day,) = {entry.inner_text() for entry in visit.page.locator('time[datetime="2026-06-30"]').all()}
    assert day == "30 June 2026"
    visit.page.context.close()


def test_front_page_tells_what_is_wrong_with_the_night_itself(browser: Browser, waived_site: Path):
    visit = open_page(browser, waived_site, FRONT)
    said = visit.page.locator("main").inner_text()
    assert "has no clean build of 1 of 4 targets" in said
    assert "loongarch64/ness was carried wrongly at dddddddddd" in said
    assert "takes too long to build since" in said
    news = visit.page.locator("h3", has_text="New warnings").locator("xpath=following-sibling::ul[1]")
    assert "arm/mere warns anew as first seen at" in news.inner_text()
    news.get_by_role("link", name="arm/mere").click()
    assert visit.page.locator("h1").inner_text().startswith("mere")
    assert "Warned at" in visit.page.locator("main").inner_text()
    visit.page.context.close()


def test_a_keyboard_reaches_everything(browser: Browser, site: Path):
    visit = open_page(browser, site, FRONT)
    page = visit.page
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "To the content"
    assert page.locator(".skip").evaluate("link => link.getBoundingClientRect().left") >= 0
    numbered = page.locator("a:visible, summary:visible, input:visible")
    count = numbered.evaluate_all("all => all.map((one, number) => { one.dataset.number = number; }).length")
    assert count >= 20
    seen: list[str | None] = [page.evaluate("document.activeElement.dataset.number")]
    while len(seen) < count:
        page.keyboard.press("Tab")
        assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
        seen.append(page.evaluate("document.activeElement.dataset.number"))
    # Each once, in the order in which they are read.
    assert seen == [str(number) for number in range(count)]
    page.locator("summary", has_text="of mips").press("Enter")
    assert page.locator(".port").filter(has_text="mips").locator(".boards").is_visible()
    page.context.close()


def test_print_shows_what_is_folded_away(browser: Browser, site: Path):
    visit = open_page(browser, site, FRONT)
    visit.page.emulate_media(media="print")
    assert visit.page.locator("#find").is_hidden()
    assert visit.page.locator(".port").filter(has_text="mips").locator(".boards li").is_visible()
    visit.page.context.close()


def test_hostile_text_does_nothing(browser: Browser, hostile_site: Path):
    pages = [path.relative_to(hostile_site).as_posix() for path in hostile_site.rglob("*.html")]
    assert len(pages) >= 6
    for path in pages:
        visit = open_page(browser, hostile_site, path)
        visit.page.locator("body").click(position={"x": 5, "y": 5})
        assert visit.faults == []
        for url in visit.requests:
            assert urlsplit(url).scheme == "file"
            assert urlsplit(url).path.startswith(str(hostile_site)), url
        assert visit.page.locator("script").count() == 1
        assert visit.page.locator("img").count() == 0
        assert "<script>alert(1)</script>" in visit.page.locator("body").inner_text()
        visit.page.context.close()
