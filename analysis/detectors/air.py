"""What the drawing (or the baseline) gives at a gate set, and what the drag of the bags costs at each port."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections import OrderedDict
from dataclasses import dataclass

from analysis.baseline.model import Baseline
from analysis.duct.design import AS_DRAWN, DuctDesign
from analysis.duct.points import OperatingPoint
from analysis.duct.solve import solve

KEPT = 64
LOW, STEP, POINTS = -0.75, 0.25, 15
"""Grid of the logarithm of drag over the design's clean drag: from half of it to sixteen times."""


@dataclass(frozen=True, slots=True)
class Section:
    """A run or port pipe in use: its velocity [m/s] with clean bags and the velocity that carries chips there."""

    name: str
    velocity_ms: float
    carrying_ms: float


@dataclass(frozen=True, slots=True)
class ExpectedAir:
    """One gate set with clean bags: total flow [m3/s], and the sections in use."""

    flow_m3s: float
    sections: tuple[Section, ...]


class AirBook:
    """Looks up gate sets (the last sixty-four are kept; one that is solved takes a quarter of a millisecond), and the port
    that loses most by the drag of the bags."""

    def __init__(self, design: DuctDesign, baseline: Baseline | None = None) -> None:
        self._design = design if baseline is None else baseline.design_as_built(design)
        self._built = AS_DRAWN if baseline is None else baseline.as_built
        self._names = design.port_names
        self._kept: OrderedDict[tuple[str, ...], ExpectedAir | None] = OrderedDict()
        clean = design.filter.clean_drag_pasm3
        self._log_drag = [math.log(clean) + LOW + STEP * i for i in range(POINTS)]
        self._log_flow: dict[str, list[float]] | None = None

    def at(self, gates: tuple[str, ...]) -> ExpectedAir | None:
        """What these open ports give with clean bags; None for an empty set or a name that the design does not know."""
        if gates not in self._kept:
            self._kept[gates] = self._solve(gates)
            if len(self._kept) > KEPT:
                self._kept.popitem(last=False)
        self._kept.move_to_end(gates)
        return self._kept[gates]

    def lost(self, drag_pasm3: float, clean_pasm3: float) -> tuple[str, float]:
        """The port that, open alone, loses most by a drag against the clean one, and the share of its flow that it loses."""
        return max(
            ((name, 1.0 - math.exp(self._at(column, drag_pasm3) - self._at(column, clean_pasm3)))
             for name, column in self._table().items()), key=lambda pair: pair[1])

    def drag_for(self, lost: float, clean_pasm3: float) -> float | None:
        """The drag [Pa s/m3] at which the worst port has lost this share; None beyond sixteen times the clean drag."""
        low, high = math.log(max(clean_pasm3, 1e-3)), self._log_drag[-1]
        if not 0.0 < lost < 1.0 or self.lost(math.exp(high), clean_pasm3)[1] < lost:
            return None
        for _ in range(30):
            middle = 0.5 * (low + high)
            low, high = (low, middle) if self.lost(math.exp(middle), clean_pasm3)[1] >= lost else (middle, high)
        return math.exp(high)

    def _solve(self, gates: tuple[str, ...]) -> ExpectedAir | None:
        if not gates or not set(gates) <= set(self._names):
            return None
        point = self._point(gates)
        states = [*point.runs.values(), *point.ports.values()]
        return ExpectedAir(point.flow_m3s, tuple(
            Section(s.name, s.velocity_ms, s.carrying_ms) for s in states if s.in_use and s.velocity_ms > 0.0))

    def _point(self, gates: tuple[str, ...], drag_pasm3: float | None = None) -> OperatingPoint:
        return solve(self._design, gates, filter_drag_pasm3=drag_pasm3, as_built=self._built)

    def _table(self) -> dict[str, list[float]]:
        if self._log_flow is None:
            self._log_flow = {
                name: [math.log(max(self._point((name,), math.exp(log)).ports[name].flow_m3s, 1e-6)) for log in self._log_drag]
                for name in self._names}
        return self._log_flow

    def _at(self, column: list[float], drag_pasm3: float) -> float:
        xs, x = self._log_drag, math.log(max(drag_pasm3, 1e-3))
        i = min(max(bisect_left(xs, x), 1), POINTS - 1)
        return column[i - 1] + (column[i] - column[i - 1]) * (x - xs[i - 1]) / STEP
