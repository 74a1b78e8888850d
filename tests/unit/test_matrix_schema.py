"""The JSON Schema in the package says what the loader says, as far as JSON can tell."""

from __future__ import annotations

import json
import re
from typing import Any

import jsonschema
import pytest
import yaml

from gatekeep.errors import MatrixError
from gatekeep.matrix.load import parse_matrix
from gatekeep.matrix.schema import read_schema_text, render_schema, render_schema_text
from tests.unit.test_matrix_faults import CASES, DATA, SOUND, Stage

# Source: YAML 1.2.2, section 10.3.2, "Tag Resolution" of the core schema: what an editor makes of a plain scalar.
_CORE: tuple[tuple[re.Pattern[str], Any], ...] = (
    (re.compile(r"null|Null|NULL|~|"), lambda _: None),
    (re.compile(r"true|True|TRUE|false|False|FALSE"), lambda text: text.lower() == "true"),
    (re.compile(r"[-+]?[0-9]+"), int),
    (re.compile(r"0o[0-7]+"), lambda text: int(text[2:], 8)),
    (re.compile(r"0x[0-9a-fA-F]+"), lambda text: int(text[2:], 16)),
    (re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?"), float),
)


def see_as_editor(text: str) -> Any:
    """What a JSON Schema validator for YAML 1.2 is given."""
    return _see(yaml.compose(text, Loader=yaml.SafeLoader))


def _see(node: yaml.Node | None) -> Any:
    match node:
        case yaml.MappingNode():
            return {key.value: _see(value) for key, value in node.value}
        case yaml.SequenceNode():
            return [_see(item) for item in node.value]
        case yaml.ScalarNode(style=None):
            return next((read(node.value) for pattern, read in _CORE if pattern.fullmatch(node.value)), node.value)
        case yaml.ScalarNode():
            return node.value
    return None


@pytest.fixture(scope="module")
def validator():
    return jsonschema.Draft202012Validator(json.loads(read_schema_text()))


def test_schema_in_the_package_is_what_the_models_say():
    """After a change of the models, write render_schema_text() to gatekeep/matrix/matrix.schema.json."""
    assert read_schema_text() == render_schema_text()


def test_schema_is_itself_sound():
    jsonschema.Draft202012Validator.check_schema(render_schema())


@pytest.mark.parametrize("name", ["sound.yml", "skerry.yml"])
def test_sound_matrix_is_sound_for_both(validator, name):
    text = (DATA / name).read_text(encoding="utf-8")
    parse_matrix(text.encode(), path=name)
    validator.validate(see_as_editor(text))


@pytest.mark.parametrize("case", [case for case in CASES if case.stage is not Stage.SYNTAX], ids=lambda case: case.name)
def test_malformed_matrix_is_refused_by_both_where_json_can_tell(validator, case):
    assert validator.is_valid(see_as_editor(case.text)) is (case.stage is not Stage.SHAPE)


_VARIANTS = [
    "part: null",
    "part: ~",
    "part: 64",
    "part: [nor-64]",
    "part: nor 64",
    "toolchain: null",
    "toolchain: {}",
    "recipe: true",
    "part_address: null",
    "part_address: 0x2000_0000",
    "part_address: 0x20000000",
    "part_address: '0x2000_0000'",
    "part_address: 0x",
    "part_address: 0x_1",
    "part_address: [1]",
    "memories: {}",
    "memories: null",
    "memories: []",
    "memories: {sram: {at: 0x0, size: 1 KiB}}",
    "memories: {sram: {at: 0x0}}",
    "memories: {sram: {at: 0x0, size: 1 K}}",
    "memories: {sram: {at: 0x0, size: 1 KiB, reserve: 5%}}",
    "memories: {s/ram: {at: 0x0, size: 1 KiB}}",
    "settings: {a: 1, b: no, c: 1.5, d: '', e: true}",
    "settings: {a: [1]}",
    "settings: {a: '{'}",
    "settings: {a: '{{'}",
    "settings: {a-b: 1}",
    "settings: {port: x}",
    "settings: {ports: x}",
    "configurations: null",
    "configurations: {}",
    "configurations: {debug: }",
    "configurations: {debug: {}, 0x10: {settings: {a: b}}}",
    "configurations: {debug: {boards: {}}}",
    "configurations: debug",
    "bits: 32",
]


@pytest.mark.parametrize("said", _VARIANTS)
def test_board_is_judged_alike_by_both(validator, said):
    text = SOUND.replace("      mere:\n", f"      mere:\n        {said}\n")
    try:
        parse_matrix(text.encode(), path="m.yml")
        sound = True
    except MatrixError as error:
        # What names refer to is beyond a schema.
        sound = error.problem.startswith(
            ("there is no ", "no memory ", "no setting ", "part_address: says", "no recipe uses ")
        )
    assert validator.is_valid(see_as_editor(text)) is sound


def test_every_key_is_described_for_editors():
    def list_bare(schema: Any, path: str) -> list[str]:
        if not isinstance(schema, dict):
            return []
        bare = [
            f"{path}.{key}"
            for key, value in schema.get("properties", {}).items()
            if "description" not in value and "$ref" not in value
        ]
        return bare + [name for key, value in schema.items() for name in list_bare(value, f"{path}.{key}")]

    assert list_bare(render_schema(), "") == []
