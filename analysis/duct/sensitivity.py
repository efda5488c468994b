"""How far an operating point leans on each uncertain input of the drawing, and how uncertain it is in all."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from analysis.duct.design import AS_DRAWN, NO_FAULTS, AsBuilt, DuctDesign, Faults
from analysis.duct.points import OperatingPoint
from analysis.duct.solve import solve

if TYPE_CHECKING:
    from analysis.air import Air

STEP = 0.02
"""Relative change of an input, up and down, from which a slope is taken."""


@dataclass(frozen=True, slots=True)
class Influence:
    """One uncertain input: its relative standard deviation and, per output, d(output)/d(ln input) in the output's unit.

    Outputs are named ``flow_m3s``, ``inlet_pa``, ``filter_pa``, ``motor_a`` and ``port NAME`` for each port's flow.
    """

    name: str
    sd: float
    slopes: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Spread:
    """An operating point, what each uncertain input does to it, and one standard deviation of each output."""

    point: OperatingPoint
    influences: tuple[Influence, ...]
    sd: Mapping[str, float]


def outputs(point: OperatingPoint) -> dict[str, float]:
    """The numbers of an operating point that sensors and owners see, by the names used in :class:`Influence`."""
    found = {"flow_m3s": point.flow_m3s, "inlet_pa": point.inlet_pa, "filter_pa": point.filter_pa}
    if point.motor_a is not None:
        found["motor_a"] = point.motor_a
    found.update({f"port {name}": state.flow_m3s for name, state in point.ports.items()})
    return found


def spread(
    design: DuctDesign, open_ports: Collection[str], *, air: Air | None = None, filter_drag_pasm3: float | None = None,
    fan_speed_ratio: float = 1.0, line_v: float | None = None, as_built: AsBuilt = AS_DRAWN, faults: Faults = NO_FAULTS,
) -> Spread:
    """The operating point with its sensitivities; arguments as in :func:`analysis.duct.solve.solve`.

    The inputs are those of :class:`analysis.duct.design.Uncertainties` (a run's or port's own uncertainty wins over
    ``duct_k``) and are taken as independent. The clean filter drag counts only where no drag is given.
    """

    def at(factors: AsBuilt) -> dict[str, float]:
        return outputs(
            solve(design, open_ports, air=air, filter_drag_pasm3=filter_drag_pasm3, fan_speed_ratio=fan_speed_ratio,
                  line_v=line_v, as_built=factors, faults=faults)
        )

    point = solve(design, open_ports, air=air, filter_drag_pasm3=filter_drag_pasm3, fan_speed_ratio=fan_speed_ratio,
                  line_v=line_v, as_built=as_built, faults=faults)
    influences = []
    for name, sd, less, more in _varied(design, point, as_built, filter_drag_pasm3 is None):
        low, high = at(less), at(more)
        width = math.log((1.0 + STEP) / (1.0 - STEP))
        influences.append(Influence(name, sd, {key: (high[key] - low[key]) / width for key in low}))
    total = {
        key: math.sqrt(sum((influence.sd * influence.slopes[key]) ** 2 for influence in influences))
        for key in outputs(point)
    }
    return Spread(point, tuple(influences), total)


def _varied(
    design: DuctDesign, point: OperatingPoint, built: AsBuilt, clean: bool
) -> Iterator[tuple[str, float, AsBuilt, AsBuilt]]:
    """Name and uncertainty of each input, with the as-built factors a step below and a step above."""
    sds = design.uncertainties
    less, more = 1.0 - STEP, 1.0 + STEP
    whole = [
        ("fan pressure", sds.fan_pressure, "fan_pressure"), ("leakage", sds.leak, "leak"),
        ("motor current", sds.motor_current, "motor_current"),
    ]
    if clean:
        whole.append(("clean filter drag", sds.filter_drag, "filter_drag"))
    for name, sd, key in whole:
        value = getattr(built, key)
        yield name, sd, replace(built, **{key: less * value}), replace(built, **{key: more * value})
    for run in design.runs:
        if point.runs[run.name].in_use:
            k = built.run_k.get(run.name, 1.0)
            low, high = ({**built.run_k, run.name: step * k} for step in (less, more))
            sd = sds.duct_k if run.uncertainty is None else run.uncertainty
            yield f"run {run.name}", sd, replace(built, run_k=low), replace(built, run_k=high)
    for port in design.ports:
        if point.ports[port.name].in_use:
            k = built.port_k.get(port.name, 1.0)
            low, high = ({**built.port_k, port.name: step * k} for step in (less, more))
            sd = sds.duct_k if port.uncertainty is None else port.uncertainty
            yield f"port {port.name}", sd, replace(built, port_k=low), replace(built, port_k=high)
