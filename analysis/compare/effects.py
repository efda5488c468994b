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
from analysis.compare.surface import Axis, Surface, surface
from analysis.duct.design import AsBuilt, DuctDesign, Faults, Join
from analysis.estimator.uncertain import uncertain_parts

Floats = npt.NDArray[np.float64]

SHOPS = 4
"""Possible shops beside the most probable one."""
LEAK_STEP_CM2 = 2.0
PART_STEP = 0.05
UPPER = ", upper half"


@dataclass(frozen=True, slots=True)
class Effects:
    """One possible shop. ``base`` is its surface; ``leak`` (runs, sets, nodes, columns) the change for a square centimetre
    more leakage at each run; ``joint`` the same for the losses of each run, ``port`` for those of each port, per unit of
    their logarithm."""

    base: Surface
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
    steps_cm2: Sequence[float] = (), with_ports: bool = True,
) -> Effects:
    """The effects in one shop on these gate sets; ``cut`` are the runs that may have been cut into. A leak's effect is that of
    a leak of ``steps_cm2`` for each of them, over its size: with all gates shut it is far from linear."""
    design, built, tilt = shop
    gates = np.array([[port.name in opened for port in design.ports] for opened in sets], dtype=bool)

    def look(as_built: AsBuilt = built, leaks: Mapping[str, float] | None = None, drawn: DuctDesign = design) -> Floats:
        faults = Faults(leak_m2=dict(leaks or {}))
        return surface(drawn, gates, axis, as_built=as_built, tilt=tilt, faults=faults).rows

    base = look()
    if not cut:
        return Effects(Surface(base), *(np.zeros((0, *base.shape)) for _ in range(3)))
    leak = np.stack([
        (look(halved(built, run), {run: step * 1e-4}, cut_in_half(design, run)) - base) / step
        for run, step in zip(cut, steps_cm2 or [LEAK_STEP_CM2] * len(cut), strict=True)])
    factor = math.exp(PART_STEP)

    def run_more(name: str) -> AsBuilt:
        return replace(built, run_k={**built.run_k, name: built.run_k.get(name, 1.0) * factor})

    def port_more(name: str) -> AsBuilt:
        return replace(built, port_k={**built.port_k, name: built.port_k.get(name, 1.0) * factor})

    joint = np.stack([(look(run_more(run)) - base) / PART_STEP for run in cut])
    names = design.port_names if with_ports else ()
    port = np.stack([(look(port_more(name)) - base) / PART_STEP for name in names]) if names else np.zeros((0, *base.shape))
    return Effects(Surface(base), leak, joint, port)
