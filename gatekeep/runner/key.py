"""
The evidence key: a digest of all that a build depends on besides the tree.

Whatever may change the result of the same build at the same tree must be in here. Places in the matrix file are left
out: a board that moved down ten lines is the same board. So is what only decides whether a toolchain counts: the
versions that are allowed, and the hint for who lacks it. Which toolchain it was says the digest of what was found.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Mapping
from enum import Enum

from gatekeep import EVIDENCE_FORMAT
from gatekeep.model.matrix import Place, Port, Target

Plain = str | int | float | bool | list["Plain"] | dict[str, "Plain"] | None


def evidence_key(
    target: Target, port: Port, *, source_date: int, toolchain_digest: str, host_environment: Mapping[str, str]
) -> str:
    """
    Give the key of one target's builds.

    Args:
        target: Its recipe, part, memories and settings count, its place in the file does not; of its toolchain what
            finds it counts.
        port: Its machine, bits and byte order count; its maintainers do not.
        source_date: SOURCE_DATE_EPOCH of the build.
        toolchain_digest: Of the probe's output and the toolchain's programs.
        host_environment: Values of the variables that the recipe keeps from gatekeep's own environment, and PATH.

    Returns:
        A SHA-256, hexadecimal.
    """
    # A cache that is used is part of the digest; one that is only wished for changes nothing.
    found = dataclasses.replace(target.toolchain, allow="", install=None, compile_cache=None)
    facts: Plain = {
        "format": EVIDENCE_FORMAT,
        "target": _plain(dataclasses.replace(target, toolchain=found)),
        "port": [port.name, port.machine, port.bits, port.byte_order],
        "source_date": source_date,
        "toolchain": toolchain_digest,
        "environment": {name: host_environment.get(name) for name in ("PATH", *target.recipe.keep_environment)},
    }
    return hashlib.sha256(json.dumps(facts, sort_keys=True, separators=(",", ":")).encode("ascii")).hexdigest()


def _plain(value: object) -> Plain:
    if isinstance(value, Enum):
        return _plain(value.value)
    if isinstance(value, tuple):
        return [_plain(entry) for entry in value]
    if value is None or isinstance(value, str | int | float | bool):
        return value
    if dataclasses.is_dataclass(value):
        fields = ((entry.name, getattr(value, entry.name)) for entry in dataclasses.fields(value))
        return {name: _plain(entry) for name, entry in fields if not isinstance(entry, Place)}
    raise TypeError(f"a matrix fact of type {type(value).__name__} has no place in an evidence key")
