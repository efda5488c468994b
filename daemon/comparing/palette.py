"""Colours and strokes of the charts, once for the page (as CSS) and for pictures (as numbers)."""

from __future__ import annotations

from dataclasses import dataclass

LIGHT = {
    "paper": "#fbfaf7", "ink": "#20262b", "soft": "#5d676f", "line": "#d9d6cd", "before": "#1f6f8b", "after": "#b4541a",
    "duct": "#7a4f9a", "filter": "#a98a1d", "drawn": "#20262b", "good": "#2d7a4b", "bad": "#a33227", "wait": "#8a6d1a",
}
DARK = {
    "paper": "#171b1e", "ink": "#e7e4dc", "soft": "#a2a9ae", "line": "#3a4146", "before": "#6fc0db", "after": "#ee9a62",
    "duct": "#c39ae0", "filter": "#dcbf55", "drawn": "#f5f2ea", "good": "#79cf9c", "bad": "#f08a7d", "wait": "#e0c266",
}
PRINT = {**LIGHT, "paper": "#ffffff", "ink": "#000000", "soft": "#444444", "line": "#bbbbbb", "drawn": "#000000"}
"""On paper: black ink on white."""


@dataclass(frozen=True, slots=True)
class Look:
    """How a kind of shape is painted: names of colours for stroke and fill, width, opacity, dash and gap (0: whole)."""

    stroke: str | None = None
    fill: str | None = None
    width: float = 1.0
    opacity: float = 1.0
    dash: float = 0.0


LOOKS = {
    "grid": Look("line"), "zero": Look("soft", width=1.4), "ink": Look("ink", width=1.6), "thin": Look("soft", width=1.2),
    "curve": Look("soft", width=2.0), "move": Look("soft", width=1.2, dash=3.0), "found": Look("after", width=2.0),
    "duct": Look(fill="duct", opacity=0.75), "filter": Look(fill="filter", opacity=0.7), "drawn": Look("drawn", width=2.0),
    "before": Look(fill="before"), "after": Look(fill="after"), "spot": Look(fill="duct"),
    "heap before": Look(fill="before", opacity=0.45), "heap after": Look(fill="after", opacity=0.45),
    "mean before": Look("before", width=2.4), "mean after": Look("after", width=2.4), "doubt": Look(fill="after", opacity=0.16),
}
"""Every kind of shape. Text has kinds of its own, below."""

TEXTS = {"label": ("ink", 13.0, True), "tick": ("soft", 12.0, False)}
"""Kinds of text: colour, size, and whether it is bold."""


def css() -> str:
    """The charts' part of a style sheet: variables for light, dark and paper, and a rule for each kind."""

    def variables(colours: dict[str, str]) -> str:
        return "".join(f"--{name}:{value};" for name, value in colours.items())

    rules = [
        f":root{{{variables(LIGHT)}color-scheme:light dark}}",
        f"@media (prefers-color-scheme:dark){{:root{{{variables(DARK)}}}}}",
        f"@media print{{:root{{{variables(PRINT)}}}section{{break-inside:avoid}}}}",
    ]
    for kind, look in LOOKS.items():
        parts = [f"stroke:{_colour(look.stroke)}", f"fill:{_colour(look.fill)}", f"stroke-width:{look.width:g}"]
        if look.opacity < 1.0:
            parts.append(f"opacity:{look.opacity:g}")
        if look.dash:
            parts.append(f"stroke-dasharray:{look.dash:g} {look.dash:g}")
        rules.append(f"svg .{kind.replace(' ', '.')}{{{';'.join(parts)}}}")
    for kind, (colour, size, bold) in TEXTS.items():
        rules.append(
            f"svg text.{kind}{{fill:var(--{colour});font:{'600 ' if bold else ''}{size:g}px system-ui,sans-serif}}")
    return "\n".join(rules)


def _colour(name: str | None) -> str:
    return "none" if name is None else f"var(--{name})"
