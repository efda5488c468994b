"""The zero of each channel, found again whenever the fan stands still."""

from __future__ import annotations

import math
from collections.abc import Mapping

WAIT_S = 60.0
"""Standstill before a reading counts as the zero: the wheel coasts down and the bags deflate (ours)."""
ENOUGH_S = 30.0
"""Standstill readings needed before a new zero is used [s]."""
BOUNDS = {"inlet_pa": 60.0, "filter_pa": 40.0, "pitot_pa": 25.0, "motor_a": 0.3}
"""The largest zero that is believed, SI of the channel: beyond it something else is wrong, such as wind in the
stack."""


class Zero:
    """Running zero of one channel: the mean of the standstill readings, with fading memory over ``TAU_S``.

    ``offset`` is what is to be taken off a reading; ``sd`` how well it is known. A zero beyond the bound is cut back
    to it and ``beyond`` says so. """

    TAU_S = 1800.0
    __slots__ = ("_bound", "_first_sd", "_last", "_mean", "_seen_s", "_since", "_spread", "beyond", "offset", "sd")

    def __init__(self, bound: float, sd: float) -> None:
        self._bound = bound
        self._first_sd = sd
        self._mean = 0.0
        self._spread = 0.0
        self._seen_s = 0.0
        self._since: float | None = None
        self._last = 0.0
        self.offset = 0.0
        self.sd = sd
        self.beyond = False

    def standing(self, t: float, value: float) -> None:
        """A reading while the fan is off."""
        if self._since is None or t < self._last:
            self._since, self._last = t, t
            # A new standstill replaces the old zero: what was learned before only holds until enough was seen.
            self._seen_s = 0.0
            return
        dt = min(t - self._last, 10.0)
        self._last = t
        if t - self._since < WAIT_S or dt <= 0.0:
            return
        weight = self._seen_s + dt
        share = max(dt / weight, -math.expm1(-dt / self.TAU_S))
        self._seen_s = min(weight, self.TAU_S)
        gap = value - self._mean
        self._mean = value if weight == dt else self._mean + share * gap
        self._spread = 0.0 if weight == dt else (1.0 - share) * (self._spread + share * gap * gap)
        if self._seen_s >= ENOUGH_S:
            self.beyond = abs(self._mean) > self._bound
            self.offset = min(max(self._mean, -self._bound), self._bound)
            # Standstill noise is slow (draughts), so 30 s count as one independent look.
            self.sd = min(self._first_sd, math.sqrt(self._spread * 30.0 / self._seen_s) + 0.1 * self._first_sd)

    def running(self) -> None:
        """The fan is not off: the next standstill starts a new wait."""
        self._since = None

    def snapshot(self) -> dict[str, object]:
        """Plain values for a restart."""
        return {"offset": self.offset, "sd": self.sd, "beyond": self.beyond}

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a :meth:`snapshot`."""
        offset, sd = data.get("offset"), data.get("sd")
        if isinstance(offset, int | float) and isinstance(sd, int | float) and abs(offset) <= self._bound and sd > 0.0:
            self.offset, self.sd = float(offset), float(sd)
            self.beyond = bool(data.get("beyond"))
