"""
The kinds of single values that the format has: how each is read, and how the JSON Schema describes it.

Every kind is an annotated type for the models of `entries`: a validator that takes a `Scalar` and raises ValueError
with the whole message, and a schema of what an editor sees, which reads YAML by the 1.2 core schema. There a bare
`0x10`, `12` or `no` in place of a text is a number or a word; hence `_TEXT_TYPES`.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, date, datetime
from fractions import Fraction
from typing import Annotated

from packaging.specifiers import InvalidSpecifier, SpecifierSet
from pydantic import PlainValidator, WithJsonSchema

from gatekeep.matrix.faults import find_nearest, quote, suggest
from gatekeep.matrix.nodes import Data, Listing, Mapping, Scalar
from gatekeep.matrix.ssh_key import parse_public_key
from gatekeep.model.machines import MACHINES
from gatekeep.model.matrix import Bits, ByteOrder, ImageFormat, Maintainer, RuleStrength
from gatekeep.model.placeholders import RUN_TIME_NAMES, Template, parse_template
from gatekeep.model.quantity import parse_bytes, parse_seconds, parse_share
from gatekeep.model.rule import WAIVABLE_RULES, Rule

NAME_LIMIT = 64
"""Characters: port, board and configuration together must make a file name, of which most systems allow 255."""

BYTES_LIMIT = 2**40
"""1 TiB. No flash part is near it, and sums of such sizes stay exact in JSON (RFC 8259, section 6: below 2**53)."""

ADDRESS_LIMIT = 2**64

TIME_LIMIT_S = 7 * 24 * 3600
"""A week. A wait beyond some 292 years overflows the system's clock; a build that takes a week has hung long before."""

LOAD_TIME_NAMES = ("port", "board", "configuration", "target", "tree_name")
"""Placeholders that every target fills."""

_TEXT_TYPES = ["string", "number", "boolean"]
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._+-]*", re.ASCII)
_IDENTIFIER = re.compile(r"[A-Za-z_][A-Za-z0-9_]*", re.ASCII)
_ADDRESS = re.compile(r"0x[0-9A-Fa-f]+(?:_[0-9A-Fa-f]+)*", re.ASCII)
_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", re.ASCII)
_INSTANT = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(?:Z|[+-][0-9]{2}:[0-9]{2})", re.ASCII)
# Source: HTML Living Standard, section 4.10.5.1.5, "valid e-mail address"; here with at least one dot in the domain.
_LABEL = r"[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?"
_EMAIL = rf"[A-Za-z0-9.!#$%&'*+/=?^_`{{|}}~-]+@{_LABEL}(?:\.{_LABEL})+"
_MAINTAINER = re.compile(rf"([^\s<>](?:[^\n\t<>]*[^\s<>])?)(?: <({_EMAIL})>)?")
_DECIMAL = r"(?:0|[1-9][0-9]{0,17})(?:\.[0-9]{1,9})?"
_QUANTITY = rf"{_DECIMAL} ?(?:[KMGT]i(?:B|bit)|[kMGT]?B|bit)"
_SHARE = rf"{_DECIMAL} ?%"
_TEMPLATE = r"(?:[^{}]|\{\{|\}\}|\{[A-Za-z_][A-Za-z0-9_]*\})+"


def describe(value: Data) -> str:
    """Say in a message what stands at a place."""
    match value:
        case None:
            return "nothing"
        case Scalar():
            return quote(value.text)
        case Mapping():
            return "a mapping"
        case Listing():
            return "a list"


def _schema_of(pattern: str) -> WithJsonSchema:
    return WithJsonSchema({"type": "string", "pattern": f"^{pattern}$"})


def _need_text(value: object, wanted: str) -> str:
    """Give the text of a scalar; whatever else stands there is refused in the words of `wanted`."""
    if isinstance(value, Scalar):
        return value.text
    # The validators see only what `nodes` makes, and keys of mappings, which are bare strings.
    if isinstance(value, str):
        return value
    got = describe(value if isinstance(value, Mapping | Listing) else None)
    # The reader of faults adds an example of the key; for text in braces it would be the wrong way out.
    way_out = "; quote text that begins with {" if isinstance(value, Mapping) and wanted == "text" else ""
    raise ValueError(f"{wanted} is needed here, got {got}{way_out}")


