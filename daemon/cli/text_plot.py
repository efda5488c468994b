"""A small plot in plain text, for terminals of any kind."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Series:
    """Points drawn with one character; a later series draws over an earlier one."""

    symbol: str
    points: Sequence[tuple[float, float]]


def text_plot(
    series: Sequence[Series], x_label: str, y_label: str, width: int = 64, height: int = 16
) -> list[str]:
    """Lines of text with the series in a frame from zero to their largest values; points outside are left out.

    >>> print("\\n".join(text_plot([Series("o", [(0, 0), (10, 5)])], "flow", "pressure", 11, 3)))
    pressure
       5 |          o
     2.5 |
       0 |o
         +-----------
          0        10
    flow
    """
    high_x = _round_up(max((x for row in series for x, _ in row.points), default=1.0))
    high_y = _round_up(max((y for row in series for _, y in row.points), default=1.0))
    grid = [[" "] * width for _ in range(height)]
    for row in series:
        for x, y in row.points:
            if 0.0 <= x <= high_x and 0.0 <= y <= high_y:
                grid[height - 1 - round(y / high_y * (height - 1))][round(x / high_x * (width - 1))] = row.symbol
    ticks = {0: high_y, (height - 1) // 2: high_y * (1 - ((height - 1) // 2) / (height - 1)), height - 1: 0.0}
    margin = max(4, *(len(f"{value:.3g}") for value in ticks.values()))
    lines = [y_label]
    for index, cells in enumerate(grid):
        label = f"{ticks[index]:.3g}" if index in ticks else ""
        lines.append(f"{label:>{margin}} |{''.join(cells)}".rstrip())
    lines.append(f"{'':>{margin}} +{'-' * width}")
    lines.append(f"{'':>{margin + 2}}0{f'{high_x:g}':>{width - 1}}")
    lines.append(x_label)
    return lines


def _round_up(value: float) -> float:
    """The next round number: 1, 2, 2.5, 5 or 6, 8 times a power of ten."""
    if value <= 0.0:
        return 1.0
    scale = 1.0
    while value / scale > 10.0:
        scale *= 10.0
    while value / scale <= 1.0:
        scale /= 10.0
    return next(step * scale for step in (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0) if value <= step * scale)
