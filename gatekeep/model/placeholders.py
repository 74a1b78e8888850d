"""
Text with `{placeholders}`, filled twice: once when the matrix is loaded, once when a job runs.

The rules of the text: `{name}` is a placeholder, `{{` and `}}` are literal braces, a single brace is an error. Loading
fills everything but `{out}`, `{tree}` and `{jobs}` and keeps the doubled braces (those of values that it fills in are
doubled too). So a loaded text is again such a text, with only those three placeholders in it, and one parser serves
both times. Replacing `{out}` by `str.replace` would be wrong, since the literal `{{out}}` holds the same letters:
whoever runs a recipe calls `fill_at_run_time`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

RUN_TIME_NAMES = ("out", "tree", "jobs")
"""The job's own output folder, the worker's copy of the tree, and how many processes the build may use."""

_TOKEN = re.compile(r"\{\{|\}\}|\{([A-Za-z_][A-Za-z0-9_]*)\}|[{}]", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Placeholder:
    """A `{name}` that something will fill."""

    name: str


Template = tuple[str | Placeholder, ...]
"""Literal pieces, their braces single, and placeholders, in order; empty for an empty text."""


def parse_template(text: str) -> Template:
    """
    Take a text with placeholders apart.

    Raises:
        ValueError: A brace that neither is doubled nor belongs to a placeholder.
    """
    pieces: list[str | Placeholder] = []
    literal: list[str] = []
    end = 0
    for match in _TOKEN.finditer(text):
        literal.append(text[end : match.start()])
        end = match.end()
        token = match[0]
        if match[1] is not None:
            if before := "".join(literal):
                pieces.append(before)
            literal = []
            pieces.append(Placeholder(name=match[1]))
        elif len(token) == 2:
            literal.append(token[0])
        else:
            raise ValueError(
                f"a single '{token}' is neither a {{placeholder}} nor a literal brace, got '{text}'; "
                f"write {token}{token} where a brace is meant"
            )
    literal.append(text[end:])
    if rest := "".join(literal):
        pieces.append(rest)
    return tuple(pieces)


def list_names(template: Template) -> tuple[str, ...]:
    """Give the placeholders' names in order, each once."""
    return tuple(dict.fromkeys(piece.name for piece in template if isinstance(piece, Placeholder)))


def double_braces(text: str) -> str:
    """Write literal text so that `parse_template` gives it back."""
    return text.replace("{", "{{").replace("}", "}}")


def fill_at_load(template: Template, values: Mapping[str, str]) -> str:
    """
    Fill in what the matrix knows; leave the run-time placeholders and double the literal braces.

    Args:
        template: The parsed text.
        values: Literal text by name; braces in it mean themselves. Names of `RUN_TIME_NAMES` are not looked up.

    Raises:
        KeyError: A placeholder that nothing fills; its argument is the name.
    """
    filled = []
    for piece in template:
        if isinstance(piece, str):
            filled.append(double_braces(piece))
        elif piece.name in RUN_TIME_NAMES:
            filled.append(f"{{{piece.name}}}")
        else:
            filled.append(double_braces(values[piece.name]))
    return "".join(filled)


def fill_at_run_time(text: str, *, out: str, tree: str, jobs: int | str) -> str:
    """
    Make the last text of a command, path or environment value of a loaded recipe.

    One pass: what `out` and `tree` hold is never read as a placeholder again, and doubled braces become single.

    Raises:
        ValueError: A placeholder besides the three, or a single brace: the text did not come from a loaded matrix.
    """
    values = {"out": out, "tree": tree, "jobs": str(jobs)}
    filled = []
    for piece in parse_template(text):
        if isinstance(piece, str):
            filled.append(piece)
        elif piece.name in values:
            filled.append(values[piece.name])
        else:
            raise ValueError(f"nothing fills {{{piece.name}}} at run time, got '{text}'")
    return "".join(filled)
