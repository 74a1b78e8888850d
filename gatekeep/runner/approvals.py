"""
Which approvals count for a change.

They come from refs of the repository, from files that somebody names, and, at a server, from refs of the very push that
is judged. Wherever one comes from, it counts when its text is that of this change, it is signed for this purpose, and
the key is in the base's list on that day. Nothing that the change contains has a say: not its own list, not its
committers.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from gatekeep.errors import UsageError
from gatekeep.model.approval import ApprovalCheck, ApprovalRequest
from gatekeep.model.matrix import Approver
from gatekeep.tree.approval_refs import PREFIX, is_named_by_content, list_approval_refs
from gatekeep.tree.blob_sizes import load_blob_sizes
from gatekeep.tree.repository import GitRepository
from gatekeep.tree.signature import SignatureChecker, read_claimed_signer

_ARMOUR = b"-----BEGIN SSH SIGNATURE-----\n"
#: A text of a thousand loosenings takes a tenth of it.
_MOST_BYTES = 1024**2
#: A signature in its armour is a few hundred bytes; the longest, by a key of 16384 bits, take 6 KiB.
_MOST_SIGNATURE_BYTES = 16 * 1024
#: Whoever can push can add refs: so many are looked at, and of those that hold this text so many are checked; further
#: ones only until one counts.
_MOST_READ = 1024
_MOST_CHECKED = 64
#: Of what is no approval so many are told.
_MOST_TOLD = 8


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
    checks: dict[str, ApprovalCheck] = {}
    for source, content in _iter_found(repository, request, sources, {one.fingerprint for one in approvers}):
        if len(checks) >= _MOST_CHECKED and any(check.approver is not None for check in checks.values()):
            break
        checks[source] = check_approval(source, content, request, approvers=approvers, checker=checker, day=day)
    refused = [check for check in checks.values() if check.approver is None]
    told = [check for check in checks.values() if check.approver is not None] + refused[:_MOST_CHECKED]
    return tuple(sorted(told, key=lambda check: check.source))


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


def _iter_found(
    repository: GitRepository, request: ApprovalRequest, sources: ApprovalSources, keys: Collection[str]
) -> Iterator[tuple[str, bytes]]:
    """Give where approvals may be and what is there, the likeliest first; each source once."""
    for path in sources.files:
        try:
            with path.open("rb") as stream:
                yield str(path), stream.read(_MOST_BYTES + 1)
        except OSError as error:
            raise UsageError(f"{path}: the approval cannot be read: {error.strerror}; name a file of one") from error
    # A push that is not taken yet moves refs that are there.
    pushed = {ref: object_id for ref, object_id in sources.pushed if ref.startswith(f"{PREFIX}/{request.digest}/")}
    refs = pushed | {ref: here for ref, here in list_approval_refs(repository, request.digest) if ref not in pushed}
    sizes = load_blob_sizes(repository, dict.fromkeys(refs.values()))
    text = request.text.encode("utf-8")
    fitting = {
        ref: object_id
        for ref, object_id in refs.items()
        if 0 < sizes.get(object_id, 0) <= min(len(text) + _MOST_SIGNATURE_BYTES, _MOST_BYTES)
    }
    likely: list[tuple[tuple[bool, ...], str, bytes]] = []
    others = [(ref, b"") for ref in refs if ref not in fitting][:_MOST_TOLD]
    read = list(fitting.items())[:_MOST_READ]
    for (ref, _), blob in zip(read, repository.iter_blobs([object_id for _, object_id in read]), strict=True):
        if blob.content.startswith(text + _ARMOUR):
            signature = blob.content[len(text) :]
            is_of_others = read_claimed_signer(signature) not in keys
            likely.append(
                ((ref not in pushed, is_of_others, not is_named_by_content(ref, blob.content)), ref, signature)
            )
        elif len(others) < _MOST_TOLD:
            others.append((ref, blob.content))
    yield from ((ref, text + signature) for _, ref, signature in sorted(likely))
    yield from others
