"""
Signatures by OpenSSH keys: made and checked by ssh-keygen, which also asks an agent or a token where a key lies there.

A text is signed for one purpose, the namespace: what somebody has signed for git, or as a file, is no approval.

Source: ssh-keygen(1), -Y sign, -Y verify, -Y check-novalidate and "ALLOWED SIGNERS"; OpenSSH's PROTOCOL.sshsig.
"""

from __future__ import annotations

import base64
import hashlib
import os
import re
import subprocess
from collections.abc import Mapping
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Protocol

from gatekeep.errors import RunnerError
from gatekeep.model.matrix import Approver

NAMESPACE = "gatekeep-approval"
_GOOD = re.compile(r'Good "[^"\n]*" signature with [A-Z0-9-]+ key (SHA256:[A-Za-z0-9+/]{43})\n?')
_MISSING = "ssh-keygen is not on PATH; install openssh-client"


class SignatureChecker(Protocol):
    """Tells who signed a text."""

    def find_signer(self, text: bytes, signature: bytes) -> str | None:
        """Give the fingerprint of the key that signed this very text as an approval; None when none did."""

    def is_signed_by(self, approver: Approver, text: bytes, signature: bytes) -> bool:
        """Whether an approver's key signed this very text as an approval."""


def read_claimed_signer(signature: bytes) -> str | None:
    """
    Give the fingerprint of the key that a signature says it is by; that proves nothing. None where it says none.

    Source:
        OpenSSH, PROTOCOL.sshsig: in the armour `SSHSIG`, a version of four bytes, and the public key with its length.
    """
    lines = signature.split(b"\n")
    try:
        blob = base64.b64decode(b"".join(lines[1 : lines.index(b"-----END SSH SIGNATURE-----")]))
    except ValueError:
        return None
    if not blob.startswith(b"SSHSIG"):
        return None
    key = blob[14 : 14 + int.from_bytes(blob[10:14], "big")]
    return f"SHA256:{base64.b64encode(hashlib.sha256(key).digest()).decode('ascii').rstrip('=')}"


class SshKeygen:
    """
    Runs ssh-keygen.

    Args:
        environment: Our own, for PATH; a signer's agent and terminal come through it too.
    """

    def __init__(self, environment: Mapping[str, str]) -> None:
        self._environment = {**environment, "LC_ALL": "C"}

    def find_signer(self, text: bytes, signature: bytes) -> str | None:
        """
        Give the fingerprint of the key that signed a text, whoever's it is.

        Raises:
            RunnerError: ssh-keygen cannot be started.
        """
        with _files(signature=signature) as (folder,):
            done = self._run(text, "check-novalidate", "-n", NAMESPACE, "-s", f"{folder}/signature")
        found = _GOOD.fullmatch(done.stdout.decode("utf-8", "replace")) if done.returncode == 0 else None
        return found[1] if found else None

    def is_signed_by(self, approver: Approver, text: bytes, signature: bytes) -> bool:
        """
        Tell whether an approver's key signed a text.

        Raises:
            RunnerError: ssh-keygen cannot be started.
        """
        allowed = f'{approver.name} namespaces="{NAMESPACE}" {approver.key}\n'.encode("ascii")
        with _files(signature=signature, allowed=allowed) as (folder,):
            options = ("-n", NAMESPACE, "-I", approver.name, "-f", f"{folder}/allowed", "-s", f"{folder}/signature")
            return self._run(text, "verify", *options).returncode == 0

    def sign(self, text: bytes, key: Path) -> bytes:
        """
        Sign a text as an approval; ssh-keygen may ask for a passphrase on the terminal.

        Args:
            text: What is signed.
            key: A private key, or a public one whose private half an agent holds.

        Returns:
            The signature in its armour.

        Raises:
            RunnerError: ssh-keygen cannot be started, or does not sign.
        """
        with _files(text=text) as (folder,):
            command = ["ssh-keygen", "-Y", "sign", "-q", "-n", NAMESPACE, "-f", str(key), f"{folder}/text"]
            try:
                done = subprocess.run(command, env=self._environment, stderr=subprocess.PIPE, check=False)
            except OSError as error:
                raise RunnerError(_MISSING) from error
            made = folder / "text.sig"
            if done.returncode != 0 or not made.exists():
                said = " ".join(done.stderr.decode("utf-8", "replace").split()) or f"exit code {done.returncode}"
                raise RunnerError(f"{key}: ssh-keygen does not sign with it: {said}; name an OpenSSH key with --key")
            return made.read_bytes()

    def _run(self, text: bytes, what: str, *options: str) -> subprocess.CompletedProcess[bytes]:
        environment = {"PATH": self._environment.get("PATH", os.defpath), "LC_ALL": "C"}
        try:
            return subprocess.run(
                ["ssh-keygen", "-Y", what, *options], input=text, env=environment, capture_output=True, check=False
            )
        except OSError as error:
            raise RunnerError(_MISSING) from error


class _files(TemporaryDirectory[str]):  # noqa: N801 - used like a function
    """A private folder with these files in it."""

    def __init__(self, **contents: bytes) -> None:
        super().__init__(prefix="gatekeep-sign-")
        for name, content in contents.items():
            Path(self.name, name).write_bytes(content)

    def __enter__(self) -> tuple[Path]:  # type: ignore[override]  # a path is more use than its text
        return (Path(super().__enter__()),)
