"""Drag of the bags over a month as a drawing (SVG) that prints in black on white."""

from __future__ import annotations

from collections.abc import Sequence

from daemon.record.facts import CleaningFacts, DragPoint
from daemon.record.period import Month

WIDTH, HEIGHT = 720.0, 190.0
LEFT, RIGHT, TOP, BOTTOM = 40.0, 8.0, 20.0, 22.0
GAP_S = 14 * 3600.0
"""Hours further apart than a night are not joined by a line."""


def drag_plot(
    month: Month, points: Sequence[DragPoint], cleanings: Sequence[CleaningFacts], clean_at: float | None
) -> str:
    """An ``<svg>`` element: mean drag by the hour with its span, each cleaning as a dashed line, and the drag at which
    the owner wants to be told (``clean_at``). "" where there is no point."""
    if not points:
        return ""
    top = max(2.0, 0.1 + max(point.mean for point in points), 0.1 + (clean_at or 0.0))
    low = min(0.8, min(point.mean for point in points) - 0.1)

    def x(t: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * (t - month.start_t) / (month.end_t - month.start_t)

    def y(ratio: float) -> float:
        return TOP + (HEIGHT - TOP - BOTTOM) * (top - min(max(ratio, low), top)) / (top - low)

    parts = [
        f'<svg class="plot" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" role="img" '
        'aria-label="Drag of the filter bags over clean, hour by hour">',
    ]
    for ratio in _ticks(low, top):
        parts.append(f'<line class="rule" x1="{LEFT:g}" x2="{WIDTH - RIGHT:g}" y1="{y(ratio):.1f}" y2="{y(ratio):.1f}"/>')
        parts.append(f'<text class="side" x="{LEFT - 5:g}" y="{y(ratio) + 4:.1f}">{ratio:g}</text>')
    for number, edge in enumerate(month.edges[:-1]):
        height = 6 if number % 7 == 0 else 3
        parts.append(f'<line class="axis" x1="{x(edge):.1f}" x2="{x(edge):.1f}" y1="{HEIGHT - BOTTOM:g}" '
                     f'y2="{HEIGHT - BOTTOM + height:g}"/>')
        if number % 7 == 0:
            parts.append(f'<text x="{x(edge):.1f}" y="{HEIGHT - 4:g}">{number + 1}</text>')
    parts.append(f'<line class="axis" x1="{LEFT:g}" x2="{WIDTH - RIGHT:g}" y1="{HEIGHT - BOTTOM:g}" y2="{HEIGHT - BOTTOM:g}"/>')
    if clean_at is not None:
        parts.append(f'<line class="limit" x1="{LEFT:g}" x2="{WIDTH - RIGHT:g}" y1="{y(clean_at):.1f}" y2="{y(clean_at):.1f}"/>')
        parts.append(f'<text class="end" x="{WIDTH - RIGHT:g}" y="{y(clean_at) - 4:.1f}">clean at {clean_at:g}</text>')
    for found in cleanings:
        at = x(found.entry.t)
        parts.append(f'<line class="cleaned" x1="{at:.1f}" x2="{at:.1f}" y1="{TOP:g}" y2="{HEIGHT - BOTTOM:g}"/>')
        parts.append(f'<text class="mid" x="{at:.1f}" y="{TOP - 6:g}">{found.entry.kind}</text>')
    for point in points:
        parts.append(f'<line class="span" x1="{x(point.t):.1f}" x2="{x(point.t):.1f}" y1="{y(point.least):.1f}" '
                     f'y2="{y(point.most):.1f}"/>')
    times = [found.entry.t for found in cleanings]
    parts += [f'<polyline points="{" ".join(f"{x(p.t):.1f},{y(p.mean):.1f}" for p in stretch)}"/>'
              for stretch in _stretches(points, times)]
    parts += [f'<circle cx="{x(p.t):.1f}" cy="{y(p.mean):.1f}" r="1.3"/>' for p in points]
    parts.append("</svg>")
    return "".join(parts)


def _ticks(low: float, top: float) -> list[float]:
    step = 0.25 if top - low <= 2.0 else 0.5 if top - low <= 4.0 else 1.0
    first = int(low / step) + 1
    return [step * number for number in range(first, int(top / step) + 1)]


def _stretches(points: Sequence[DragPoint], cuts: Sequence[float]) -> list[list[DragPoint]]:
    """Points that belong on one line: no long pause and no cleaning between them."""
    found: list[list[DragPoint]] = []
    for point in points:
        last = found[-1][-1] if found else None
        if last is None or point.t - last.t > GAP_S or any(last.t < cut <= point.t for cut in cuts):
            found.append([])
        found[-1].append(point)
    return found
