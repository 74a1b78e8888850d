"""
Bytes of a matrix file to mappings, lists and scalars that remember where they stand.

YAML's events are read rather than its composed nodes: only events still show anchors, and each is refused when it
comes by, so nothing is ever expanded and nothing recurses. Of YAML the format uses mappings, lists and scalars. Scalars
keep their text and whether it was plain: what a value means is decided by the key it stands under, never by YAML's
implicit types, so that a board named `no`, `0x10` or `1:30` is just a name.
"""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass, field
from typing import Any

import yaml

from gatekeep.matrix.faults import Faults, Mark, quote

MATRIX_LIMIT_BYTES = 4 * 1024**2
"""300 targets take some 30 KB. Forty thousand would fit; a file beyond that is a mistake, or meant to hurt."""

DEPTH_LIMIT = 16
"""The deepest thing in the format (a memory's address in a configuration) stands ten levels deep."""

# Characters that no matrix needs and that make a terminal, an editor or YAML read the file in another way: controls
# (C0 but line feed, DEL, C1), line breaks that only YAML 1.1 knows (NEL is C1; LS, PS), noncharacters, and the
# embeddings, overrides and isolates of bidirectional text, by which a command looks different from what it runs
# (Source: Unicode Standard Annex #9, section 2; CVE-2021-42574). A carriage return is fine before a line feed.
_UNWANTED = re.compile("[\x00-\x09\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ufeff\ufffe\uffff]|\r(?!\n)")
_UNWANTED_IN_VALUE = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ufeff\ufffe\uffff]")

