"""
The demonstration's own site, made as ci/demo makes it and read as the people read it whom it is for.

One run of main's whole history, every sweep and the site serves all tests here; it is also the test that every commit
of main builds. What the proposals should lead to is held by ci/demo and, build by build, by test_skerry_demo.py.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser

from gatekeep.history.store import SqliteStore
from gatekeep.history.sweeps import list_sweeps
from gatekeep.model.history import SweepState, Turn
from gatekeep.report.site.names import commit_page, port_page, target_page
from tests.browser.visit import SIZES, open_page
from tests.integration.skerry_build import environment
from tests.repos import GitFolder

ROOT = Path(__file__).parents[2]
RILL, DUNE, LOONGARCH = target_page("riscv32/rill"), target_page("loongarch64/dune"), port_page("loongarch64")
HOLM = target_page("arm/holm")
SUBJECT = 'drivers: <script>alert(1)</script><img src=x onerror="alert(1)">'
PERSON = 'Mei " onmouseover="alert(2)'
LOG_LINE = "</pre></code><script>alert(3)</script><img src=x onerror=alert(3)>"
#: The worst that a matrix takes for a name.
BOARD = "holm.onload-alert+4"
TAG = "<script>alert(5)</script>"


def gatekeep(*arguments: str) -> int:
    command = [sys.executable, "-m", "gatekeep", *arguments]
    return subprocess.run(command, env=environment(), cwd=ROOT, check=False).returncode


@pytest.fixture(scope="session")
def demonstration(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder that ci/demo leaves: skerry, the repository with its store, and site."""
    folder = tmp_path_factory.mktemp("demonstration")
    command = [sys.executable, "ci/demonstrate.py", str(folder), "--without-proposals"]
    done = subprocess.run(command, cwd=ROOT, env=environment(), capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-4000:]
    assert "Every verdict is as expected." in done.stdout
    assert f"{folder}/site/index.html" in done.stdout
    return folder


@pytest.fixture(scope="session")
def hostile(demonstration: Path) -> Path:
    """The site of the same repository, after somebody put hostile text wherever text can be put."""
    folder = GitFolder(demonstration / "skerry")
    folder.git("checkout", "-q", "-b", "hostile", "nightly")
    tree = folder.path
    with (tree / "boards/mere/board.c").open("a") as source:
        source.write(f"#error {LOG_LINE}\n")
    shutil.copytree(tree / "boards/holm", tree / "boards" / BOARD)
    matrix = (tree / "matrix.yml").read_text()
    holm = "      holm: {part: nor-half, memories: {sram: {at: 0x2000_0000, size: 16 KiB}}}\n"
    assert holm in matrix
    matrix = matrix.replace(holm, holm + holm.replace("holm:", f"{BOARD}:"))
    matrix = matrix.replace('"Oda Brandsund <oda@', '\'Oda " onclick="alert(6) <oda@').replace(
        'example>"]', "example>']", 1
    )
    (tree / "matrix.yml").write_text(matrix)
    folder.git("add", "--all")
    message = f"{SUBJECT}\n\n{LOG_LINE}"
    folder.git("commit", "-q", "-m", message, GIT_AUTHOR_NAME=PERSON, GIT_AUTHOR_EMAIL='x" autofocus="')
    folder.git("tag", TAG)
    named = ("--repository", str(tree))
    assert gatekeep("gate", "nightly", "hostile", *named) == 1
    out = demonstration / "hostile"
    assert gatekeep("health", "--branch", "hostile", "--out", str(out), *named) == 0
    return out


