"""
The grammar that feeds are held against: it takes what RFC 4287 shows, and refuses what its text forbids.

Source: RFC 4287, section 1.1 (its two examples, from memory) and the section that each case names.
"""

from __future__ import annotations

import re

import pytest

from tests.atom import NotAtomError, check_atom

#: The first example of section 1.1.
BRIEF = """<?xml version="1.0" encoding="utf-8"?>
<feed xmlns="http://www.w3.org/2005/Atom">
  <title>Example Feed</title>
  <link href="http://example.org/"/>
  <updated>2003-12-13T18:30:02Z</updated>
  <author>
    <name>A Writer</name>
  </author>
  <id>urn:uuid:60a76c80-d399-11d9-b93C-0003939e0af6</id>
  <entry>
    <title>Tide gauges run amok</title>
    <link href="http://example.org/2003/12/13/atom03"/>
    <id>urn:uuid:1225c695-cfb8-4ebb-aaaa-80da344efa6a</id>
    <updated>2003-12-13T18:30:02Z</updated>
    <summary>Some text.</summary>
  </entry>
</feed>
"""
#: After the second: what an entry and a feed may have besides, with an extension and XHTML.
EXTENSIVE = """<?xml version="1.0" encoding="utf-8"?>
<feed xmlns="http://www.w3.org/2005/Atom" xml:lang="en" xmlns:x="urn:x:extension">
  <title type="text">dive into tides</title>
  <subtitle type="html">A &lt;em&gt;lot&lt;/em&gt; of effort went into making this effortless</subtitle>
  <updated>2005-07-31T12:29:29Z</updated>
  <id>tag:example.org,2003:3</id>
  <link rel="alternate" type="text/html" hreflang="en" href="http://example.org/"/>
  <link rel="self" type="application/atom+xml" href="http://example.org/feed.atom"/>
  <rights>Copyright (c) 2003, A Writer</rights>
  <generator uri="http://www.example.com/" version="1.0">Example Toolkit</generator>
  <x:simple>an extension</x:simple>
  <x:structured x:of="two"><x:part/>text<x:part/></x:structured>
  <entry>
    <title>Atom draft-07 snapshot</title>
    <link rel="alternate" type="text/html" href="http://example.org/2005/04/02/atom"/>
    <link rel="enclosure" type="audio/mpeg" length="1337" href="http://example.org/audio/ph34r.mp3"/>
    <id>tag:example.org,2003:3.2397</id>
    <updated>2005-07-31T12:29:29Z</updated>
    <published>2003-12-13T08:29:29-04:00</published>
    <author><name>A Writer</name><uri>http://example.org/</uri><email>writer@example.com</email></author>
    <contributor><name>Another Writer</name></contributor>
    <category term="tides" scheme="http://example.org/terms" label="Tides"/>
    <content type="xhtml" xml:lang="en" xml:base="http://example.org/">
      <div xmlns="http://www.w3.org/1999/xhtml"><p><i>[Update: The Atom draft is finished.]</i></p></div>
    </content>
  </entry>
</feed>
"""


@pytest.mark.parametrize("text", [BRIEF, EXTENSIVE], ids=["brief", "extensive"])
def test_what_the_standard_shows_is_atom(text: str) -> None:
    check_atom(text)


def test_an_entry_alone_is_a_document_too() -> None:
    """Section 2: the document element is a feed or an entry; 4.1.2: such an entry has its own author."""
    entry = EXTENSIVE[EXTENSIVE.index("<entry>") : EXTENSIVE.index("</feed>")]
    check_atom(entry.replace("<entry>", '<entry xmlns="http://www.w3.org/2005/Atom">'))


_ID = "<id>tag:example.org,2003:3</id>"
_TITLE = '<title type="text">dive into tides</title>'
_UPDATED = "<updated>2005-07-31T12:29:29Z</updated>\n  <id>"
_AUTHOR = "<author><name>A Writer</name><uri>http://example.org/</uri><email>writer@example.com</email></author>"
_ALTERNATE = '<link rel="alternate" type="text/html" href="http://example.org/2005/04/02/atom"/>'


