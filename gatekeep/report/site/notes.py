"""
What an earlier run has found out about pages, so that the next one need not compute it again.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(slots=True, kw_only=True)
class PageNotes:
    """
    Digests of what pages are made from, and parts of pages; filled while a site is written.

    `commits` holds those of commit pages by commit id, in the order of the branch. `runs` holds, by target, that of its
    runs which ended before position `border`. `articles` holds, by target, what its port's page shows of it, behind the
    digest of what that is made from: a commit touches few targets and most ports.
    """

    commits: dict[str, str] = field(default_factory=dict)
    runs: dict[str, str] = field(default_factory=dict)
    articles: dict[str, tuple[str, str]] = field(default_factory=dict)
    border: int = 0
