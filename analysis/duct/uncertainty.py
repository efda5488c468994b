"""How sure the design's expectations are: every expected value with the uncertain inputs that move it.

Each uncertain input is a factor around 1 (its spread is log-normal: a loss can double but not turn negative). A
value's response to an input is half its change between one standard deviation down and one up; inputs are independent,
so that the responses add in quadrature; the losses of junctions count as known. Responses to the same input keep their
signs, which is what lets :func:`difference` cancel what two designs have in common. """

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from analysis.duct.design import AsBuilt, DuctDesign
from analysis.duct.points import OperatingPoint
from analysis.duct.solve import solve

if TYPE_CHECKING:
    from analysis.air import Air

AIR_DENSITY_SD = 0.02
"""The weather and the warmth of the shop move air density by about 2 % (6 deg C, or 20 hPa; common practice, no
source)."""

LINE_VOLTAGE_SD = 0.03
"""Mains voltage swings by about 3 % where it is not measured (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class UncertainInput:
    """One uncertain input: ``key`` (unique, equal keys in two designs mean the same error), ``words`` for a person, and
    ``sd``, one relative standard deviation."""

    key: str
    words: str
    sd: float


@dataclass(frozen=True, slots=True)
class Spread:
    """A value with its standard deviation; ``parts`` maps an input's key to the change that one sd of it makes."""

    value: float
    parts: Mapping[str, float] = field(default_factory=dict)

    @property
    def sd(self) -> float:
        """One standard deviation."""
        return math.sqrt(sum(part * part for part in self.parts.values()))

    def shares(self) -> list[tuple[str, float]]:
        """Inputs by their share of the variance, the largest first."""
        whole = self.sd**2
        if whole == 0.0:
            return []
        return sorted(((key, part * part / whole) for key, part in self.parts.items()), key=lambda row: -row[1])

    def scaled(self, factor: float) -> Spread:
        """The same in other units."""
        return Spread(self.value * factor, {key: part * factor for key, part in self.parts.items()})


@dataclass(frozen=True, slots=True)
class Expectation:
    """An operating point whose values carry their spread.

    ``values`` is keyed ``flow_m3s``, ``inlet_pa``, ``filter_pa``, ``fan_static_pa``, ``motor_a`` (where there is a
    motor), ``run:NAME:flow_m3s``, ``run:NAME:velocity_ms``, ``run:NAME:static_pa`` and the same with ``port``. """

    point: OperatingPoint
    inputs: Mapping[str, UncertainInput]
    values: Mapping[str, Spread]


@dataclass(frozen=True, slots=True)
class _Case:
    """What is handed to the solver for one displaced input."""

    as_built: AsBuilt = field(default_factory=AsBuilt)
    density: float = 1.0
    voltage: float = 1.0


def uncertain_inputs(design: DuctDesign, *, air_known: bool = False, voltage_known: bool = False) -> tuple[
    UncertainInput, ...
]:
    """The uncertain inputs of a design: fan, losses of every run and port, leakage, filter, air, motor, line voltage.

    A piece's key holds what the piece is, so that a piece that was changed counts as another with an error of its own.
    ``air_known`` and ``voltage_known`` leave out what is measured.
    """
    return tuple(entry for entry, _ in _inputs(design, air_known, voltage_known))


