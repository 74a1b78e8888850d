"""OpenSSH keys for tests, made by ssh-keygen."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from pathlib import Path

from gatekeep.model.matrix import Approver, Place


@dataclass(frozen=True, slots=True)
class KeyPair:
    """A key on the disk; `line` is that of its .pub file."""

    private: Path

    @property
    def line(self) -> str:
        return Path(f"{self.private}.pub").read_text().strip()

    @property
    def public(self) -> str:
        return " ".join(self.line.split(" ")[:2])

    def approver(self, name: str = "isa") -> Approver:
        return Approver(name=name, key=self.public, place=Place(path="matrix.yml", line=1, column=1))


def make_key(folder: Path, name: str = "isa", *options: str) -> KeyPair:
    """Make a key without a passphrase, by default of type ed25519."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / name
    kind = options or ("-t", "ed25519")
    subprocess.run(["ssh-keygen", "-q", *kind, "-N", "", "-C", f"{name}@skerry", "-f", path], check=True)
    return KeyPair(path)