_BARE_PLACEHOLDER = re.compile(r"(?:[:,\-\[]\s+|[^\s\"'{\\#]|\[)\{[A-Za-z_]+\}")
_PLAIN_WORDS = {
    "mapping values are not allowed in this context": (
        "a second ': ' stands in one line; quote the text, or begin the key on a line of its own"
    ),
    "did not find expected ',' or ']'": (
        "the list in [ ] goes wrong here; part words by commas, close it with ], and quote text that holds { } [ ] ,"
    ),
    "did not find expected ',' or '}'": (
        "the mapping in { } goes wrong here; part keys by commas, close it with }, and quote text that holds { } [ ] ,"
    ),
    "did not find expected key": "the mapping goes wrong here; check the indentation and close every quote",
    "did not find expected '-' indicator": "the list goes wrong here; begin every line of it with '- ' at one depth",
    "did not find expected node content": "a value is missing here; write it, or close the bracket that is open",
    "could not find expected ':'": "a key has no ':' after it; write key: value",
    "found character that cannot start any token": "no text can begin with this character; put the text in quotes",
    # libyaml's own limit (1000) strikes first where many brackets stand in one line, since it looks ahead.
    "exceeded maximum nesting depth": f"nesting is deeper than {DEPTH_LIMIT} levels; no part of a matrix needs that",
    "found unknown escape character": r"the escape is unknown; write \\ for a backslash, or use single quotes",
}
_NULL_TEXTS = ("", "~", "null", "Null", "NULL")
"""Source: YAML 1.2.2, section 10.3.2 (core schema, tag resolution)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scalar:
    """One value as it was written; `plain` is False where it stood in quotes or in a block."""

    text: str
    plain: bool


class Mapping(dict[str, "Data"]):
    """A mapping in file order; `key_at` and `value_at` say where each key and its value begin."""

    __slots__ = ("key_at", "value_at")

    def __init__(self) -> None:
        super().__init__()
        self.key_at: dict[str, Mark] = {}
        self.value_at: dict[str, Mark] = {}


class Listing(list["Data"]):
    """A list; `value_at` says where each item begins."""

    __slots__ = ("value_at",)

    def __init__(self) -> None:
        super().__init__()
        self.value_at: list[Mark] = []


Data = Scalar | Mapping | Listing | None
"""None is a plain `null`, `~` or nothing at all."""


def decode(data: bytes, faults: Faults) -> str:
    """
    Bytes to text that holds nothing surprising.

    Raises:
        MatrixError: Too large, not UTF-8, empty, or with a character of no use.
    """
    if len(data) > MATRIX_LIMIT_BYTES:
        faults.add((1, 1), f"the file is larger than {MATRIX_LIMIT_BYTES // 1024**2} MiB; shorten it")
        faults.raise_if_any()
    body = data.removeprefix(codecs.BOM_UTF8)
    try:
        text = body.decode()
    except UnicodeDecodeError as error:
        before = body[: error.start].decode()
        problem = f"byte 0x{body[error.start]:02X} is not UTF-8; save the file as UTF-8"
        faults.add((before.count("\n") + 1, len(before) - before.rfind("\n")), problem)
        faults.raise_if_any()
    if unwanted := _UNWANTED.search(text):
        line = 1
        line_start = 0
        for match in _UNWANTED.finditer(text, unwanted.start()):
            if faults.is_full:
                break
            line += text.count("\n", line_start, match.start())
            line_start = max(line_start, text.rfind("\n", 0, match.start()) + 1)
            faults.add((line, match.start() - line_start + 1), _word_unwanted(match[0]))
    faults.raise_if_any()
    return text


def _word_unwanted(character: str) -> str:
    if character == "\t":
        return r"a tab stands here; indent with spaces, and write \t in double quotes where a tab is meant"
    if character == "\r":
        return "a carriage return stands here without a line feed; end lines with a line feed"
    return f"character U+{ord(character):04X} stands here, which no reader sees; remove it"


def read_nodes(text: str, faults: Faults, *, kind: str = "matrix", begin: str = "matrix: 1") -> Mapping:
    """
    Text to the root mapping.

    Args:
        text: The whole file.
        faults: Where what is wrong with it is kept.
        kind: What messages call the file.
        begin: What they say that it begins with.

    Raises:
        MatrixError: Not YAML, or YAML that the format has no use for: duplicate keys, merge keys, anchors, aliases,
            tags, directives, several documents, deep nesting, a root that is no mapping.
    """
    reader = _Reader(faults, kind, begin)
    try:
        for event in yaml.parse(text, Loader=yaml.CSafeLoader):
            if not reader.take(event):
                break
    except yaml.MarkedYAMLError as error:
        faults.add(*_word_yaml_error(error, text))
    except yaml.YAMLError as error:
        faults.add((1, 1), f"the file cannot be read as YAML: {error}; write plain YAML 1.2")
    if reader.root is None:
        faults.add((1, 1), f"the {kind} is empty; begin with {begin}")
    faults.raise_if_any()
    return reader.root if reader.root is not None else Mapping()


def _word_yaml_error(error: yaml.MarkedYAMLError, text: str) -> tuple[Mark, str]:
    """libyaml's finding in our words, where we have some."""
    mark = error.problem_mark or error.context_mark
    problem = error.problem or "not YAML"
    if problem == "found unexpected end of stream" and error.context_mark is not None:
        return _mark_of(error.context_mark), "a quote is opened here and never closed; close it"
    if problem == "could not find expected ':'" and error.context_mark is not None:
        mark = error.context_mark
    if mark is None:
        return (1, 1), f"the file cannot be read as YAML: {problem}; write plain YAML 1.2"
    line = text.split("\n")[mark.line] if mark.line <= text.count("\n") else ""
    if "expected" in problem and (bare := _BARE_PLACEHOLDER.search(line)) and not _is_quoted(line, bare):
        place = bare[0][bare[0].index("{") :]
        return _mark_of(mark), f'text with a placeholder needs quotes, got {place}; write "…{place}…"'
    return _mark_of(mark), _PLAIN_WORDS.get(
        problem, f"the file cannot be read as YAML: {problem}; write plain YAML 1.2"
    )


def _is_quoted(line: str, match: re.Match[str]) -> bool:
    """Whether a double quote is open where the match ends; good enough for choosing between two hints."""
    return line.count('"', 0, match.end()) % 2 == 1


def _mark_of(mark: Any) -> Mark:  # noqa: ANN401 - libyaml's mark is a C object that the stubs do not know
    return mark.line + 1, mark.column + 1


@dataclass(slots=True, kw_only=True)
class _Open:
    """A mapping or list whose end has not come yet; `key` waits for its value."""

    holder: Mapping | Listing
    key: str | None = None
    key_mark: Mark = (1, 1)
    drop: bool = False  # the waiting value belongs to a key that was refused