def _read_name(value: object) -> str:
    text = _need_text(value, "a name")
    if not _NAME.fullmatch(text):
        raise ValueError(
            f"a name is letters, digits and . _ + - and begins with a letter or digit, got {quote(text)}; "
            "write it so, since names become file names"
        )
    if len(text) > NAME_LIMIT:
        raise ValueError(f"a name has at most {NAME_LIMIT} characters, got {len(text)}: {quote(text)}; shorten it")
    return text


_NAME_SCHEMA = {"type": _TEXT_TYPES, "pattern": f"^[A-Za-z0-9][A-Za-z0-9._+-]{{0,{NAME_LIMIT - 1}}}$"}
Name = Annotated[str, PlainValidator(_read_name), WithJsonSchema(_NAME_SCHEMA)]
"""A name: it becomes part of file names, addresses of pages and lines on a terminal."""


def _read_setting_name(value: object) -> str:
    text = _need_text(value, "the name of a setting")
    if not _IDENTIFIER.fullmatch(text) or len(text) > NAME_LIMIT:
        raise ValueError(
            f"the name of a setting is letters, digits and _ and begins with no digit, got {quote(text)}; "
            "write it so, since it fills a placeholder"
        )
    if text in RUN_TIME_NAMES or text in LOAD_TIME_NAMES:
        raise ValueError(f"{{{text}}} is filled by gatekeep; give the setting another name")
    return text


_OWN_NAMES = "|".join((*RUN_TIME_NAMES, *LOAD_TIME_NAMES))
SettingName = Annotated[
    str,
    PlainValidator(_read_setting_name),
    _schema_of(f"(?!(?:{_OWN_NAMES})$)[A-Za-z_][A-Za-z0-9_]{{0,{NAME_LIMIT - 1}}}"),
]


def _read_variable(value: object) -> str:
    text = _need_text(value, "the name of an environment variable")
    if not _IDENTIFIER.fullmatch(text):
        raise ValueError(
            f"an environment variable is letters, digits and _ and begins with no digit, got {quote(text)}; "
            "write for instance OPT"
        )
    if owner := _OWN_VARIABLES.get(text):
        raise ValueError(f"{text} is set by gatekeep from {owner}; remove it")
    return text


_OWN_VARIABLES = {"SOURCE_DATE_EPOCH": "source_date", "MAKEFLAGS": "the jobserver that all builds share"}
Variable = Annotated[
    str,
    PlainValidator(_read_variable),
    WithJsonSchema({"type": _TEXT_TYPES, "pattern": f"^(?!(?:{'|'.join(_OWN_VARIABLES)})$){_IDENTIFIER.pattern}$"}),
]


def _read_text(value: object) -> str:
    return _need_text(value, "text")


def _read_line(value: object) -> str:
    text = _need_text(value, "text")
    if not text.strip() or "\n" in text:
        raise ValueError(f"one line of text is needed here, got {quote(text)}; write it on one line")
    return text


Line = Annotated[str, PlainValidator(_read_line), WithJsonSchema({"type": _TEXT_TYPES, "pattern": r"^(?=.*\S)[^\n]*$"})]


def _read_console_text(value: object) -> str:
    text = _read_line(value)
    if text != text.strip() or not text.isprintable():
        raise ValueError(
            "what a console says is text without line breaks, control characters and blanks around it, "
            f"got {quote(text)}; write a part of one line"
        )
    return text


ConsoleText = Annotated[
    str,
    PlainValidator(_read_console_text),
    WithJsonSchema({"type": _TEXT_TYPES, "pattern": r"^[^\s\x00-\x1f\x7f]([^\n\x00-\x1f\x7f]*[^\s\x00-\x1f\x7f])?$"}),
]
"""A part of a line, literal: braces mean themselves."""


def _read_template(value: object) -> Template:
    return parse_template(_need_text(value, "text"))


Word = Annotated[
    Template,
    PlainValidator(_read_template),
    WithJsonSchema({"type": _TEXT_TYPES, "pattern": f"^{_TEMPLATE[:-1]}*$"}),
]
"""Text with placeholders; may be empty."""


