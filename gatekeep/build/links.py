"""
Symlinks of a tree that lead out of it.

A worker's tree is a copy at a place of its own; a link out of it would show the build another file on each machine, and
lets whoever writes through it leave the copy. Such a tree is refused before anything of it is written.

Links are followed as the kernel does it, component by component, for `..` means the parent of where a link has led to,
not of what is written before it: with `up -> ..` inside a folder, `up/..` can leave a tree that the text alone would
not.

Source: path_resolution(7); symlink(7).
"""

from __future__ import annotations

from collections.abc import Mapping

#: Linux follows that many links in one path, then gives ELOOP: such a link leads nowhere.
_MAX_HOPS = 40


def find_leaving_links(links: Mapping[bytes, bytes]) -> tuple[bytes, ...]:
    """
    Find the symlinks whose target is outside.

    Args:
        links: Targets by path, for every symlink of the tree; what is no link counts as a folder or file.

    Returns:
        Paths, sorted; empty when none leaves.
    """
    return tuple(path for path in sorted(links) if _leaves(path, links))


def _leaves(path: bytes, links: Mapping[bytes, bytes]) -> bool:
    at = path.split(b"/")[:-1]
    # Next component last, so that taking and pushing are cheap.
    ahead = links[path].split(b"/")[::-1]
    hops = 0
    if links[path].startswith(b"/"):
        return True
    while ahead:
        name = ahead.pop()
        if name in (b"", b"."):
            continue
        if name == b"..":
            if not at:
                return True
            at.pop()
            continue
        at.append(name)
        target = links.get(b"/".join(at))
        if target is None:
            continue
        hops += 1
        if hops > _MAX_HOPS:
            return False
        if target.startswith(b"/"):
            return True
        at.pop()
        ahead.extend(target.split(b"/")[::-1])
    return False
