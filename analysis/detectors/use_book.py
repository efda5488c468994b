"""How much the fan runs in a day: to turn running hours into days."""

from __future__ import annotations

import math
from collections.abc import Mapping

from analysis.blocks import Block
from analysis.detectors.numbers import number

DAY_S = 86400.0
MEMORY_DAYS = 21.0
"""Days after which use counts for less."""
ENOUGH_DAYS = 3.0


class UseBook:
    """Mean running time a day with fading memory, days without any running included. A day is counted from midnight UTC:
    for a mean over weeks it does not matter which midnight.
    """

    def __init__(self) -> None:
        self._day: int | None = None
        self._today_s = 0.0
        self._mean = 0.0
        self._spread = 0.0
        self._days = 0.0

    def update(self, block: Block) -> None:
        """Take in a block."""
        day = int(block.t // DAY_S)
        if self._day is None or day < self._day:
            self._day, self._today_s = day, 0.0
        while self._day < day:
            self._close()
            self._day += 1
            if day - self._day > 60:
                self._day = day  # nobody looked for two months
        if block.running:
            self._today_s += block.seconds

    def _close(self) -> None:
        self._days = min(self._days + 1.0, MEMORY_DAYS)
        gap = self._today_s - self._mean
        self._mean += gap / self._days
        self._spread += (gap * (self._today_s - self._mean) - self._spread) / self._days
        self._today_s = 0.0

    def per_day(self) -> tuple[float, float] | None:
        """Running seconds a day, and one standard deviation of that mean; None until three days were seen."""
        if self._days < ENOUGH_DAYS or self._mean <= 0.0:
            return None
        return self._mean, math.sqrt(self._spread / self._days)

    def snapshot(self) -> dict[str, object]:
        """Plain JSON values."""
        return {"day": self._day, "today_s": self._today_s, "mean": self._mean, "spread": self._spread, "days": self._days}

    def restore(self, data: object) -> None:
        """Take back a snapshot."""
        if not isinstance(data, Mapping):
            return
        day = number(data.get("day"))
        self._day = None if day is None else int(day)
        self._today_s, self._mean, self._spread, self._days = (
            number(data.get(key)) or 0.0 for key in ("today_s", "mean", "spread", "days"))