@dataclass(slots=True)
class _Reader:
    """Builds the tree from events, with a stack of its own in place of recursion."""

    faults: Faults
    kind: str
    begin: str
    root: Mapping | None = None
    _open: list[_Open] = field(default_factory=list)
    _document_count: int = 0

    def take(self, event: Any) -> bool:  # noqa: ANN401 - PyYAML's events have no typed base
        """Take one event; False when reading on has no sense."""
        if self.faults.is_full:
            return False
        match event:
            case yaml.ScalarEvent():
                return self._take_scalar(event)
            case yaml.MappingStartEvent():
                return self._take_start(event, Mapping())
            case yaml.SequenceStartEvent():
                return self._take_start(event, Listing())
            case yaml.MappingEndEvent() | yaml.SequenceEndEvent():
                self._open.pop()
            case yaml.AliasEvent():
                self._refuse_reference(event, f"*{event.anchor}")
                self._place(None, _mark_of(event.start_mark))
            case yaml.DocumentStartEvent():
                return self._take_document(event)
        return True

    def _take_document(self, event: yaml.DocumentStartEvent) -> bool:
        mark = _mark_of(event.start_mark)
        self._document_count += 1
        if self._document_count > 1:
            self.faults.add(mark, f"a second document begins here; a {self.kind} is one document, remove the ---")
            return False
        if event.version or event.tags:
            self.faults.add(mark, "a % directive stands before the document; remove it")
        return True

    def _take_scalar(self, event: yaml.ScalarEvent) -> bool:
        mark = _mark_of(event.start_mark)
        self._check_properties(event, mark)
        text = event.value
        plain = event.style in (None, "")
        if unwanted := _UNWANTED_IN_VALUE.search(text):
            problem = f"the text holds the character U+{ord(unwanted[0]):04X}, which no reader sees; remove the escape"
            self.faults.add(mark, problem)
        top = self._open[-1] if self._open else None
        if top is not None and isinstance(top.holder, Mapping) and top.key is None:
            self._take_key(top, text, mark, plain=plain)
            return True
        if top is None and not (plain and text == ""):
            self.faults.add(mark, f"a {self.kind} is a mapping, got {quote(text)}; begin with {self.begin}")
            self.root = Mapping()
            return False
        if top is not None:
            self._place(None if plain and text in _NULL_TEXTS else Scalar(text=text, plain=plain), mark)
        return True

    def _take_key(self, top: _Open, text: str, mark: Mark, *, plain: bool) -> None:
        top.key, top.key_mark, top.drop = text, mark, False
        if plain and text == "<<":
            problem = (
                "merge keys (<<) are not part of the format; write what targets share under every:, a port or a board"
            )
            self.faults.add(mark, problem)
            top.drop = True
        elif isinstance(top.holder, Mapping) and text in top.holder:
            first = top.holder.key_at[text][0]
            self.faults.add(mark, f"key {quote(text)} stands here again, first in line {first}; keep one of them")
            top.drop = True

    def _take_start(self, event: yaml.MappingStartEvent | yaml.SequenceStartEvent, holder: Mapping | Listing) -> bool:
        mark = _mark_of(event.start_mark)
        self._check_properties(event, mark)
        top = self._open[-1] if self._open else None
        if top is None and isinstance(holder, Mapping):
            self.root = holder
        elif top is None:
            self.faults.add(mark, f"a {self.kind} is a mapping, got a list; begin with {self.begin}")
            self.root = Mapping()
            return False
        elif isinstance(top.holder, Mapping) and top.key is None:
            what = "a mapping" if isinstance(holder, Mapping) else "a list"
            self.faults.add(mark, f"a key must be one word, got {what}; quote text that begins with {{ or [")
            return False
        else:
            self._place(holder, mark)
        if len(self._open) >= DEPTH_LIMIT:
            self.faults.add(mark, f"nesting is deeper than {DEPTH_LIMIT} levels; no part of a {self.kind} needs that")
            return False
        self._open.append(_Open(holder=holder))
        return True

    def _place(self, value: Data, mark: Mark) -> None:
        """Put a value where it belongs: under the key that waits, or at the end of the list."""
        if not self._open:
            self.root = self.root or Mapping()
            return
        top = self._open[-1]
        if isinstance(top.holder, Listing):
            top.holder.append(value)
            top.holder.value_at.append(mark)
        elif top.key is None:
            top.key, top.drop = "", True  # an alias as a key: refused already
        else:
            if not top.drop:
                top.holder[top.key] = value
                top.holder.key_at[top.key] = top.key_mark
                top.holder.value_at[top.key] = mark
            top.key = None

    def _check_properties(self, event: Any, mark: Mark) -> None:  # noqa: ANN401 - see take
        if event.anchor is not None:
            self._refuse_reference(event, f"&{event.anchor}")
        if event.tag is not None:
            self.faults.add(mark, f"tags are not part of the format, got {quote(event.tag)}; remove it")

    def _refuse_reference(self, event: Any, got: str) -> None:  # noqa: ANN401 - see take
        self.faults.add(
            _mark_of(event.start_mark),
            f"anchors and aliases are not part of the format, got {quote(got)}; "
            "write what targets share under every:, a port or a board",
        )
