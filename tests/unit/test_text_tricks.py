"""
Text tricks in every report: nothing from outside moves a cursor, hides, forges a verdict, becomes markup, or is lost.

Each output is read by a reader that is not ours: the Unicode Character Database, json, markdown-it-py, expat, and
html.parser; a page may only have the elements, attributes and links that it has with harmless words in their place.

Sources: ECMA-48, 5.2 and 5.3 (C0 and C1); UAX #9, table 4; XML 1.0, 2.2; RFC 8259, section 7; RFC 7493, section 2.1.
"""

from __future__ import annotations

import io
import json
import re
import unicodedata
from collections.abc import Callable, Iterator
from typing import Any
from urllib.parse import unquote, urlsplit
from xml.etree import ElementTree

import pytest
from rich.console import Console

from gatekeep.model.evidence import NotDecided
from gatekeep.report.audit import render_audit, render_audit_json, render_bars
from gatekeep.report.culprit import render_culprits, render_culprits_json
from gatekeep.report.history import render_histories, render_history, render_history_json
from gatekeep.report.json_report import render_json
from gatekeep.report.junit import render_junit
from gatekeep.report.markdown import MOST_CHARACTERS, render_markdown
from gatekeep.report.paced_progress import PacedProgress
from gatekeep.report.plain import plain_lines
from gatekeep.report.progress import LineProgress, LiveProgress
from gatekeep.report.sarif import render_sarif
from gatekeep.report.site.files import iter_files
from gatekeep.report.sweep import render_mail, render_sweep, render_sweep_json, to_judgement
from gatekeep.report.terminal import render_terminal
from tests.atom import check_atom
from tests.judgements import hostile, make_evidence, make_job
from tests.site_cases import make_hostile_health
from tests.tricks import TRICKS, make_answer, make_audit, make_bar, make_history, make_sweep
from tests.unit.test_report_markdown import LINKED, OUR_HTML, iter_tokens
from tests.unit.test_site_pages import Reader

tricks = pytest.mark.parametrize("text", TRICKS.values(), ids=TRICKS)
#: What the same reports say without any trick.
CALM = "calm"


def say_progress(text: str) -> str:
    """What goes by while a run lasts, as lines, in a terminal and over a push."""
    stream = io.StringIO()
    ended = make_evidence("riscv64/vale", outcome=NotDecided(message=text, hint=text))
    for progress in (LineProgress(stream=stream), LiveProgress(workers=1, stream=stream), PacedProgress(stream)):
        progress.started(1, 0)
        progress.job_started(make_job())
        progress.message(text)
        if isinstance(progress, LiveProgress):
            console = Console(file=stream, width=100, force_terminal=False)
            console.print(progress.render())
        progress.job_finished(make_job(), ended)
        progress.finished()
    return stream.getvalue()


TERMINALS: dict[str, Callable[[str], str]] = {
    "gate": lambda text: render_terminal(hostile(text), colour=False, width=100),
    "gate, coloured": lambda text: render_terminal(hostile(text), colour=True, width=60),
    "sweep": lambda text: render_sweep(make_sweep(text), colour=True, width=100),
    "mail": lambda text: render_mail(make_sweep(text)),
    "culprit": lambda text: render_culprits([make_answer(text)], colour=True, width=100),
    "audit": lambda text: render_audit(make_audit(text), colour=True, width=100),
    "bars": lambda text: render_bars((make_bar(text),), cleared=False),
    "history": lambda text: render_history(make_history(text), plot=True, width=100, last=3),
    "histories": lambda text: render_histories([make_history(text)] * 2, width=100),
    "progress": say_progress,
    "log": lambda text: "".join(f"{line}\n" for line in plain_lines(text, keep_tabs=True)),
}
MACHINES: dict[str, Callable[[str], str]] = {
    "gate": lambda text: render_json(hostile(text)),
    "sarif": lambda text: render_sarif(hostile(text)),
    "sweep": lambda text: render_sweep_json(make_sweep(text)),
    "sweep as sarif": lambda text: render_sarif(to_judgement(make_sweep(text))),
    "culprit": lambda text: render_culprits_json([make_answer(text)]),
    "audit": lambda text: render_audit_json(make_audit(text)),
    "history": lambda text: render_history_json(make_history(text)),
}
#: SGR, the only control that we write ourselves (ECMA-48, 8.3.117).
OUR_COLOUR = re.compile(r"\x1b\[[0-9;]*m")
HIDDEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


