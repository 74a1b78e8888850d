"""
OpenSSH public keys as a matrix writes them, read strictly.

Source: sshd(8), "AUTHORIZED_KEYS FILE FORMAT" (type, base64, comment); RFC 4251, section 5 (string, mpint); RFC 4253,
section 6.6 (ssh-rsa); RFC 5656, section 3.1 (ecdsa-sha2-*); RFC 8709, section 4 (ssh-ed25519); OpenSSH's PROTOCOL.u2f
(sk-*@openssh.com). NIST SP 800-131A asks for RSA keys of 2048 bits or more.
"""

from __future__ import annotations

import base64
import binascii

_ED25519_BYTES = 32
#: An uncompressed point: 0x04 and two coordinates.
_CURVES = {"nistp256": 65, "nistp384": 97, "nistp521": 133}
_LEAST_RSA_BITS, _MOST_RSA_BITS = 2048, 16384
_TYPES = (
    "ssh-ed25519",
    "sk-ssh-ed25519@openssh.com",
    *(f"ecdsa-sha2-{curve}" for curve in _CURVES),
    "sk-ecdsa-sha2-nistp256@openssh.com",
    "ssh-rsa",
)


def parse_public_key(text: str) -> str:
    """
    Check a public key.

    Args:
        text: Type and base64, as in a .pub file; a comment may follow.

    Returns:
        Type and base64 with one blank between, without the comment.

    Raises:
        ValueError: Not such a key, with the reason; an option, a certificate or a private key is none.
    """
    kind, _, rest = text.strip().partition(" ")
    if kind not in _TYPES:
        raise ValueError(f"a public key begins with its type, got '{kind[:40]}'; types are {', '.join(_TYPES)}")
    code = rest.split(" ", 1)[0]
    try:
        blob = base64.b64decode(code, validate=True)
    except (ValueError, binascii.Error):
        blob = b""
    # Decoding forgives bits behind the last byte: only one text may stand for a key.
    if not blob or base64.b64encode(blob).decode("ascii") != code:
        raise ValueError(f"the key behind {kind} is not whole base64; copy the line of the .pub file as it is")
    try:
        _check(kind, blob)
    except ValueError as error:
        raise ValueError(f"the key is not of type {kind}: {error}; copy the line of the .pub file as it is") from None
    return f"{kind} {code}"


def _check(kind: str, blob: bytes) -> None:
    fields = _split(blob)
    if fields[0] != kind.encode("ascii"):
        raise ValueError("it says another type inside")
    values = fields[1:]
    if kind.startswith("sk-"):
        # The last one is the application, for instance "ssh:".
        if not values or not values[-1]:
            raise ValueError("it has no application")
        values = values[:-1]
    if kind.endswith(("ssh-ed25519", "ssh-ed25519@openssh.com")):
        if [len(value) for value in values] != [_ED25519_BYTES]:
            raise ValueError(f"it does not hold {_ED25519_BYTES} bytes")
    elif kind == "ssh-rsa":
        _check_rsa(values)
    else:
        curve = kind.removeprefix("sk-").removeprefix("ecdsa-sha2-").removesuffix("@openssh.com")
        is_point = len(values) == 2 and values[0] == curve.encode("ascii") and values[1][:1] == b"\x04"
        if not is_point or len(values[1]) != _CURVES[curve]:
            raise ValueError("it does not hold a point of its curve")


def _check_rsa(values: list[bytes]) -> None:
    if len(values) != 2 or any(not value or value[0] & 0x80 for value in values):
        raise ValueError("it does not hold two positive numbers")
    bits = int.from_bytes(values[1], "big").bit_length()
    if not _LEAST_RSA_BITS <= bits <= _MOST_RSA_BITS:
        raise ValueError(f"it has {bits} bits, and {_LEAST_RSA_BITS} to {_MOST_RSA_BITS} are wanted")


def _split(blob: bytes) -> list[bytes]:
    """Part the strings that a key is made of; all of it must be such."""
    fields: list[bytes] = []
    at = 0
    while at < len(blob):
        size = int.from_bytes(blob[at : at + 4], "big")
        if at + 4 + size > len(blob):
            raise ValueError("it is cut off")
        fields.append(blob[at + 4 : at + 4 + size])
        at += 4 + size
    return fields
