"""A design boiled down to numbers: a table of segments in walking order, each with what it needs to be solved.

The table holds no air: pressures are divided by density (p/rho, m2/s2) and viscosity enters as the kinematic one, so
one table serves every weather. A segment is a run, a port, or a leak; rows are ordered so that the segments that flow
into one run stand side by side and after it.

Per segment the pressure lost along it is ``(fixed + friction x f) q|q|`` with the friction factor f of its flow, and
the loss of the junction at its downstream end follows from its own flow q, the flow Q of the run that it joins and,
where more than two streams meet, what they share: see :class:`analysis.duct.junctions.Meeting`. A port has a second
friction piece, its hose. A leak draws from the static pressure of its run.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from analysis.duct import elbows
from analysis.duct.design import FAN, AsBuilt, DuctDesign, Faults, FlowAtPressure, Port, Run
from analysis.duct.friction import friction_factor_scalar
from analysis.duct.junctions import Meeting, meeting
from analysis.duct.network import DesignError, Problem
from analysis.duct.tree import Tree, tree

LEAST_OPENING_M2 = 1e-8
"""A shut gate never counts as tighter than this (a hundredth of a square millimetre), so that every flow is defined."""

PLAIN_END_K = 0.93
"""Entry loss of a plain pipe end in velocity pressures (ACGIH Industrial Ventilation, hood entries; from memory)."""

_LEAST_FRACTION = 1e-3
_LEAKING_REYNOLDS = 5000.0


@dataclass(frozen=True, slots=True)
class Crowd:
    """A junction of more than two streams: the row of its run, the range of the streams' rows, the row of the one that
    goes straight on (0: none), and the rows of those from the side."""

    row: int
    low: int
    high: int
    straight: int
    sides: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """The segments of a design in walking order; every list has one entry per row.

    ``kind`` is ``"run"``, ``"port"`` or ``"leak"`` and ``index`` the place in the design's runs or ports. ``parent`` is
    the row that the segment flows into (-1: the fan); ``children`` the range of rows that flow into it. ``shut_fixed``
    is the loss coefficient of a port when its gate is shut, with a fixed friction factor. ``rough`` is relative
    roughness over 3.7 and ``reynolds`` 2.51 area/diameter, so that 2.51/Re = reynolds x viscosity / flow.
    The columns of the junctions are those of :class:`analysis.duct.junctions.Meeting`.
    """

    design: DuctDesign
    as_built: AsBuilt
    faults: Faults
    kind: tuple[str, ...]
    index: tuple[int, ...]
    parent: tuple[int, ...]
    children: tuple[tuple[int, int], ...]
    fixed: tuple[float, ...]
    shut_fixed: tuple[float, ...]
    friction: tuple[float, ...]
    rough: tuple[float, ...]
    reynolds: tuple[float, ...]
    hose_friction: tuple[float, ...]
    hose_rough: tuple[float, ...]
    hose_reynolds: tuple[float, ...]
    j0: tuple[float, ...]
    j1: tuple[float, ...]
    j2: tuple[float, ...]
    wide: tuple[float, ...]
    jet: tuple[float, ...]
    along: tuple[float, ...]
    turned: tuple[float, ...]
    slowed: tuple[float, ...]
    velocity: tuple[float, ...]
    """Half over area squared: velocity pressure over density is ``velocity x q^2``."""
    area: tuple[float, ...]
    crowds: tuple[Crowd, ...]
    """The junctions of more than two streams."""
    run_rows: tuple[int, ...]
    """Row of each run of the design."""
    port_rows: tuple[int, ...]
    """Row of each port of the design."""
    discharge: tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...], tuple[float, ...]]
    """The pieces after the fan: their columns fixed, friction, rough and reynolds."""
    fan_parabola: tuple[float, float]
    """c0, c2 of the parabola c0 - c2 q^2 through two points of the fan's curve: only to begin with."""


