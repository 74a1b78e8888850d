"""
Whether workplaces more than builds run at once pay. Pure.

Between two builds a workplace has work of its own: it measures, puts its tree back, moves it to the next commit. A core
idles meanwhile, unless another workplace stands ready with the next job. What that costs is a tree more, once; what it
saves is the time between builds, at each build. How many builds are still to come, and how long they take, nobody
knows. So spare workplaces are opened when as much was lost without them as one costs: then never more than twice the
least is spent, with a large tree and a dozen long builds as with a small one and hundreds of short ones.

Source: the ski-rental rule; Karlin, Manasse, Rudolph and Sleator, "Competitive Snoopy Caching", 1988 (from memory).
"""

from __future__ import annotations


class Spare:
    """What was lost so far without spare workplaces, and what one costs."""

    def __init__(self) -> None:
        self._price_s = 0.0
        self._lost_s = 0.0

    def note(self, own_s: float, *, is_first: bool) -> None:
        """
        Learn how long a workplace was busy with a job besides the build itself.

        Args:
            own_s: In seconds.
            is_first: It was opened for that job.
        """
        if is_first:
            self._price_s = max(self._price_s, own_s)
        else:
            self._lost_s += own_s

    @property
    def pays(self) -> bool:
        """Whether to open them, or they are open."""
        return self._lost_s > self._price_s
