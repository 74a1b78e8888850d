"""What plain text is: nothing in it moves a cursor, hides, or changes the order of its neighbours."""

import unicodedata
from xml.parsers import expat

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gatekeep.report.plain import plain, plain_lines, xml_text

any_text = st.text(alphabet=st.characters(codec=None), max_size=40)


@pytest.mark.parametrize(
    ("hostile", "shown"),
    [
        ("\x1b[31mred\x1b[0m", "\\x1b[31mred\\x1b[0m"),
        ("\x1b]0;title\x07", "\\x1b]0;title\\x07"),
        ("\x9b2J", "\\x9b2J"),
        ("del\x7f nul\x00", "del\\x7f nul\\x00"),
        ("a\nb\rc\td\x0be\x0cf", "a\\nb\\rc\\td\\x0be\\x0cf"),
        ("u\u2028p\u2029n\x85", "u\\u2028p\\u2029n\\x85"),
        ("\u202egnp.exe", "\\u202egnp.exe"),
        ("\u2066i\u2069 \u200em\u200f \u061c", "\\u2066i\\u2069 \\u200em\\u200f \\u061c"),
        ("zero\u200bwidth\ufeff\u00ad\u2060", "zero\\u200bwidth\\ufeff\\xad\\u2060"),
        ("filler\u3164\u115f\uffa0 joiner\u034f", "filler\\u3164\\u115f\\uffa0 joiner\\u034f"),
        ("tag\U000e0041\U000e0100", "tag\\U000e0041\\U000e0100"),
        (b"byte \x80\xff".decode("utf-8", "surrogateescape"), "byte \\udc80\\udcff"),
        ("\ud83d alone", "\\ud83d alone"),
        ("private \ue000\U000f0000", "private \\ue000\\U000f0000"),
        ("never \ufffe\ufdd0\U0001ffff", "never \\ufffe\\ufdd0\\U0001ffff"),
    ],
)
def test_plain_shows_what_would_be_obeyed_as_an_escape(hostile, shown):
    assert plain(hostile) == shown


@pytest.mark.parametrize(
    "ordinary",
    [
        "",
        "drivers/uart.c:41",
        "C:\\x1b\\n",
        "Grüße, Østersjø — “quoted” … ≤ 5 %",
        "灯台の\u3000光",
        "a\u00a0b",
        "e\u0301",
        "🌊",
        "ירח",
    ],
)
def test_plain_leaves_ordinary_text_alone(ordinary):
    assert plain(ordinary) == ordinary


def test_plain_keeps_tabs_only_where_asked():
    assert plain("a\tb\n", keep_tabs=True) == "a\tb\\n"
    assert plain("a\tb\n") == "a\\tb\\n"


@given(any_text)
def test_plain_is_one_line_of_shown_characters(text):
    shown = plain(text)
    assert not {unicodedata.category(character) for character in shown} & {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
    assert len(shown.splitlines()) <= 1
    assert plain(shown) == shown
    shown.encode("utf-8")


def test_plain_covers_every_bidirectional_control_of_uax_9():
    # Source: UAX #9, section 2 (embeddings, overrides, isolates, their ends) and 2.6 (implicit marks): by their
    # Bidi_Class in Python's copy of the Unicode Character Database, and the three marks by name.
    classes = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}
    controls = [chr(number) for number in range(0x110000) if unicodedata.bidirectional(chr(number)) in classes]
    controls += ["\N{LEFT-TO-RIGHT MARK}", "\N{RIGHT-TO-LEFT MARK}", "\N{ARABIC LETTER MARK}"]
    assert len(controls) == 12
    assert [plain(control) for control in controls] == [f"\\u{ord(control):04x}" for control in controls]


def test_plain_lines_splits_at_line_feeds_only():
    assert plain_lines("") == ()
    assert plain_lines("one\r\ntwo\x1b\n\nfour\u2028still four") == ("one", "two\\x1b", "", "four\\u2028still four")
    assert plain_lines("one\n") == ("one",)
    assert plain_lines("\ta\n", keep_tabs=True) == ("\ta",)


def test_xml_text_keeps_line_breaks_and_markup_and_escapes_what_xml_forbids():
    assert xml_text("a\tb\r\n<&>\x00\x1b\ud800\ufffe\U0001fffe\x80\x85") == (
        "a\tb\r\n<&>\\x00\\x1b\\ud800\\ufffe\\U0001fffe\\x80\x85"
    )


@given(any_text)
def test_xml_text_is_read_back_by_expat(text):
    # Outside check: expat, a conforming XML 1.0 parser, takes the filtered text (inside CDATA-free character data).
    legal = xml_text(text)
    body = legal.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;").replace("\r", "&#13;")
    heard: list[str] = []
    parser = expat.ParserCreate(encoding="utf-8")
    parser.CharacterDataHandler = heard.append
    parser.Parse(f"<t>{body}</t>".encode(), True)
    assert "".join(heard) == legal
