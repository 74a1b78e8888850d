"""
A small drawing of a state, to stand in somebody else's page.

It brings its own colours for light and dark, needs no font but the reader's, and loads nothing. A line under the words
shows the share that is well, or how full the fullest region is; the words say the same.
"""

from __future__ import annotations

from gatekeep.model.health import PortHealth, State, TargetHealth
from gatekeep.report.site.page import render

#: Widths are guessed from the number of characters: an SVG cannot measure its own text.
_CHARACTER_WIDTH = 7.2


def render_port_badge(port: PortHealth) -> str:
    """Render how many of a port's targets are well."""
    total = len(port.targets)
    words = f"all {total} well" if port.well_count == total else f"{port.well_count} of {total} well"
    return _render(port.port.name, words, share=port.well_count / total, is_well=port.well_count == total)


def render_target_badge(target: TargetHealth) -> str:
    """Render a target's state and how full its fullest region is."""
    use = target.fullest
    share = min(1.0, use.used_bytes / use.capacity_bytes) if use is not None else 0.0
    return _render(target.name, target.state.value, share=share, is_well=target.state is State.WELL)


def _render(name: str, words: str, *, share: float, is_well: bool) -> str:
    name_width = len(name) * _CHARACTER_WIDTH
    width = round(name_width + len(words) * _CHARACTER_WIDTH + 26)
    return render(
        "badge.svg.j2",
        name=name,
        words=words,
        width=width,
        words_x=round(name_width + 18),
        filled=round((width - 16) * share, 1),
        is_well=is_well,
    )