@tricks
@pytest.mark.parametrize("show", TERMINALS.values(), ids=TERMINALS)
def test_terminal_obeys_nothing_and_no_verdict_is_forged(show: Callable[[str], str], text: str) -> None:
    shown = show(text)
    ours = set(OUR_COLOUR.findall(show(CALM)))
    assert set(OUR_COLOUR.findall(shown)) <= ours
    bare = OUR_COLOUR.sub("", shown)
    hidden = {character for character in bare if unicodedata.category(character) in HIDDEN}
    assert hidden <= {"\n", "\t"}
    bare.encode("utf-8")
    if show is TERMINALS["log"]:
        return  # a log is shown line by line, whatever it says
    # A line that reads as a verdict is ours: none more than with calm words.
    verdict = re.compile(r"^(?:verdict|sweep): .*$", re.MULTILINE)
    assert verdict.findall(bare) == verdict.findall(OUR_COLOUR.sub("", show(CALM)))


@tricks
@pytest.mark.parametrize("render", MACHINES.values(), ids=MACHINES)
def test_json_holds_the_text_as_it_was_and_steers_nothing(render: Callable[[str], str], text: str) -> None:
    written = render(text)
    assert written.isascii()
    assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f]", written)
    wanted = text.encode("utf-8", "backslashreplace").decode()  # a surrogate is no text of JSON
    assert wanted in set(iter_strings(json.loads(written)))


def iter_strings(node: Any) -> Iterator[str]:
    if isinstance(node, str):
        yield node
    for child in node.values() if isinstance(node, dict) else node if isinstance(node, list) else ():
        yield from iter_strings(child)


@tricks
def test_markdown_links_calls_and_runs_nothing(text: str) -> None:
    comment = render_markdown(hostile(text))
    assert len(comment) <= MOST_CHARACTERS
    hidden = {character for character in comment if unicodedata.category(character) in HIDDEN}
    assert hidden <= {"\n"}
    tokens = list(iter_tokens(comment))
    assert not {token.type for token in tokens} & {
        "link_open", "image", "html_inline", "heading_open", "blockquote_open", "hr", "ordered_list_open", "code_block",
    }  # fmt: skip
    assert sum(token.type == "table_open" for token in tokens) == 1
    for token in tokens:
        if token.type == "html_block":
            assert OUR_HTML.fullmatch(token.content)
        if token.type == "text":
            assert not LINKED.search(token.content), token.content
        if token.type == "fence":
            assert token.info == "text"


def shape(element: ElementTree.Element) -> list[Any]:
    """Give an element's name, its attributes' names, and the same of its children, in any order: names sort them."""
    return [element.tag, sorted(element.attrib), sorted(map(shape, element))]


@tricks
def test_xml_has_our_elements_alone(text: str) -> None:
    assert shape(ElementTree.fromstring(render_junit(hostile(text)))) == shape(
        ElementTree.fromstring(render_junit(hostile(CALM)))
    )


@pytest.fixture(scope="module")
def calm_site() -> dict[str, str]:
    return {file.path: file.render() for file in iter_files(make_hostile_health(CALM), "https://skerry.example/")}


@tricks
def test_site_has_our_elements_attributes_and_links_alone(text: str, calm_site: dict[str, str]) -> None:
    site = {file.path: file.render() for file in iter_files(make_hostile_health(text), "https://skerry.example/")}
    # File names are made of names that the matrix allows, never of words.
    assert site.keys() == calm_site.keys()
    for path, content in site.items():
        hidden = {character for character in content if unicodedata.category(character) in HIDDEN}
        assert hidden <= {"\n", "\t"}, path
        content.encode("utf-8")
        if path.endswith(".html"):
            check_page(Reader(content), Reader(calm_site[path]), path)
        elif path.endswith((".svg", ".atom")):
            found, calm = ElementTree.fromstring(content), ElementTree.fromstring(calm_site[path])
            assert shape(found) == shape(calm), path
            assert links_of(found) == links_of(calm), path
            if path.endswith(".atom"):
                check_atom(content)
        elif path == "facts.json":
            wanted = f"{text} 3".encode("utf-8", "backslashreplace").decode()
            assert wanted in set(iter_strings(json.loads(content)))


def check_page(found: Reader, calm: Reader, path: str) -> None:
    assert found.tags == calm.tags, path
    assert [entry[:2] for entry in found.attributes] == [entry[:2] for entry in calm.attributes], path
    assert [urlsplit(link).scheme for link in found.links] == [urlsplit(link).scheme for link in calm.links], path
    for link, calm_link in zip(found.links, calm.links, strict=True):
        # A fragment or a query may hold words; where a link leads may not depend on them.
        assert urlsplit(link).netloc == urlsplit(calm_link).netloc, path
        assert "/.." not in unquote(urlsplit(link).path).removeprefix("../"), path


def links_of(element: ElementTree.Element) -> list[str]:
    return [value for child in element.iter() for name, value in child.attrib.items() if name.endswith(("href", "src"))]
