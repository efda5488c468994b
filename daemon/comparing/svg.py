"""Charts as inline SVG, made by hand: no script, colours by CSS variables, so that one drawing serves light, dark and
paper. Text is real text, and every chart has a title for readers who do not see it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape


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


class Drawing:
    """Collects the pieces of one chart."""

    def __init__(self, width: float, height: float, title: str) -> None:
        self.width, self.height, self.title = width, height, title
        self._pieces: list[str] = []

    def line(self, x1: float, y1: float, x2: float, y2: float, kind: str) -> None:
        """A line; ``kind`` is its CSS class."""
        self._pieces.append(f'<line class="{kind}" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"/>')

    def path(self, points: Sequence[tuple[float, float]], kind: str) -> None:
        """A line through points."""
        steps = " ".join(f"{'M' if i == 0 else 'L'}{x:.1f} {y:.1f}" for i, (x, y) in enumerate(points))
        self._pieces.append(f'<path class="{kind}" d="{steps}"/>')

    def bar(self, x1: float, x2: float, y: float, height: float, kind: str) -> None:
        """A lying bar from ``x1`` to ``x2``, centred at ``y``."""
        left, right = min(x1, x2), max(x1, x2)
        self._pieces.append(
            f'<rect class="{kind}" x="{left:.1f}" y="{y - height / 2:.1f}" width="{right - left:.1f}" height="{height:.1f}"/>')

    def dot(self, x: float, y: float, radius: float, kind: str) -> None:
        """A disc."""
        self._pieces.append(f'<circle class="{kind}" cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}"/>')

    def diamond(self, x: float, y: float, size: float, kind: str) -> None:
        """A square on its corner."""
        corners = [(x, y - size), (x + size, y), (x, y + size), (x - size, y)]
        self._pieces.append(
            f'<polygon class="{kind}" points="{" ".join(f"{a:.1f},{b:.1f}" for a, b in corners)}"/>')

    def text(self, x: float, y: float, words: str, kind: str = "label", anchor: str = "start") -> None:
        """Text at a baseline."""
        self._pieces.append(f'<text class="{kind}" x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(words)}</text>')

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
        """The whole chart."""
        return (
            f'<svg role="img" viewBox="0 0 {self.width:.0f} {self.height:.0f}" aria-label="{escape(self.title, quote=True)}">'
            f"<title>{escape(self.title)}</title>{''.join(self._pieces)}</svg>")
