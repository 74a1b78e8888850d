"""
Where each page lies: paths of the site, from restricted names only.

A target's segments are joined by a comma, which no name of a matrix can hold, so that two targets never share a file.
A name that a matrix could not hold either (nobody should ever see one) becomes a digest, and so does one that no folder
of Windows can hold, since a site may be kept there.

Source: Microsoft, "Naming Files, Paths, and Namespaces": device names are reserved, whatever stands behind a dot.
"""

from __future__ import annotations

import hashlib
import re
from urllib.parse import quote

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._+-]*", re.ASCII)
_COMMIT_ID = re.compile(r"[0-9a-f]{40,64}", re.ASCII)
_DEVICE = re.compile(r"(?:con|prn|aux|nul|com[0-9]|lpt[0-9])(?:\..*)?", re.IGNORECASE)
#: Three of these, their commas and an ending stay below 255 bytes, the longest file name.
_MOST_CHARACTERS = 75

FRONT = "index.html"
FACTS = "facts.json"
SCHEMA = "facts.schema.json"


def port_page(name: str) -> str:
    """Give the path of a port's page."""
    return f"ports/{_stem(name)}.html"


def target_page(name: str) -> str:
    """Give the path of a target's page."""
    return f"targets/{_stem(name)}.html"


def commit_page(commit_id: str) -> str:
    """
    Give the path of a commit's page.

    Raises:
        ValueError: Not a full object name.
    """
    if not _COMMIT_ID.fullmatch(commit_id):
        raise ValueError(f"{commit_id!r} is no full object name")
    return f"commits/{commit_id}.html"


def feed_path(name: str) -> str:
    """Give the path of the feed of a port or target."""
    return f"feeds/{_stem(name)}.atom"


def badge_path(name: str) -> str:
    """Give the path of the badge of a port or target."""
    return f"badges/{_stem(name)}.svg"


def asset_path(name: str, content: str) -> str:
    """Give the path of a style sheet or script: named for its content, so that no page meets one of another day."""
    stem, _, ending = name.rpartition(".")
    return f"assets/{stem}-{hashlib.sha256(content.encode()).hexdigest()[:12]}.{ending}"


def mail_address(email: str) -> str:
    """Give the `mailto:` reference of an address."""
    return f"mailto:{quote(email, safe='@')}"


def _stem(name: str) -> str:
    stem = ",".join(map(_safe, name.split("/")))
    return _digest(name) if _DEVICE.fullmatch(stem) else stem


def _safe(segment: str) -> str:
    if _NAME.fullmatch(segment) and len(segment) <= _MOST_CHARACTERS:
        return segment
    return _digest(segment)


def _digest(name: str) -> str:
    return f"x-{hashlib.sha256(name.encode('utf-8', 'surrogateescape')).hexdigest()[:24]}"
