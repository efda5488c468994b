"""The rule: a straight scale, like a carpenter's, that shows a reading against what the drawing expects.

Positions are shares 0..1 of the rule's length, so that the page only has to place marks.
"""

from __future__ import annotations

import math

from pydantic import BaseModel, Field

from dashboard.shapes import Axis
from dashboard.words import decimal_text


class Tick(BaseModel):
    """A mark with its number."""

    at: float = Field(examples=[0.25])
    shown: str = Field(examples=["4"])


class RuleOut(BaseModel):
    """Where the marks of a rule stand. ``low``..``high`` is the expected band; None where there is none."""

    ticks: list[Tick]
    value: float | None = Field(default=None, examples=[0.52])
    expected: float | None = Field(default=None, examples=[0.5])
    low: float | None = Field(default=None, examples=[0.46])
    high: float | None = Field(default=None, examples=[0.54])
    limit: float | None = Field(default=None, examples=[0.9])


def nice_step(span: float, steps: int) -> float:
    """The 1-2-5 step that divides ``span`` into about ``steps`` parts.

    >>> nice_step(12.0, 5), nice_step(0.9, 5)
    (2.0, 0.2)
    """
    raw = span / steps
    power = 10.0 ** math.floor(math.log10(raw))
    for lead in (1.0, 2.0, 5.0, 10.0):
        if raw <= lead * power * (1 + 1e-9):
            # Round away what the multiplication by a power of ten leaves behind.
            return float(f"{lead * power:.6g}")
    raise AssertionError("unreachable: raw is below ten times its own power of ten")


def rule(
    axis: Axis,
    value: float | None,
    expected: float | None,
    band: tuple[float, float] | None,
    reach: tuple[float, float],
    limit: float | None = None,
) -> RuleOut:
    """The rule for values in SI. ``reach`` is what the rule should at least span; it grows to hold value and band."""

    def shown(si: float) -> float:
        return si * axis.factor + axis.offset

    ends = [shown(si) for si in reach]
    if band is not None:
        ends += [shown(si) for si in band]
    if limit is not None:
        ends.append(shown(limit))
    low, high = min(ends), max(ends)
    # A hair beyond an end (the noise around zero) is no reason for a longer rule; the mark is then held at the end.
    hair = 0.02 * (high - low)
    if value is not None and not low - hair <= shown(value) <= high + hair:
        low, high = min(low, shown(value)), max(high, shown(value))
    if high - low < 1e-9:
        high = low + 1.0
    step = nice_step(high - low, 5)
    low, high = math.floor(low / step + 1e-9) * step, math.ceil(high / step - 1e-9) * step

    def place(si: float | None) -> float | None:
        return None if si is None else round(min(1.0, max(0.0, (shown(si) - low) / (high - low))), 4)

    count = round((high - low) / step)
    decimals = max(0, -math.floor(math.log10(step)))
    ticks = [Tick(at=round(i / count, 4), shown=decimal_text(low + i * step, decimals)) for i in range(count + 1)]
    edges = (None, None) if band is None else tuple(sorted((place(band[0]) or 0.0, place(band[1]) or 0.0)))
    return RuleOut(ticks=ticks, value=place(value), expected=place(expected), low=edges[0], high=edges[1], limit=place(limit))
