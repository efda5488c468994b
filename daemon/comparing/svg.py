"""Charts as lists of shapes: inline SVG for pages, SVG files for the dashboard, and the same shapes for pictures.

Made by hand: no script, colours by kind (:mod:`daemon.comparing.palette`), so that one drawing serves light, dark and
paper. Text is real text, and every chart has a title for readers who do not see it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Literal

What = Literal["line", "path", "bar", "dot", "diamond", "area", "text"]
Anchor = Literal["start", "middle", "end"]


@dataclass(frozen=True, slots=True)
class Scale:
    """A straight scale from values to places."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """The place of a value, held within the drawing."""
        share = (value - self.low) / (self.high - self.low)
        return self.start + min(max(share, 0.0), 1.0) * (self.end - self.start)


def ticks(low: float, high: float, about: int = 5) -> list[float]:
    """Round numbers between ``low`` and ``high``, about so many.

    >>> ticks(-4.2, 7.0)
    [-4.0, -2.0, 0.0, 2.0, 4.0, 6.0]
    """
    raw = (high - low) / max(about, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= 0.7 * raw)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(k * step, 10) + 0.0 for k in range(first, last + 1)]


def number(value: float) -> str:
    """A tick's label with a real minus sign.

    >>> number(-2.0), number(0.5)
    ('−2', '0.5')
    """
    return f"{value:g}".replace("-", "−")


@dataclass(frozen=True, slots=True)
class Shape:
    """One piece of a chart. ``places``: x1 y1 x2 y2 of a line, x y pairs of a path, an area or a diamond, x y width height
    of a bar, x y radius of a dot, x y of a text."""

    what: What
    kind: str
    places: tuple[float, ...]
    words: str = ""
    anchor: Anchor = "start"

    def markup(self) -> str:
        """As SVG."""
        p = [f"{value:.1f}" for value in self.places]
        if self.what == "line":
            return f'<line class="{self.kind}" x1="{p[0]}" y1="{p[1]}" x2="{p[2]}" y2="{p[3]}"/>'
        if self.what == "bar":
            return f'<rect class="{self.kind}" x="{p[0]}" y="{p[1]}" width="{p[2]}" height="{p[3]}"/>'
        if self.what == "dot":
            return f'<circle class="{self.kind}" cx="{p[0]}" cy="{p[1]}" r="{p[2]}"/>'
        if self.what == "text":
            return f'<text class="{self.kind}" x="{p[0]}" y="{p[1]}" text-anchor="{self.anchor}">{escape(self.words)}</text>'
        pairs = " ".join(f"{x},{y}" for x, y in zip(p[::2], p[1::2], strict=True))
        return f'<{"polyline" if self.what == "path" else "polygon"} class="{self.kind}" points="{pairs}"/>'


@dataclass
class Drawing:
    """Collects the shapes of one chart."""

    width: float
    height: float
    title: str
    shapes: list[Shape] = field(default_factory=list)

    def line(self, x1: float, y1: float, x2: float, y2: float, kind: str) -> None:
        """A line; ``kind`` is one of the palette's."""
        self.shapes.append(Shape("line", kind, (x1, y1, x2, y2)))

    def path(self, points: Sequence[tuple[float, float]], kind: str) -> None:
        """A line through points."""
        self.shapes.append(Shape("path", kind, tuple(v for point in points for v in point)))

    def area(self, points: Sequence[tuple[float, float]], kind: str) -> None:
        """The inside of a line through points, closed."""
        self.shapes.append(Shape("area", kind, tuple(v for point in points for v in point)))

    def bar(self, x1: float, x2: float, y: float, height: float, kind: str) -> None:
        """A lying bar from ``x1`` to ``x2``, centred at ``y``."""
        left, right = min(x1, x2), max(x1, x2)
        self.shapes.append(Shape("bar", kind, (left, y - height / 2, right - left, height)))

    def dot(self, x: float, y: float, radius: float, kind: str) -> None:
        """A disc."""
        self.shapes.append(Shape("dot", kind, (x, y, radius)))

    def diamond(self, x: float, y: float, size: float, kind: str) -> None:
        """A square on its corner."""
        self.shapes.append(Shape("diamond", kind, (x, y - size, x + size, y, x, y + size, x - size, y)))

    def text(self, x: float, y: float, words: str, kind: str = "label", anchor: Anchor = "start") -> None:
        """Text at a baseline."""
        self.shapes.append(Shape("text", kind, (x, y), words, anchor))

    def whisker(self, scale: Scale, low: float, high: float, y: float, kind: str) -> None:
        """An interval with ends."""
        a, b = scale.at(low), scale.at(high)
        self.line(a, y, b, y, kind)
        for x in (a, b):
            self.line(x, y - 4, x, y + 4, kind)

    def bottom(self, scale: Scale, y: float, top: float, words: str) -> None:
        """Ticks, their labels, faint upright lines, and what the scale is of."""
        for value in ticks(scale.low, scale.high):
            x = scale.at(value)
            self.line(x, top, x, y, "zero" if value == 0.0 else "grid")
            self.text(x, y + 15, number(value), "tick", "middle")
        self.text((scale.start + scale.end) / 2, y + 32, words, "tick", "middle")

    def markup(self) -> str:
        """The whole chart as SVG."""
        pieces = "".join(shape.markup() for shape in self.shapes)
        return (
            f'<svg role="img" viewBox="0 0 {self.width:.0f} {self.height:.0f}" aria-label="{escape(self.title, quote=True)}">'
            f"<title>{escape(self.title)}</title>{pieces}</svg>")

    def picture(self, style: str, key: Sequence[tuple[str, str]]) -> str:
        """An SVG file that stands alone: with its style sheet, and with the key of its colours on top."""
        top, pieces, x = (26.0 if key else 0.0), [], 14.0
        for kind, words in key:
            pieces.append(f'<circle cx="{x:.0f}" cy="13" r="5" style="fill:var(--{kind})"/>')
            pieces.append(f'<text class="tick" x="{x + 10.0:.0f}" y="17">{escape(words)}</text>')
            x += 40.0 + 6.6 * len(words)
        body = "".join(shape.markup() for shape in self.shapes)
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width:.0f} {self.height + top:.0f}" '
            f'width="{self.width:.0f}" height="{self.height + top:.0f}"><title>{escape(self.title)}</title>'
            f"<style>{style}</style>{''.join(pieces)}<g transform=\"translate(0 {top:.0f})\">{body}</g></svg>\n")