def _read_full_template(value: object) -> Template:
    template = _read_template(value)
    if not template:
        raise ValueError("text is needed here, got ''; write it, or leave the key out")
    return template


FullWord = Annotated[
    Template, PlainValidator(_read_full_template), WithJsonSchema({"type": _TEXT_TYPES, "pattern": f"^{_TEMPLATE}$"})
]
"""Text with placeholders; not empty."""


def _version_of(key: str) -> Callable[[object], int]:
    def read(value: object) -> int:
        text = _need_text(value, "the format version 1")
        if text == "1":
            return 1
        raise ValueError(
            f"the format version is 1, got {quote(text)}; write {key}: 1, or use the gatekeep that reads it"
        )

    return read


FormatVersion = Annotated[int, PlainValidator(_version_of("matrix")), WithJsonSchema({"const": 1})]
WaiversVersion = Annotated[int, PlainValidator(_version_of("waivers")), WithJsonSchema({"const": 1})]


def _read_flag(value: object) -> bool:
    text = _need_text(value, "true or false")
    if isinstance(value, Scalar) and value.plain and text in ("true", "false"):
        return text == "true"
    meant = {"yes": "true", "on": "true", "no": "false", "off": "false"}.get(text.lower(), text.lower())
    write = meant if meant in ("true", "false") else "true or false"
    raise ValueError(f"true or false is needed here, got {quote(text)}; write {write}, without quotes")


Flag = Annotated[bool, PlainValidator(_read_flag), WithJsonSchema({"type": "boolean"})]


def _read_word_length(value: object) -> Bits:
    text = _need_text(value, "32 or 64")
    if isinstance(value, Scalar) and value.plain and text in ("32", "64"):
        return 32 if text == "32" else 64
    raise ValueError(f"bits are 32 or 64, got {quote(text)}; write 32 or 64, without quotes")


WordLength = Annotated[Bits, PlainValidator(_read_word_length), WithJsonSchema({"enum": [32, 64]})]


def _choice(values: tuple[str, ...]) -> Callable[[object], str]:
    def read(value: object) -> str:
        wanted = f"{', '.join(values[:-1])} or {values[-1]}"
        text = _need_text(value, wanted)
        if text in values:
            return text
        nearest = find_nearest(text, values)
        raise ValueError(f"{wanted} is needed here, got {quote(text)}; write {nearest or 'one of them'}")

    return read


_ORDERS = ("little", "big")
Order = Annotated[ByteOrder, PlainValidator(_choice(_ORDERS)), WithJsonSchema({"enum": list(_ORDERS)})]

_FORMATS = tuple(kind.value for kind in ImageFormat)
Format = Annotated[
    ImageFormat,
    PlainValidator(lambda value: ImageFormat(_choice(_FORMATS)(value))),
    WithJsonSchema({"enum": list(_FORMATS)}),
]

_STRENGTHS = tuple(kind.value for kind in RuleStrength)
Strength = Annotated[
    RuleStrength,
    PlainValidator(lambda value: RuleStrength(_choice(_STRENGTHS)(value))),
    WithJsonSchema({"enum": list(_STRENGTHS)}),
]


_WAIVABLE = tuple(rule.value for rule in WAIVABLE_RULES)


def _read_waivable_rule(value: object) -> Rule:
    text = _need_text(value, "a rule")
    if text in _WAIVABLE:
        return Rule(text)
    if any(text == rule.value for rule in Rule):
        raise ValueError(f"rule {text} cannot be waived; a waiver is for {', '.join(_WAIVABLE)}")
    raise ValueError(f"there is no rule {quote(text)}; {suggest(text, _WAIVABLE, none='')}")


WaivableRule = Annotated[Rule, PlainValidator(_read_waivable_rule), WithJsonSchema({"enum": list(_WAIVABLE)})]


def _read_target_pattern(value: object) -> str:
    text = _need_text(value, "a target")
    segments = text.split("/")
    *leading, last = segments
    is_sound = all(_NAME.fullmatch(segment) for segment in leading) and (last == "*" or _NAME.fullmatch(last))
    if not is_sound or not 2 <= len(segments) <= 3:
        raise ValueError(
            f"a target is port/board or port/board/configuration, and may end in /*, got {quote(text)}; "
            "write for instance riscv64/vale or riscv64/*"
        )
    return text


