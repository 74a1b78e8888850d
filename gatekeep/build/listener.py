"""
Listens to what a command prints until it has printed some texts in their order.

Bytes are compared as they are, each text from the end of the one before it: no line of the output is ever held whole,
and what is kept of it is shorter than the longest text, however much comes. A text has no line break, so it is found
only within a line; several may stand on one. The keeper uses this, so nothing of ours is imported here.
"""

from __future__ import annotations

from collections.abc import Sequence


class Listener:
    """
    Waits for texts.

    Args:
        texts: In their order, none of them empty; the same one twice has to come twice.
    """

    def __init__(self, texts: Sequence[bytes]) -> None:
        if not all(texts):
            raise ValueError("a text to listen for must not be empty")
        self._texts = tuple(texts)
        self._held = b""
        #: How many of the texts were heard.
        self.heard_count = 0

    @property
    def has_all(self) -> bool:
        """Whether every text was heard; at once where there is none."""
        return self.heard_count == len(self._texts)

    def take(self, data: bytes) -> None:
        """Take further output; it may be cut anywhere."""
        self._held += data
        while not self.has_all:
            text = self._texts[self.heard_count]
            at = self._held.find(text)
            if at < 0:
                # The beginning of the text may be the end of what has come so far.
                self._held = self._held[max(0, len(self._held) - len(text) + 1) :]
                return
            self._held = self._held[at + len(text) :]
            self.heard_count += 1
        self._held = b""
