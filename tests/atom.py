"""
Whether a text is an Atom document.

Source: RFC 4287: its appendix B as RELAX NG (tests/data/atom/atom.rng), the appendix' rules in Schematron, which are
XPath, and what only sections 3 and 4 say in words. All of it from memory.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

from lxml import etree

_NAMES = {"atom": "http://www.w3.org/2005/Atom"}
_GRAMMAR = Path(__file__).parent / "data" / "atom" / "atom.rng"
#: Of appendix B: where a rule holds, what must be true there, and its words.
_RULES = (
    (
        "//atom:feed",
        "atom:author or not(atom:entry[not(atom:author)])",
        "An atom:feed must have an atom:author unless all of its atom:entry children have an atom:author.",
    ),
    (
        "//atom:entry",
        "atom:link[@rel='alternate'] or atom:link[not(@rel)] or atom:content",
        "An atom:entry must have at least one atom:link element with a rel attribute of 'alternate' or an "
        "atom:content.",
    ),
    (
        "//atom:entry",
        "atom:author or ../atom:author or atom:source/atom:author",
        "An atom:entry must have an atom:author if its feed does not.",
    ),
)
#: Section 3.3: a date-time of RFC 3339 with upper-case T and Z; so the zone, which XML Schema leaves out, is there.
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(\.\d+)?(Z|[+-]\d{2}:\d{2})")


class NotAtomError(AssertionError):
    """What of the standard a document does not fulfil."""


@cache
def _load_grammar() -> etree.RelaxNG:
    return etree.RelaxNG(etree.parse(_GRAMMAR))


def check_atom(text: str) -> None:
    """
    Hold a document against the standard.

    Raises:
        NotAtomError: It is none.
    """
    try:
        root = etree.fromstring(text.encode(), etree.XMLParser(resolve_entities=False, no_network=True))
    except etree.XMLSyntaxError as error:
        raise NotAtomError(f"section 2: not well-formed: {error}") from error
    grammar = _load_grammar()
    if not grammar.validate(root):
        raise NotAtomError(f"appendix B: {grammar.error_log.last_error}")
    for context, test, words in _RULES:
        if not all(
            node.xpath(f"boolean({test})", namespaces=_NAMES) for node in root.xpath(context, namespaces=_NAMES)
        ):
            raise NotAtomError(f"appendix B: {words}")
    for date in root.xpath("//atom:updated | //atom:published", namespaces=_NAMES):
        if not _DATE.fullmatch(date.text or ""):
            raise NotAtomError(f"section 3.3: not a date-time of RFC 3339: {date.text!r}")
    for parent in root.xpath("//atom:feed | //atom:entry", namespaces=_NAMES):
        links = parent.xpath("atom:link[@rel='alternate' or not(@rel)]", namespaces=_NAMES)
        kinds = [(link.get("type"), link.get("hreflang")) for link in links]
        if len(set(kinds)) < len(kinds):
            raise NotAtomError("sections 4.1.1 and 4.1.2: two alternate links of one type and language")
    for identity in root.xpath("//atom:id", namespaces=_NAMES):
        if not re.fullmatch(r"[A-Za-z][A-Za-z0-9+.-]*:\S+", identity.text or ""):
            raise NotAtomError(f"section 4.2.6: an id must be an IRI and not a relative one, got {identity.text!r}")
    for entry in root.xpath("//atom:entry", namespaces=_NAMES):
        if entry.xpath("atom:content/@src and not(atom:summary)", namespaces=_NAMES):
            raise NotAtomError("section 4.1.2: content elsewhere needs a summary")
