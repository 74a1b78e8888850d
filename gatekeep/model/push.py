"""
What a pusher asks of the server: branches and tags to be put somewhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class UpdateKind(Enum):
    """What is asked of one name."""

    CREATED = "created"
    DELETED = "deleted"
    MOVED = "moved"


@dataclass(frozen=True, slots=True, kw_only=True)
class RefUpdate:
    """
    One name of a push.

    `ref` is the full name, hostile text; `old_id` and `new_id` are full object names, all zeros where there is nothing.
    """

    old_id: str
    new_id: str
    ref: str

    @property
    def kind(self) -> UpdateKind:
        """What is asked."""
        if not self.new_id.strip("0"):
            return UpdateKind.DELETED
        return UpdateKind.CREATED if not self.old_id.strip("0") else UpdateKind.MOVED


def parse_updates(text: str) -> tuple[RefUpdate, ...]:
    """
    Read what receive-pack tells a pre-receive hook.

    Args:
        text: Lines of `<old> SP <new> SP <ref> LF`; bytes that are not UTF-8 as surrogate escapes.

    Returns:
        In their order.

    Raises:
        ValueError: A line is anything else.

    Source:
        githooks(5), "pre-receive"; git-check-ref-format(1): a name holds no blank and no control character.
    """
    updates: list[RefUpdate] = []
    for line in text.removesuffix("\n").split("\n") if text else ():
        words = line.split(" ")
        if len(words) != 3 or not all(map(_is_object_name, words[:2])) or not words[2].startswith("refs/"):
            raise ValueError(f"wanted a line of `<old> <new> refs/…`, got {line!r}")
        updates.append(RefUpdate(old_id=words[0], new_id=words[1], ref=words[2]))
    return tuple(updates)


def _is_object_name(word: str) -> bool:
    return len(word) in (40, 64) and not word.strip("0123456789abcdef")
