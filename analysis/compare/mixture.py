"""A mixture of normal distributions: quantiles, tail probabilities, and Holm's correction for many claims at once."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Interval:
    """A value with its 95 % interval, its standard deviation and the two-sided probability ``p`` of a value as far from
    zero if nothing had changed."""

    value: float
    low: float
    high: float
    sd: float
    p: float = 1.0


@dataclass(frozen=True, slots=True)
class Mixture:
    """Normal distributions with weights that sum to one."""

    weight: tuple[float, ...]
    mean: tuple[float, ...]
    sd: tuple[float, ...]

    def below(self, x: float) -> float:
        """Probability of a value below ``x``."""
        return sum(
            w * (0.5 * math.erfc((m - x) / (s * math.sqrt(2.0))) if s > 0.0 else float(x >= m))
            for w, m, s in zip(self.weight, self.mean, self.sd, strict=True))

    def quantile(self, share: float) -> float:
        """The value that lies above ``share`` (0 < share < 1) of the distribution, by halving."""
        low = min(m - 12.0 * s for m, s in zip(self.mean, self.sd, strict=True)) - 1e-12
        high = max(m + 12.0 * s for m, s in zip(self.mean, self.sd, strict=True)) + 1e-12
        for _ in range(200):
            middle = 0.5 * (low + high)
            if self.below(middle) < share:
                low = middle
            else:
                high = middle
            if high - low < 1e-9:
                break
        return 0.5 * (low + high)

    def interval(self, confidence: float = 0.95) -> Interval:
        """Mean, interval, standard deviation and the probability of the null."""
        mean = sum(w * m for w, m in zip(self.weight, self.mean, strict=True))
        variance = sum(
            w * (s * s + (m - mean) ** 2) for w, m, s in zip(self.weight, self.mean, self.sd, strict=True))
        tail = 0.5 * (1.0 - confidence)
        below = self.below(0.0)
        return Interval(
            mean, self.quantile(tail), self.quantile(1.0 - tail), math.sqrt(variance), 2.0 * min(below, 1.0 - below))


def holm(p: Sequence[float]) -> list[float]:
    """Holm's step-down adjustment: with these, every claim at 0.05 together errs at most once in twenty times.

    Valid however the claims depend on each other. S. Holm, Scandinavian Journal of Statistics 6 (1979) 65-70.

    >>> [round(v, 3) for v in holm([0.01, 0.04, 0.03])]
    [0.03, 0.06, 0.06]
    """
    order = sorted(range(len(p)), key=lambda i: p[i])
    adjusted = [0.0] * len(p)
    most = 0.0
    for rank, i in enumerate(order):
        most = max(most, min(1.0, (len(p) - rank) * p[i]))
        adjusted[i] = most
    return adjusted