def tabulate(design: DuctDesign, as_built: AsBuilt, faults: Faults) -> Table:
    """The table of a design. Raises :class:`DesignError` for a design, factors or faults that cannot be."""
    order = tree(design)
    _check_factors(design, as_built, faults)
    rows = _rows(design, order, as_built, faults)
    return _Filler(design, as_built, faults, rows).table()


@dataclass(slots=True)
class _Row:
    kind: str
    index: int
    parent: int
    children: tuple[int, int] = (0, 0)
    leak_m2: float = 0.0


def _rows(design: DuctDesign, order: Tree, as_built: AsBuilt, faults: Faults) -> list[_Row]:
    rows = [_Row("run", order.runs[0], -1)]
    at = 0
    while at < len(rows):
        row = rows[at]
        if row.kind == "run":
            run = design.runs[row.index]
            first = len(rows)
            rows += [_Row("run", i, at) for i, other in enumerate(design.runs) if other.into == run.name]
            ports = [i for i, port in enumerate(design.ports) if port.into == run.name]
            rows += [_Row("port", i, at) for i in ports]
            leak = run.leak_m2 * as_built.leak + faults.leak_m2.get(run.name, 0.0)
            leak += sum(faults.leak_m2.get(design.ports[i].name, 0.0) for i in ports)
            if leak > 0.0:
                rows.append(_Row("leak", -1, at, leak_m2=leak))
            row.children = (first, len(rows))
        at += 1
    return rows


_COLUMNS = (
    "fixed", "shut_fixed", "friction", "rough", "reynolds", "hose_friction", "hose_rough", "hose_reynolds",
    "j0", "j1", "j2", "wide", "jet", "along", "turned", "slowed", "velocity", "area",
)
"""The columns of :class:`Table` that a row's line fills, in order."""