_SEGMENT = _NAME.pattern
TargetPattern = Annotated[
    str, PlainValidator(_read_target_pattern), _schema_of(rf"{_SEGMENT}/(?:{_SEGMENT}/)?(?:{_SEGMENT}|\*)")
]
"""A target's name, or what begins with a port and ends in /*."""

DAY_COUNT_LIMIT = 366
"""A year. What is excused for longer is no exception, but how things are."""


def _read_day_count(value: object) -> int:
    text = _need_text(value, "a number of days")
    if isinstance(value, Scalar) and value.plain and re.fullmatch(r"[1-9][0-9]{0,2}", text, re.ASCII):
        count = int(text)
        if count <= DAY_COUNT_LIMIT:
            return count
    raise ValueError(f"a number of days is 1 to {DAY_COUNT_LIMIT}, got {quote(text)}; write for instance 90")


DayCount = Annotated[
    int,
    PlainValidator(_read_day_count),
    WithJsonSchema({"type": "integer", "minimum": 1, "maximum": DAY_COUNT_LIMIT}),
]


def _read_machine(value: object) -> str:
    text = _need_text(value, "an ELF machine")
    if text in MACHINES:
        return text
    way_out = suggest(text.upper().removeprefix("EM_"), MACHINES, none="")
    raise ValueError(f"{quote(text)} is not the name of an ELF machine without its EM_; {way_out}")


# A bare 386 is a number to an editor.
_MACHINE_VALUES = [*MACHINES, *(int(name) for name in MACHINES if name.isdecimal())]
Machine = Annotated[str, PlainValidator(_read_machine), WithJsonSchema({"enum": _MACHINE_VALUES})]


def _read_amount(value: object) -> int:
    text = _need_text(value, "a quantity with its unit")
    amount = parse_bytes(text)
    if amount > BYTES_LIMIT:
        raise ValueError(f"a size is at most 1 TiB, got {quote(text)}; check the unit")
    return amount


def _read_capacity(value: object) -> int:
    amount = _read_amount(value)
    if amount == 0:
        raise ValueError("a capacity is above 0 B, got none; write what the part holds, or remove it")
    return amount


Amount = Annotated[int, PlainValidator(_read_amount), _schema_of(_QUANTITY)]
"""Bytes, 0 or more."""

Capacity = Annotated[int, PlainValidator(_read_capacity), _schema_of(_QUANTITY)]
"""Bytes, above 0."""


def _read_reserve(value: object) -> int | Fraction:
    text = _need_text(value, "a share or a quantity with its unit")
    if re.fullmatch(_DECIMAL, text, re.ASCII):
        raise ValueError(f"a reserve is a share or a quantity, got {quote(text)}; write {text} % or {text} KiB")
    return parse_share(text) if text.rstrip().endswith("%") else _read_amount(value)


Reserve = Annotated[int | Fraction, PlainValidator(_read_reserve), _schema_of(f"(?:{_QUANTITY}|{_SHARE})")]
"""Bytes, or a share of the whole."""


def _read_time_limit(value: object) -> float:
    text = _need_text(value, "a time with its unit")
    seconds = parse_seconds(text)
    if seconds > TIME_LIMIT_S:
        raise ValueError(f"a time limit is at most 168 h, got {quote(text)}; write how long a good build may take")
    return seconds


TimeLimit = Annotated[float, PlainValidator(_read_time_limit), _schema_of(rf"{_DECIMAL} ?(?:ms|s|min|h)")]


def _read_address(value: object) -> int:
    text = _need_text(value, "an address")
    if not _ADDRESS.fullmatch(text):
        way_out = "write it as 0x8000_0000"
        if re.fullmatch(r"[0-9]{1,19}", text, re.ASCII):
            way_out = f"write 0x{int(text):X}"
            # Of so few digits it is an address whose 0x was forgotten, more often than not.
            if 10 <= int(text) < 10**8:
                way_out = f"write 0x{text}, or 0x{int(text):X} where it was decimal"
        raise ValueError(f"an address is written in hexadecimal, got {quote(text)}; {way_out}")
    address = int(text.replace("_", ""), 16)
    if address >= ADDRESS_LIMIT:
        raise ValueError(f"an address has at most 64 bits, got {quote(text)}; take digits away")
    return address


