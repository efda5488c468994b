"""What the design (or the baseline) expects for every gate set, how it moves with drag, flow and every uncertain part.

One table serves all: gate sets by filter drag, solved column by column when first needed. All of it is in the air of
the design; readings are carried there first (:mod:`.ambient`). How each number moves stands in :mod:`.sensitivities`.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from analysis.baseline.model import Baseline
from analysis.duct.design import DuctDesign
from analysis.duct.points import OperatingPoints
from analysis.duct.solve import solve_many
from analysis.estimator.sensitivities import Bools, Column, Floats, ReadingModel
from analysis.estimator.sensors import MEASURED
from analysis.estimator.uncertain import Uncertain
from analysis.quick import quick

STEP = 0.25
"""Distance between the columns of the table, in the logarithm of the drag."""
KEPT_NUMBERS = 2_500_000
"""How many numbers the kept columns may hold in all: many gate sets make few columns (single precision, 10 MB)."""
LOWEST, HIGHEST = -8, 16
"""First and last column, counted from the clean drag of the design."""


@quick
@dataclass(frozen=True, slots=True)
class Local:
    """Expected readings at one drag for chosen gate sets, interpolated between columns: ``flow`` (n,), ``y`` (n, 4)."""

    flow: Floats
    y: Floats


class Response:
    """The table of one design (with its baseline, if any) over a list of gate sets that may grow."""

    def __init__(self, design: DuctDesign, baseline: Baseline | None, uncertain: Uncertain, sets: Bools) -> None:
        self._model = model = ReadingModel(design, baseline)
        self.design = model.design
        self.uncertain = uncertain
        self.precision = _precision(uncertain)
        self.sets = sets
        self.log_clean = float(np.log(design.filter.clean_drag_pasm3))
        self._columns: OrderedDict[int, Column] = OrderedDict()
        self._points: dict[int, tuple[Floats, Floats]] = {}
        self.has_motor = model.has_motor

    def set_uncertain(self, uncertain: Uncertain) -> None:
        """Other uncertainties (a zero became known): sensitivities stay, covariances are made anew."""
        self.uncertain = uncertain
        self.precision = _precision(uncertain)
        self._columns = OrderedDict((node, self._with_covariance(c)) for node, c in self._columns.items())

    def add(self, row: Bools) -> int:
        """Think of one more gate set; its place in the list."""
        self.sets = np.vstack([self.sets, row[None, :]])
        self._columns = OrderedDict()
        self._points = {}
        return len(self.sets) - 1

    def node(self, log_drag: float) -> int:
        """The column nearest to a drag, away from the ends so that it has neighbours."""
        return min(max(round((log_drag - self.log_clean) / STEP), LOWEST + 1), HIGHEST - 1)

    def within(self, log_drag: float) -> float:
        """The drag, or the end of the table that it is beyond: no bags are such."""
        return min(max(log_drag, self.log_clean + LOWEST * STEP), self.log_clean + HIGHEST * STEP)

    def at(self, log_drag: float, rows: npt.NDArray[np.intp] | slice = slice(None)) -> Local:
        """Flow and readings at a drag: a parabola through the three nearest columns (error below 1e-4 relative)."""
        node = self.node(log_drag)
        x = (log_drag - self.log_clean) / STEP - node
        weights = (0.5 * x * (x - 1.0), 1.0 - x * x, 0.5 * x * (x + 1.0))
        parts = [self._solved(node + k) for k in (-1, 0, 1)]
        flow = sum(w * np.log(q[rows]) for w, (q, _) in zip(weights, parts, strict=True))
        y = sum(w * v[rows] for w, (_, v) in zip(weights, parts, strict=True))
        flow_m3s = np.exp(flow)
        values = np.array(y)
        values[:, 1] = np.exp(log_drag) * flow_m3s
        return Local(np.asarray(flow_m3s), values)

    def curve(self, log_drag: float, flow: Floats) -> tuple[Floats, Floats]:
        """Readings (n, 4) at given flows [m3/s], whatever the ducts must be for that, and their change with the
        logarithm of the flow: the curve that gate changes trace. Fan, motor and drag alone make it. """
        design, model, built = self.design, self._model, self._model.built
        fan, density = design.fan, design.air.density_kgm3
        stretched = flow / built.fan_flow
        lift = built.fan_pressure * fan.pressure_pa(stretched, 1.0, density)
        slope = built.fan_pressure / built.fan_flow * fan.pressure_slope(stretched, 1.0, density)
        velocity = 0.5 * density * np.square(flow / model.inlet_area)
        filtered = np.exp(log_drag) * flow
        y = np.full((flow.size, len(MEASURED)), np.nan)
        along = np.full_like(y, np.nan)
        y[:, 0], along[:, 0] = filtered - velocity - lift, filtered - 2.0 * velocity - slope * flow
        y[:, 1], along[:, 1] = filtered, filtered
        y[:, 3] = velocity * model.pitot
        along[:, 3] = 2.0 * y[:, 3]
        motor = design.motor
        if motor is not None and self.has_motor:
            scale = built.fan_pressure * built.fan_flow
            amps = []
            for share in (1.0, 1.01, 0.99):
                power = fan.power_w(stretched * share, 1.0, density)
                assert power is not None
                current = motor.current_a(power * scale) * built.motor_current
                amps.append(current + model.tilt * (current - model.motor_pivot))
            y[:, 2], along[:, 2] = amps[0], (amps[1] - amps[2]) / 0.02
        return y, along

    def curve_scalar(self, log_drag: float, flow: float) -> tuple[list[float], list[float]]:
        """:meth:`curve` for one flow, in plain numbers."""
        design, model, built = self.design, self._model, self._model.built
        fan, density = design.fan, design.air.density_kgm3
        stretched = flow / built.fan_flow
        lift, slope = fan.pressure_scalar(stretched, 1.0, density)
        lift *= built.fan_pressure
        fall = slope * built.fan_pressure / built.fan_flow * flow
        velocity = 0.5 * density * (flow / model.inlet_area) ** 2
        filtered = math.exp(log_drag) * flow
        amps, amps_slope = math.nan, math.nan
        if self.has_motor:
            amps, above, below = (self._amps(stretched * share) for share in (1.0, 1.01, 0.99))
            amps_slope = (above - below) / 0.02
        pitot = velocity * model.pitot
        return (
            [filtered - velocity - lift, filtered, amps, pitot],
            [filtered - 2.0 * velocity - fall, filtered, amps_slope, 2.0 * pitot])

    def _amps(self, stretched: float) -> float:
        design, model, built = self.design, self._model, self._model.built
        power = design.fan.power_scalar(stretched, 1.0, design.air.density_kgm3)
        assert power is not None
        assert design.motor is not None
        current = design.motor.current_scalar(power * built.fan_pressure * built.fan_flow) * built.motor_current
        return current + model.tilt * (current - model.motor_pivot)

    def flow_at(self, log_drag: float, row: int) -> tuple[float, float]:
        """Flow [m3/s] of one gate set at a drag, as :meth:`at` in plain numbers, and the change of its logarithm with
        that of the drag."""
        node = self.node(log_drag)
        x = (log_drag - self.log_clean) / STEP - node
        low, middle, high = (math.log(self._solved(node + k)[0][row]) for k in (-1, 0, 1))
        flow = math.exp(0.5 * x * (x - 1.0) * low + (1.0 - x * x) * middle + 0.5 * x * (x + 1.0) * high)
        return flow, ((x - 0.5) * low - 2.0 * x * middle + (x + 0.5) * high) / STEP

    def column(self, node: int) -> Column:
        """Column ``node`` with its sensitivities."""
        found = self._columns.get(node)
        if found is None:
            points = self._solve(node)
            flow, y = self._points.setdefault(node, self._model.read(points))
            bare = self._model.column(self.log_clean + node * STEP, points, flow, y, self.sets, self.uncertain.names)
            found = self._columns[node] = self._with_covariance(bare)
            kept = max(6, KEPT_NUMBERS // (2 * found.to_parts.size))
            while len(self._columns) > kept:
                self._columns.popitem(last=False)
        else:
            self._columns.move_to_end(node)
        return found

    def _with_covariance(self, column: Column) -> Column:
        half = column.to_parts @ self.uncertain.covariance
        return replace(
            column, spread_half=half.astype(np.float32), spread=half @ column.to_parts.transpose(0, 2, 1),
            flow_half=(flow_half := column.flow_to_parts @ self.uncertain.covariance),
            flow_spread=np.einsum("nk,nck->nc", flow_half, column.to_parts))

    def _solved(self, node: int) -> tuple[Floats, Floats]:
        found = self._points.get(node)
        if found is None:
            found = self._points[node] = self._model.read(self._solve(node))
        return found

    def _solve(self, node: int) -> OperatingPoints:
        drag = float(np.exp(self.log_clean + node * STEP))
        return solve_many(self.design, self.sets, filter_drag_pasm3=drag, as_built=self._model.built)


def _precision(uncertain: Uncertain) -> Floats:
    """The inverse of the covariance; parts that are no longer uncertain have none."""
    return np.asarray(np.linalg.pinv(uncertain.covariance, hermitian=True), dtype=np.float64)
