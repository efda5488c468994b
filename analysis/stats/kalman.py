"""Scalar local-level Kalman filter: a level that wanders, seen through noise."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(slots=True)
class LocalLevel:
    """``level[t+1] = level[t] + wander``, ``y[t] = level[t] + noise``; ``mean`` and ``variance`` are the level's.

    :meth:`predict` adds wander, :meth:`update` takes in one observation with its own variance; leaving out the update
    is how a missing observation is treated. Source: J. Durbin and S. J. Koopman, *Time Series Analysis by State Space
    Methods*, 2nd ed. 2012, section 2.2.

    >>> level = LocalLevel(mean=0.0, variance=1.0)
    >>> level.update(2.0, noise_variance=1.0)
    2.0
    >>> level.mean, level.variance
    (1.0, 0.5)
    """

    mean: float
    variance: float

    def predict(self, wander_variance: float) -> None:
        """Let time pass: the level may have moved by a random step of this variance."""
        self.variance += wander_variance

    def update(self, y: float, noise_variance: float) -> float:
        """Take in one observation; returns the innovation ``y - mean`` as it was before."""
        innovation = y - self.mean
        gain = self.variance / (self.variance + noise_variance)
        self.mean += gain * innovation
        self.variance *= 1.0 - gain
        return innovation

    def log_likelihood(self, y: float, noise_variance: float) -> float:
        """Log of the density of ``y`` as predicted, before the update."""
        total = self.variance + noise_variance
        return -0.5 * (math.log(2.0 * math.pi * total) + (y - self.mean) ** 2 / total)

    def snapshot(self) -> dict[str, float]:
        """Plain numbers for a restart."""
        return {"mean": self.mean, "variance": self.variance}

    @classmethod
    def restored(cls, data: Mapping[str, float]) -> LocalLevel:
        """The inverse of :meth:`snapshot`."""
        return cls(float(data["mean"]), float(data["variance"]))
