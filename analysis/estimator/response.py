"""What the design (or the baseline) expects for every gate set, how it moves with drag, flow and every uncertain part.

One table serves all: gate sets by filter drag, solved column by column when first needed. All of it is in the air of
the design; readings are carried there first (:mod:`analysis.estimator.ambient`).

Sensitivities come from one balance at the operating point: ``F(Q) = T(Q) + S Q`` with the fan's static pressure F, the
loss of the ducts T and the drag S. A relative error e of the duct loss moves the flow by ``T e / D``, one of the fan
curve by ``-dF / D``, with ``D = F' - 2 T/Q - S``. The part of T that belongs to one run or port is its share of the
power lost in the ducts, ``q dp / (Q T)`` (exact for losses that go with the square of the flow, since the flows in a
network make the sum of ``q dp / 3`` least; Tellegen's theorem). """

from __future__ import annotations

import math
from collections import OrderedDict
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from analysis.baseline.model import Baseline, bend
from analysis.duct.design import FAN, AsBuilt, DuctDesign
from analysis.duct.points import OperatingPoints
from analysis.duct.solve import solve_many
from analysis.estimator.sensors import MEASURED
from analysis.estimator.uncertain import SHARED, Uncertain

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.floating[Any]]
Bools = npt.NDArray[np.bool_]

STEP = 0.25
"""Distance between the columns of the table, in the logarithm of the drag."""
KEPT_NUMBERS = 1_500_000
"""How many numbers the kept columns may hold in all: many gate sets make few columns (single precision, 6 MB)."""
LOWEST, HIGHEST = -8, 16
"""First and last column, counted from the clean drag of the design."""


@dataclass(frozen=True, slots=True)
class Column:
    """One drag: for every gate set (first axis) the flow, the expected readings and their sensitivities.

    ``y`` is (sets, 4) in the order of ``MEASURED``, NaN where the design cannot tell. ``to_drag`` and ``along`` are
    the change of ``y`` for a unit of the logarithm of the drag, and of the logarithm of the flow when the ducts
    change. ``to_parts`` is (sets, 4, parts); ``flow_to_drag`` (sets,), ``flow_to_parts`` (sets, parts) the same for
    the logarithm of the flow. ``spread`` is the covariance of ``y`` (sets, 4, 4) that the uncertain parts make,
    ``spread_half`` the covariance of ``y`` with the parts, ``flow_spread`` (sets, 4) that of the logarithm of the flow
    with ``y``, ``flow_half`` that of the logarithm of the flow with them. ``to_power`` and ``to_volts`` (sets,) are
    the change of the current with the logarithm of shaft power and voltage. """

    log_drag: float
    flow: Floats
    y: Floats
    to_drag: Floats
    along: Floats
    to_parts: Singles
    flow_to_drag: Floats
    flow_to_parts: Floats
    spread_half: Singles
    spread: Floats
    flow_half: Floats
    flow_spread: Floats
    to_power: Floats
    to_volts: Floats


@dataclass(frozen=True, slots=True)
class Local:
    """Expected readings at one drag for chosen gate sets, interpolated between columns: ``flow`` (n,), ``y`` (n, 4)."""

    flow: Floats
    y: Floats


