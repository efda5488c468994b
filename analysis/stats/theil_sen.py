"""Theil-Sen line: a slope that a quarter of wild points cannot bend."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Line:
    """``y = intercept + slope * x`` with the interval of the slope."""

    slope: float
    intercept: float
    slope_low: float
    slope_high: float

    def at(self, x: float) -> float:
        """The line's value at ``x``."""
        return self.intercept + self.slope * x


def theil_sen(y: Sequence[float], x: Sequence[float], confidence: float = 0.95, limit: int = 400) -> Line | None:
    """Median of the slopes between all pairs; intercept ``median(y) - slope * median(x)``.

    The interval of the slope is Sen's, from Kendall's S with the usual correction for tied ``y``; it assumes
    independent points. Returns None for fewer than two distinct ``x``. Above ``limit`` points every n-th is
    taken, so that the work stays below ``limit**2 / 2`` pairs. Source: P. K. Sen, JASA 63 (1968) 1379-1389.

    >>> theil_sen([1, 2, 3, 4, 100], [0, 1, 2, 3, 4]).slope
    1.0
    """
    ys, xs = np.asarray(y, dtype=np.float64), np.asarray(x, dtype=np.float64)
    if ys.shape != xs.shape or ys.ndim != 1:
        raise ValueError(f"y has shape {ys.shape} and x has shape {xs.shape}; both must be one row of the same length")
    if ys.size > limit:
        step = -(-ys.size // limit)
        ys, xs = ys[::step], xs[::step]
    i, j = _pairs(xs.size)
    run = xs[j] - xs[i]
    apart = run != 0.0
    if not apart.any():
        return None
    slopes = np.sort((ys[j] - ys[i])[apart] / run[apart])
    middle = slopes.size // 2
    slope = float(slopes[middle] if slopes.size % 2 else 0.5 * (slopes[middle - 1] + slopes[middle]))
    intercept = float(np.median(ys) - slope * np.median(xs))
    low, high = _interval(slopes, xs, ys, confidence)
    return Line(slope, intercept, low, high)


@lru_cache(maxsize=4)
def _pairs(size: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Every pair of places in a row, once: the course of the drag asks for the same size again and again."""
    i, j = np.triu_indices(size, 1)
    return i, j


def _interval(
    slopes: NDArray[np.float64], xs: NDArray[np.float64], ys: NDArray[np.float64], confidence: float
) -> tuple[float, float]:
    def ties(values: NDArray[np.float64]) -> float:
        counts = np.unique(values, return_counts=True)[1]
        return float(np.sum(counts * (counts - 1) * (2 * counts + 5)))

    n = xs.size
    variance = (n * (n - 1) * (2 * n + 5) - ties(xs) - ties(ys)) / 18.0
    reach = NormalDist().inv_cdf(0.5 + confidence / 2.0) * max(0.0, variance) ** 0.5
    count = slopes.size
    upper = min(round((count + reach) / 2.0), count - 1)
    lower = max(round((count - reach) / 2.0) - 1, 0)
    return float(slopes[lower]), float(slopes[upper])
