"""How sure the design's expectations are: every expected value with the uncertain inputs that move it.

Each uncertain input is a factor around 1 (its spread is log-normal: a loss can double but not turn negative). A
value's response to an input is half its change between one standard deviation down and one up; inputs are independent,
so that the responses add in quadrature; the losses of junctions count as known. Responses to the same input keep their
signs, which is what lets :func:`difference` cancel what two designs have in common. """

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from analysis.duct.design import AS_DRAWN, AsBuilt, DuctDesign, Port, Run
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

    as_built: AsBuilt = AS_DRAWN
    density: float = 1.0
    voltage: float = 1.0


def expectation(
    design: DuctDesign, open_ports: Collection[str], *, air: Air | None = None, filter_drag_pasm3: float | None = None,
    line_v: float | None = None, origin: Mapping[str, str] | None = None,
) -> Expectation:
    """The operating point of :func:`analysis.duct.solve.solve` with the spread of each of its values.

    Uncertain are fan, losses of every run and port, leakage, filter, air, motor and line voltage. A piece's key holds its name
    and what it is made of, so that another pipe, hose or opening counts as another thing with an error of its own, and a
    need, a place in the tree or a length does not.

    ``origin`` names for a piece the one of another design that it is (see :func:`origins`). ``air`` and ``line_v`` given
    count as measured and add nothing. Costs two solutions for each uncertain input (8 ms for a shop of ten pieces).
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
    for entry, case in _inputs(design, air is not None, line_v is not None, origin or {}):
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


def origins(before: DuctDesign, after: DuctDesign) -> dict[str, str]:
    """For pieces that only ``after`` has by name: the piece of ``before`` that they are, under another name or as a part.

    A new run is a part of an old one when it is of the same pipe, one of the two flows into the other, and all the
    parts together are no longer than the old run was (a tenth more for a fitting set in). A new piece is an old one
    that is gone when it equals it in everything but names.
    """
    old = {run.name: run for run in before.runs}
    found: dict[str, str] = {}
    kept = {run.name: run for run in after.runs}
    length = {name: kept[name].length_m for name in old.keys() & kept.keys()}
    waiting = [run for run in after.runs if run.name not in old]
    for _ in range(len(waiting)):
        for run in waiting:
            into = kept.get(run.into)
            near = [other for other in (into, *(one for one in after.runs if one.into == run.name)) if other is not None]
            for name in (found.get(other.name, other.name) for other in near):
                whole = old.get(name)
                if (
                    run.name not in found and whole is not None and name in length
                    and _made_of(whole) == _made_of(run) and length[name] + run.length_m <= 1.1 * whole.length_m
                ):
                    found[run.name] = name
                    length[name] += run.length_m
    pieces: tuple[Run | Port, ...] = (*before.runs, *before.ports)
    later: tuple[Run | Port, ...] = (*after.runs, *after.ports)
    names = {piece.name for piece in later}
    gone = {_renamed(piece): piece.name for piece in pieces if piece.name not in names}
    for piece in later:
        if piece.name not in {one.name for one in pieces} and _renamed(piece) in gone:
            found.setdefault(piece.name, gone[_renamed(piece)])
    return found


def _renamed(piece: Run | Port) -> Run | Port:
    return replace(piece, name="", into="")


def _made_of(piece: Run | Port) -> tuple[object, ...]:
    """What carries the unknown part of a piece's losses."""
    made: tuple[object, ...] = (piece.diameter_m, piece.roughness_m)
    if isinstance(piece, Port):
        hose = piece.hose
        made += (hose and (hose.diameter_m, hose.roughness_m), piece.entry_k, piece.entry_flow, piece.gate_k is None)
    return made


class _Displace:
    """Makes the case with one input displaced by a factor."""

    def __init__(self, what: str, names: tuple[str, ...] = ()) -> None:
        self.what, self.names = what, names

    def __call__(self, factor: float) -> _Case:
        if self.what == "density":
            return _Case(density=factor)
        if self.what == "voltage":
            return _Case(voltage=factor)
        return _Case(_built(self.what, self.names, factor))


@lru_cache(maxsize=64)
def _built(what: str, names: tuple[str, ...], factor: float) -> AsBuilt:
    """The same object for the same factor, so that :func:`analysis.duct.solve.solve` finds the table of the gate set before."""
    given: dict[str, Any] = {what: dict.fromkeys(names, factor) if names else factor}
    return AsBuilt(**given)


def _inputs(
    design: DuctDesign, air_known: bool, voltage_known: bool, origin: Mapping[str, str]
) -> Iterator[tuple[UncertainInput, _Displace]]:
    sds = design.uncertainties
    yield UncertainInput("fan", "the fan's pressure curve", sds.fan_pressure), _Displace("fan_pressure")
    if design.fan.generic:
        yield UncertainInput("fan flow", "the size of the guessed fan", sds.fan_pressure), _Displace("fan_flow")
    pieces: dict[tuple[str, str], list[Run | Port]] = {}
    kinds: tuple[tuple[str, tuple[Run | Port, ...]], ...] = (("run", design.runs), ("port", design.ports))
    for kind, rows in kinds:
        for piece in rows:
            key = f"{kind} {origin.get(piece.name, piece.name)!r} of {_made_of(piece)}"
            pieces.setdefault((kind, key), []).append(piece)
    for (kind, key), same in pieces.items():
        sd = sds.duct_k if same[0].uncertainty is None else same[0].uncertainty
        names = tuple(piece.name for piece in same)
        words = f"the losses of {kind} {' and '.join(repr(name) for name in names)}"
        yield UncertainInput(key, words, sd), _Displace(f"{kind}_k", names)
    yield UncertainInput("leak", "the leakage of shut gates", sds.leak), _Displace("leak")
    yield UncertainInput("filter", "the drag of the clean bags", sds.filter_drag), _Displace("filter_drag")
    if not air_known:
        yield UncertainInput("air", "the density of the air", AIR_DENSITY_SD), _Displace("density")
    if design.motor is not None:
        motor = UncertainInput("motor", "the motor's current at a known load", sds.motor_current)
        yield motor, _Displace("motor_current")
        if not voltage_known:
            yield UncertainInput("voltage", "the line voltage", LINE_VOLTAGE_SD), _Displace("voltage")