class Response:
    """The table of one design (with its baseline, if any) over a list of gate sets that may grow."""

    def __init__(self, design: DuctDesign, baseline: Baseline | None, uncertain: Uncertain, sets: Bools) -> None:
        self.design = design if baseline is None else baseline.design_as_built(design)
        self._built = AsBuilt() if baseline is None else baseline.as_built
        self._tilt = 0.0 if baseline is None else baseline.motor_tilt
        self._pitot = 1.0 if baseline is None else baseline.pitot
        self.uncertain = uncertain
        self.sets = sets
        self.log_clean = float(np.log(design.filter.clean_drag_pasm3))
        self._columns: OrderedDict[int, Column] = OrderedDict()
        self._points: dict[int, tuple[Floats, Floats]] = {}
        last = next(run for run in design.runs if run.into == FAN)
        self._inlet_area = last.area_m2
        self._free = design.fan.free_flow_m3s() * self._built.fan_flow
        self._motor_pivot = 0.0 if design.motor is None else 0.75 * design.motor.full_a
        self.has_motor = design.motor is not None and design.fan.has_power

    def set_uncertain(self, uncertain: Uncertain) -> None:
        """Other uncertainties (a zero became known): sensitivities stay, covariances are made anew."""
        self.uncertain = uncertain
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
        design, built = self.design, self._built
        fan, density = design.fan, design.air.density_kgm3
        stretched = flow / built.fan_flow
        lift = built.fan_pressure * fan.pressure_pa(stretched, 1.0, density)
        slope = built.fan_pressure / built.fan_flow * fan.pressure_slope(stretched, 1.0, density)
        velocity = 0.5 * density * np.square(flow / self._inlet_area)
        filtered = np.exp(log_drag) * flow
        y = np.full((flow.size, len(MEASURED)), np.nan)
        along = np.full_like(y, np.nan)
        y[:, 0], along[:, 0] = filtered - velocity - lift, filtered - 2.0 * velocity - slope * flow
        y[:, 1], along[:, 1] = filtered, filtered
        y[:, 3] = velocity * self._pitot
        along[:, 3] = 2.0 * y[:, 3]
        motor = design.motor
        if motor is not None and self.has_motor:
            scale = built.fan_pressure * built.fan_flow
            amps = []
            for share in (1.0, 1.01, 0.99):
                power = fan.power_w(stretched * share, 1.0, density)
                assert power is not None
                current = motor.current_a(power * scale) * built.motor_current
                amps.append(current + self._tilt * (current - self._motor_pivot))
            y[:, 2], along[:, 2] = amps[0], (amps[1] - amps[2]) / 0.02
        return y, along

    def curve_scalar(self, log_drag: float, flow: float) -> tuple[list[float], list[float]]:
        """:meth:`curve` for one flow, in plain numbers."""
        design, built = self.design, self._built
        fan, density = design.fan, design.air.density_kgm3
        stretched = flow / built.fan_flow
        lift, slope = fan.pressure_scalar(stretched, 1.0, density)
        lift *= built.fan_pressure
        fall = slope * built.fan_pressure / built.fan_flow * flow
        velocity = 0.5 * density * (flow / self._inlet_area) ** 2
        filtered = math.exp(log_drag) * flow
        amps, amps_slope = math.nan, math.nan
        if self.has_motor:
            amps, above, below = (self._amps(stretched * share) for share in (1.0, 1.01, 0.99))
            amps_slope = (above - below) / 0.02
        pitot = velocity * self._pitot
        return (
            [filtered - velocity - lift, filtered, amps, pitot],
            [filtered - 2.0 * velocity - fall, filtered, amps_slope, 2.0 * pitot])

    def _amps(self, stretched: float) -> float:
        design, built = self.design, self._built
        power = design.fan.power_scalar(stretched, 1.0, design.air.density_kgm3)
        assert power is not None
        assert design.motor is not None
        current = design.motor.current_scalar(power * built.fan_pressure * built.fan_flow) * built.motor_current
        return current + self._tilt * (current - self._motor_pivot)

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
            found = self._columns[node] = self._with_covariance(self._sensitivities(node))
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
            found = self._points[node] = self._read(self._solve(node))
        return found

    def _solve(self, node: int) -> OperatingPoints:
        drag = float(np.exp(self.log_clean + node * STEP))
        return solve_many(self.design, self.sets, filter_drag_pasm3=drag, as_built=self._built)

    def _read(self, points: OperatingPoints) -> tuple[Floats, Floats]:
        y = np.full((len(points), len(MEASURED)), np.nan)
        y[:, 0] = points.inlet_pa
        y[:, 1] = points.filter_pa
        if points.motor_a is not None:
            y[:, 2] = points.motor_a + self._tilt * (points.motor_a - self._motor_pivot)
        y[:, 3] = self._velocity_pa(points) * self._pitot
        return points.flow_m3s, y

    def _velocity_pa(self, points: OperatingPoints) -> Floats:
        return np.asarray(0.5 * points.density_kgm3 * np.square(points.flow_m3s / self._inlet_area))

    def _sensitivities(self, node: int) -> Column:
        points = self._solve(node)
        flow, y = self._points.setdefault(node, self._read(points))
        built, design = self._built, self.design
        fan, density = design.fan, points.density_kgm3
        velocity = self._velocity_pa(points)
        duct = np.maximum(-(points.inlet_pa + velocity), 1e-6)
        filtered = points.filter_pa
        stretched = flow / built.fan_flow
        lift = points.fan_static_pa
        lift_slope = built.fan_pressure / built.fan_flow * fan.pressure_slope(stretched, 1.0, density)
        bend_down = lift_slope * flow - 2.0 * duct - filtered  # D Q, negative
        current, current_slope, per_power = self._motor(points)

        parts = self.uncertain.names
        n = len(flow)
        duct_error = np.zeros((n, len(parts)))   # relative, of the duct loss at given flow
        lift_error = np.zeros((n, len(parts)))   # Pa, of the fan at given flow
        direct = np.zeros((n, len(MEASURED), len(parts)))
        at = {name: i for i, name in enumerate(parts)}
        lift_error[:, at["fan_pressure"]] = lift
        lift_error[:, at["fan_flow"]] = -lift_slope * flow
        bends = np.array([bend(q / self._free) for q in flow])
        for k, name in enumerate(("fan_low", "fan_middle", "fan_high")):
            lift_error[:, at[name]] = lift * bends[:, k]
        direct[:, 2, at["fan_pressure"]] = per_power
        direct[:, 2, at["fan_flow"]] = per_power - current_slope * flow
        direct[:, 2, at["motor"]] = current
        direct[:, 2, at["motor_tilt"]] = current - self._motor_pivot
        direct[:, 3, at["pitot"]] = y[:, 3]
        direct[:, 0, at["zero_inlet"]] = 1.0
        direct[:, 1, at["zero_filter"]] = 1.0
        # Readings carried to the design's air by a density that is too large come out too small.
        direct[:, 0, at["density"]] = -points.inlet_pa
        direct[:, 1, at["density"]] = -filtered
        direct[:, 2, at["density"]] = -per_power
        direct[:, 3, at["density"]] = -y[:, 3]
        port_share, run_share, leak_share = self._shares(points, duct, velocity)
        first_port = len(SHARED)
        first_run = first_port + len(design.ports)
        duct_error[:, first_port:first_run] = port_share
        duct_error[:, first_run:] = run_share
        duct_error[:, at["leak"]] = -2.0 * leak_share
        opened = self.sets.sum(axis=1)
        duct_error[:, at["ducts"]] = np.where(opened > 0, 1.0, 0.0)
        duct_error[:, at["joint"]] = np.where(opened > 1, 1.0, 0.0)

        flow_to_parts = (duct[:, None] * duct_error - lift_error) / bend_down[:, None]
        flow_to_drag = filtered / bend_down
        by_flow = np.empty((n, len(MEASURED)))   # change of the readings with ln Q at given fixed losses
        by_flow[:, 0] = -(2.0 * duct + 2.0 * velocity)
        by_flow[:, 1] = filtered
        by_flow[:, 2] = current_slope * flow
        by_flow[:, 3] = 2.0 * y[:, 3]
        to_parts = direct + by_flow[:, :, None] * flow_to_parts[:, None, :]
        to_parts[:, 0, :] -= duct[:, None] * duct_error
        to_drag = by_flow * flow_to_drag[:, None]
        to_drag[:, 1] += filtered
        along = by_flow.copy()
        along[:, 0] -= bend_down  # the loss that the ducts must gain for the flow to change by this much
        empty = np.empty(0)
        return Column(
            self.log_clean + node * STEP, flow, y, to_drag, along, to_parts.astype(np.float32), flow_to_drag,
            flow_to_parts, empty, empty, empty, empty, per_power, self._to_volts(points))

    def _to_volts(self, points: OperatingPoints) -> Floats:
        motor = self.design.motor
        if motor is None or points.motor_a is None:
            return np.full(len(points), np.nan)
        assert points.shaft_w is not None
        above, below = (motor.current_a(points.shaft_w, f * motor.voltage_v) for f in (1.02, 0.98))
        return np.asarray(self._built.motor_current * (above - below) / 0.04)

    def _motor(self, points: OperatingPoints) -> tuple[Floats, Floats, Floats]:
        """Current [A], its slope with flow [A s/m3] and its change per unit of the logarithm of shaft power [A]."""
        motor = self.design.motor
        if motor is None or points.motor_a is None:
            nothing = np.full(len(points), np.nan)
            return nothing, nothing, nothing
        built, fan = self._built, self.design.fan
        shaft, small = points.shaft_w, 0.01
        assert shaft is not None
        per_power = built.motor_current * (
            motor.current_a(shaft * (1.0 + small)) - motor.current_a(shaft * (1.0 - small))) / (2.0 * small)
        flow, step = points.flow_m3s, 0.01 * self._free
        above = fan.power_w((flow + step) / built.fan_flow, 1.0, points.density_kgm3)
        below = fan.power_w((flow - step) / built.fan_flow, 1.0, points.density_kgm3)
        assert above is not None
        assert below is not None
        scale = built.fan_pressure * built.fan_flow
        slope = per_power / shaft * (above - below) * scale / (2.0 * step)
        grown = 1.0 + self._tilt
        current = points.motor_a + self._tilt * (points.motor_a - self._motor_pivot)
        return current, np.asarray(slope * grown), np.asarray(per_power * grown)

    def _shares(self, points: OperatingPoints, duct: Floats, velocity: Floats) -> tuple[Floats, Floats, Floats]:
        """Share of each port, of each run and of all leaks in the power lost in the ducts."""
        design, density = self.design, points.density_kgm3
        port_total = points.port_static_pa + 0.5 * density * np.square(points.port_velocity_ms)
        run_total = points.run_static_pa + 0.5 * density * np.square(points.run_velocity_ms)
        port_power = points.port_flow_m3s * -port_total
        run_power = points.run_flow_m3s * -run_total
        names = {run.name: i for i, run in enumerate(design.runs)}
        for i, run in enumerate(design.runs):
            if run.into != FAN:
                run_power[:, names[run.into]] -= points.run_flow_m3s[:, i] * -run_total[:, i]
        for i, port in enumerate(design.ports):
            run_power[:, names[port.into]] -= points.port_flow_m3s[:, i] * -port_total[:, i]
        whole = points.flow_m3s * duct
        port_share = port_power / whole[:, None]
        run_share = run_power / whole[:, None]
        shut = ~self.sets
        leak_share = np.where(shut, port_share, 0.0).sum(axis=1)
        return np.where(shut, 0.0, port_share), run_share, leak_share
