"""Keys and signatures: ours held against ssh-keygen, and the fake against the real."""

from __future__ import annotations

import base64
import os
import subprocess
from pathlib import Path
from typing import Protocol

import pytest

from gatekeep.errors import RunnerError
from gatekeep.matrix.ssh_key import parse_public_key
from gatekeep.tree.signature import NAMESPACE, SignatureChecker, SshKeygen
from tests.fakes_signature import FakeSignatures
from tests.ssh_keys import KeyPair, make_key

TEXT = b"gatekeep approval 1\ntree skerry\n"


class Signer(Protocol):
    def __call__(self, text: bytes, key: KeyPair, namespace: str = NAMESPACE) -> bytes: ...


def sign_for_real(text: bytes, key: KeyPair, namespace: str = NAMESPACE) -> bytes:
    """As anybody may on a command line; SshKeygen.sign knows one purpose only."""
    command = ["ssh-keygen", "-q", "-Y", "sign", "-n", namespace, "-f", str(key.private)]
    return subprocess.run(command, input=text, check=True, capture_output=True).stdout


def sign_by_fake(text: bytes, key: KeyPair, namespace: str = NAMESPACE) -> bytes:
    return FakeSignatures().sign(text, key.public, namespace=namespace)


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> tuple[KeyPair, KeyPair]:
    folder = tmp_path_factory.mktemp("keys")
    return make_key(folder, "isa"), make_key(folder, "mallory")


@pytest.fixture(params=["real", "fake"])
def both(request: pytest.FixtureRequest) -> tuple[SignatureChecker, Signer]:
    if request.param == "real":
        return SshKeygen(os.environ), sign_for_real
    return FakeSignatures(), sign_by_fake


Both = tuple[SignatureChecker, Signer]


def test_a_signature_names_its_key_and_holds(both: Both, keys: tuple[KeyPair, KeyPair]) -> None:
    checker, sign = both
    signature = sign(TEXT, keys[0])
    approver = keys[0].approver()
    assert checker.find_signer(TEXT, signature) == approver.fingerprint
    assert checker.is_signed_by(approver, TEXT, signature)


def test_it_does_not_hold_for_another_text_key_or_purpose(both: Both, keys: tuple[KeyPair, KeyPair]) -> None:
    checker, sign = both
    approver = keys[0].approver()
    for text, signature in (
        (TEXT + b"\n", sign(TEXT, keys[0])),
        (TEXT, sign(TEXT, keys[0], "git")),
        (TEXT, sign(TEXT, keys[0], "file")),
    ):
        assert checker.find_signer(text, signature) is None
        assert not checker.is_signed_by(approver, text, signature)
    assert checker.find_signer(TEXT, sign(TEXT, keys[1])) == keys[1].approver().fingerprint
    assert not checker.is_signed_by(approver, TEXT, sign(TEXT, keys[1]))


@pytest.mark.parametrize("change", [lambda text: text[:-40], lambda text: b"", lambda text: text[:60] + b"\n"])
def test_a_damaged_signature_is_none(keys: tuple[KeyPair, KeyPair], change) -> None:
    checker = SshKeygen(os.environ)
    signature = change(sign_for_real(TEXT, keys[0]))
    assert checker.find_signer(TEXT, signature) is None
    assert not checker.is_signed_by(keys[0].approver(), TEXT, signature)


def test_what_we_sign_holds(keys: tuple[KeyPair, KeyPair]) -> None:
    keygen = SshKeygen(os.environ)
    assert keygen.is_signed_by(keys[0].approver(), TEXT, keygen.sign(TEXT, keys[0].private))


def test_a_key_that_cannot_sign_is_an_error_that_says_so(tmp_path: Path) -> None:
    (tmp_path / "none").write_text("no key\n")
    with pytest.raises(RunnerError, match="ssh-keygen does not sign with it"):
        SshKeygen(os.environ).sign(TEXT, tmp_path / "none")


def test_a_missing_ssh_keygen_is_the_machines_fault(tmp_path: Path, keys: tuple[KeyPair, KeyPair]) -> None:
    keygen = SshKeygen({"PATH": str(tmp_path)})
    for call in (
        lambda: keygen.find_signer(TEXT, b""),
        lambda: keygen.sign(TEXT, keys[0].private),
    ):
        with pytest.raises(RunnerError, match="install openssh-client"):
            call()


@pytest.mark.parametrize(
    "options",
    [
        ("-t", "ed25519"),
        ("-t", "ecdsa", "-b", "256"),
        ("-t", "ecdsa", "-b", "384"),
        ("-t", "ecdsa", "-b", "521"),
        ("-t", "rsa", "-b", "2048"),
    ],
    ids="-".join,
)
def test_every_kind_of_key_is_read_as_ssh_keygen_reads_it(tmp_path: Path, options: tuple[str, ...]) -> None:
    key = make_key(tmp_path, "isa", *options)
    assert parse_public_key(key.line) == key.public
    told = subprocess.run(["ssh-keygen", "-l", "-f", key.private], check=True, capture_output=True, text=True).stdout
    assert told.split()[1] == key.approver().fingerprint
    assert SshKeygen(os.environ).is_signed_by(key.approver(), TEXT, sign_for_real(TEXT, key))


def test_what_is_no_public_key_is_refused(tmp_path: Path) -> None:
    line = make_key(tmp_path).line
    kind, code, _ = line.split(" ")
    blob = base64.b64decode(code)
    short = make_key(tmp_path, "short", "-t", "rsa", "-b", "1024").line
    for text, words in (
        ("", "begins with its type"),
        (code, "begins with its type"),
        (f"no-pty {line}", "begins with its type"),
        (line.replace(kind, "ssh-dss"), "begins with its type"),
        (line.replace(kind, "ssh-ed25519-cert-v01@openssh.com"), "begins with its type"),
        (kind, "is not whole base64"),
        (f"{kind} {code[:-3]}", "is not whole base64"),
        (f"{kind} {code[:-1]}*", "is not whole base64"),
        (f"{kind} {code}\n", None),
        (line.replace(kind, "ssh-rsa"), "it says another type inside"),
        (f"{kind} {base64.b64encode(blob[:-3]).decode()}", "it is cut off"),
        (f"{kind} {base64.b64encode(blob + bytes(4)).decode()}", "it does not hold 32 bytes"),
        (short, "it has 1024 bits"),
    ):
        if words is None:
            assert parse_public_key(text) == f"{kind} {code}"
            continue
        with pytest.raises(ValueError, match=words):
            parse_public_key(text)


@pytest.mark.parametrize("length", range(68))
def test_a_key_cut_anywhere_is_refused(tmp_path_factory: pytest.TempPathFactory, length: int, keys) -> None:
    kind, code = keys[0].public.split(" ")
    with pytest.raises(ValueError):  # noqa: PT011 - which of the two faults it is depends on where it is cut
        parse_public_key(f"{kind} {code[:length]}")
