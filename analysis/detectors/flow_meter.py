"""The fan as a flow meter in differences: by how much the flow changed between two stretches, from pressure and current.

Whatever is done at the gates or happens to the bags, a fan at its speed moves along one curve: the pressure that it
gives and the current that its motor draws are both functions of the flow alone. So the change of the flow between two
moments follows from their change, and the change of the drag is what the pressure over the bags changed beside it:
``d ln(drag) = d ln(filter pressure) - d ln(flow)``. No gate needs to be known for that.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass

from analysis.baseline.model import Baseline
from analysis.duct.design import FAN, DuctDesign
from analysis.quick import quick

POINTS = 60
POWER_STEP = 0.08
"""Grid of the shaft power, in its logarithm, from a tenth of the rated power to twice of it."""
REACH = (-1.6, 0.8)
STEP = 0.02
"""Changes of the logarithm of the flow that are tried, and their grid."""
TOTAL_SD, CURRENT_SD = 0.007, 0.006
"""What a level of half a minute is known to, relative: eddies and chips in the pressure, the mains in the current (ours)."""
FORM_SD = 0.25
"""How far the curve's own slope may differ from the drawn one, relative (ours)."""


@quick
@dataclass(frozen=True, slots=True)
class Change:
    """Change of the logarithms of the flow and of the drag with one standard deviation each; ``misfit`` is the smallest
    sum of squares: large where no point of the curve explains both pressure and current (a fan or sensor fault)."""

    flow: float
    flow_sd: float
    drag: float
    drag_sd: float
    misfit: float


