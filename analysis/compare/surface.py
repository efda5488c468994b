"""What the engine says of a few gate sets over a range of filter drags, as logarithms, ready to be interpolated."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.duct.design import FAN, NO_FAULTS, AsBuilt, DuctDesign, Faults
from analysis.duct.solve import solve_many

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

CHANNELS = 4
"""The readings of a surface, in the order of ``analysis.estimator.sensors.MEASURED``."""
SPACING = 0.3
"""Distance of two nodes in the logarithm of the drag."""
SLIP = 0.04
"""Slip of a small induction motor at its rated load (3 to 5 %; common practice, no source). It goes with the load and
falls with the square of the voltage: the fan turns a little slower where it moves more air."""
_POWER_STEP = 0.01
_VOLT_STEP = 0.02


@dataclass(frozen=True, slots=True)
class Axis:
    """Evenly spaced nodes in the logarithm of the drag."""

    first: float
    count: int

    @classmethod
    def over(cls, low: float, high: float) -> Axis:
        """Nodes from below ``low`` to above ``high``, three at least."""
        first = np.floor(low / SPACING) * SPACING - SPACING
        count = int(np.ceil((high - first) / SPACING)) + 2
        return cls(float(first), max(count, 3))

    @property
    def nodes(self) -> Floats:
        """The nodes."""
        return np.asarray(self.first + SPACING * np.arange(self.count), dtype=np.float64)

    def weights(self, log_drag: Floats) -> tuple[npt.NDArray[np.intp], Floats, Floats]:
        """For each value: the first of its three nodes, their weights (n, 3), and the weights of the slope (n, 3).

        A parabola through the three nearest nodes; the error of a logarithm stays below 1e-4.
        """
        place = (log_drag - self.first) / SPACING
        middle = np.clip(np.rint(place), 1, self.count - 2).astype(np.intp)
        x = place - middle
        value = np.stack([0.5 * x * (x - 1.0), 1.0 - x * x, 0.5 * x * (x + 1.0)], axis=1)
        slope = np.stack([x - 0.5, -2.0 * x, x + 0.5], axis=1) / SPACING
        return middle - 1, value, slope


@dataclass(frozen=True, slots=True)
class Surface:
    """Logarithms of what the engine expects: ``rows`` is (sets, nodes, columns), in the air of the design.

    Columns: the four readings (size of inlet static pressure, filter pressure, current, velocity pressure), flow
    through the fan, how the logarithm of the current changes with that of shaft power and with that of the voltage
    (zero without a motor), then the flow of each port.
    """

    rows: Floats


FLOW = CHANNELS
"""Column of the flow through the fan."""
BY_POWER, BY_VOLTS = CHANNELS + 1, CHANNELS + 2
"""Columns of the current's answer to shaft power and voltage."""
FIRST_PORT = CHANNELS + 3
"""Column of the first port's flow."""


def surface(
    design: DuctDesign, gates: Bools, axis: Axis, *, as_built: AsBuilt, tilt: float = 0.0, faults: Faults = NO_FAULTS
) -> Surface:
    """Solve the gate sets ``gates`` (sets, ports) at every node of ``axis``; ``tilt`` is that of a baseline's motor."""
    sets, nodes = len(gates), axis.count
    points = solve_many(
        design, np.repeat(gates, nodes, axis=0), filter_drag_pasm3=np.tile(np.exp(axis.nodes), sets), as_built=as_built,
        faults=faults)
    ports = len(design.ports)
    rows = np.ones((sets * nodes, FIRST_PORT + ports))
    rows[:, 0] = -points.inlet_pa
    rows[:, 1] = points.filter_pa
    by_power = np.zeros(sets * nodes)
    by_volts = np.zeros(sets * nodes)
    slower = np.zeros(sets * nodes)
    motor = design.motor
    if motor is not None and points.shaft_w is not None:
        watts = points.shaft_w
        slower = SLIP * (watts / motor.power_w - 1.0)
        watts = watts * (1.0 - 3.0 * slower)

        def current(factor: float, volts: float) -> Floats:
            amps = motor.current_a(watts * factor, volts * motor.voltage_v) * as_built.motor_current
            return np.asarray(amps + tilt * (amps - 0.75 * motor.full_a))

        rows[:, 2] = current(1.0, 1.0)
        by_power = np.log(current(1.0 + _POWER_STEP, 1.0) / current(1.0 - _POWER_STEP, 1.0)) / (2.0 * _POWER_STEP)
        by_volts = np.log(current(1.0, 1.0 + _VOLT_STEP) / current(1.0, 1.0 - _VOLT_STEP)) / (2.0 * _VOLT_STEP)
    area = next(run.area_m2 for run in design.runs if run.into == FAN)
    rows[:, 3] = 0.5 * points.density_kgm3 * (points.flow_m3s / area) ** 2
    rows[:, FLOW] = points.flow_m3s
    rows[:, FIRST_PORT:] = points.port_flow_m3s
    logs = np.log(np.maximum(rows, 1e-12))
    logs[:, [0, 3]] -= 2.0 * slower[:, None]
    logs[:, 1] -= slower
    logs[:, FLOW:] -= slower[:, None]
    logs[:, BY_POWER], logs[:, BY_VOLTS] = by_power, by_volts
    return Surface(logs.reshape(sets, nodes, -1))
