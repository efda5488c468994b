"""How much the fan runs in a day: to turn running hours into days."""

from __future__ import annotations

from analysis.blocks import Block
from analysis.detectors.keeping import Keeping

DAY_S = 86400.0
MEMORY_DAYS = 21.0
"""Days after which use counts for less."""
ENOUGH_DAYS = 3.0


class UseBook(Keeping):
    """Mean running time a day with fading memory, days without any running included. A day is counted from midnight UTC: for a
    mean over weeks it does not matter which midnight."""

    KEPT = ("_day", "_today_s", "_mean", "_days")

    def __init__(self) -> None:
        self._day: int | None = None
        self._today_s = self._mean = self._days = 0.0

    def update(self, block: Block) -> None:
        """Take in a block."""
        day = int(block.t // DAY_S)
        if self._day is None or day < self._day or day - self._day > 60:
            self._day, self._today_s = day, 0.0
        while self._day < day:
            self._days = min(self._days + 1.0, MEMORY_DAYS)
            self._mean += (self._today_s - self._mean) / self._days
            self._today_s = 0.0
            self._day += 1
        if block.running:
            self._today_s += block.seconds

    def per_day(self) -> float | None:
        """Running seconds a day; None until three days were seen."""
        return self._mean if self._days >= ENOUGH_DAYS and self._mean > 0.0 else None
