"""
What a recipe may have meant by a file that it says it leaves, and did not.
"""

from __future__ import annotations

import os
from itertools import islice
from pathlib import Path

from gatekeep.matrix.faults import find_nearest

#: An output folder has hundreds of files; what a hostile build leaves is not looked through.
_MOST_ENTRIES = 2_000


def find_near_file(path: Path) -> Path | None:
    """Give the file beside a missing one that is most likely meant; None when none is near, or there is no folder."""
    try:
        with os.scandir(path.parent) as listing:
            entries = islice(listing, _MOST_ENTRIES)
            names = sorted(item.name for item in entries if item.is_file(follow_symlinks=False))
    except OSError:
        return None
    found = find_nearest(path.name, names)
    return path.with_name(found) if found is not None else None
