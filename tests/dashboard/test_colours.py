"""Contrast of the colours, computed from the style sheet by the formula of WCAG 2.2 (relative luminance, contrast ratio)."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import dashboard

CSS = (Path(dashboard.__file__).parent / "static" / "app.css").read_text()
TEXTS = ["ink", "ink-2", "work", "ok", "plan", "soon", "stop", "wait"]
LINES = ["s1", "s2", "s3", "s4", "s5", "line-2"]


def palettes() -> dict[str, dict[str, str]]:
    blocks = re.findall(r":root \{(.*?)\}", CSS, re.S)
    light = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", blocks[0]))
    dark = light | dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", blocks[1]))
    return {"light": light, "dark": dark}


def luminance(colour: str) -> float:
    """WCAG 2.2, definition of relative luminance (sRGB)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, definition of contrast ratio."""
    bright, dim = sorted((luminance(one), luminance(other)), reverse=True)
    return (bright + 0.05) / (dim + 0.05)


def test_the_formula_on_its_known_ends() -> None:
    """Black on white is 21:1 by the definition; #767676 on white is the lightest grey that reaches 4.5 (W3C, G18)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("text", TEXTS)
def test_text_reaches_four_and_a_half_to_one(scheme: str, text: str) -> None:
    colours = palettes()[scheme]
    grounds = ["paper", "sheet"] + ([f"{text}-bg"] if f"{text}-bg" in colours else [])
    if text in ("ink",):
        grounds += [name for name in colours if name.endswith("-bg")]
    for ground in grounds:
        assert contrast(colours[text], colours[ground]) >= 4.5, ground


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_buttons_and_counts_reach_it_too(scheme: str) -> None:
    colours = palettes()[scheme]
    assert contrast(colours["work-ink"], colours["work"]) >= 4.5
    assert contrast(colours["paper"], colours["stop"]) >= 4.5


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_lines_and_edges_reach_three_to_one(scheme: str) -> None:
    """WCAG 2.2, 1.4.11: parts of graphics that carry meaning."""
    colours = palettes()[scheme]
    for name in LINES:
        assert contrast(colours[name], colours["sheet"]) >= 3.0, name
        if name.startswith("s"):
            assert contrast(colours[name], colours["band"]) >= 3.0, f"{name} on the band"
