"""
The JSON Schema of the format, for editors that complete and check a matrix while it is written.

It describes what a reader of YAML's 1.2 core schema sees. What JSON cannot tell is beyond it: keys that stand twice,
anchors, quotes around numbers; and so is whatever takes two places of the file, such as a name that nothing has.
"""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any

from pydantic.json_schema import GenerateJsonSchema

from gatekeep.matrix.entries import Entry, MatrixEntry

SCHEMA_FILE = "matrix.schema.json"


def render_schema() -> dict[str, Any]:
    """
    Make the schema from the models that the loader itself uses.

    Source:
        JSON Schema, draft 2020-12.
    """
    return render_schema_of(MatrixEntry, identity="urn:gatekeep:matrix:1", title="A matrix of gatekeep")


def render_schema_of(model: type[Entry], *, identity: str, title: str) -> dict[str, Any]:
    """Make the schema of one of our files from its model."""
    return {
        "$schema": GenerateJsonSchema.schema_dialect,
        "$id": identity,
        "title": title,
        **_tidy(model.model_json_schema(mode="validation")),
    }


def render_schema_text() -> str:
    """Give the schema as the file in the package holds it."""
    return to_schema_text(render_schema())


def to_schema_text(schema: dict[str, Any]) -> str:
    """Give the text of a schema's file."""
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"


def read_schema_text() -> str:
    """Give the file in the package; a test holds it equal to `render_schema_text`, and it costs no import of models."""
    return files("gatekeep.matrix").joinpath(SCHEMA_FILE).read_text(encoding="utf-8")


def _tidy(node: Any) -> Any:  # noqa: ANN401 - any JSON
    """Turn what pydantic writes into what an editor needs."""
    if isinstance(node, list):
        return [_tidy(item) for item in node]
    if not isinstance(node, dict):
        return node
    tidied = {key: _tidy(value) for key, value in node.items() if key not in ("default", "discriminator", "examples")}
    if isinstance(tidied.get("title"), str):
        del tidied["title"]
    if isinstance(description := tidied.get("description"), str):
        # The examples are YAML, which the keyword of that name could not hold.
        example = f" For instance: {node['examples'][0]}" if node.get("examples") else ""
        tidied["description"] = " ".join(description.split()) + example
    if names := tidied.pop("patternProperties", None):
        # Of these two ways to say it, only the second refuses the names that do not fit.
        ((pattern, value),) = names.items()
        tidied |= {"propertyNames": {"pattern": pattern}, "additionalProperties": value}
    return tidied