class FlowMeter:
    """Tables of fan pressure and motor current over flow, from the design, bent by the baseline where there is one."""

    def __init__(self, design: DuctDesign, baseline: Baseline | None = None) -> None:
        stretch = lift = 1.0
        if baseline is not None:
            design = baseline.design_as_built(design)
            stretch, lift = baseline.as_built.fan_flow, baseline.as_built.fan_pressure
        fan, density = design.fan, design.air.density_kgm3
        last = next(run for run in design.runs if run.into == FAN)
        free = fan.free_flow_m3s() * stretch
        self._log_flow = [math.log(free * (0.03 + 1.05 * i / (POINTS - 1))) for i in range(POINTS)]
        self._total: list[float] = []
        self._motor = design.motor
        self._power_current: list[float] = []
        self._current: list[float] | None = [] if design.motor is not None and fan.has_power else None
        for log_flow in self._log_flow:
            flow = math.exp(log_flow)
            pressure = lift * fan.pressure_scalar(flow / stretch, 1.0, density)[0]
            # Static suction is the total one and the velocity pressure of the last run.
            self._total.append(math.log(max(pressure + 0.5 * density * (flow / last.area_m2) ** 2, 1.0)))
            if self._current is not None and design.motor is not None:
                shaft = fan.power_scalar(flow / stretch, 1.0, density)
                assert shaft is not None
                self._current.append(math.log(design.motor.current_scalar(shaft * stretch * lift)))
        if design.motor is not None:
            watts = [0.1 * design.motor.power_w * math.exp(POWER_STEP * i) for i in range(40)]
            self._power_current = [math.log(design.motor.current_scalar(w)) for w in watts]

    @property
    def has_current(self) -> bool:
        """Whether the design says how the current goes with the flow."""
        return self._current is not None

    def change(
        self, flow_m3s: float, filter_log: float, total_log: float, current_log: float | None, noise: float = 1.0
    ) -> Change:
        """What the changes of the three logarithms mean, from a level at which ``flow_m3s`` [m3/s] flowed.

        ``noise`` multiplies the usual standard deviations (1: half a minute on either side).
        """
        start = math.log(max(flow_m3s, 1e-4))
        total_0, current_0 = self._at(self._total, start), None
        if current_log is not None and self._current is not None:
            current_0 = self._at(self._current, start)
        costs: list[float] = []
        x = REACH[0]
        while x <= REACH[1]:
            moved = self._at(self._total, start + x) - total_0
            sd = math.hypot(TOTAL_SD * noise, FORM_SD * moved)
            cost = ((total_log - moved) / sd) ** 2 + 2.0 * math.log(sd)
            if current_0 is not None and current_log is not None and self._current is not None:
                moved = self._at(self._current, start + x) - current_0
                sd = math.hypot(CURRENT_SD * noise, FORM_SD * moved)
                cost += ((current_log - moved) / sd) ** 2 + 2.0 * math.log(sd)
            costs.append(cost)
            x += STEP
        least = min(costs)
        weight = mean = square = 0.0
        for i, cost in enumerate(costs):
            w = math.exp(-0.5 * (cost - least)) if cost - least < 60.0 else 0.0
            x = REACH[0] + STEP * i
            weight += w
            mean += w * x
            square += w * x * x
        mean /= weight
        sd = math.sqrt(max(square / weight - mean * mean, STEP * STEP / 12.0))
        own = TOTAL_SD * noise
        return Change(mean, sd, filter_log - mean, math.hypot(sd, own), self._misfit(start, mean, total_log, current_log, noise))

    def small_change(self, flow_m3s: float, total_log: float, current_log: float | None) -> tuple[float, float]:
        """Change of the logarithm of the flow for small changes of pressure and current, and their misfit: the straight
        line of :meth:`change`, at a fraction of its cost."""
        start = math.log(max(flow_m3s, 1e-4))
        seen = [(total_log, self._slope(self._total, start), TOTAL_SD)]
        if current_log is not None and self._current is not None:
            seen.append((current_log, self._slope(self._current, start), CURRENT_SD))
        top = sum(slope * change / sd**2 for change, slope, sd in seen)
        bottom = sum((slope / sd) ** 2 for _, slope, sd in seen)
        flow = top / bottom if bottom > 1e-9 else 0.0
        misfit = sum(
            (change - slope * flow) ** 2 / (sd**2 + (FORM_SD * slope * flow) ** 2)
            for change, slope, sd in seen)
        return flow, misfit

    def _slope(self, column: list[float], log_flow: float) -> float:
        xs = self._log_flow
        i = min(max(bisect_left(xs, log_flow), 2), POINTS - 2)
        return (column[i + 1] - column[i - 2]) / (xs[i + 1] - xs[i - 2])

    def _misfit(self, start: float, x: float, total_log: float, current_log: float | None, noise: float) -> float:
        moved = self._at(self._total, start + x) - self._at(self._total, start)
        cost = ((total_log - moved) / math.hypot(TOTAL_SD * noise, FORM_SD * moved)) ** 2
        if current_log is not None and self._current is not None:
            moved = self._at(self._current, start + x) - self._at(self._current, start)
            cost += ((current_log - moved) / math.hypot(CURRENT_SD * noise, FORM_SD * moved)) ** 2
        return cost

    def total_at_current(self, current_log: float) -> float:
        """Logarithm of the pressure that the fan gives where its motor draws a current (logarithm); by the drawing."""
        assert self._current is not None
        return self._at(self._total, self._flow_at_current(current_log))

    def current_to_power(self, current_log: float) -> float:
        """Change of the logarithm of the current for a unit of the logarithm of the shaft power, near a current."""
        assert self._motor is not None
        at = min(max(bisect_left(self._power_current, current_log), 1), len(self._power_current) - 1)
        step = self._power_current[at] - self._power_current[at - 1]
        return step / POWER_STEP

    def _flow_at_current(self, current_log: float) -> float:
        column = self._current
        assert column is not None
        i = min(max(bisect_left(column, current_log), 1), POINTS - 1)
        low, high = column[i - 1], column[i]
        share = (current_log - low) / (high - low) if high > low else 0.5
        # Beyond the ends the line is carried on a little: a motor that drags draws more than the fan ever asks.
        share = min(max(share, -2.0), 3.0)
        return self._log_flow[i - 1] + share * (self._log_flow[i] - self._log_flow[i - 1])

    def _at(self, column: list[float], log_flow: float) -> float:
        xs = self._log_flow
        i = min(max(bisect_left(xs, log_flow), 1), POINTS - 1)
        low = xs[i - 1]
        return column[i - 1] + (column[i] - column[i - 1]) * (log_flow - low) / (xs[i] - low)
