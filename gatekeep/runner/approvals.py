"""
Which approvals count for a change.

They come from refs of the repository, from files that somebody names, and, at a server, from refs of the very push that
is judged. Wherever one comes from, it counts when its text is that of this change, it is signed for this purpose, and
the key is in the base's list on that day. Nothing that the change contains has a say: not its own list, not its
committers.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from gatekeep.errors import RepositoryError, UsageError
from gatekeep.model.approval import ApprovalCheck, ApprovalRequest
from gatekeep.model.matrix import Approver
from gatekeep.tree.approval_refs import PREFIX, list_approval_refs, read_approval
from gatekeep.tree.repository import GitRepository
from gatekeep.tree.signature import SignatureChecker

_ARMOUR = b"-----BEGIN SSH SIGNATURE-----\n"
#: A text of a thousand loosenings takes a tenth of it.
_MOST_BYTES = 1024**2
#: Whoever can push can add refs; more than this nobody has signed.
_MOST_FOUND = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class ApprovalSources:
    """
    Where approvals are looked for besides the repository's refs.

    `files` are named by the user. `pushed` are (ref, object id) of a push that is not accepted yet, as a hook reads
    them from its standard input; all but refs of approvals are passed over.
    """

    files: tuple[Path, ...] = ()
    pushed: tuple[tuple[str, str], ...] = ()


NO_SOURCES = ApprovalSources()


def join_approval(text: str, signature: bytes) -> bytes:
    """Give the file of an approval: the text, then the signature in its armour."""
    return text.encode("utf-8") + signature


def gather_approvals(
    repository: GitRepository,
    request: ApprovalRequest,
    sources: ApprovalSources,
    *,
    approvers: tuple[Approver, ...],
    checker: SignatureChecker,
    day: date,
) -> tuple[ApprovalCheck, ...]:
    """
    Find and check the approvals of one change.

    Args:
        repository: Its refs are looked at.
        request: What has to be approved.
        sources: Further places.
        approvers: The base's list.
        checker: Tells who signed.
        day: In UTC; keys may have a last one.

    Returns:
        All that were found, sorted by where they were; those that do not count say why.

    Raises:
        UsageError: A named file cannot be read.
        RunnerError: Signatures cannot be checked here.
    """
    found = dict(_iter_found(repository, request.digest, sources))
    return tuple(
        check_approval(source, content, request, approvers=approvers, checker=checker, day=day)
        for source, content in sorted(found.items())
    )


def check_approval(
    source: str,
    content: bytes,
    request: ApprovalRequest,
    *,
    approvers: tuple[Approver, ...],
    checker: SignatureChecker,
    day: date,
) -> ApprovalCheck:
    """
    Check one approval.

    Args:
        source: Where it was found.
        content: Its file.
        request: What has to be approved.
        approvers: The base's list.
        checker: Tells who signed.
        day: In UTC.

    Raises:
        RunnerError: Signatures cannot be checked here.
    """

    def refuse(why: str, fingerprint: str = "") -> ApprovalCheck:
        return ApprovalCheck(source=source, approver=None, fingerprint=fingerprint, why=why)

    text, armour, rest = content.partition(_ARMOUR)
    if len(content) > _MOST_BYTES or not armour:
        return refuse("it is no approval: a text and a signature in SSH armour are wanted")
    wanted = request.text.encode("utf-8")
    if text != wanted:
        return refuse(_say_difference(text, wanted))
    signature = armour + rest
    fingerprint = checker.find_signer(wanted, signature)
    if fingerprint is None:
        return refuse("the signature is not of this text as an approval")
    approver = next((one for one in approvers if one.fingerprint == fingerprint), None)
    if approver is None:
        return refuse(f"the key {fingerprint} is not in the base's list of approvers", fingerprint)
    if approver.until is not None and approver.until < day:
        return refuse(f"the key of {approver.name} counted until {approver.until}", fingerprint)
    if not checker.is_signed_by(approver, wanted, signature):
        return refuse(f"the signature does not hold against the key of {approver.name}", fingerprint)
    return ApprovalCheck(source=source, approver=approver.name, fingerprint=fingerprint)


def _say_difference(text: bytes, wanted: bytes) -> str:
    """Name the first line that makes it another change's."""
    given, asked = (_read_lines(one) for one in (text, wanted))
    for key, value in asked.items():
        if key != "loosens" and given.get(key) != value:
            return (
                f"it is for another change: its {key} is {_shorten(given.get(key))}, and this one's {_shorten(value)}"
            )
    return "it is for another change: it lists other loosenings than this one has"


def _read_lines(text: bytes) -> dict[str, str]:
    pairs = (line.partition(" ") for line in text.decode("utf-8", "replace").split("\n") if " " in line)
    return {key: value for key, _, value in pairs}


def _shorten(value: str | None) -> str:
    return "missing" if value is None else value if len(value) <= 40 else f"{value[:20]}…"


def _iter_found(repository: GitRepository, digest: str, sources: ApprovalSources) -> Iterator[tuple[str, bytes]]:
    for path in sources.files:
        try:
            with path.open("rb") as stream:
                yield str(path), stream.read(_MOST_BYTES + 1)
        except OSError as error:
            raise UsageError(f"{path}: the approval cannot be read: {error.strerror}; name a file of one") from error
    pushed = [pair for pair in sources.pushed if pair[0].startswith(f"{PREFIX}/{digest}/")]
    for ref, object_id in [*list_approval_refs(repository, digest), *pushed][:_MOST_FOUND]:
        try:
            yield ref, read_approval(repository, object_id)
        except RepositoryError:
            # A ref of something else, or a deletion that the push asks for.
            yield ref, b""
