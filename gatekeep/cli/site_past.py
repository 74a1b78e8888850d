"""
What the last writing of a site has found out, kept in the store's folder: the next one looks at what is new alone.

It is no part of the record. The file is guarded by a digest and belongs to one very program: where it is damaged, of
other code, of another Python, tree or branch, or gone, everything is computed again, to the same bytes. Of what it
holds, only what rests on commits whose results are as they were is used: the store's stamps say so.

The values stand there as Python keeps compiled modules (marshal), because ten megabytes of JSON took a tenth of a site.
Such bytes are to come from nobody but ourselves: they are read where digest and program are right, and the folder is
the store's.
"""

from __future__ import annotations

import hashlib
import json
import marshal
import secrets
import sys
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import gatekeep
from gatekeep.history.standing import Standing
from gatekeep.history.standing_codec import decode_standing, encode_standing
from gatekeep.judge.outlook import Known
from gatekeep.report.site.notes import PageNotes

_FILE = "site-past.bin"
_DIGEST_BYTES = 32
#: Whatever of these changes may make another page of the same results.
_ROOMS = ("history", "judge", "model", "report", "report/site", "report/templates")


@dataclass(slots=True, kw_only=True)
class SitePast:
    """
    What is known before a site is written, and what is to be known after it; `standing` is None at first.

    `document` holds the standing as it will be kept, where there was time to encode it before.
    """

    standing: Standing | None = None
    document: dict[str, Any] | None = None
    forecasts: Known = field(default_factory=Known)
    notes: PageNotes = field(default_factory=PageNotes)

    def encode(self) -> None:
        """Encode the standing, which is not to change any more."""
        if self.standing is not None:
            self.document = encode_standing(self.standing)


def load_past(folder: Path, about: tuple[str, ...]) -> SitePast:
    """
    Give what is known; an empty past where nothing is.

    Args:
        folder: The store's.
        about: Names of the tree, the branch and the targets: another site has another past.
    """
    try:
        content = memoryview((folder / _FILE).read_bytes())
        if content[_DIGEST_BYTES : 2 * _DIGEST_BYTES] != _make_key(about):
            return SitePast()
        if content[:_DIGEST_BYTES] != hashlib.sha256(content[_DIGEST_BYTES:]).digest():
            return SitePast()
        document = marshal.loads(content[2 * _DIGEST_BYTES :])  # noqa: S302 - our own, as the digests say
        pages = document["pages"]
        return SitePast(
            standing=decode_standing(document["standing"]),
            forecasts=Known(answers=document["forecasts"]["answers"], asked=document["forecasts"]["asked"]),
            notes=PageNotes(
                commits=pages["commits"],
                runs=pages["runs"],
                articles=pages["articles"],
                border=pages["border"],
            ),
        )
    except (OSError, EOFError, KeyError, TypeError, ValueError, IndexError):
        return SitePast()


def save_past(folder: Path, about: tuple[str, ...], past: SitePast) -> None:
    """Keep what is known; a disk that is full costs the next run its time and nothing else."""
    if past.standing is None:
        return
    if past.document is None:
        past.encode()
    document: dict[str, Any] = {
        "standing": past.document,
        "forecasts": {"answers": past.forecasts.answers, "asked": past.forecasts.asked},
        "pages": {
            "commits": past.notes.commits,
            "runs": past.notes.runs,
            "articles": past.notes.articles,
            "border": past.notes.border,
        },
    }
    body = _make_key(about) + marshal.dumps(document)
    part = folder / f".{_FILE}-{secrets.token_hex(8)}"
    try:
        # Of runs that were killed here; one that is at work only keeps nothing then.
        for left in folder.glob(f".{_FILE}-*"):
            left.unlink(missing_ok=True)
        part.write_bytes(hashlib.sha256(body).digest() + body)
        part.replace(folder / _FILE)
    except OSError:
        with suppress(OSError):
            part.unlink()


def _make_key(about: tuple[str, ...]) -> bytes:
    program = (sys.version, sys.byteorder, *about)
    return hashlib.sha256(_digest_code() + json.dumps(program).encode()).digest()


@cache
def _digest_code() -> bytes:
    found = hashlib.sha256(gatekeep.__version__.encode())
    for room in _ROOMS:
        for entry in sorted((files("gatekeep") / room).iterdir(), key=lambda entry: entry.name):
            if entry.is_file():
                found.update(entry.name.encode() + b"\0" + entry.read_bytes() + b"\0")
    return found.digest()
