"""
Whom a reason concerns, in the words that a maintainer would use.

"every 64-bit target" says more than eleven names: it points at the cause. A wording is used only when it fits exactly,
and the one that says most about the cause wins: everything, a whole port, a property that the targets share, then
names.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Sequence

from gatekeep.model.change import Change, Commit
from gatekeep.model.matrix import Matrix, Port, Target

#: Up to so many names are written out before "and N more".
_NAMES_SHOWN = 4
_FILE = re.compile(r"\{(?:out|tree)\}/\S*")
#: "all 8 targets of arm, mips and x86": more ports than this are no clearer than names.
_PORTS_JOINED = 3


def describe_targets(names: Collection[str], matrix: Matrix, universe: Sequence[Target] | None = None) -> str:
    """
    Word a set of targets.

    Args:
        names: Target names; not empty.
        matrix: Gives the ports' properties.
        universe: What "every" is measured against; the matrix' own targets when not given.

    Returns:
        "all 24 targets", "all 3 targets of loongarch64", "every 64-bit target", "arm/mere and arm/holm", "9 targets
        (…)".
    """
    wanted = frozenset(names)
    targets = matrix.targets if universe is None else universe
    everyone = frozenset(target.name for target in targets)
    if len(wanted) == 1:
        return _describe_one(next(iter(wanted)), targets)
    if wanted == everyone:
        return f"{_all(wanted)} targets"
    for words, members in _iter_groups(wanted, targets, matrix):
        if members == wanted:
            return words
    return _list_names(wanted, targets)


def generalise_files(message: str, target: str) -> str:
    """
    Name a build's files in a message as the recipe does: `{out}/{board}.elf` for `{out}/vale.elf`.

    A Makefile that renames what it makes is one cause for all targets.
    """
    names = dict(zip(("port", "board", "configuration"), target.split("/"), strict=False))

    def generalise(path: re.Match[str]) -> str:
        text = path[0]
        for key in ("board", "configuration", "port"):
            if key in names:
                text = re.sub(rf"(?<![\w{{]){re.escape(names[key])}(?![\w}}])", f"{{{key}}}", text)
        return text

    return _FILE.sub(generalise, message)


def say_mended(change: Change, by: Commit) -> str:
    """Word what ended a fault: `mended by 4f1c2ab901`, `gone in the merge onto 4f1c2ab901`."""
    return f"gone in the merge onto {change.base.short_id}" if by == change.merged else f"mended by {by.short_id}"


def say_before(change: Change, commit: Commit) -> str:
    """Word that something was so before a commit's history: at the base, or where it left the base's history."""
    base = change.base_of(commit)
    return "so at the base already" if base == change.base else f"so at {base.short_id} already, where the change began"


def _describe_one(name: str, targets: Sequence[Target]) -> str:
    port = name.split("/", 1)[0]
    siblings = [target for target in targets if target.port == port]
    if len(siblings) == 1 and len(targets) > 1:
        return f"{name}, the only target of {port},"
    return name


def _iter_groups(
    wanted: frozenset[str], targets: Sequence[Target], matrix: Matrix
) -> Iterator[tuple[str, frozenset[str]]]:
    """Give (words, members), what says most first."""
    ports = {port.name: port for port in matrix.ports}
    by_port: dict[str, list[str]] = {}
    for target in targets:
        by_port.setdefault(target.port, []).append(target.name)
    for port, members in by_port.items():
        yield f"{_all(members)} targets of {port}", frozenset(members)
    for words, has in _properties(ports):
        yield f"every {words} target", frozenset(target.name for target in targets if has(target.port))
    for configuration in dict.fromkeys(target.configuration for target in targets if target.configuration):
        same = frozenset(target.name for target in targets if target.configuration == configuration)
        yield f"every {configuration} target", same
    boards: dict[str, list[str]] = {}
    for target in targets:
        boards.setdefault(f"{target.port}/{target.board}", []).append(target.name)
    for board, members in boards.items():
        if len(members) > 1:
            yield f"{_all(members)} configurations of {board}", frozenset(members)
    whole = [port for port, members in by_port.items() if wanted.issuperset(members)]
    if len(whole) <= _PORTS_JOINED:
        together = [name for port in whole for name in by_port[port]]
        yield f"{_all(together)} targets of {_join(whole)}", frozenset(together)


class _Property:
    """A property of ports, asked by port name."""

    def __init__(self, ports: dict[str, Port], bits: int | None, byte_order: str | None) -> None:
        self._ports, self._bits, self._byte_order = ports, bits, byte_order

    def __call__(self, name: str) -> bool:
        port = self._ports.get(name)
        return (
            port is not None
            and self._bits in (None, port.bits)
            and (self._byte_order is None or self._byte_order == port.byte_order)
        )


def _properties(ports: dict[str, Port]) -> Iterator[tuple[str, _Property]]:
    for bits in (64, 32):
        yield f"{bits}-bit", _Property(ports, bits, None)
    for byte_order in ("big", "little"):
        yield f"{byte_order}-endian", _Property(ports, None, byte_order)
    for bits in (64, 32):
        for byte_order in ("big", "little"):
            yield f"{bits}-bit {byte_order}-endian", _Property(ports, bits, byte_order)


def _list_names(wanted: frozenset[str], targets: Sequence[Target]) -> str:
    """Whole ports first, then single names, in the order of the matrix."""
    by_port: dict[str, list[str]] = {}
    for target in targets:
        by_port.setdefault(target.port, []).append(target.name)
    parts: list[str] = []
    left = set(wanted)
    for port, members in by_port.items():
        if len(members) > 1 and left.issuperset(members):
            parts.append(f"{_all(members)} targets of {port}")
            left.difference_update(members)
    parts.extend(target.name for target in targets if target.name in left)
    parts.extend(sorted(left - {target.name for target in targets}))
    if len(parts) <= _NAMES_SHOWN:
        return _join(parts)
    shown = parts[: _NAMES_SHOWN - 1]
    return f"{len(wanted)} targets ({', '.join(shown)} and {len(parts) - len(shown)} more)"


def _all(members: Collection[str]) -> str:
    return "both" if len(members) == 2 else f"all {len(members)}"


def _join(words: list[str]) -> str:
    return "".join(words) if len(words) < 2 else f"{', '.join(words[:-1])} and {words[-1]}"
