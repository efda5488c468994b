"""Numbers that have the right kind of unit and are still impossible in a shop: most often the wrong unit was
written."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from analysis.duct import fittings
from analysis.duct.fan import FanCurve, dips
from analysis.duct.fittings import same_size
from analysis.duct.motor import nec_full_load_a
from analysis.duct.stock import pipe
from analysis.units import UNITS, from_si, show, to_si
from daemon.config.ducting import PortTable

if TYPE_CHECKING:
    from analysis.duct.design import DuctDesign
    from daemon.config.ducting import RunTable
    from daemon.config.model import ShopFile

_LIMITS = {
    "peak": (100.0, 20_000.0, "pressure"),
    "flow": (0.02, 10.0, "flow"),
    "needs": (0.003, 5.0, "flow"),
    "velocity": (5.0, 50.0, "velocity"),
    "power": (50.0, 40_000.0, "power"),
    "length": (0.0, 300.0, "length"),
    "area": (0.05, 500.0, "area"),
    "voltage": (90.0, 700.0, "voltage"),
    "air": (-30.0, 50.0, "temperature"),
    "altitude": (0.0, 4500.0, "length"),
    "barometer": (55_000.0, 108_000.0, "pressure"),
}
"""What a shop's fan, ports and ducts can be; outside, a unit was mixed up (ours, wide on purpose)."""


SHORTEST_M = 0.05
"""A piece shorter than this is asked about: most often millimetres were written for something else."""


def air_problems(file: ShopFile) -> Iterator[str]:
    """Sentences on air that no shop breathes."""
    shop = file.shop
    yield from _outside(file, "shop.air_temperature", "the air's temperature", shop.air_temperature, "air")
    if shop.altitude is not None:
        yield from _outside(file, "shop.altitude", "the altitude", shop.altitude, "altitude")
    if shop.barometer is not None:
        yield from _outside(file, "shop.barometer", "the barometer", shop.barometer, "barometer")


def magnitude_problems(file: ShopFile) -> Iterator[str]:
    """Sentences on quantities far outside what any shop has."""
    fan = file.fan
    if fan.points:
        statics = [point.static for point in fan.points]
        flows = [point.flow for point in fan.points]
        top, last = statics.index(max(statics)), flows.index(max(flows))
        if statics[top] > 0.0:
            yield from _outside(file, f"fan.points[{top}].static", "the fan's highest pressure", statics[top], "peak")
        yield from _outside(file, f"fan.points[{last}].flow", "the fan's highest flow", flows[last], "flow")
    sides = (file.filter and file.filter.side == "before") or (file.separator and file.separator.side == "after")
    if (file.discharge or sides) and any(source.kind == "simulator" for source in file.source):
        yield "source: the simulator has its bags right after the fan and its separator before it; leave out discharge and side"
    for key in ("main_velocity", "branch_velocity"):
        yield from _outside(file, f"material.{key}", "the carrying velocity", getattr(file.material, key), "velocity")
    if file.motor:
        yield from _outside(file, "motor.power", "the motor's power", file.motor.power, "power")
        yield from _outside(file, "motor.voltage", "the motor's voltage", file.motor.voltage, "voltage")
    if file.filter is None and "filter_pa" in file.sensor:
        yield "sensor.filter_pa: is fitted, but there is no [filter]; say what bags there are, or leave it out"
    if file.filter:
        yield from _outside(file, "filter.area", "the area of the bags", file.filter.area, "area")
        yield from _outside(file, "filter.clean_drop.at", "the flow of the clean drop", file.filter.clean_drop.at, "flow")
    for index, run in enumerate(file.run):
        yield from _outside(file, f"run[{index}].length", f"the length of run {run.name!r}", run.length, "length")
    for index, port in enumerate(file.port):
        yield from _outside(file, f"port[{index}].length", f"the length of port {port.name!r}", port.length, "length")
        if port.hose_length is not None:
            yield from _outside(
                file, f"port[{index}].hose_length", f"the hose of port {port.name!r}", port.hose_length, "length"
            )
        if port.needs is not None:
            yield from _outside(file, f"port[{index}].needs", f"what port {port.name!r} needs", port.needs, "needs")


def _outside(file: ShopFile, key: str, what: str, value: float, limit: str) -> Iterator[str]:
    low, high, kind = _LIMITS[limit]
    if low <= value <= high:
        return
    system = file.shop.units
    allowed = f"{show(low, kind, system)} to {show(high, kind, system)}"
    yield f"{key}: {what} is {show(value, kind, system)}, outside {allowed}{meant(value, low, high, kind)}"


def meant(value: float, low: float, high: float, kind: str) -> str:
    """What may have been meant by a value that is outside its limits: the number as it was likely written, with another
    unit."""
    known = UNITS[kind]
    number = min((f"{from_si(value, symbol, kind):.6g}" for symbol in known), key=len)
    likely = ("F", "ft", "in", "cfm", "inwg", "hp", "m3/h", "kPa", "mbar", "C", "m", "kW", "Pa")
    for symbol in (symbol for symbol in likely if symbol in known):
        if low <= to_si(float(number), symbol, kind) <= high:
            return f"; did you mean '{number} {symbol}'?"
    return "; look whether the unit is right"


