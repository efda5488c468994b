"""Shape-preserving cubic interpolation (Fritsch and Carlson 1980, slopes after Fritsch and Butland 1984).

Own and small, because scipy is too heavy for the daemon; the tests hold it against scipy's ``PchipInterpolator``.
"""

from __future__ import annotations

import bisect
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Cubic:
    """A piecewise cubic through ``knots``/``values`` with ``slopes`` there; straight lines beyond both ends.

    ``coefficients`` hold, per stretch, c0..c3 of c0 + c1 d + c2 d^2 + c3 d^3 with d the distance from its left knot.
    """

    knots: tuple[float, ...]
    values: tuple[float, ...]
    slopes: tuple[float, ...]
    end_slopes: tuple[float, float]
    coefficients: tuple[tuple[float, float, float, float], ...]
    _arrays: tuple[Array, Array] | None = field(default=None, init=False, repr=False, compare=False)

    def _tables(self) -> tuple[Array, Array]:
        """Knots, and for arrays left knot and c0..c3 of each stretch, the lines beyond the ends among them."""
        import numpy as np

        before = (self.knots[0], self.values[0], self.end_slopes[0], 0.0, 0.0)
        beyond = (self.knots[-1], self.values[-1], self.end_slopes[1], 0.0, 0.0)
        within = ((knot, *row) for knot, row in zip(self.knots[:-1], self.coefficients, strict=True))
        arrays = np.array(self.knots), np.array([before, *within, beyond]).T.copy()
        object.__setattr__(self, "_arrays", arrays)
        return arrays

    def with_ends(self, before: float, beyond: float) -> Cubic:
        """The same curve with other slopes of the straight lines before the first and beyond the last knot."""
        return replace(self, end_slopes=(before, beyond))

    def scalar(self, x: float) -> tuple[float, float]:
        """Value and slope at one ``x``."""
        knots = self.knots
        if x < knots[0]:
            return self.values[0] + self.end_slopes[0] * (x - knots[0]), self.end_slopes[0]
        if x > knots[-1]:
            return self.values[-1] + self.end_slopes[1] * (x - knots[-1]), self.end_slopes[1]
        i = min(bisect.bisect_right(knots, x) - 1, len(knots) - 2)
        c0, c1, c2, c3 = self.coefficients[i]
        d = x - knots[i]
        return c0 + d * (c1 + d * (c2 + d * c3)), c1 + d * (2.0 * c2 + d * 3.0 * c3)

    def array(self, x: Array) -> tuple[Array, Array]:
        """Values and slopes at an array ``x``."""
        knots, table = self._arrays or self._tables()
        knot, c0, c1, c2, c3 = table[:, knots.searchsorted(x, side="right")]
        d = x - knot
        c3 *= d
        slope = c2 + c3
        value = c0 + d * (c1 + d * slope)
        slope += slope + c3
        slope *= d
        slope += c1
        return value, slope


def between(x: float, knots: Sequence[float], values: Sequence[float]) -> float:
    """The straight line between two of the points ``knots`` (increasing) and ``values`` at ``x``; held beyond the ends.

    >>> between(1.25, (1.0, 1.5), (0.2, 0.4)).__round__(3)
    0.3
    """
    at = bisect.bisect_right(knots, x)
    if at in (0, len(knots)):
        return float(values[min(at, len(knots) - 1)])
    share = (x - knots[at - 1]) / (knots[at] - knots[at - 1])
    return values[at - 1] + share * (values[at] - values[at - 1])


def shape_preserving(x: Sequence[float], y: Sequence[float]) -> Cubic:
    """The cubic through the points ``x`` (increasing, two at least) and ``y`` that never overshoots them.

    Where the points rise or fall, so does the curve; a local highest or lowest point stays one.

    >>> shape_preserving([0.0, 1.0, 2.0], [0.0, 1.0, 1.0]).scalar(1.5)
    (1.0, 0.0)
    """
    n = len(x)
    width = [x[i + 1] - x[i] for i in range(n - 1)]
    rise = [(y[i + 1] - y[i]) / width[i] for i in range(n - 1)]
    slopes = [0.0] * n
    if n == 2:
        slopes = [rise[0], rise[0]]
    else:
        for i in range(1, n - 1):
            if rise[i - 1] * rise[i] > 0.0:
                left, right = 2.0 * width[i] + width[i - 1], width[i] + 2.0 * width[i - 1]
                slopes[i] = (left + right) / (left / rise[i - 1] + right / rise[i])
        slopes[0] = _end(width[0], width[1], rise[0], rise[1])
        slopes[-1] = _end(width[-1], width[-2], rise[-1], rise[-2])
    rows = []
    for i in range(n - 1):
        c2 = (3.0 * rise[i] - 2.0 * slopes[i] - slopes[i + 1]) / width[i]
        c3 = (slopes[i] + slopes[i + 1] - 2.0 * rise[i]) / width[i] ** 2
        rows.append((float(y[i]), slopes[i], c2, c3))
    return Cubic(
        tuple(map(float, x)), tuple(map(float, y)), tuple(slopes), (slopes[0], slopes[-1]), tuple(rows),
    )


def _end(width: float, next_width: float, rise: float, next_rise: float) -> float:
    """Slope at an end by the three-point formula, cut back where it would overshoot."""
    slope = ((2.0 * width + next_width) * rise - width * next_rise) / (width + next_width)
    if slope * rise <= 0.0:
        return 0.0
    if rise * next_rise <= 0.0 and abs(slope) > 3.0 * abs(rise):
        return 3.0 * rise
    return slope
