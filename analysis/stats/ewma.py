"""EWMA control chart (exponentially weighted moving average)."""

from __future__ import annotations

import math


class Ewma:
    """EWMA chart: ``z = share * x + (1 - share) * z`` against ``target -/+ width * sd * sqrt(share / (2 - share))``.

    A smaller ``share`` (lambda in the books; 0.05..0.4) sees smaller shifts, later. A larger ``width`` (L; 2.6..3)
    gives fewer false alarms. With ``exact`` the limits are the narrower ones that hold for the first samples,
    ``sqrt(share / (2 - share) * (1 - (1 - share)**(2 n)))``. The tabulated run lengths assume **independent** samples:
    whiten or block a correlated signal first (:mod:`analysis.stats.correlated`).

    Sources: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4; Lucas and Saccucci, Technometrics 32 (1990) 1-12.

    >>> chart = Ewma(target=50.0, sd=2.0539, share=0.3)
    >>> round(chart.update(52.0), 2), chart.signal
    (50.6, 0)
    """

    __slots__ = ("exact", "n", "sd", "share", "target", "width", "z")

    def __init__(
        self, target: float, sd: float, share: float = 0.2, width: float = 3.0, *, exact: bool = False
    ) -> None:
        if not 0.0 < share <= 1.0:
            raise ValueError(f"share is {share!r}; allowed are numbers above 0 and up to 1")
        if not sd > 0.0:
            raise ValueError(f"sd is {sd!r}; it must be positive")
        if not width > 0.0:
            raise ValueError(f"width is {width!r}; it must be positive")
        self.target, self.sd, self.share, self.width, self.exact = target, sd, share, width, exact
        self.z = target
        self.n = 0

    def update(self, x: float) -> float:
        """Take in one sample; the new average."""
        self.z += self.share * (x - self.z)
        self.n += 1
        return self.z

    def half_width(self) -> float:
        """Distance from the target to either limit, as of now, in the unit of the samples."""
        factor = self.share / (2.0 - self.share)
        if self.exact:
            factor *= 1.0 - (1.0 - self.share) ** (2 * self.n)
        return self.width * self.sd * math.sqrt(factor)

    @property
    def signal(self) -> int:
        """+1 above the upper limit, -1 below the lower limit, else 0."""
        gap = self.z - self.target
        if abs(gap) <= self.half_width():
            return 0
        return 1 if gap > 0.0 else -1

    def reset(self) -> None:
        """Start again from the target."""
        self.z, self.n = self.target, 0