class _Filler:
    """Works out the numbers row by row."""

    def __init__(self, design: DuctDesign, as_built: AsBuilt, faults: Faults, rows: list[_Row]) -> None:
        self.design, self.as_built, self.faults, self.rows = design, as_built, faults, rows

    def piece(self, row: _Row) -> Run | Port:
        return self.design.runs[row.index] if row.kind == "run" else self.design.ports[row.index]

    def table(self) -> Table:
        lines = [self.line(row) for row in self.rows]
        where = {(row.kind, row.index): place for place, row in enumerate(self.rows)}
        columns = dict(zip(_COLUMNS, (tuple(column) for column in zip(*lines, strict=True)), strict=True))
        return Table(
            self.design, self.as_built, self.faults,
            kind=tuple(row.kind for row in self.rows),
            index=tuple(row.index for row in self.rows),
            parent=tuple(row.parent for row in self.rows),
            children=tuple(row.children for row in self.rows),
            **columns,
            crowds=tuple(self.crowds(columns["jet"])),
            run_rows=tuple(where["run", i] for i in range(len(self.design.runs))),
            port_rows=tuple(where["port", i] for i in range(len(self.design.ports))),
            discharge=self.discharge(),
            fan_parabola=_parabola(self.design),
        )

    def crowds(self, jet: tuple[float, ...]) -> Iterator[Crowd]:
        for place, row in enumerate(self.rows):
            children = range(*row.children)
            if any(jet[child] for child in children):
                straight = [
                    child for child in children
                    if jet[child] and self.piece(self.rows[child]).join.angle_deg == 0.0
                ]
                sides = (child for child in children if child not in straight and self.rows[child].kind != "leak")
                yield Crowd(place, *row.children, straight[0] if straight else 0, tuple(sides))

    def line(self, row: _Row) -> tuple[float, ...]:
        if row.kind == "leak":
            fixed = _opening(row.leak_m2)
            scale = 0.5 / self.design.runs[self.rows[row.parent].index].area_m2 ** 2
            return (fixed, fixed, 0.0, 0.0, 1.0, 0.0, 0.0, 1.0, *Meeting(j0=-scale), 0.0, row.leak_m2)
        piece = self.piece(row)
        velocity = 0.5 / piece.area_m2**2
        factor = (self.as_built.run_k if row.kind == "run" else self.as_built.port_k).get(piece.name, 1.0)
        fixed = piece.fittings_k * velocity
        gate = leak = 0.0
        hose = (0.0, 0.0, 1.0)
        if isinstance(piece, Port):
            gate, leak = self.gate(piece, velocity)
            entry, hose = self.opening(piece, velocity)
            fixed += entry
        elif piece.into == FAN and self.design.separator is not None and not self.design.separator.after_fan:
            fixed += self.design.separator.coefficient
        fixed = fixed * factor + _blockage(self.faults.blockage.get(piece.name, 1.0)) * velocity
        hose = (hose[0] * factor, hose[1], hose[2])
        friction, rough, reynolds = _friction(piece)
        friction *= factor
        shut = fixed + leak
        if leak:
            shut += friction * _leaking_factor(rough) + hose[0] * _leaking_factor(hose[1])
        return (
            fixed + gate * factor, shut, friction, rough, reynolds, *hose, *self.junction(row, piece), velocity,
            piece.area_m2,
        )

    def discharge(self) -> tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...], tuple[float, ...]]:
        """The columns of the pieces after the fan, from the static pressure at its outlet to that where they blow out."""
        rows: list[tuple[float, float, float, float]] = []
        before: Run | None = None
        for piece in self.design.discharge:
            fixed = piece.fittings_k * 0.5 / piece.area_m2**2
            if before is None:
                fixed -= 0.5 / piece.start_area_m2**2
            else:
                fixed += _step(before.end_diameter_m or before.diameter_m, piece.start_diameter_m or piece.diameter_m)
            rows.append((fixed, *_friction(piece)))
            before = piece
        if before is not None:
            # Its last velocity pressure is left in the plenum, the separator or the open.
            rows.append((0.5 / before.end_area_m2**2, 0.0, 0.0, 1.0))
        separator = self.design.separator
        if separator is not None and separator.after_fan:
            rows.append((separator.coefficient, 0.0, 0.0, 1.0))
        fixed_, friction, rough, reynolds = zip(*rows, strict=True) if rows else ((), (), (), ())
        return fixed_, friction, rough, reynolds

    def gate(self, port: Port, velocity: float) -> tuple[float, float]:
        """Loss of the gate of a port per flow squared, open and shut."""
        if port.gate_k is None:
            return 0.0, 0.0
        gate = port.gate_k * velocity
        leak = max(_opening_of(port.leak_m2, port.leak_flow) / self.as_built.leak**2, gate)
        opening = self.faults.gate_opening.get(port.name, 1.0)
        if opening < 1.0:
            partly = gate + _blockage(opening) * velocity
            gate = (partly**-0.5 + leak**-0.5) ** -2
        return gate, leak

    def opening(self, port: Port, velocity: float) -> tuple[float, tuple[float, float, float]]:
        """Loss of the opening of a port per flow squared, and its hose: friction, rough, reynolds."""
        if port.name in self.faults.hose_off and port.hose is not None:
            return PLAIN_END_K * velocity, (0.0, 0.0, 1.0)
        section = 0.5 / (math.pi / 4 * port.start_diameter_m**2) ** 2 if port.start_diameter_m else velocity
        hose_line = (0.0, 0.0, 1.0)
        step = 0.0
        if port.hose is not None:
            hose = port.hose
            area = math.pi / 4 * hose.diameter_m**2
            section = 0.5 / area**2
            hose_line = (hose.length_m / hose.diameter_m * section, hose.roughness_m / hose.diameter_m / 3.7,
                         2.51 * area / hose.diameter_m)
            step = _step(hose.diameter_m, port.start_diameter_m or port.diameter_m)
        if port.entry_flow is not None:
            rated = port.entry_flow
            entry = rated.suction_pa / (rated.density_kgm3 * rated.flow_m3s**2) - section
        else:
            entry = port.entry_k * section
        return entry + step, hose_line

    def junction(self, row: _Row, piece: Run | Port) -> Meeting:
        """The columns for the junction at the downstream end of a row."""
        if row.parent < 0:
            return Meeting()
        main_row = self.rows[row.parent]
        beside = [other for other in self.rows[main_row.children[0]:main_row.children[1]] if other is not row]
        others = [self.piece(other) for other in beside if other.kind != "leak"]
        main = self.design.runs[main_row.index]
        return meeting(piece, main, others, len(others) < len(beside))


