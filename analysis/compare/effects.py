"""What a change of the ducts does to every reading and to the air at every port, by the engine, for a few possible shops.

The shop that stands is known within the drawing's uncertainty, or the baseline's. So a handful of shops is drawn from
that, and each says what a leak, a joint or a filter's drag does: where they differ, the answer is less sure.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from analysis.baseline.fit import built_from
from analysis.baseline.model import Baseline, bent_design
from analysis.compare.steady import Gates
from analysis.duct.design import FAN, NO_FAULTS, AsBuilt, DuctDesign, Faults, Join
from analysis.duct.solve import solve_many
from analysis.estimator.uncertain import uncertain_parts

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
SHOPS = 4
"""Possible shops beside the most probable one."""
LEAK_STEP_CM2 = 2.0
PART_STEP = 0.05
UPPER = ", upper half"


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


FLOW = CHANNELS
"""Column of the flow through the fan."""
BY_POWER, BY_VOLTS = CHANNELS + 1, CHANNELS + 2
"""Columns of the current's answer to shaft power and voltage."""
FIRST_PORT = CHANNELS + 3
"""Column of the first port's flow."""


def surface(
    design: DuctDesign, gates: Bools, log_drags: Floats, *, as_built: AsBuilt, tilt: float = 0.0, faults: Faults = NO_FAULTS
) -> Floats:
    """Logarithms of what the engine expects, (sets, nodes, columns), in the air of the design: the four readings (size of
    inlet static pressure, filter pressure, current, velocity pressure), the flow through the fan, how the logarithm of the
    current changes with that of shaft power and with that of the voltage (zero without a motor), the flow of each port.

    Solves the gate sets ``gates`` (sets, ports) at each of ``log_drags``; ``tilt`` is that of a baseline's motor."""
    sets, nodes = len(gates), len(log_drags)
    points = solve_many(
        design, np.repeat(gates, nodes, axis=0), filter_drag_pasm3=np.tile(np.exp(log_drags), sets), as_built=as_built,
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
    return np.asarray(logs.reshape(sets, nodes, -1))


@dataclass(frozen=True, slots=True)
class Effects:
    """One possible shop. ``base`` is its :func:`surface`; ``leak`` (runs, sets, nodes, columns) the change for a square
    centimetre more leakage at each run; ``joint`` the same for the losses of each run, ``port`` for those of each port, per
    unit of their logarithm."""

    base: Floats
    leak: Floats
    joint: Floats
    port: Floats


def possible_shops(design: DuctDesign, baseline: Baseline | None, seed: int = 1) -> list[tuple[DuctDesign, AsBuilt, float]]:
    """The most probable shop first, then random ones: design with its fan's curve, factors, and the motor's tilt."""
    parts = uncertain_parts(design, baseline, zero_inlet_pa=1.0, zero_filter_pa=1.0, density_sd=0.01)
    middle = dict.fromkeys(parts.names, 0.0)
    if baseline is not None:
        built = baseline.as_built
        middle |= {
            "fan_pressure": math.log(built.fan_pressure), "fan_flow": math.log(built.fan_flow),
            "leak": math.log(built.leak), "motor": math.log(built.motor_current), "motor_tilt": baseline.motor_tilt}
        middle |= dict(zip(("fan_low", "fan_middle", "fan_high"), map(math.log, baseline.fan_bend), strict=True))
        middle |= {f"port:{name}": math.log(k) for name, k in built.port_k.items()}
        middle |= {f"run:{name}": math.log(k) for name, k in built.run_k.items()}
    rng = np.random.default_rng(seed)
    half = rng.standard_normal((SHOPS // 2, len(parts.names)))
    draws = np.vstack([np.zeros((1, len(parts.names))), half, -half])  # antithetic: the mean stays that of the best
    values, vectors = np.linalg.eigh(parts.covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    shops = []
    for row in draws:
        value = {n: middle.get(n, 0.0) + v for n, v in zip(parts.names, (root @ row).tolist(), strict=True)}
        if baseline is not None:
            # A baseline's factors have the common parts in them already.
            value |= {name: 0.0 for name in ("ducts", "joint") if name in value}
        value["leak"] = min(max(value["leak"], -2.0), 2.0)
        built = replace(built_from(design, value), motor_current=math.exp(min(max(value["motor"], -1.0), 1.0)))
        bends = (math.exp(value["fan_low"]), math.exp(value["fan_middle"]), math.exp(value["fan_high"]))
        shops.append((bent_design(design, bends), built, min(max(value["motor_tilt"], -0.8), 1.5)))
    return shops


def cut_in_half(design: DuctDesign, name: str) -> DuctDesign:
    """The same ducts with a run in two halves, the upper one with a name of its own: a new run is cut in somewhere on the
    way, and a leak enters where a run begins."""
    upper, runs = name + UPPER, []
    for run in design.runs:
        if run.name != name:
            runs.append(replace(run, into=upper) if run.into == name else run)
            continue
        half = replace(run, length_m=0.5 * run.length_m, fittings_k=0.5 * run.fittings_k)
        runs.append(replace(half, leak_m2=0.0, start_diameter_m=None))
        runs.append(replace(half, name=upper, into=name, join=Join.straight(), end_diameter_m=None))
    ports = tuple(replace(port, into=upper) if port.into == name else port for port in design.ports)
    return replace(design, runs=tuple(runs), ports=ports)


def halved(built: AsBuilt, name: str) -> AsBuilt:
    """The factors of the ducts that :func:`cut_in_half` makes."""
    return replace(built, run_k={**built.run_k, name + UPPER: built.run_k.get(name, 1.0)})


def effects(
    shop: tuple[DuctDesign, AsBuilt, float], sets: Sequence[Gates], axis: Axis, cut: Sequence[str],
    steps_cm2: Sequence[float] = (), losses: Effects | None = None,
) -> Effects:
    """The effects in one shop on these gate sets; ``cut`` are the runs that may have been cut into. A leak's effect is that of
    a leak of ``steps_cm2`` for each of them, over its size: with all gates shut it is far from linear. What losses of runs and
    ports do is small and taken from another shop's effects ``losses`` where they are given."""
    design, built, tilt = shop
    gates = np.array([[port.name in opened for port in design.ports] for opened in sets], dtype=bool)

    base = surface(design, gates, axis.nodes, as_built=built, tilt=tilt)
    if not cut:
        return Effects(base, *(np.zeros((0, *base.shape)) for _ in range(3)))
    # Differences hardly bend: a parabola through three of the nodes.
    three = np.array([0, axis.count // 2, axis.count - 1])
    x, at = axis.nodes, axis.nodes[three]
    parabola = np.stack([
        np.prod([(x - at[j]) / (at[i] - at[j]) for j in range(3) if j != i], axis=0) for i in range(3)], axis=1)

    def look(as_built: AsBuilt, leaks: Mapping[str, float] | None = None, drawn: DuctDesign = design) -> Floats:
        """What that changes."""
        faults = Faults(leak_m2=dict(leaks or {}))
        seen = surface(drawn, gates, at, as_built=as_built, tilt=tilt, faults=faults)
        return np.asarray(np.einsum("nt,stc->snc", parabola, seen - base[:, three]))

    leak = np.stack([
        look(halved(built, run), {run: step * 1e-4}, cut_in_half(design, run)) / step
        for run, step in zip(cut, steps_cm2 or [LEAK_STEP_CM2] * len(cut), strict=True)])
    if losses is not None:
        return Effects(base, leak, losses.joint, losses.port)
    factor = math.exp(PART_STEP)

    def run_more(name: str) -> AsBuilt:
        return replace(built, run_k={**built.run_k, name: built.run_k.get(name, 1.0) * factor})

    def port_more(name: str) -> AsBuilt:
        return replace(built, port_k={**built.port_k, name: built.port_k.get(name, 1.0) * factor})

    joint = np.stack([look(run_more(run)) / PART_STEP for run in cut])
    port = np.stack([look(port_more(name)) / PART_STEP for name in design.port_names])
    return Effects(base, leak, joint, port)