def test_front_page_calls_for_the_newest_port_and_names_who_broke_it(browser: Browser, demonstration: Path):
    visit = open_page(browser, demonstration / "site", "index.html")
    page = visit.page
    assert page.locator("h1").inner_text() == "skerry"
    first = page.locator(".today li")
    assert first.count() == 1
    said = " ".join(first.inner_text().split())
    assert said.startswith("Both targets of loongarch64 are broken since ")
    assert "keeper: Show the stack pointer by Teodor Lykke, 11 July 2026" in said
    assert "undefined symbol: arch_stack_pointer" in said
    assert page.locator(".port h3").all_inner_texts() == [
        "loongarch64",
        "arm",
        "aarch64",
        "riscv32",
        "riscv64",
        "mips",
        "powerpc",
        "x86",
    ]
    well = page.locator(".port .lede").all_inner_texts()[1:]
    assert all(words.startswith("All ") and words.endswith(" are well.") for words in well)
    first.get_by_role("link").first.click()
    assert page.locator("h1").inner_text() == "keeper: Show the stack pointer"
    assert {"loongarch64/dune", "loongarch64/strand"} <= set(page.get_by_role("link").all_inner_texts())
    assert visit.faults == []
    assert {urlsplit(url).scheme for url in visit.requests} == {"file"}
    page.context.close()


def test_maintainer_reads_the_first_error_of_the_port(browser: Browser, demonstration: Path):
    visit = open_page(browser, demonstration / "site", LOONGARCH, size="phone")
    page = visit.page
    assert "Mei Castellan" in page.locator("body").inner_text()
    page.get_by_role("link", name="dune").first.click()
    page.get_by_role("link", name="the first error").click()
    assert "ld.lld: error: undefined symbol: arch_stack_pointer" in page.locator("#first-error").inner_text()
    # Where the machine keeps its trees is nobody's business.
    assert str(demonstration) not in page.locator("body").inner_text()
    assert visit.faults == []
    page.context.close()


def test_board_that_one_night_broke_and_the_next_mended_says_both(browser: Browser, demonstration: Path):
    """Who broke it was searched for; who mended it was not, so the page says how far it is known."""
    visit = open_page(browser, demonstration / "site", HOLM)
    happened = [" ".join(words.split()) for words in visit.page.locator(".events li").all_inner_texts()]
    mended, broke = happened
    assert mended.startswith("Mended at ")
    assert mended.endswith(", 19 July 2026, or one of the 4 commits before it, which have no result")
    assert broke.startswith("Broke at ")
    assert "boards/holm: Keep the lantern's figures in a header of their own by Oda Brandsund, 7 July 2026" in broke
    assert "use of undeclared identifier 'RECORD_SLOTS'" in broke
    assert visit.faults == []
    visit.page.context.close()


def test_history_rests_on_sweeps_of_the_releases_and_the_nights(demonstration: Path):
    """In their order, each come to its end, and without a result that was carried wrongly."""
    folder = GitFolder(demonstration / "skerry")
    tips = [*(f"v1.{minor}" for minor in range(5)), "main", "nightly~5", "nightly"]
    with SqliteStore(folder.path / ".git" / "gatekeep" / "evidence.db") as store:
        sweeps = list_sweeps(store)
    assert [sweep.commit_id for sweep in sweeps] == [folder.ask("rev-parse", f"{tip}^{{commit}}") for tip in tips]
    assert {sweep.state for sweep in sweeps} == {SweepState.FINISHED}
    assert [[(turn.target, turn.turn) for turn in sweep.turns] for sweep in sweeps] == [
        *([] for _ in tips[:-2]),
        [("arm/holm", Turn.BROKE)],
        [
            ("arm/holm", Turn.MENDED),
            ("loongarch64/dune", Turn.BROKE),
            ("loongarch64/strand", Turn.BROKE),
        ],
    ]
    facts = json.loads((demonstration / "site" / "facts.json").read_text())
    assert not any(target["carried_wrongly"] for port in facts["ports"] for target in port["targets"])