Address = Annotated[
    int,
    PlainValidator(_read_address),
    WithJsonSchema({"type": ["string", "integer"], "pattern": f"^{_ADDRESS.pattern}$", "minimum": 0}),
]


def _parse_date(text: str) -> date:
    try:
        if _DATE.fullmatch(text):
            return date.fromisoformat(text)
    except ValueError:
        raise ValueError(f"there is no such day, got {quote(text)}; check month and day") from None
    raise ValueError(f"a day is written year-month-day, got {quote(text)}; write for instance 2026-03-01")


def _read_date(value: object) -> date:
    return _parse_date(_need_text(value, "a day"))


Day = Annotated[date, PlainValidator(_read_date), _schema_of(_DATE.pattern)]


def _read_source_date(value: object) -> int:
    text = _need_text(value, "a day or an instant")
    if _INSTANT.fullmatch(text):
        try:
            instant = datetime.fromisoformat(text)
        except ValueError:
            raise ValueError(f"there is no such instant, got {quote(text)}; check day, time and offset") from None
        seconds = int(instant.timestamp())
    else:
        try:
            day = _parse_date(text)
        except ValueError as error:
            raise ValueError(f"{error} or 2026-03-01T12:00:00Z" if "written" in str(error) else str(error)) from None
        seconds = int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp())
    if seconds < 0:
        raise ValueError(f"SOURCE_DATE_EPOCH begins at 1970-01-01, got {quote(text)}; write a later day")
    return seconds


SourceDate = Annotated[int, PlainValidator(_read_source_date), _schema_of(f"(?:{_DATE.pattern}|{_INSTANT.pattern})")]
"""Seconds since 1970-01-01 UTC; a day means its first second in UTC."""


_RANGE_LENGTH = 200
"""Characters; Python refuses to read numbers of more than 4300 digits, and would do so when versions are compared."""


def _read_version_range(value: object) -> str:
    text = _need_text(value, "a version range")
    with suppress(InvalidSpecifier):
        if text.strip() and "\n" not in text and len(text) <= _RANGE_LENGTH:
            SpecifierSet(text)
            return text
    bare = re.fullmatch(r"[0-9]+(?:\.[0-9]+)*", text, re.ASCII)
    way_out = f">={text}" if bare else ">=13,<16"
    raise ValueError(f'a version range is written with its operators (PEP 440), got {quote(text)}; write "{way_out}"')


VersionRange = Annotated[
    str,
    PlainValidator(_read_version_range),
    _schema_of(r" *(?:~=|===?|!=|<=|>=|<|>)[^,\n]+(?:,[^,\n]+)*,? *"),
]


def _read_public_key(value: object) -> str:
    return parse_public_key(_need_text(value, "an OpenSSH public key"))


PublicKey = Annotated[
    str,
    PlainValidator(_read_public_key),
    _schema_of(r" *[a-z][a-z0-9@.-]+ [A-Za-z0-9+/]+={0,2}(?: [^\n]*)?"),
]


def _read_maintainer(value: object) -> Maintainer:
    text = _need_text(value, "a name and an e-mail address")
    match = _MAINTAINER.fullmatch(text)
    if match is None:
        raise ValueError(
            f"a maintainer is a name, and an e-mail address in <>, got {quote(text)}; "
            'write "Isa Thorne <isa@skerry.example>"'
        )
    if match[2] is None and "@" in match[1]:
        raise ValueError(
            f'an e-mail address stands in <> after a name, got {quote(text)}; write "Name <{text.strip()}>"'
        )
    return Maintainer(name=match[1], email=match[2])


Person = Annotated[
    Maintainer,
    PlainValidator(_read_maintainer),
    WithJsonSchema({"type": _TEXT_TYPES, "pattern": rf"^[^\s<>@](?:[^\n\t<>@]*[^\s<>@])?(?: <{_EMAIL}>)?$"}),
]
