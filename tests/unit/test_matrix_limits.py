"""
Files that are meant to hurt: a child process reads each, and reports what it cost.

The bombs are those that YAML readers are known to die of: aliases that double (the "billion laughs" of XML, in YAML),
nesting that overflows a C stack, keys of keys, anchors by the hundred.
"""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

_CHILD = """
import json, resource, sys
from gatekeep.errors import MatrixError
from gatekeep.matrix.load import parse_matrix
data = sys.stdin.buffer.read()
def spent():
    usage = resource.getrusage(resource.RUSAGE_SELF)
    return usage.ru_utime + usage.ru_stime, usage.ru_maxrss
before = spent()
try:
    parse_matrix(data, path="m.yml")
    said = None
except MatrixError as error:
    said = str(error)
after = spent()
print(json.dumps([said, after[0] - before[0], after[1] - before[1]]))
"""

_ALIASES = "a0: &a0 [x, x, x, x, x, x, x, x, x]\n" + "".join(
    f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]\n" for n in range(1, 15)
)
_REFUSED = "anchors and aliases are not part of the format"
_SHARE = "write what targets share under every:, a port or a board"
_DEEP = "nesting is deeper than 16 levels; no part of a matrix needs that"

SMALL_BOMBS = {
    "aliases": (
        _ALIASES,
        f"m.yml:1:5: {_REFUSED}, got '&a0'; write what targets share under every:, a port or a board",
    ),
    "merge-keys": (
        "".join(f"a{n}: {{<<: {{y: 1}}, <<: {{z: 1}}}}\n" for n in range(30)),
        f"m.yml:1:6: merge keys (<<) are not part of the format; {_SHARE}",
    ),
    "itself": (
        "every: &e {settings: *e}\n",
        f"m.yml:1:8: {_REFUSED}, got '&e'; {_SHARE}",
    ),
    "brackets": ("a: " + "[" * 1000, f"m.yml:1:1003: {_DEEP}"),
    "braces": ("{a: " * 250, f"m.yml:1:65: {_DEEP}"),
    "dashes": ("a:\n" + "- " * 500, f"m.yml:2:31: {_DEEP}"),
    "question-marks": (
        "? " * 500,
        "m.yml:1:3: a key must be one word, got a mapping; quote text that begins with { or [",
    ),
    "one-digit-run": (
        f"source_date: {'9' * 1000}\n",
        None,
    ),
    "version-digits": (f'toolchains: {{c: {{probe: [c], allow: ">={"9" * 900}"}}}}\n', None),
    "at-signs": (
        f"ports: {{p: {{maintainers: ['{'a' * 400} <{'a.' * 200}@{'a-' * 100}>'], boards: {{b: }}}}}}\n",
        None,
    ),
    "braces-in-text": ('recipes: {r: {build: ["' + "{" * 900 + '"], elf: x}}\n', None),
}


def _read_in_child(text: str) -> tuple[str | None, float, int]:
    done = subprocess.run(
        [sys.executable, "-c", _CHILD], input=text.encode(), capture_output=True, check=True, timeout=60
    )
    said, cpu_s, grown_kib = json.loads(done.stdout)
    return said, cpu_s, grown_kib


@pytest.mark.parametrize("name", SMALL_BOMBS)
def test_kilobyte_costs_less_than_a_second_and_a_hundred_megabytes(name):
    text, message = SMALL_BOMBS[name]
    assert len(text) <= 1200
    said, cpu_s, grown_kib = _read_in_child(text)
    assert said is not None
    if message is not None:
        assert said == message
    assert cpu_s < 1
    assert grown_kib < 100 * 1024


@pytest.mark.parametrize(
    "text",
    [
        "a: " + "[" * (4 * 1024**2 - 3),
        "- " * (2 * 1024**2),
        "a: &a b\n" * (512 * 1024),
        "\x00" * (4 * 1024**2),
        "x" * (4 * 1024**2),
        "&" * (4 * 1024**2),
        "".join(f"k{n}:\n" for n in range(100_000)),
    ],
    ids=["brackets", "dashes", "anchors", "nuls", "one-word", "ampersands", "unknown-keys"],
)
def test_largest_file_is_refused_within_bounds(text):
    """Four megabytes of mischief may cost more, but neither the stack nor the machine."""
    said, cpu_s, grown_kib = _read_in_child(text)
    assert said is not None
    assert cpu_s < 10
    assert grown_kib < 500 * 1024
