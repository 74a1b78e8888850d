"""
Whether a version range admits nothing that another one kept out.

A proof, or no: what cannot be shown from the clauses alone counts as wider, since the answer guards a gate. Bounds that
are plain releases (`>=0.15`, `<1`, `~=12.2`, `==13.*`) are compared; of anything else (`===`, pre-releases, epochs,
local labels) only the very same clause is known to admit the same.

Source: PEP 440, "Version specifiers". `<1` keeps pre-releases of 1 out and `>1` its post-releases; both rules are why
only plain releases are compared: between two of them lies no version that one bound keeps out and the other lets in.
"""

from __future__ import annotations

from packaging.specifiers import InvalidSpecifier, Specifier, SpecifierSet
from packaging.version import InvalidVersion, Version


def is_within(head: str, base: str) -> bool:
    """
    Tell whether every version that `head` admits is one that `base` admits.

    Args:
        head: Comma-separated clauses; "" admits every version.
        base: The same.

    Returns:
        True only where it can be shown; False also where one of the two is no version range.
    """
    try:
        # As sets of clauses: `in` of a SpecifierSet asks for versions.
        ours, theirs = frozenset(SpecifierSet(head)), frozenset(SpecifierSet(base))
    except InvalidSpecifier:
        return head == base
    bounds = [bound for clause in ours for bound in _split(clause)]
    return all(clause in ours or _is_implied(clause, bounds) for clause in theirs)


def _split(clause: Specifier) -> list[tuple[str, Version]]:
    """Give a clause as bounds (`>=`, `>`, `<=`, `<` and a plain release); none where it cannot be put so."""
    operator, text = clause.operator, clause.version
    is_prefix = text.endswith(".*")
    version = _parse_plain(text.removesuffix(".*"))
    if version is None:
        return []
    if operator == "==" and is_prefix:
        return [(">=", _first(version)), ("<", _next(version.release))]
    if operator == "==":
        return [(">=", version), ("<=", version)]
    if operator == "~=":
        return [(">=", version), ("<", _next(version.release[:-1]))]
    return [(operator, version)] if operator in (">=", ">", "<=", "<") else []


def _is_implied(clause: Specifier, bounds: list[tuple[str, Version]]) -> bool:
    """Tell whether bounds of one range keep everything out that a clause of another keeps out."""
    if clause.operator != "!=":
        wanted = _split(clause)
        return bool(wanted) and all(any(_is_tighter(bound, other) for bound in bounds) for other in wanted)
    version = _parse_plain(clause.version.removesuffix(".*"))
    if version is None:
        return False
    is_prefix = clause.version.endswith(".*")
    above = (">=", _first(_next(version.release))) if is_prefix else (">", version)
    return any(_is_tighter(bound, above) or _is_tighter(bound, ("<", version)) for bound in bounds)


def _is_tighter(bound: tuple[str, Version], other: tuple[str, Version]) -> bool:
    """Tell whether one bound keeps everything out that another on the same side does."""
    (side, version), (other_side, limit) = bound, other
    if side[0] != other_side[0]:
        return False
    if version == limit:
        return side == other_side or len(side) == 1
    return version > limit if side[0] == ">" else version < limit


def _parse_plain(text: str) -> Version | None:
    """Read a version that is a release and nothing more; None for any other."""
    try:
        version = Version(text)
    except InvalidVersion:
        return None
    is_plain = not (version.epoch or version.is_prerelease or version.is_postrelease or version.local)
    return version if is_plain else None


def _first(version: Version) -> Version:
    """Give the earliest version that begins with a release, where `==13.*` begins: 13.dev0 for 13."""
    return Version(f"{version}.dev0")


def _next(release: tuple[int, ...]) -> Version:
    """Give the first release past all that begin with this one: 13.2 for 13.1."""
    return Version(".".join(str(number) for number in (*release[:-1], release[-1] + 1)))
