"""What the bags' drag costs at each port, and at which it costs most."""

from __future__ import annotations

import math
from bisect import bisect_left

from analysis.detectors.expected_air import AirBook
from analysis.duct.design import DuctDesign

LOW, STEP, POINTS = -0.75, 0.25, 15
"""Grid of the logarithm of drag over the design's clean drag: from half of it to sixteen times."""


class WorstPort:
    """Flow at each port, it alone being open, over the drag of the bags: solved once when first asked (a few
    milliseconds a port), then looked up."""

    def __init__(self, design: DuctDesign, book: AirBook) -> None:
        self._names = design.port_names
        self._book = book
        self._clean = design.filter.clean_drag_pasm3
        self._log_drag = [math.log(self._clean) + LOW + STEP * i for i in range(POINTS)]
        self._log_flow: dict[str, list[float]] | None = None

    def lost(self, drag_pasm3: float, clean_pasm3: float) -> tuple[str, float]:
        """The port that loses most by a drag against the clean one, and the share of its flow [0..1] that it loses."""
        table = self._table()
        worst, most = "", -1.0
        for name, column in table.items():
            share = 1.0 - math.exp(self._at(column, drag_pasm3) - self._at(column, clean_pasm3))
            if share > most:
                worst, most = name, share
        return worst, most

    def drag_for(self, lost: float, clean_pasm3: float) -> float | None:
        """The drag [Pa s/m3] at which the worst port has lost this share; None beyond sixteen times the clean drag."""
        xs, low, highest = self._log_drag, math.log(max(clean_pasm3, 1e-3)), self._log_drag[-1]
        if highest <= low or not 0.0 < lost < 1.0:
            return None
        nearest = math.inf
        for column in self._table().values():
            # Straight between the points of the grid, and falling: the crossing is found without a search.
            target = self._at(column, clean_pasm3) + math.log1p(-lost)
            if column[-1] > target:
                continue
            i = next(i for i in range(1, POINTS) if column[i] <= target)
            fall = column[i - 1] - column[i]
            if fall > 0.0:
                nearest = min(nearest, max(xs[i - 1] + STEP * (column[i - 1] - target) / fall, low))
        return None if nearest == math.inf else math.exp(nearest)

    def _table(self) -> dict[str, list[float]]:
        if self._log_flow is None:
            self._log_flow = {
                name: [
                    math.log(max(self._book.point((name,), math.exp(log)).ports[name].flow_m3s, 1e-6))
                    for log in self._log_drag
                ]
                for name in self._names
            }
        return self._log_flow

    def _at(self, column: list[float], drag_pasm3: float) -> float:
        xs, x = self._log_drag, math.log(max(drag_pasm3, 1e-3))
        i = min(max(bisect_left(xs, x), 1), POINTS - 1)
        return column[i - 1] + (column[i] - column[i - 1]) * (x - xs[i - 1]) / STEP