@pytest.mark.parametrize(
    ("old", "new", "because"),
    [
        pytest.param(_ID, "", "4.1.1", id="feed without id"),
        pytest.param(_ID, _ID * 2, "4.1.1", id="feed with two ids"),
        pytest.param(_TITLE, "", "4.1.1", id="feed without title"),
        pytest.param(_TITLE, _TITLE * 2, "4.1.1", id="feed with two titles"),
        pytest.param(_UPDATED, "<id>", "4.1.1", id="feed without a date"),
        pytest.param("<generator", "<generator>one</generator><generator", "4.1.1", id="two generators"),
        pytest.param(_AUTHOR, "", "4.1.1", id="no author anywhere"),
        pytest.param("<id>tag:example.org,2003:3.2397</id>", "", "4.1.2", id="entry without id"),
        pytest.param("<title>Atom draft-07 snapshot</title>", "", "4.1.2", id="entry without title"),
        pytest.param(
            "<published>", "<published>2003-12-13T08:29:29Z</published><published>", "4.1.2", id="published twice"
        ),
        pytest.param(_ALTERNATE, _ALTERNATE * 2, "4.1.2", id="two alternate links of a type"),
        pytest.param("2005-07-31T12:29:29Z", "2005-07-31", "3.3", id="a day alone"),
        pytest.param("2005-07-31T12:29:29Z", "2005-07-31t12:29:29z", "3.3", id="lower-case date"),
        pytest.param("2005-07-31T12:29:29Z", "2005-07-31T12:29:29", "3.3", id="a date without zone"),
        pytest.param("2005-07-31T12:29:29Z", "2005-07-32T12:29:29Z", "3.3", id="a day that is none"),
        pytest.param('type="text">dive', 'type="text/plain">dive', "3.1.1", id="a title with a media type"),
        pytest.param("dive into tides", "dive <b>into</b> tides", "3.1.1.1", id="elements in text"),
        pytest.param("<div xmlns", "<p/><div xmlns", "3.1.1.3", id="xhtml that is no single div"),
        pytest.param("<name>A Writer</name>", "", "3.2.1", id="a person without a name"),
        pytest.param("writer@example.com", "writer", "3.2.3", id="an address without @"),
        pytest.param(' href="http://example.org/feed.atom"', "", "4.2.7.1", id="a link to nowhere"),
        pytest.param('type="audio/mpeg"', 'type="audio"', "4.2.7.3", id="no media type"),
        pytest.param('hreflang="en"', 'hreflang="english!"', "4.2.7.4", id="no language"),
        pytest.param('<category term="tides"', "<category", "4.2.2.1", id="a category without its term"),
        pytest.param("<rights>", "<wrongs/><rights>", "4.1.1", id="an element that Atom has not"),
        pytest.param("<title>Atom", "<entry/><title>Atom", "4.1.2", id="an entry in an entry"),
        pytest.param("tag:example.org,2003:3<", "feeds/3<", "4.2.6", id="a relative id"),
        pytest.param('version="1.0">', 'version="1.0">&amp<', "2", id="not well-formed"),
        pytest.param("http://www.w3.org/2005/Atom", "http://purl.example/atom", "1.2", id="another namespace"),
    ],
)
def test_what_the_text_of_the_standard_forbids_is_refused(old: str, new: str, because: str) -> None:
    assert re.fullmatch(r"[1-4](\.\d)*", because)
    changed = EXTENSIVE.replace(old, new)
    assert changed != EXTENSIVE
    with pytest.raises(NotAtomError):
        check_atom(changed)


def test_an_entry_without_link_needs_content() -> None:
    """Section 4.1.2: an entry that contains no content must contain an alternate link."""
    check_atom(BRIEF)
    with pytest.raises(NotAtomError, match="at least one atom:link element"):
        check_atom(BRIEF.replace('<link href="http://example.org/2003/12/13/atom03"/>', ""))


def test_content_elsewhere_is_empty_and_has_a_summary() -> None:
    """Sections 4.1.3.2 and 4.1.2."""
    elsewhere = '<content type="video/mp4" src="http://example.org/tide.mp4"/>'
    check_atom(BRIEF.replace("<summary>", f"{elsewhere}<summary>"))
    with pytest.raises(NotAtomError):
        check_atom(BRIEF.replace("<summary>", f"{elsewhere.replace('/>', '>a tide</content>')}<summary>"))
    with pytest.raises(NotAtomError, match="needs a summary"):
        check_atom(BRIEF.replace("<summary>Some text.</summary>", elsewhere))
