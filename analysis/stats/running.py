"""Running moments: of all samples so far (:class:`Moments`), or with fading memory (:class:`FadingMoments`)."""

from __future__ import annotations

import math
from collections.abc import Mapping


class Moments:
    """Mean and variance of everything seen, by Welford's update, which does not lose digits to a large mean.

    ``weight`` lets a sample count more or less than one. Source: B. P. Welford, Technometrics 4 (1962) 419-420; the
    weighted form is D. H. D. West, Comm. ACM 22 (1979) 532-535.

    >>> m = Moments()
    >>> for x in (2.0, 4.0, 4.0, 4.0, 5.0, 5.0, 7.0, 9.0):
    ...     m.update(x)
    >>> m.mean, m.variance(ddof=0)
    (5.0, 4.0)
    """

    __slots__ = ("_m2", "mean", "n")

    def __init__(self) -> None:
        self.n = 0.0
        self.mean = 0.0
        self._m2 = 0.0

    def update(self, x: float, weight: float = 1.0) -> None:
        """Take in one sample. ``weight`` must be positive."""
        self.n += weight
        gap = x - self.mean
        self.mean += gap * weight / self.n
        self._m2 += weight * gap * (x - self.mean)

    def variance(self, ddof: float = 1.0) -> float | None:
        """Variance with ``ddof`` degrees taken off; None until there are more samples than that."""
        if self.n <= ddof:
            return None
        return max(0.0, self._m2 / (self.n - ddof))

    def sd(self) -> float | None:
        """Sample standard deviation, None below two samples."""
        variance = self.variance()
        return None if variance is None else math.sqrt(variance)

    def snapshot(self) -> dict[str, float]:
        """Plain numbers for a restart."""
        return {"n": self.n, "mean": self.mean, "m2": self._m2}

    @classmethod
    def restored(cls, data: Mapping[str, float]) -> Moments:
        """The inverse of :meth:`snapshot`."""
        made = cls()
        made.n, made.mean, made._m2 = float(data["n"]), float(data["mean"]), float(data["m2"])
        return made


class FadingMoments:
    """Mean and variance that forget with a time constant, in event time, so that gaps and odd frame periods do no harm.

    Each sample gets the share ``1 - exp(-dt / tau_s)``, where ``dt`` is the time since the last one; while less than
    ``tau_s`` has been seen the mean is that of all samples so far, so there is no bias towards the first. ``weight`` is
    the amount of time behind the mean, at most ``tau_s``.

    >>> m = FadingMoments(tau_s=100.0)
    >>> for i in range(50):
    ...     m.update(7.0 + (-1.0) ** i, dt_s=1.0)
    >>> abs(m.mean - 7.0) < 0.05, abs(m.variance - 1.0) < 0.1
    (True, True)
    """

    __slots__ = ("mean", "tau_s", "variance", "weight")

    def __init__(self, tau_s: float) -> None:
        if not tau_s > 0.0:
            raise ValueError(f"tau_s is {tau_s!r}; it must be positive")
        self.tau_s = tau_s
        self.weight = 0.0
        self.mean = 0.0
        self.variance = 0.0

    def update(self, x: float, dt_s: float) -> None:
        """Take in a sample that stands for the last ``dt_s`` seconds [s]; nothing happens for ``dt_s <= 0``."""
        if dt_s <= 0.0:
            return
        weight = self.weight + dt_s
        share = max(dt_s / weight, -math.expm1(-dt_s / self.tau_s))
        self.weight = min(weight, self.tau_s)
        gap = x - self.mean
        self.mean += share * gap
        self.variance = (1.0 - share) * (self.variance + share * gap * gap)

    @property
    def known(self) -> bool:
        """Whether anything has been seen."""
        return self.weight > 0.0

    def snapshot(self) -> dict[str, float]:
        """Plain numbers for a restart."""
        return {"weight": self.weight, "mean": self.mean, "variance": self.variance}

    def restore(self, data: Mapping[str, float]) -> None:
        """Take back a :meth:`snapshot`; the time constant stays as constructed."""
        self.weight, self.mean, self.variance = float(data["weight"]), float(data["mean"]), float(data["variance"])
