"""Signatures without keys: what SshKeygen says of real ones, for tests that sign many texts."""

from __future__ import annotations

import hashlib

from gatekeep.model.matrix import Approver
from gatekeep.tree.signature import NAMESPACE

_BEGIN, _END = b"-----BEGIN SSH SIGNATURE-----\n", b"-----END SSH SIGNATURE-----\n"


class FakeSignatures:
    """A signature names the key and the digest of purpose and text: it fits that key, purpose and text alone."""

    def sign(self, text: bytes, key: str, *, namespace: str = NAMESPACE) -> bytes:
        """Sign as the owner of a public key would."""
        fingerprint = Approver(name="x", key=key, place=None).fingerprint  # type: ignore[arg-type]  # no place is asked
        return _BEGIN + f"{fingerprint} {self._digest(text, namespace)}\n".encode() + _END

    def find_signer(self, text: bytes, signature: bytes) -> str | None:
        fingerprint, _, digest = signature.removeprefix(_BEGIN).removesuffix(b"\n" + _END).decode().partition(" ")
        return fingerprint if digest == self._digest(text, NAMESPACE) else None

    def is_signed_by(self, approver: Approver, text: bytes, signature: bytes) -> bool:
        return self.find_signer(text, signature) == approver.fingerprint

    def _digest(self, text: bytes, namespace: str) -> str:
        return hashlib.sha256(namespace.encode() + b"\0" + text).hexdigest()
