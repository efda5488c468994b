"""Tabular two-sided CUSUM (cumulative sum) chart."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(slots=True)
class Cusum:
    """Two one-sided sums: ``high = max(0, high + x - target - k)``, ``low = max(0, low + target - k - x)``.

    ``k`` (the slack) is half the shift that matters, ``h`` the decision limit, both in the unit of the samples; with
    ``k`` 0.5 sd and ``h`` 4..5 sd a shift of one sd is seen after about ten samples. A larger ``h`` gives fewer false
    alarms. ``since_high``/``since_low`` count the samples since the sum was last zero: the change began about then. The
    tabulated run lengths assume **independent** samples.

    Sources: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3; E. S. Page, Biometrika 41 (1954) 100-115.

    >>> chart = Cusum(target=325.0, k=0.3175, h=4.1959)
    >>> for x in (324.925, 324.675, 324.725, 324.350, 325.350):
    ...     chart.update(x)
    >>> round(chart.high, 4), round(chart.low, 4), chart.signal
    (0.0325, 0.0, 0)
    """

    target: float
    k: float
    h: float
    high: float = 0.0
    low: float = 0.0
    since_high: int = 0
    since_low: int = 0

    def __post_init__(self) -> None:
        if self.k < 0.0 or not self.h > 0.0:
            raise ValueError(f"k is {self.k!r} and h is {self.h!r}; k must not be negative and h must be positive")

    def update(self, x: float) -> None:
        """Take in one sample."""
        gap = x - self.target
        high = self.high + gap - self.k
        if high > 0.0:
            self.high = high
            self.since_high += 1
        else:
            self.high, self.since_high = 0.0, 0
        low = self.low - gap - self.k
        if low > 0.0:
            self.low = low
            self.since_low += 1
        else:
            self.low, self.since_low = 0.0, 0

    @property
    def signal(self) -> int:
        """+1 when the upper sum is beyond ``h``, -1 when the lower one is, else 0."""
        if self.high > self.h and self.high >= self.low:
            return 1
        return -1 if self.low > self.h else 0

    def reset(self) -> None:
        """Both sums back to zero."""
        self.high = self.low = 0.0
        self.since_high = self.since_low = 0
