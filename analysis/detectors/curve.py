"""The fan's own curve as the shop has it: what pressure and current go with the flow that the bags measure.

The fan gives one pressure and asks one current at each flow, whatever the gates do. The bags are the flow meter: their drag
hardly moves within hours, so ``ln(flow) = ln(filter pressure) - ln(drag)``. Two gaps remain, of the fan's total pressure and
of the motor's current against that flow. What the drawing gets wrong in them is smooth in the flow and is learned from the
shop's own ordinary running; what then still departs is no gate and no dust.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass

import numpy as np

from analysis.baseline.model import Baseline
from analysis.detectors.keeping import Keeping
from analysis.detectors.stretches import Look
from analysis.duct.design import FAN, DuctDesign

POINTS = 60
MEMORY_S = 20.0 * 3600.0
"""Running over which the shop's own curve is learned: long against a fault, short against the seasons (10 % of density in
half a year where the air is not measured)."""
SLOPE_SD = 0.5
"""How far the learned gap may change over a range of one in the logarithm of the flow, against its standard deviation."""
FLOW_MIDDLE, FLOW_SCALE = -1.0, 0.5


@dataclass(frozen=True, slots=True)
class Gaps:
    """Gaps of the logarithms of total pressure and current (None: not known) at the flow ``log_flow`` that the bags measure;
    and how both, seen so, would move for a unit of: the logarithm of the suction, of the filter pressure, of the current,
    of the fan's speed, and of the drag beyond the one that was reckoned with."""

    log_flow: float
    pressure: float
    current: float | None
    to_suction: tuple[float, float]
    to_filter: tuple[float, float]
    to_current: tuple[float, float]
    to_speed: tuple[float, float]
    to_drag: tuple[float, float]


class FanCurve:
    """Tables of fan pressure (static and velocity) and motor current over flow, from the design, bent by the baseline."""

    def __init__(self, design: DuctDesign, baseline: Baseline | None = None) -> None:
        stretch = lift = 1.0
        if baseline is not None:
            design = baseline.design_as_built(design)
            stretch, lift = baseline.as_built.fan_flow, baseline.as_built.fan_pressure
        fan, density, motor = design.fan, design.air.density_kgm3, design.motor
        self.density = density
        last = next(run for run in design.runs if run.into == FAN)
        free = fan.free_flow_m3s() * stretch
        self._log_flow = [math.log(free * (0.02 + 1.05 * i / (POINTS - 1))) for i in range(POINTS)]
        self._total: list[float] = []
        self._current: list[float] | None = [] if motor is not None and fan.has_power else None
        self._to_power: list[float] = []
        self._middle: float | None = None
        for log_flow in self._log_flow:
            flow = math.exp(log_flow)
            pressure = lift * fan.pressure_scalar(flow / stretch, 1.0, density)[0]
            self._total.append(math.log(max(pressure + 0.5 * density * (flow / last.area_m2) ** 2, 1.0)))
            if self._current is not None and motor is not None:
                shaft = fan.power_scalar(flow / stretch, 1.0, density)
                assert shaft is not None
                amps = [math.log(motor.current_scalar(shaft * stretch * lift * factor)) for factor in (0.95, 1.0, 1.05)]
                self._current.append(amps[1])
                self._to_power.append((amps[2] - amps[0]) / 0.1)

    @property
    def has_current(self) -> bool:
        """Whether the design says how the current goes with the flow."""
        return self._current is not None

    def total(self, log_flow: float) -> float:
        """Logarithm of the fan's total pressure [Pa] at a flow (logarithm, m3/s)."""
        return self._at(self._total, log_flow)[0]

    def amps(self, log_flow: float) -> float:
        """Logarithm of the motor current [A] at a flow, where the design tells it."""
        assert self._current is not None
        return self._at(self._current, log_flow)[0]

    def gaps(self, look: Look, log_drag: float) -> Gaps:
        """The gaps of a look, with the drag as it is followed."""
        self._middle = x = look.filter - log_drag
        total, slope = self._at(self._total, x)
        air = math.log(look.density / self.density) if look.density > 0.0 else 0.0
        suction, bags = math.exp(look.suction), math.exp(look.filter)
        share = bags / (suction + bags)
        gap = math.log(suction + bags) - total - air
        current = None
        current_slope = per_power = 0.0
        if self._current is not None and look.current is not None:
            at, current_slope = self._at(self._current, x)
            per_power = self._at(self._to_power, x)[0]
            current = look.current - at - per_power * air
        power_slope = current_slope / per_power if per_power > 0.05 else 0.0
        return Gaps(
            x, gap, current, (1.0 - share, 0.0), (share - slope, -current_slope), (0.0, 1.0),
            (2.0 - slope, per_power * (3.0 - power_slope)), (-slope, -current_slope))

    def expected_move(self, name: str, other: float, look: Look) -> float:
        """How far the filter pressure should have moved with a current that moved by ``other`` (logarithms), or the suction
        with a filter pressure that did, when the flow changed: by the slopes of the curve near a look. 0: cannot be said."""
        x = look.filter if self._middle is None else self._middle
        if name == "filter_pa":
            if self._current is None:
                return 0.0
            slope = self._at(self._current, x)[1]
            return min(max(other / slope, -1.0), 1.0) if slope > 0.1 else 0.0
        share = math.exp(look.filter) / (math.exp(look.filter) + math.exp(look.suction))
        return (self._at(self._total, x)[1] - share) / (1.0 - share) * other

    def _at(self, column: list[float], log_flow: float) -> tuple[float, float]:
        """Value and slope at a flow; beyond the ends the last slope goes on."""
        xs = self._log_flow
        i = min(max(bisect_left(xs, log_flow), 1), POINTS - 1)
        slope = (column[i] - column[i - 1]) / (xs[i] - xs[i - 1])
        return column[i - 1] + slope * (log_flow - xs[i - 1]), slope


