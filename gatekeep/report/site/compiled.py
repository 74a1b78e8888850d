"""
Compiled templates, kept as Python keeps compiled modules: beside their sources, where this user may write there.

To compile them took a sixth of what a site takes after one more commit.
"""

from __future__ import annotations

import hashlib
import secrets
import sys
from collections.abc import Iterable
from contextlib import suppress
from importlib.metadata import version
from pathlib import Path

from jinja2 import BytecodeCache
from jinja2.bccache import Bucket

_DIGEST_BYTES = hashlib.sha256().digest_size


class CompiledTemplates(BytecodeCache):
    """
    Keeps what templates were compiled to.

    Whatever is damaged, of another source, program or version, or cannot be written is compiled anew, and nobody is
    told. Who may write into the folder may write our modules too: it is as safe as those.

    Args:
        folder: Where; made when absent.
        depends_on: Files besides a template's own that decide what it is compiled to.
        writes: Whether what is missing is kept; what is there is taken in any case, as Python does with modules.
    """

    def __init__(self, folder: Path, *, depends_on: Iterable[Path], writes: bool) -> None:
        self._folder, self._writes = folder, writes
        found = hashlib.sha256(version("jinja2").encode())
        for path in depends_on:
            found.update(path.read_bytes())
        self._surroundings = found.digest()

    def get_source_checksum(self, source: str) -> str:
        """Digest all that a compiled template depends on; Python's version stands in its head."""
        return hashlib.sha256(self._surroundings + source.encode()).hexdigest()

    def load_bytecode(self, bucket: Bucket) -> None:
        """Take what is there, if it is whole."""
        with suppress(OSError):
            content = self._path(bucket).read_bytes()
            digest, body = content[:_DIGEST_BYTES], content[_DIGEST_BYTES:]
            # Before anything is made of it: to unpack damaged code may end the program.
            if hashlib.sha256(body).digest() == digest:
                bucket.bytecode_from_string(body)

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep it, if that is wanted and possible."""
        if not self._writes:
            return
        body = bucket.bytecode_to_string()
        part = self._folder / f"{bucket.key}-{secrets.token_hex(8)}"
        try:
            self._folder.mkdir(exist_ok=True)
            part.write_bytes(hashlib.sha256(body).digest() + body)
            part.replace(self._path(bucket))
        except OSError:
            with suppress(OSError):
                part.unlink()

    def _path(self, bucket: Bucket) -> Path:
        return self._folder / f"{bucket.key}.{sys.implementation.cache_tag}"