def _friction(piece: Run | Port) -> tuple[float, float, float]:
    """Friction, relative roughness over 3.7 and Reynolds column of a pipe."""
    across = piece.hydraulic_m or piece.diameter_m
    return piece.length_m / across * 0.5 / piece.area_m2**2, piece.roughness_m / across / 3.7, 2.51 * piece.area_m2 / across


def _parabola(design: DuctDesign) -> tuple[float, float]:
    free = min(design.fan.free_flow_m3s(), 3.0 * design.fan.points[-1].flow_m3s)
    low, high = 0.3 * free, 0.85 * free
    at_low, at_high = design.fan.pressure_scalar(low)[0], design.fan.pressure_scalar(high)[0]
    droop = max((at_low - at_high) / (high**2 - low**2), 0.0)
    return max(at_low + droop * low**2, 1.0), droop


def _step(from_m: float, into_m: float) -> float:
    """Abrupt change from one diameter [m] to another, per flow squared."""
    if into_m >= from_m:
        k = elbows.expansion(from_m / into_m)
    else:
        k = elbows.contraction(into_m / from_m)
    area = math.pi / 4 * min(from_m, into_m) ** 2
    return k * 0.5 / area**2


def _blockage(fraction: float) -> float:
    """Loss of a duct of which ``fraction`` of the section is free, in velocity pressures of the whole duct.

    A sharp-edged hole in a plate across the duct: (1/(c x) - 1)^2 with Weisbach's contraction c = 0.63 + 0.37 x^3.
    """
    x = max(fraction, _LEAST_FRACTION)
    return (1.0 / ((0.63 + 0.37 * x**3) * x) - 1.0) ** 2


def _leaking_factor(rough: float) -> float:
    """Friction factor that stands for the small flow behind a shut gate, where the gate is nearly the whole loss."""
    return friction_factor_scalar(_LEAKING_REYNOLDS, 3.7 * rough)


def _opening(area_m2: float) -> float:
    """Loss per flow squared and density of an opening of effective area: flow = area sqrt(2 p / rho)."""
    return 0.5 / max(area_m2, LEAST_OPENING_M2) ** 2


def _opening_of(area_m2: float, rated: FlowAtPressure | None) -> float:
    if rated is None:
        return _opening(area_m2)
    return rated.suction_pa / (rated.density_kgm3 * rated.flow_m3s**2)


def _check_factors(design: DuctDesign, as_built: AsBuilt, faults: Faults) -> None:
    runs, ports = design.run_names, design.port_names
    either = (*runs, *ports)
    factors = {
        "fan pressure": as_built.fan_pressure, "fan flow": as_built.fan_flow, "leak": as_built.leak,
        "motor current": as_built.motor_current, "filter drag": as_built.filter_drag,
    }
    found = [
        *_outside("as-built factor", factors, tuple(factors), 1e9),
        *_outside("as-built port loss", as_built.port_k, ports, 1e9),
        *_outside("as-built run loss", as_built.run_k, runs, 1e9),
        *_outside("blockage", faults.blockage, either, 1.0),
        *_outside("gate opening", faults.gate_opening, ports, 1.0),
        *_outside("extra leak", faults.leak_m2, either, 1.0),
        *_outside("hose off", dict.fromkeys(faults.hose_off, 1.0), ports, 1.0),
    ]
    if found:
        raise DesignError(found)


def _outside(what: str, given: Mapping[str, float], known: tuple[str, ...], high: float) -> Iterator[Problem]:
    for name, value in given.items():
        if name not in known:
            yield Problem("error", what, f"{name!r} is not in the design; known: {', '.join(known)}")
        elif not 0.0 < value <= high:
            yield Problem("error", f"{what}, {name!r}", f"{value:g} must be above zero and at most {high:g}")
