"""
Contrast of the style sheet's colours, light, dark and printed.

Source: WCAG 2.2, "relative luminance", "contrast ratio", success criteria 1.4.3 (text, 4.5) and 1.4.11 (graphics, 3).
"""

from __future__ import annotations

import re

import pytest

from gatekeep.model.evidence import Outcome
from gatekeep.report.site.badge import render_target_badge
from gatekeep.report.site.page import list_assets
from tests.cases import broken
from tests.site_cases import image, make_health

STYLE = next(content for path, content in list_assets().items() if path.endswith(".css"))
TEXT = ("ink", "soft", "link", "well", "late", "near")
GROUNDS = ("paper", "sheet")
#: What a reader must tell from its ground to understand a drawing.
GRAPHICS = (
    ("gauge", "rest"),
    ("gauge", "paper"),
    ("gauge", "sheet"),
    ("edge", "rest"),
    ("edge", "sheet"),
    ("edge", "paper"),
    ("late", "mark"),
    ("late", "paper"),
    ("near", "sheet"),
    ("near", "paper"),
    ("ink", "rest"),
    ("link", "paper"),
)


def read_palettes() -> dict[str, dict[str, str]]:
    blocks = re.findall(r":root \{([^}]*)\}", STYLE)
    light, dark, printed = (dict(re.findall(r"--([a-z]+): (#[0-9a-f]{3,6})", block)) for block in blocks[:3])
    return {"light": light, "dark": light | dark, "print": light | printed}


def luminance(colour: str) -> float:
    digits = colour[1:] if len(colour) == 7 else "".join(2 * digit for digit in colour[1:])
    channels = [int(digits[at : at + 2], 16) / 255 for at in (0, 2, 4)]
    linear = [value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4 for value in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_the_standards():
    # WCAG 2.2: white on black is 21:1; #777 on white is the well-known 4.48:1 that just fails.
    assert contrast("#ffffff", "#000000") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


@pytest.mark.parametrize("palette", ["light", "dark", "print"])
@pytest.mark.parametrize("ground", GROUNDS)
@pytest.mark.parametrize("text", TEXT)
def test_text_can_be_read(palette: str, ground: str, text: str):
    colours = read_palettes()[palette]
    assert contrast(colours[text], colours[ground]) >= 4.5


@pytest.mark.parametrize("palette", ["light", "dark", "print"])
def test_marked_text_can_be_read(palette: str):
    colours = read_palettes()[palette]
    assert contrast(colours["ink"], colours["mark"]) >= 4.5
    assert contrast(colours["late"], colours["mark"]) >= 4.5


@pytest.mark.parametrize("palette", ["light", "dark", "print"])
@pytest.mark.parametrize(("figure", "ground"), GRAPHICS)
def test_drawings_can_be_told_from_their_ground(palette: str, figure: str, ground: str):
    colours = read_palettes()[palette]
    assert contrast(colours[figure], colours[ground]) >= 3


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("outcome", [image(), broken()])
def test_badges_can_be_read(scheme: str, outcome: Outcome):
    badge = render_target_badge(make_health({"arm/mere": [(0, 5, outcome)]}).targets[0])
    light, dark = badge.split("@media (prefers-color-scheme: dark)")
    colours = dict(re.findall(r"\.([a-z]+) \{ fill: (#[0-9a-f]{6})", light if scheme == "light" else dark))
    assert set(colours) == {"paper", "name", "words", "rest", "share"}
    assert contrast(colours["name"], colours["paper"]) >= 4.5
    assert contrast(colours["words"], colours["paper"]) >= 4.5
    assert contrast(colours["share"], colours["rest"]) >= 3
    assert contrast(colours["share"], colours["paper"]) >= 3