def magnitude_warnings(file: ShopFile, design: DuctDesign) -> list[str]:
    """Sentences on what is possible but doubtful: bags too tight for the fan, a motor too small for it, a plate that
    stands far from the table, a reducer that fits no pipe beside it, a fan known by its wheel only."""
    return [*_short(file), *_bags(file, design), *_motor(file, design), *_reducers(file), *_generic(file, design.fan)]


def _short(file: ShopFile) -> Iterator[str]:
    tables: list[tuple[str, RunTable | PortTable]] = [(f"run[{at}]", table) for at, table in enumerate(file.run)]
    tables += [(f"port[{at}]", table) for at, table in enumerate(file.port)]
    for key, table in tables:
        lengths = [("length", table.length)]
        if isinstance(table, PortTable) and table.hose_length is not None:
            lengths.append(("hose_length", table.hose_length))
        for name, length in lengths:
            if length < SHORTEST_M:
                yield (
                    f"{key}.{name}: {table.name!r} is only {show(length, 'diameter', file.shop.units)} long"
                    f"{meant(length, SHORTEST_M, 300.0, 'length')}"
                )


def _bags(file: ShopFile, design: DuctDesign) -> Iterator[str]:
    if file.filter is None:
        return
    drop, system = file.filter.clean_drop, file.shop.units
    available = design.fan.pressure_scalar(drop.at, 1.0, design.air.density_kgm3)[0]
    if drop.pressure > 0.5 * available:
        yield (
            f"filter.clean_drop: clean bags lose {show(drop.pressure, 'pressure', system)} at"
            f" {show(drop.at, 'flow', system)}, of the fan's {show(max(0.0, available), 'pressure', system)} there;"
            " look whether flow and pressure are right"
        )


def _motor(file: ShopFile, design: DuctDesign) -> Iterator[str]:
    if file.motor is None or design.motor is None:
        return
    system = file.shop.units
    powers = [point.shaft_w for point in design.fan.points if point.shaft_w is not None]
    if powers and max(powers) > 2.0 * file.motor.power:
        yield (
            f"motor.power: the fan takes up to {show(max(powers), 'power', system)} at the shaft, the motor has"
            f" {show(file.motor.power, 'power', system)}; look whether both are right"
        )
    table = nec_full_load_a(file.motor.power, file.motor.phases, file.motor.voltage)
    given = file.motor.full_load_current
    if table is not None and given is not None and not 0.6 <= given / table <= 1.6:
        yield (
            f"motor.full_load_current: {given:g} A is far from the {table:.1f} A that the electrical code's table gives"
            " for such a motor; read the plate again"
        )


def _reducers(file: ShopFile) -> Iterator[str]:
    tables: list[tuple[str, RunTable | PortTable]] = [(f"run[{at}]", table) for at, table in enumerate(file.run)]
    tables += [(f"port[{at}]", table) for at, table in enumerate(file.port)]
    bores = {table.name: pipe(table.pipe).inside_diameter_m for _, table in tables}
    for key, table in tables:
        inside = bores[table.name]
        feeding = [bores[other.name] for _, other in tables if other.into == table.name]
        if isinstance(table, PortTable) and table.hose is not None:
            feeding.append(pipe(table.hose).inside_diameter_m)
        for place, text in enumerate(table.fittings):
            one = fittings.reducer(text)
            if one is None:
                continue
            where = f"{key}.fittings[{place}]"
            if not (same_size(one.before_m, inside) or same_size(one.after_m, inside)):
                yield (
                    f"{where}: neither end of {text!r} fits the pipe {table.pipe!r} of {table.name!r};"
                    " write the size of the pipe at one end"
                )
            elif (
                same_size(one.after_m, inside) and same_size(one.before_m, bores.get(table.into, 0.0) or inside)
                and not same_size(one.before_m, inside) and not any(same_size(one.before_m, size) for size in feeding)
            ):
                yield (
                    f"{where}: {text!r} stands the wrong way round: the air comes out of {table.name!r}"
                    f" ({table.pipe}) and goes on into {table.into!r}; write the sizes in the direction of the air"
                )


def _generic(file: ShopFile, fan: FanCurve) -> Iterator[str]:
    if dips(fan.points):
        yield (
            "fan.points: the pressure dips and rises again; where the ducts work there the fan may hold either of two flows,"
            " and the drawing expects the one that it finds first"
        )
    if fan.generic:
        yield (
            "fan.wheel_diameter: the fan's curve is guessed from its wheel, speed and motor, to about"
            f" {fan.uncertainty:.0%}; points from its maker, or a baseline, would make every answer sharper"
        )
