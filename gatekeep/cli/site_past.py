"""
What the last writing of a site has found out, kept in the store's folder: the next one looks at what is new alone.

It is no part of the record. The file is guarded by a SHA-256 and belongs to one very program: where it is damaged, of
other code, of another tree or branch, or gone, everything is computed again, to the same bytes. Of what it holds, only
what rests on commits whose results are as they were is used: the store's stamps say so.
"""

from __future__ import annotations

import hashlib
import json
import secrets
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

_FILE = "site-past.json"
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
        content = (folder / _FILE).read_bytes()
        digest, body = content[:64], content[65:]
        if hashlib.sha256(body).hexdigest().encode() != digest:
            return SitePast()
        document = json.loads(body)
        if document["key"] != _make_key(about):
            return SitePast()
        pages = document["pages"]
        return SitePast(
            standing=decode_standing(document["standing"]),
            forecasts=Known(answers=document["forecasts"]["answers"], asked=document["forecasts"]["asked"]),
            notes=PageNotes(
                commits=pages["commits"],
                runs=pages["runs"],
                articles={name: (digest, text) for name, (digest, text) in pages["articles"].items()},
                border=pages["border"],
            ),
        )
    except (OSError, KeyError, TypeError, ValueError, IndexError):
        return SitePast()


def save_past(folder: Path, about: tuple[str, ...], past: SitePast) -> None:
    """Keep what is known; a disk that is full costs the next run its time and nothing else."""
    if past.standing is None:
        return
    if past.document is None:
        past.encode()
    document: dict[str, Any] = {
        "key": _make_key(about),
        "standing": past.document,
        "forecasts": {"answers": past.forecasts.answers, "asked": past.forecasts.asked},
        "pages": {
            "commits": past.notes.commits,
            "runs": past.notes.runs,
            "articles": past.notes.articles,
            "border": past.notes.border,
        },
    }
    body = json.dumps(document, separators=(",", ":")).encode("ascii")
    part = folder / f".{_FILE}-{secrets.token_hex(8)}"
    try:
        part.write_bytes(hashlib.sha256(body).hexdigest().encode() + b"\n" + body)
        part.replace(folder / _FILE)
    except OSError:
        with suppress(OSError):
            part.unlink()


def _make_key(about: tuple[str, ...]) -> str:
    return hashlib.sha256(_digest_code() + json.dumps(about).encode()).hexdigest()


@cache
def _digest_code() -> bytes:
    found = hashlib.sha256(gatekeep.__version__.encode())
    for room in _ROOMS:
        for entry in sorted((files("gatekeep") / room).iterdir(), key=lambda entry: entry.name):
            if entry.is_file():
                found.update(entry.name.encode() + b"\0" + entry.read_bytes() + b"\0")
    return found.digest()
