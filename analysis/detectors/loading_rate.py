"""How fast the drag of the bags grows with running time: this cycle's course, and what earlier cycles taught."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from analysis.blocks import Block
from analysis.detectors.drag_trace import DragTrace
from analysis.detectors.numbers import number
from analysis.stats.theil_sen import theil_sen

LOOK_EVERY, SETTLED, LOOK_SELDOM = 5, 60, 20
"""Running minutes between two looks at the course; once the course is longer than the second, the third."""
LEAST_POINTS = 20
INFLATE = 2.0
"""Neighbouring minutes are correlated and work differs from hour to hour: the slope's interval is widened by this (ours)."""
LEAST_SD = 0.25
"""Relative standard deviation of a rate at best: boards, machines and weather differ (ours)."""
EARLIER_SD = 0.35
MEMORY = 6.0


@dataclass(frozen=True, slots=True)
class Rate:
    """Drag added per running second [Pa s/m3 / s] with one relative standard deviation."""

    value: float
    sd: float


class LoadingRate:
    """Dust adds drag in proportion to its mass, so the course is a straight line in the drag itself. Theil-Sen through the
    points of this cycle; earlier cycles count as one more look at the rate, with what they differed by.
    """

    def __init__(self) -> None:
        self.trace = DragTrace()
        self._slope: Rate | None = None
        self._earlier = 0.0
        self._spread = 0.0
        self._cycles = 0.0
        self._seen = 0

    def update(self, block: Block) -> None:
        """Take in a block."""
        if self.trace.update(block):
            self._seen += 1
            if self._seen % (LOOK_EVERY if self._seen <= SETTLED else LOOK_SELDOM) == 0:
                self._slope = self._look()

    def _look(self) -> Rate | None:
        trace = self.trace
        if len(trace.times) < LEAST_POINTS:
            return None
        line = theil_sen([math.exp(log) for log in trace.logs], trace.times, limit=100)
        if line is None or line.slope <= 0.0:
            return None
        half = 0.5 * (line.slope_high - line.slope_low)
        return Rate(line.slope, math.hypot(LEAST_SD, INFLATE * half / 1.96 / line.slope))

    def rate(self) -> Rate | None:
        """The best rate, None while nothing is known of it."""
        own = self._slope
        if self._cycles < 1.0:
            return own if own is not None and own.sd < 1.0 else None
        earlier = Rate(math.exp(self._earlier), math.hypot(EARLIER_SD, math.sqrt(self._spread)))
        if own is None:
            return earlier
        a, b = own.sd**-2, earlier.sd**-2
        log = (a * math.log(own.value) + b * math.log(earlier.value)) / (a + b)
        return Rate(math.exp(log), max((a + b) ** -0.5, LEAST_SD))

    def cleaned(self) -> None:
        """A cycle is over: its rate is remembered, and a new one begins."""
        own = self._look()
        if own is not None and own.sd < 1.0:
            self._cycles = min(self._cycles + 1.0, MEMORY)
            gap = math.log(own.value) - self._earlier
            self._earlier += gap / self._cycles
            self._spread += (gap * (math.log(own.value) - self._earlier) - self._spread) / self._cycles
        self._slope, self._seen = None, 0
        self.trace.clear()

    def snapshot(self) -> dict[str, object]:
        """Plain JSON values."""
        slope = self._slope
        return {
            "trace": self.trace.snapshot(), "earlier": self._earlier, "spread": self._spread, "cycles": self._cycles,
            "seen": self._seen, "slope": None if slope is None else [slope.value, slope.sd],
        }

    def restore(self, data: object) -> None:
        """Take back a snapshot."""
        if not isinstance(data, Mapping):
            return
        trace = data.get("trace")
        if isinstance(trace, Mapping):
            self.trace.restore(trace)
        self._earlier, self._spread, self._cycles = (number(data.get(k)) or 0.0 for k in ("earlier", "spread", "cycles"))
        self._seen = int(number(data.get("seen")) or 0)
        row = data.get("slope")
        values = [number(item) for item in row] if isinstance(row, list) else []
        if len(values) == 2 and values[0] and values[1]:
            self._slope = Rate(values[0], values[1])
