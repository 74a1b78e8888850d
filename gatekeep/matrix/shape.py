"""
Nodes to entries: pydantic finds every fault of shape, and this module gives each its place and our words.
"""

from __future__ import annotations

from typing import Any, TypeVar

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from gatekeep.matrix.entries import MANY, ONE, Entry, find_value
from gatekeep.matrix.faults import Faults, Mark, quote, suggest
from gatekeep.matrix.nodes import Data, Listing, Mapping
from gatekeep.matrix.scalars import describe

_KEY = "[key]"
"""What pydantic appends to the place of a fault in a key."""

E = TypeVar("E", bound=Entry)

_WANTED = {"model_type": "a mapping", "dict_type": "a mapping", "list_type": "a list"}


def read_entry(root: Mapping, faults: Faults, model: type[E]) -> E:
    """
    Nodes to entries of a file's own model.

    Raises:
        MatrixError: Keys that are missing or unknown, and values that are not of their kind; all of them at once.
    """
    models: dict[int, type[Entry]] = {}
    try:
        return model.model_validate(root, context=models)
    except ValidationError as error:
        for details in error.errors(include_url=False):
            if faults.is_full:
                faults.add((1, 1), f"{details['loc']}")  # only counted
            else:
                faults.add(*_word(details, root, models))
        faults.raise_if_any()
        raise


def _word(details: ErrorDetails, root: Mapping, models: dict[int, type[Entry]]) -> tuple[Mark, str]:
    """Place and message of one fault."""
    steps = [step for step in details["loc"] if step not in (ONE, MANY)]
    kind = details["type"]
    if steps and steps[-1] == _KEY:
        holder = _find(root, steps[:-2])
        return holder.key_at[str(steps[-2])], _reason_of(details)
    owner = _find(root, steps[:-1]) if steps else root
    if kind == "value_error":
        reason = _reason_of(details)
        if ";" not in reason:
            key = str(steps[-1])
            example = _example_of(models.get(id(owner)), key)
            reason += f"; write {key}{example}" if example else "; write it, in quotes if need be"
        return find_value(root, tuple(steps)), reason
    if kind == "extra_forbidden":
        return owner.key_at[str(steps[-1])], _word_unknown(owner, steps, models)
    if kind == "missing":
        key = str(steps[-1])
        mark = _find(root, steps[:-2]).key_at[str(steps[-2])] if len(steps) > 1 else (1, 1)
        example = _example_of(models.get(id(owner)), key)
        return mark, f"{_name_of(owner, steps[:-1], models)} has no {key}; write {key}{example}"
    return find_value(root, tuple(steps)), _word_type(kind, details["input"], steps, owner, models)


def _reason_of(details: ErrorDetails) -> str:
    return str(details["ctx"]["error"])


def _find(root: Mapping, steps: list[Any]) -> Mapping:
    """Follow a place to the mapping there."""
    node: Data = root
    for step in steps:
        if isinstance(node, Mapping):
            node = node[step]
        elif isinstance(node, Listing):
            node = node[int(step)]
    return node if isinstance(node, Mapping) else Mapping()


def _name_of(owner: Mapping, steps: list[Any], models: dict[int, type[Entry]]) -> str:
    model = models.get(id(owner))
    if model is None or not steps:
        return "the file"
    return f"{model.KIND} {steps[-1]}" if model.NAMED else f"{model.KIND}:"


def _example_of(model: type[Entry] | None, key: str) -> str:
    """`: example` for a key, or nothing where there is none."""
    field = model.model_fields.get(key) if model else None
    return f": {field.examples[0]}" if field and field.examples else ""


def _word_unknown(owner: Mapping, steps: list[Any], models: dict[int, type[Entry]]) -> str:
    key = str(steps[-1])
    model = models[id(owner)]
    return f"{_name_of(owner, steps[:-1], models)} has no key {quote(key)}; {suggest(key, model.model_fields, none='')}"


def _word_type(kind: str, value: object, steps: list[Any], owner: Mapping, models: dict[int, type[Entry]]) -> str:
    """A value of the wrong structure, or empty where it may not be."""
    key = str(steps[-1])
    model = models.get(id(owner))
    example = _example_of(model, key)
    if model is None and isinstance(steps[-1], str):
        subject = f"{key} needs a mapping"
    elif isinstance(steps[-1], int):
        subject = f"item {steps[-1] + 1} of {steps[-2]} needs a list"
    else:
        subject = f"{key} needs {_WANTED.get(kind, 'a value')}"
    if kind == "too_short":
        written = f"; write {key}{example}" if example else "; write it or leave it out"
        return f"{key if model else 'a command'} must not be empty{written}"
    got = describe(value if isinstance(value, Mapping | Listing) or hasattr(value, "text") else None)  # type: ignore[arg-type]
    plain_way_out = "write it in [ ]" if kind == "list_type" else "write its keys and values"
    return f"{subject}, got {got}; {f'write {key}{example}' if example else plain_way_out}"