class OwnCurve(Keeping):
    """What the shop's own curve differs from the drawn one by, for one of the two gaps: a parabola in the logarithm of the
    flow, learned by recursive least squares with fading memory. ``sd`` is the scatter about it that was learned."""

    KEPT = ("weights", "cov", "variance", "looks", "_t_s")

    def __init__(self, first_sd: float, scatter: float) -> None:
        self._first_sd = first_sd
        self.weights = [0.0, 0.0, 0.0]
        self.doubt()
        self.variance = scatter**2
        self.looks = 0
        self._t_s = 0.0

    def doubt(self) -> None:
        """What was learned holds no more than what was thought at first."""
        sd = self._first_sd
        self.cov: list[list[float]] = np.diag([sd**2, (SLOPE_SD * sd) ** 2, (0.5 * SLOPE_SD * sd) ** 2]).tolist()

    def residual(self, log_flow: float, gap: float) -> tuple[float, float]:
        """What the gap departs from the shop's own curve by, and the variance of that in ordinary running."""
        row = _row(log_flow)
        return gap - float(row @ self.weights), self.variance + float(row @ self.cov @ row)

    def learn(self, log_flow: float, gap: float, seconds: float, weight: float) -> None:
        """An ordinary look."""
        row, cov = _row(log_flow), np.array(self.cov)
        residual = gap - float(row @ self.weights)
        spread = float(row @ cov @ row)
        noise = self.variance / weight
        residual = math.copysign(min(abs(residual), 3.0 * math.sqrt(noise + spread)), residual)
        gain = cov @ row / (noise + spread)
        self.weights = (np.array(self.weights) + gain * residual).tolist()
        cov = cov - np.outer(gain, row @ cov)
        # Memory fades with running time, never beyond what was thought at first.
        self.cov = (cov * min(math.exp(seconds / MEMORY_S), 1.2)).tolist() if cov[0, 0] < 0.01 else cov.tolist()
        self.looks += 1
        share = max(0.02, 1.0 / (self.looks + 8.0)) * weight
        self.variance = max(self.variance + share * (min(residual**2, 9.0 * (self.variance + spread)) - spread - self.variance),
                            0.003**2)


def _row(log_flow: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    x = min(max((log_flow - FLOW_MIDDLE) / FLOW_SCALE, -3.0), 3.0)
    return np.array([1.0, x, x * x])
