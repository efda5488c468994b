"""How the readings of one operating point move with drag, flow and every uncertain part of the shop.

Sensitivities come from one balance at the operating point: ``F(Q) = T(Q) + S Q`` with the fan's static pressure F, the
loss of the ducts T and the drag S. A relative error e of the duct loss moves the flow by ``T e / D``, one of the fan
curve by ``-dF / D``, with ``D = F' - 2 T/Q - S``. The part of T that belongs to one run or port is its share of the
power lost in the ducts, ``q dp / (Q T)`` (exact for losses that go with the square of the flow, since the flows in a
network make the sum of ``q dp / 3`` least; Tellegen's theorem).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from analysis.baseline.model import Baseline, bend
from analysis.duct.design import FAN, AsBuilt, DuctDesign
from analysis.duct.points import OperatingPoints
from analysis.estimator.sensors import MEASURED
from analysis.estimator.uncertain import SHARED

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.floating[Any]]
Bools = npt.NDArray[np.bool_]


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


class ReadingModel:
    """The shop as built: what the sensors read at a solved operating point, and how that moves.

    ``design`` with the baseline's corrections, ``built`` its factors, ``tilt`` and ``motor_pivot`` [A] of the motor's
    current, ``pitot`` the factor of the velocity pressure, ``inlet_area`` [m2] of the run at the fan.
    """

    def __init__(self, design: DuctDesign, baseline: Baseline | None) -> None:
        self.design = design if baseline is None else baseline.design_as_built(design)
        self.built = AsBuilt() if baseline is None else baseline.as_built
        self.tilt = 0.0 if baseline is None else baseline.motor_tilt
        self.pitot = 1.0 if baseline is None else baseline.pitot
        last = next(run for run in design.runs if run.into == FAN)
        self.inlet_area = last.area_m2
        self._free = design.fan.free_flow_m3s() * self.built.fan_flow
        self.motor_pivot = 0.0 if design.motor is None else 0.75 * design.motor.full_a
        self.has_motor = design.motor is not None and design.fan.has_power

    def read(self, points: OperatingPoints) -> tuple[Floats, Floats]:
        """Flow (n,) and readings (n, 4) of solved operating points."""
        y = np.full((len(points), len(MEASURED)), np.nan)
        y[:, 0] = points.inlet_pa
        y[:, 1] = points.filter_pa
        if points.motor_a is not None:
            y[:, 2] = points.motor_a + self.tilt * (points.motor_a - self.motor_pivot)
        y[:, 3] = self._velocity_pa(points) * self.pitot
        return points.flow_m3s, y

    def _velocity_pa(self, points: OperatingPoints) -> Floats:
        return np.asarray(0.5 * points.density_kgm3 * np.square(points.flow_m3s / self.inlet_area))

    def column(
        self, log_drag: float, points: OperatingPoints, flow: Floats, y: Floats, sets: Bools, parts: Sequence[str]
    ) -> Column:
        """The column of one drag with its sensitivities, still without covariances (empty arrays)."""
        built, design = self.built, self.design
        fan, density = design.fan, points.density_kgm3
        velocity = self._velocity_pa(points)
        duct = np.maximum(-(points.inlet_pa + velocity), 1e-6)
        filtered = points.filter_pa
        stretched = flow / built.fan_flow
        lift = points.fan_static_pa
        lift_slope = built.fan_pressure / built.fan_flow * fan.pressure_slope(stretched, 1.0, density)
        bend_down = lift_slope * flow - 2.0 * duct - filtered  # D Q, negative
        current, current_slope, per_power = self._motor(points)

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
        direct[:, 2, at["motor_tilt"]] = current - self.motor_pivot
        direct[:, 3, at["pitot"]] = y[:, 3]
        direct[:, 0, at["zero_inlet"]] = 1.0
        direct[:, 1, at["zero_filter"]] = 1.0
        # Readings carried to the design's air by a density that is too large come out too small.
        direct[:, 0, at["density"]] = -points.inlet_pa
        direct[:, 1, at["density"]] = -filtered
        direct[:, 2, at["density"]] = -per_power
        direct[:, 3, at["density"]] = -y[:, 3]
        port_share, run_share, leak_share = self._shares(points, duct, sets)
        first_port = len(SHARED)
        first_run = first_port + len(design.ports)
        duct_error[:, first_port:first_run] = port_share
        duct_error[:, first_run:] = run_share
        duct_error[:, at["leak"]] = -2.0 * leak_share
        opened = sets.sum(axis=1)
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
            log_drag, flow, y, to_drag, along, to_parts.astype(np.float32), flow_to_drag,
            flow_to_parts, empty, empty, empty, empty, per_power, self._to_volts(points))

    def _to_volts(self, points: OperatingPoints) -> Floats:
        motor = self.design.motor
        if motor is None or points.motor_a is None:
            return np.full(len(points), np.nan)
        assert points.shaft_w is not None
        above, below = (motor.current_a(points.shaft_w, f * motor.voltage_v) for f in (1.02, 0.98))
        return np.asarray(self.built.motor_current * (above - below) / 0.04)

    def _motor(self, points: OperatingPoints) -> tuple[Floats, Floats, Floats]:
        """Current [A], its slope with flow [A s/m3] and its change per unit of the logarithm of shaft power [A]."""
        motor = self.design.motor
        if motor is None or points.motor_a is None:
            nothing = np.full(len(points), np.nan)
            return nothing, nothing, nothing
        built, fan = self.built, self.design.fan
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
        grown = 1.0 + self.tilt
        current = points.motor_a + self.tilt * (points.motor_a - self.motor_pivot)
        return current, np.asarray(slope * grown), np.asarray(per_power * grown)

    def _shares(self, points: OperatingPoints, duct: Floats, sets: Bools) -> tuple[Floats, Floats, Floats]:
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
        shut = ~sets
        leak_share = np.where(shut, port_share, 0.0).sum(axis=1)
        return np.where(shut, 0.0, port_share), run_share, leak_share
