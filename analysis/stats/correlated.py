"""Correlated samples: how many independent ones they are worth, and how to make blocks that are nearly independent."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray


def autocorrelation(x: Sequence[float] | NDArray[np.float64], lags: int) -> NDArray[np.float64]:
    """Sample autocorrelation at lags 0..``lags`` (divisor n, the usual biased form).

    A row without any variation gives 1 at lag 0 and 0 elsewhere.

    >>> [round(float(r), 2) for r in autocorrelation([1.0, 2.0, 3.0, 4.0], 1)]
    [1.0, 0.25]
    """
    values = np.asarray(x, dtype=np.float64)
    n = values.size
    if n < 2:
        raise ValueError(f"{n} samples; at least 2 are needed")
    lags = min(lags, n - 1)
    values = values - values.mean()
    power = float(values @ values)
    result = np.zeros(lags + 1)
    result[0] = 1.0
    if power > 0.0:
        for lag in range(1, lags + 1):
            result[lag] = float(values[:-lag] @ values[lag:]) / power
    return result


def effective_size(x: Sequence[float] | NDArray[np.float64]) -> float:
    """Number of independent samples that would give the mean of ``x`` the same uncertainty [-], between 1 and n.

    ``n / (1 + 2 sum(rho))``, summed over lags while the sum of two neighbouring correlations stays positive (Geyer's
    initial positive sequence), which stops before the noise of the far lags. Source: C. J. Geyer, Statistical Science 7
    (1992) 473-483.
    """
    values = np.asarray(x, dtype=np.float64)
    n = values.size
    if n < 4 or not np.ptp(values) > 0.0:
        return float(n)
    rho = autocorrelation(values, n // 2)
    total = 1.0
    for lag in range(1, rho.size - 1, 2):
        pair = float(rho[lag] + rho[lag + 1])
        if pair <= 0.0:
            break
        total += 2.0 * pair
    # The first lag alone counts where its pair is already negative: an alternating row is worth more than n, cut at n.
    return float(min(n, max(1.0, n / total)))


def ar1_effective_size(n: float, rho: float) -> float:
    """Effective number of samples for a first-order process with lag-one correlation ``rho``: ``n (1-rho)/(1+rho)``.

    Valid for ``n`` much larger than ``1 / (1 - rho)``; never below 1 nor above n.

    >>> ar1_effective_size(300.0, 0.5)
    100.0
    """
    rho = min(max(rho, 0.0), 0.999)
    return min(n, max(1.0, n * (1.0 - rho) / (1.0 + rho)))


class LagOne:
    """Lag-one correlation of a stream with fading memory, in constant memory.

    Each sample gets the share ``share``; :attr:`rho` is None until ``1 / share`` samples were seen.
    """

    __slots__ = ("_cross", "_last", "_mean", "_n", "_power", "share")

    def __init__(self, share: float = 0.01) -> None:
        if not 0.0 < share < 1.0:
            raise ValueError(f"share is {share!r}; allowed are numbers between 0 and 1")
        self.share = share
        self._n = 0
        self._mean = self._power = self._cross = 0.0
        self._last = math.nan

    def update(self, x: float) -> None:
        """Take in the next sample; call :meth:`gap` first when samples are missing between."""
        share = max(self.share, 1.0 / (self._n + 1))
        self._n += 1
        gap = x - self._mean
        self._mean += share * gap
        self._power += share * (gap * gap - self._power)
        if self._last == self._last:
            self._cross += share * (gap * (self._last - self._mean) - self._cross)
        self._last = x

    def gap(self) -> None:
        """Samples are missing: the next one has no neighbour."""
        self._last = math.nan

    @property
    def rho(self) -> float | None:
        """Lag-one correlation, -1..1, or None while unknown."""
        if self._n * self.share < 1.0 or self._power <= 0.0:
            return None
        return min(1.0, max(-1.0, self._cross / self._power))