def test_the_river_gauge_is_seen_to_fill_up(browser: Browser, demonstration: Path):
    """Its table grows with every trip; the releases stand in the plot, and the forecast in words."""
    visit = open_page(browser, demonstration / "site", "index.html")
    page = visit.page
    # The demonstration's commits have days of their own: what is said of them depends on when they are shown.
    facts = json.loads((demonstration / "site" / "facts.json").read_text())
    named = {one["name"]: one["outlooks"] for port in facts["ports"] for one in port["targets"] if one["outlooks"]}
    (told,) = named["riscv32/rill"]
    shown_at = (demonstration / "site" / "index.html").stat().st_mtime
    soon = str(datetime.fromtimestamp(shown_at, UTC).date() + timedelta(days=90))
    filling = page.locator(".filling li")
    assert filling.count() == sum(one["reached_on"] <= soon for outlooks in named.values() for one in outlooks)
    said = "main was to reach its reserve around " if told["has_passed"] else "main reaches its reserve around "
    rill = filling.filter(has_text="riscv32/rill")
    assert said in rill.inner_text()
    rill.get_by_role("link").click()
    assert page.locator("h1").inner_text().startswith("rill")
    plots = page.locator("svg[role=img]").all_text_contents()
    assert any(all(f"v1.{minor}" in text for minor in range(6)) for text in plots)
    assert said.replace("main", "it") in page.locator("main").inner_text()
    page.context.close()


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("path", ["index.html", LOONGARCH, DUNE, RILL, HOLM])
def test_axe_finds_nothing_on_the_demonstrations_pages(browser: Browser, demonstration: Path, axe: str, path, size):
    visit = open_page(browser, demonstration / "site", path, size=size)
    visit.page.evaluate(axe)
    found = visit.page.evaluate("axe.run(document, {resultTypes: ['violations']})")
    assert [(rule["id"], [node["target"] for node in rule["nodes"]]) for rule in found["violations"]] == []
    assert visit.page.evaluate("document.documentElement.scrollWidth") <= SIZES[size][0]
    visit.page.context.close()


def test_hostile_commit_board_tag_and_log_do_nothing(browser: Browser, demonstration: Path, hostile: Path):
    head = GitFolder(demonstration / "skerry").ask("rev-parse", "hostile")
    shown = {
        "index.html": (SUBJECT, PERSON),
        port_page("arm"): (SUBJECT, PERSON, BOARD),
        target_page("arm/mere/debug"): (SUBJECT, PERSON, LOG_LINE, 'Oda " onclick="alert(6)'),
        target_page(f"arm/{BOARD}"): (BOARD,),
        commit_page(head): (SUBJECT, PERSON),
    }
    for path, texts in shown.items():
        visit = open_page(browser, hostile, path)
        page = visit.page
        page.locator("body").click(position={"x": 5, "y": 5})
        for link in page.locator("main a:visible").all()[:20]:
            link.hover()
        body = page.locator("body").inner_text()
        assert [text for text in texts if text not in body] == []
        assert page.locator("script").count() == 1
        assert page.locator("img").count() == 0
        handlers = "all => all.flatMap(one => one.getAttributeNames()).filter(name => name.startsWith('on'))"
        assert page.locator("*").evaluate_all(handlers) == []
        assert visit.faults == []
        outside = [url for url in visit.requests if not url.startswith(f"file://{hostile}/")]
        assert outside == []
        page.context.close()
    rill = open_page(browser, hostile, RILL).page
    assert any(TAG in text for text in rill.locator("svg[role=img]").all_text_contents())
    rill.context.close()


def test_board_name_that_is_markup_never_gets_as_far_as_a_page(demonstration: Path, tmp_path: Path):
    matrix = (demonstration / "skerry" / "matrix.yml").read_text()
    bad = tmp_path / "matrix.yml"
    bad.write_text(matrix.replace("      holm: {", '      "<img src=x onerror=alert(7)>": {', 1))
    command = [sys.executable, "-m", "gatekeep", "targets", "--matrix", str(bad)]
    done = subprocess.run(command, cwd=ROOT, env=dict(os.environ), capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "<img src=x onerror=alert(7)>" in done.stderr
