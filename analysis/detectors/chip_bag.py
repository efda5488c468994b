"""How full the chip bag is, from the running time at each port: how fast each fills it is learned from the emptyings."""

from __future__ import annotations

import math
from collections.abc import Mapping

from analysis.blocks import Block
from analysis.detectors.growth import kind_of_work
from analysis.detectors.numbers import as_list, number

MOST_KINDS = 16
FIRST_SD = 0.7
"""How far the ports' rates lie apart before anything is learned, relative to their mean (ours)."""
EMPTYING_SD = 0.15
"""How full the bag is when it is emptied, about "full" (ours); less when it had been found full."""
FULL_SD = 0.06
LEAST_RUN_S = 900.0
"""An emptying after less running than this tells nothing of the rates: the bag was looked at twice."""
FADE = 1.1
"""Variance of the rates grows by this at each emptying, so that new machines are learned."""


class ChipBag:
    """A rate per kind of work [1/s of running] with covariance, updated at each emptying by a Kalman step: the running
    times since the last one, times the rates, made one bag. Until the first emptying nothing is known.
    """

    def __init__(self) -> None:
        self.kinds: list[str] = []
        self._seconds: list[float] = []
        self._rate: list[float] = []
        self._cov: list[list[float]] = []
        self._emptyings = 0
        self._found_full = False

    def update(self, block: Block) -> None:
        """Take in a block."""
        if not block.running:
            return
        kind = kind_of_work(block.estimate)
        self._seconds[self._place(kind)] += block.seconds

    def _place(self, kind: str) -> int:
        if kind in self.kinds:
            return self.kinds.index(kind)
        if len(self.kinds) >= MOST_KINDS:
            return 0
        mean = sum(self._rate) / len(self._rate) if self._rate else 0.0
        self.kinds.append(kind)
        self._seconds.append(0.0)
        self._rate.append(mean)
        for row in self._cov:
            row.append(0.0)
        self._cov.append([0.0] * len(self.kinds))
        self._cov[-1][-1] = (FIRST_SD * mean) ** 2
        return len(self.kinds) - 1

    def found_full(self) -> None:
        """Chips go over: the bag is full now, whatever was thought."""
        self._found_full = True

    def emptied(self) -> None:
        """It was emptied, and presumably was about full."""
        seconds, total = self._seconds, sum(self._seconds)
        if total >= LEAST_RUN_S:
            sd = FULL_SD if self._found_full else EMPTYING_SD
            if not self._emptyings:
                rate = 1.0 / total
                self._rate = [rate] * len(self.kinds)
                self._cov = [
                    [(FIRST_SD * rate) ** 2 if i == j else 0.0 for j in range(len(seconds))] for i in range(len(seconds))]
            self._learn(sd)
            self._emptyings += 1
        self._seconds = [0.0] * len(self.kinds)
        self._found_full = False

    def _learn(self, sd: float) -> None:
        n, x = len(self.kinds), self._seconds
        for i in range(n):
            for j in range(n):
                self._cov[i][j] *= FADE if self._emptyings else 1.0
        px = [sum(self._cov[i][j] * x[j] for j in range(n)) for i in range(n)]
        total = sum(x[i] * px[i] for i in range(n)) + sd * sd
        gap = 1.0 - sum(x[i] * self._rate[i] for i in range(n))
        for i in range(n):
            self._rate[i] = max(self._rate[i] + px[i] / total * gap, 0.05 * self._rate[i])
        self._cov = [[self._cov[i][j] - px[i] * px[j] / total for j in range(n)] for i in range(n)]

    def fill(self) -> tuple[float, float] | None:
        """Share that is full, with one standard deviation; None until an emptying was told."""
        if not self._emptyings:
            return None
        n, x = len(self.kinds), self._seconds
        mean = sum(x[i] * self._rate[i] for i in range(n))
        variance = sum(x[i] * sum(self._cov[i][j] * x[j] for j in range(n)) for i in range(n))
        return mean, math.sqrt(max(variance, 0.0) + (0.1 * mean) ** 2)

    def left_s(self, kind: str) -> tuple[float, float, float] | None:
        """Running seconds at a kind of work until the bag is full: middle, low, high (nine out of ten)."""
        fill = self.fill()
        if fill is None or kind not in self.kinds:
            return None
        at = self.kinds.index(kind)
        rate = self._rate[at]
        if rate <= 0.0:
            return None
        relative = min(math.sqrt(max(self._cov[at][at], 0.0)) / rate, 0.6)
        room = [1.0 - fill[0], 1.0 - fill[0] - 1.645 * fill[1], 1.0 - fill[0] + 1.645 * fill[1]]
        return (
            max(room[0], 0.0) / rate, max(room[1], 0.0) / (rate * (1.0 + relative)),
            max(room[2], 0.0) / (rate * (1.0 - relative)),
        )

    def snapshot(self) -> dict[str, object]:
        """Plain JSON values."""
        return {
            "kinds": list(self.kinds), "seconds": list(self._seconds), "rate": list(self._rate),
            "cov": [list(row) for row in self._cov], "emptyings": self._emptyings, "found_full": self._found_full,
        }

    def restore(self, data: object) -> None:
        """Take back a snapshot; a spoiled one is left aside."""
        if not isinstance(data, Mapping):
            return
        kinds = data.get("kinds")
        rows = [data.get("seconds"), data.get("rate"), *as_list(data.get("cov"))]
        if not isinstance(kinds, list) or len(rows) != len(kinds) + 2 or len(kinds) > MOST_KINDS:
            return
        found: list[list[float]] = []
        for row in rows:
            values = [number(item) for item in row] if isinstance(row, list) else []
            if len(values) != len(kinds) or any(value is None for value in values):
                return
            found.append([value for value in values if value is not None])
        self.kinds = [str(kind) for kind in kinds]
        self._seconds, self._rate, self._cov = found[0], found[1], found[2:]
        self._emptyings = int(number(data.get("emptyings")) or 0)
        self._found_full = data.get("found_full") is True