def expectation(
    design: DuctDesign, open_ports: Collection[str], *, air: Air | None = None, filter_drag_pasm3: float | None = None,
    line_v: float | None = None,
) -> Expectation:
    """The operating point of :func:`analysis.duct.solve.solve` with the spread of each of its values.

    ``air`` and ``line_v`` given count as measured and add nothing. Costs two solutions for each uncertain input (about
    8 ms for a shop of ten pieces).
    """
    known_air = air if air is not None else design.air

    def solved(case: _Case) -> OperatingPoint:
        volts = line_v
        if case.voltage != 1.0 and design.motor is not None:
            volts = design.motor.voltage_v * case.voltage
        # A known drag is measured; the factor on the clean drag then says nothing.
        return solve(
            design, open_ports, air=replace(known_air, density_kgm3=known_air.density_kgm3 * case.density),
            filter_drag_pasm3=filter_drag_pasm3, line_v=volts, as_built=case.as_built,
        )

    point = solved(_Case())
    base = numbers(point)
    parts: dict[str, dict[str, float]] = {name: {} for name in base}
    inputs = {}
    for entry, case in _inputs(design, air is not None, line_v is not None):
        inputs[entry.key] = entry
        low, high = (numbers(solved(case(math.exp(side * entry.sd)))) for side in (-1.0, 1.0))
        for name in base:
            change = 0.5 * (high[name] - low[name])
            if change != 0.0:
                parts[name][entry.key] = change
    return Expectation(point, inputs, {name: Spread(base[name], parts[name]) for name in base})


def difference(after: Spread, before: Spread) -> Spread:
    """``after`` less ``before``; what one shared input does to both cancels."""
    keys = after.parts.keys() | before.parts.keys()
    parts = {key: after.parts.get(key, 0.0) - before.parts.get(key, 0.0) for key in keys}
    return Spread(after.value - before.value, parts)


def numbers(point: OperatingPoint) -> dict[str, float]:
    """The values of an operating point by the keys of :class:`Expectation`."""
    found = {
        "flow_m3s": point.flow_m3s, "inlet_pa": point.inlet_pa, "filter_pa": point.filter_pa,
        "fan_static_pa": point.fan_static_pa,
    }
    if point.motor_a is not None:
        found["motor_a"] = point.motor_a
    for kind, states in (("run", point.runs), ("port", point.ports)):
        for name, state in states.items():
            found[f"{kind}:{name}:flow_m3s"] = state.flow_m3s
            found[f"{kind}:{name}:velocity_ms"] = state.velocity_ms
            found[f"{kind}:{name}:static_pa"] = state.static_pa
    return found


class _Displace:
    """Makes the case with one input displaced by a factor."""

    def __init__(self, what: str, name: str = "") -> None:
        self.what, self.name = what, name

    def __call__(self, factor: float) -> _Case:
        if self.what == "density":
            return _Case(density=factor)
        if self.what == "voltage":
            return _Case(voltage=factor)
        if self.what in ("run_k", "port_k"):
            named = {self.name: factor}
            return _Case(AsBuilt(run_k=named) if self.what == "run_k" else AsBuilt(port_k=named))
        factors: dict[str, Any] = {self.what: factor}
        return _Case(AsBuilt(**factors))


def _inputs(design: DuctDesign, air_known: bool, voltage_known: bool) -> Iterator[tuple[UncertainInput, _Displace]]:
    sds = design.uncertainties
    yield UncertainInput("fan", "the fan's pressure curve", sds.fan_pressure), _Displace("fan_pressure")
    if design.fan.generic:
        yield UncertainInput("fan flow", "the size of the guessed fan", sds.fan_pressure), _Displace("fan_flow")
    for run in design.runs:
        sd = sds.duct_k if run.uncertainty is None else run.uncertainty
        yield UncertainInput(f"run {run!r}", f"the losses of run {run.name!r}", sd), _Displace("run_k", run.name)
    for port in design.ports:
        sd = sds.duct_k if port.uncertainty is None else port.uncertainty
        yield UncertainInput(f"port {port!r}", f"the losses of port {port.name!r}", sd), _Displace("port_k", port.name)
    yield UncertainInput("leak", "the leakage of shut gates", sds.leak), _Displace("leak")
    yield UncertainInput("filter", "the drag of the clean bags", sds.filter_drag), _Displace("filter_drag")
    if not air_known:
        yield UncertainInput("air", "the density of the air", AIR_DENSITY_SD), _Displace("density")
    if design.motor is not None:
        motor = UncertainInput("motor", "the motor's current at a known load", sds.motor_current)
        yield motor, _Displace("motor_current")
        if not voltage_known:
            yield UncertainInput("voltage", "the line voltage", LINE_VOLTAGE_SD), _Displace("voltage")
