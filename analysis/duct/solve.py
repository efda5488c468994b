"""The operating point of a duct design: where the fan's rise and the losses of ducts and filter meet.

Pressures are total pressures inside: zero in the room, lowered by every loss on the way. The fan curve is fan *static*
pressure: outlet static less inlet total. So

    inlet total + fan static = what the duct after the fan loses + drag x flow,

and what a gauge at the inlet tap shows is the static pressure there, inlet total less velocity pressure. A separator or
bags on the suction side stand before that tap. The air keeps one density all the way (a suction of 3 kPa thins it by
3 %).
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Collection
from typing import TYPE_CHECKING

from analysis.duct.coefficients import Table, tabulate
from analysis.duct.design import AS_DRAWN, NO_FAULTS, AsBuilt, DuctDesign, Faults
from analysis.duct.points import OperatingPoint, OperatingPoints, SectionState
from analysis.duct.remarks import remarks
from analysis.duct.single import balance
from analysis.duct.tree import upstream_ports

if TYPE_CHECKING:
    import numpy.typing as npt

    from analysis.air import Air
    from analysis.duct.batch import Balances
    from analysis.duct.points import Bools, Floats

_TABLES: OrderedDict[tuple[int, int, int], tuple[Table, tuple[_Section, ...]]] = OrderedDict()
_KEPT = 48
"""Tables: one for each displaced input of a drawing, and some more."""

_Section = tuple[str, int, float, float, float | None, frozenset[str]]
"""Name, row, area, carrying velocity, need and the ports whose air passes."""


def solve(
    design: DuctDesign, open_ports: Collection[str], *, air: Air | None = None, filter_drag_pasm3: float | None = None,
    fan_speed_ratio: float = 1.0, line_v: float | None = None, as_built: AsBuilt = AS_DRAWN, faults: Faults = NO_FAULTS,
) -> OperatingPoint:
    """The operating point with the ports named in ``open_ports`` open and the others shut.

    ``air`` stands for the design's own, ``filter_drag_pasm3`` [Pa s/m3] for the clean drag, ``fan_speed_ratio`` [-] is
    speed over designed speed, ``line_v`` [V] the line voltage (it changes the current only). Ports without a gate are
    open whether named or not. Flows are right to 1e-6 relative. The table of a design is kept: pass the same
    ``as_built`` and ``faults`` objects again, unchanged, and a solve takes a quarter of a millisecond.

    Raises ValueError for a port that is not in the design or a number that cannot be, and
    :class:`analysis.duct.network.DesignError` (a ValueError) for a design with errors.
    """
    table, sections = _table(design, as_built, faults)
    unknown = set(open_ports).difference(design.port_names)
    if unknown:
        raise ValueError(f"no port named {sorted(unknown)}; known: {', '.join(design.port_names)}")
    air = design.air if air is None else air
    drag = design.filter.clean_drag_pasm3 * as_built.filter_drag if filter_drag_pasm3 is None else filter_drag_pasm3
    _possible(drag, fan_speed_ratio, line_v)
    is_open = [True] * len(table.kind)
    opened = []
    for port, row in zip(design.ports, table.port_rows, strict=True):
        is_open[row] = port.name in open_ports or not port.has_gate
        if is_open[row]:
            opened.append(port.name)
    density = air.density_kgm3
    found = balance(
        table, is_open, density=density, viscosity=air.viscosity_pas, drag=drag, speed_ratio=fan_speed_ratio
    )
    states = {}
    for name, row, area, carrying, need, ports in sections:
        flow = found.flow[row]
        velocity = flow / area
        pressure = 0.5 * density * velocity * velocity
        total = found.total[row] * density
        states[name] = SectionState(
            name, flow, velocity, pressure, total - pressure, total, carrying, velocity / carrying,
            None if need is None else flow / need, not ports.isdisjoint(opened),
        )
    flow = found.flow[0]
    fan = design.fan
    stretched = flow / as_built.fan_flow
    shaft = fan.power_scalar(stretched, fan_speed_ratio, density)
    current = None
    if shaft is not None:
        shaft *= as_built.fan_pressure * as_built.fan_flow
        if design.motor is not None:
            current = design.motor.current_scalar(shaft, line_v) * as_built.motor_current
    run_states = {name: states[name] for name in design.run_names}
    port_states = {name: states[name] for name in design.port_names}
    return OperatingPoint(
        open_ports=tuple(opened),
        flow_m3s=flow,
        inlet_pa=states[design.runs[table.index[0]].name].static_pa - (drag * flow if design.filter.before_fan else 0.0),
        filter_pa=drag * flow,
        fan_static_pa=as_built.fan_pressure * fan.pressure_scalar(stretched, fan_speed_ratio, density)[0],
        shaft_w=shaft,
        motor_a=current,
        filter_drag_pasm3=drag,
        density_kgm3=density,
        runs=run_states,
        ports=port_states,
        remarks=remarks(design, run_states, port_states, flow, fan_speed_ratio * as_built.fan_flow),
        steps=found.steps,
    )


def solve_many(
    design: DuctDesign, gates: Bools, *, air: Air | None = None, filter_drag_pasm3: npt.ArrayLike | None = None,
    fan_speed_ratio: npt.ArrayLike = 1.0, line_v: npt.ArrayLike | None = None, as_built: AsBuilt = AS_DRAWN,
    faults: Faults = NO_FAULTS,
) -> OperatingPoints:
    """Many operating points at once: ``gates`` is boolean, (n, ports), columns in the order of ``design.port_names``.

    ``filter_drag_pasm3``, ``fan_speed_ratio`` and ``line_v`` are numbers or arrays of length n. Otherwise as
    :func:`solve`, whose answers it repeats.
    """
    import numpy as np

    from analysis.duct.batch import balance_many

    table, _ = _table(design, as_built, faults)
    gates = np.asarray(gates, dtype=bool)
    if gates.ndim != 2 or gates.shape[1] != len(design.ports):
        raise ValueError(f"gates has the shape {gates.shape}; allowed: (n, {len(design.ports)}), a column for a port")
    n = len(gates)
    ungated = [not port.has_gate for port in design.ports]
    if any(ungated):
        gates = gates | np.array(ungated)
    air = design.air if air is None else air
    clean = design.filter.clean_drag_pasm3 * as_built.filter_drag
    drag = _spread(clean if filter_drag_pasm3 is None else filter_drag_pasm3, n, "the filter drag")
    speed = _spread(fan_speed_ratio, n, "the fan's speed ratio")
    volts = None if line_v is None else _spread(line_v, n, "the line voltage")
    if n:
        _possible(float(drag.min()), float(speed.min()), None if volts is None else float(volts.min()))
    density = air.density_kgm3
    found = balance_many(
        table, np.ascontiguousarray(gates.T), density=density, viscosity=air.viscosity_pas, drag=drag,
        speed_ratio=speed,
    )
    flow = found.flow[0]
    stretched = flow / as_built.fan_flow
    shaft = design.fan.power_w(stretched, speed, density)
    current = None
    if shaft is not None:
        shaft = shaft * (as_built.fan_pressure * as_built.fan_flow)
        if design.motor is not None:
            current = design.motor.current_a(shaft, volts) * as_built.motor_current
    (run_flow, run_speed, run_static), (port_flow, port_speed, port_static) = (
        _states(table, rows, found, density) for rows in (table.run_rows, table.port_rows)
    )
    at_inlet = run_static[:, table.index[0]]
    return OperatingPoints(
        port_names=design.port_names,
        run_names=design.run_names,
        gates=gates,
        flow_m3s=flow.copy(),
        inlet_pa=at_inlet - drag * flow if design.filter.before_fan else at_inlet.copy(),
        filter_pa=drag * flow,
        fan_static_pa=as_built.fan_pressure * design.fan.pressure_pa(stretched, speed, density),
        shaft_w=shaft,
        motor_a=current,
        filter_drag_pasm3=drag,
        density_kgm3=density,
        port_flow_m3s=port_flow,
        port_velocity_ms=port_speed,
        port_static_pa=port_static,
        run_flow_m3s=run_flow,
        run_velocity_ms=run_speed,
        run_static_pa=run_static,
        steps=found.steps,
    )


def _states(
    table: Table, rows: tuple[int, ...], found: Balances, density: float
) -> tuple[Floats, Floats, Floats]:
    """Flow, velocity and static pressure (gate sets, rows) of some rows."""
    import numpy as np

    flow = found.flow.take(rows, axis=0)
    static = np.square(flow)
    static *= np.take(table.velocity, rows)[:, None]
    np.subtract(found.total.take(rows, axis=0), static, out=static)
    static *= density
    return flow.T, (flow / np.take(table.area, rows)[:, None]).T, static.T


def every_gate_set(design: DuctDesign) -> Bools:
    """All gate sets of a design, (2^gated, ports), from all shut to all open; ports without a gate are always open.

    The first gated port changes fastest. Raises ValueError above 20 gates (a million sets).
    """
    import numpy as np

    gated = [index for index, port in enumerate(design.ports) if port.has_gate]
    if len(gated) > 20:
        raise ValueError(f"{len(gated)} gates make 2^{len(gated)} gate sets; at most 20 gates are tried through")
    number = np.arange(2 ** len(gated))
    gates = np.ones((len(number), len(design.ports)), dtype=bool)
    for bit, index in enumerate(gated):
        gates[:, index] = (number >> bit & 1) == 1
    return gates


def _table(design: DuctDesign, as_built: AsBuilt, faults: Faults) -> tuple[Table, tuple[_Section, ...]]:
    # Keyed by identity, since hashing a whole design takes as long as solving it; the table keeps the three alive.
    key = (id(design), id(as_built), id(faults))
    kept = _TABLES.get(key)
    if kept is None:
        table = tabulate(design, as_built, faults)
        kept = (table, _sections(design, table))
        _TABLES[key] = kept
        while len(_TABLES) > _KEPT:
            _TABLES.popitem(last=False)
    else:
        _TABLES.move_to_end(key)
    return kept


def _sections(design: DuctDesign, table: Table) -> tuple[_Section, ...]:
    found: list[_Section] = []
    for run, row in zip(design.runs, table.run_rows, strict=True):
        ports = frozenset(upstream_ports(design, run.name))
        carrying = design.material.main_velocity_ms if len(ports) > 1 else design.material.branch_velocity_ms
        found.append((run.name, row, run.area_m2, carrying, None, ports))
    for port, row in zip(design.ports, table.port_rows, strict=True):
        found.append(
            (port.name, row, port.area_m2, design.material.branch_velocity_ms, port.needs_m3s, frozenset((port.name,)))
        )
    return tuple(found)


def _possible(drag: float, speed: float, volts: float | None) -> None:
    if not 0.0 <= drag < float("inf"):
        raise ValueError(f"the filter drag is {drag:g} Pa s/m3; it must be zero or more")
    if not 0.0 < speed < float("inf"):
        raise ValueError(f"the fan's speed ratio is {speed:g}; it must be above zero")
    if volts is not None and not 0.0 < volts < float("inf"):
        raise ValueError(f"the line voltage is {volts:g} V; it must be above zero")


def _spread(value: npt.ArrayLike, n: int, what: str) -> Floats:
    import numpy as np

    given = np.asarray(value, dtype=float)
    if given.ndim and given.shape != (n,):
        raise ValueError(f"{what} has the shape {given.shape}; allowed: one number, or one for each of {n} gate sets")
    return np.array(np.broadcast_to(given, (n,)))
