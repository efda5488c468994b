"""The tables of the ducting -> :class:`DuctDesign`, and every mistake that only the whole drawing shows.

A problem is one sentence ``key: what was found; what to do``, where the key is written ``port[2].length`` with the
count from 0, so that the loader can put its line before it. """

from __future__ import annotations

import difflib
import itertools
import math
import re
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from analysis.air import STANDARD_DENSITY_KGM3, STANDARD_PRESSURE_PA, Air, moist_air, pressure_at_altitude
from analysis.duct import fittings, gates, openings
from analysis.duct.design import FAN, DuctDesign, FlowAtPressure, Hose, Join, Material, Port, Run, Uncertainties
from analysis.duct.fan import FanCurve, FanPoint, curve_fault, generic_radial
from analysis.duct.filter import NO_FILTER, FilterStage
from analysis.duct.motor import Motor
from analysis.duct.network import Problem, problems
from analysis.duct.separator import Separator
from analysis.duct.stock import pipe
from analysis.units import System, show
from daemon.config.joins import read_join
from daemon.config.sanity import magnitude_problems, magnitude_warnings

if TYPE_CHECKING:
    from daemon.config.ducting import DuctTable, FanTable, FilterTable, MotorTable, PortTable, RunTable
    from daemon.config.model import ShopFile, ShopTable

USUAL_HUMIDITY = 0.5
"""Relative humidity taken for the shop's air: the whole span from 0 to 1 moves its density by 1 % at 20 deg C."""

_USUAL = Uncertainties()


def build_air(shop: ShopTable) -> Air:
    """The air that the shop breathes by its altitude or barometer (which wins) and temperature."""
    pressure = STANDARD_PRESSURE_PA if shop.altitude is None else pressure_at_altitude(shop.altitude)
    return moist_air(shop.air_temperature, pressure if shop.barometer is None else shop.barometer, USUAL_HUMIDITY)


def build_design(file: ShopFile, air: Air) -> tuple[DuctDesign | None, list[str], list[str]]:
    """The design, the errors and the warnings; the design is None where an error forbids it."""
    errors: list[str] = [*magnitude_problems(file), *_names_alike(file)]
    system = file.shop.units
    fan, motor = None, None
    try:
        motor = _motor(file.motor) if file.motor else None
    except ValueError as error:
        errors.append(f"motor: {error}")
    try:
        fan = _fan(file.fan, file.motor)
    except ValueError as error:
        errors.append(f"{'fan.points' if file.fan.points else 'fan'}: {error}")
    ports: list[Port] = []
    for index, table in enumerate(file.port):
        try:
            ports.append(_port(table, air))
        except ValueError as error:
            errors.append(f"port[{index}].entry: port {table.name!r}: {error}")
    if fan is None or len(ports) < len(file.port):
        return None, errors, []
    bags = _filter(file.filter) if file.filter else NO_FILTER
    separator = None
    if file.separator:
        loss = file.separator.drop
        separator = Separator(
            loss.pressure, loss.at, uncertainty=_or(file.separator.uncertainty, 0.15),
            after_fan=file.separator.side == "after",
        )
    discharge = tuple(
        _duct(table, f"discharge {at}", "-") for at, table in enumerate(file.discharge, start=1)
    )
    runs, ports, apart = _along(file, [_run(table) for table in file.run], ports)
    if apart:
        return None, [*errors, *apart], []
    design = DuctDesign(
        runs=tuple(runs),
        ports=tuple(ports),
        fan=fan,
        filter=bags,
        material=Material(file.material.name, file.material.main_velocity, file.material.branch_velocity),
        air=air,
        separator=separator,
        motor=motor,
        discharge=discharge,
        uncertainties=Uncertainties(
            fan_pressure=fan.uncertainty,
            filter_drag=bags.uncertainty,
            motor_current=motor.uncertainty if motor else _USUAL.motor_current,
        ),
    )
    warnings: list[str] = []
    for problem in problems(design, system):
        (errors if problem.severity == "error" else warnings).append(_sentence(problem, file, system))
    if errors:
        return None, errors, warnings
    return design, errors, warnings + magnitude_warnings(file, design)


def _or(value: float | None, default: float) -> float:
    return default if value is None else value


def _fan(table: FanTable, motor: MotorTable | None) -> FanCurve:
    if table.wheel_diameter is not None and table.speed is not None:
        if motor is None:
            raise ValueError("a fan known by its wheel needs the motor's power; add [motor] with its plate")
        curve = generic_radial(table.wheel_diameter, table.speed, motor.power)
        if table.uncertainty is None:
            return curve
        return FanCurve(curve.points, curve.at_speed_rpm, uncertainty=table.uncertainty, generic=True)
    rows = table.points
    if all(after.flow < before.flow for before, after in itertools.pairwise(rows)):
        rows = rows[::-1]
    points = tuple(FanPoint(point.flow, point.static, point.power) for point in rows)
    curve = FanCurve(
        points, table.at_speed, table.speed, _or(table.at_density, STANDARD_DENSITY_KGM3),
        uncertainty=_or(table.uncertainty, _USUAL.fan_pressure),
    )
    fault = curve_fault(points)
    if fault:
        raise ValueError(f"{fault}; look for a slip of the pen in the points")
    return curve


def _filter(table: FilterTable) -> FilterStage:
    drop, limit = table.clean_drop, table.clean_at_drop
    return FilterStage(
        table.area, drop.pressure / drop.at, table.clean_at_drag_ratio, table.clean_at_flow_lost,
        _or(table.uncertainty, _USUAL.filter_drag),
        None if limit is None else limit.pressure,
        None if limit is None else limit.at,
        before_fan=table.side == "before",
    )


def _along(file: ShopFile, runs: list[Run], ports: list[Port]) -> tuple[list[Run], list[Port], list[str]]:
    """Runs that others join along the way, cut into pieces: a piece begins where something joins. And what is wrong.

    The last piece keeps the run's name and fittings; the one before a junction is called after what joins there. What
    lies before the first of them is no piece: no air comes through it.
    """
    joining: dict[str, list[tuple[float, str]]] = {}
    lengths = {run.name: run.length_m for run in runs}
    problems = []
    both: tuple[tuple[str, tuple[RunTable | PortTable, ...]], ...] = (("run", file.run), ("port", file.port))
    for kind, tables in both:
        for index, table in enumerate(tables):
            at, whole = table.at or 0.0, lengths.get(table.into, math.inf)
            joining.setdefault(table.into, []).append((at, table.name))
            if at > 0.0 and (table.into == FAN or at >= whole):
                there = "the fan" if table.into == FAN else f"a run of {show(whole, 'length', file.shop.units)}"
                problems.append(
                    f"{kind}[{index}].at: {table.name!r} joins {table.into!r} at {show(at, 'length', file.shop.units)}, but"
                    f" that is {there}; count along the run from where it begins, and stay short of its end"
                )
    cut: list[Run] = []
    into: dict[str, str] = {}
    for run in runs if not problems else ():
        joins = joining.get(run.name, [])
        places = sorted({at for at, _ in joins}) or [0.0]
        names = [f"{run.name} before {next(name for at, name in joins if at == place)}" for place in places[1:]]
        names.append(run.name)
        for at, (place, end) in enumerate(itertools.pairwise((*places, run.length_m))):
            into |= {name: names[at] for where, name in joins if where == place}
            piece = replace(run, name=names[at], length_m=end - place)
            if at > 0:
                piece = replace(piece, leak_m2=0.0, start_diameter_m=None)
            if at < len(places) - 1:
                piece = replace(piece, into=names[at + 1], join=Join.straight(), fittings_k=0.0, end_diameter_m=None)
            cut.append(piece)
    known = {table.name for table in file.run}
    cut = [replace(run, into=into.get(run.name, run.into)) if run.name in known else run for run in cut]
    return cut, [replace(port, into=into.get(port.name, port.into)) for port in ports], problems


def _motor(table: MotorTable) -> Motor:
    given = {
        "efficiency": table.efficiency, "idle_share": table.idle_share, "uncertainty": table.uncertainty,
    }
    return Motor(
        table.power, table.phases, table.voltage, table.full_load_current, table.service_factor,
        **{name: value for name, value in given.items() if value is not None},
    )


def _duct(table: DuctTable, name: str, into: str) -> Run:
    duct = pipe(table.pipe)
    fitted = fittings.fitted(table.fittings, duct.inside_diameter_m)
    return Run(
        name, into, duct.inside_diameter_m, duct.roughness_m, table.length, fitted.k,
        start_diameter_m=fitted.start_m, end_diameter_m=fitted.end_m, hydraulic_m=duct.hydraulic_m,
    )


def _run(table: RunTable) -> Run:
    piece = _duct(table, table.name, table.into)
    return replace(piece, join=read_join(table.join), leak_m2=table.leak or 0.0, uncertainty=table.uncertainty)


def _port(table: PortTable, air: Air) -> Port:
    duct = pipe(table.pipe)
    hose = None
    if table.hose is not None and table.hose_length is not None:
        stock = pipe(table.hose)
        hose = Hose(stock.inside_diameter_m, stock.roughness_m, table.hose_length)
    bends = [text for text in table.fittings if "flex" in text.lower()]
    others = [text for text in table.fittings if text not in bends]
    fitted = fittings.fitted(others, duct.inside_diameter_m)
    section = hose.diameter_m if hose else fitted.start_m or duct.inside_diameter_m
    # A bend laid in the hose loses velocity pressures of the hose; the port's sum is kept on its pipe.
    k = fitted.k + fittings.fitted(bends, section).k * (duct.inside_diameter_m / section) ** 4
    opening = openings.entry(table.entry)
    rated = None
    if opening.flow_m3s is not None and opening.suction_pa is not None:
        # What a machine's maker says holds in standard air, whatever the shop breathes.
        openings.entry_k_from_flow(opening.flow_m3s, opening.suction_pa, section, STANDARD_DENSITY_KGM3)
        rated = FlowAtPressure(opening.flow_m3s, opening.suction_pa, STANDARD_DENSITY_KGM3)
    gate = gates.gate(table.gate)
    leak = table.gate_leakage
    return Port(
        name=table.name,
        into=table.into,
        diameter_m=duct.inside_diameter_m,
        roughness_m=duct.roughness_m,
        length_m=table.length,
        fittings_k=k,
        join=read_join(table.join),
        hose=hose,
        entry_k=opening.loss.k_on(section) if opening.loss else 0.0,
        entry_flow=rated,
        gate_k=gate.open_k,
        leak_m2=gate.leak_fraction * 0.25 * math.pi * duct.inside_diameter_m**2,
        leak_flow=None if leak is None else FlowAtPressure(leak.flow, leak.at, air.density_kgm3),
        needs_m3s=table.needs,
        uncertainty=table.uncertainty,
        start_diameter_m=fitted.start_m,
        end_diameter_m=fitted.end_m,
        hydraulic_m=duct.hydraulic_m,
    )


def _names_alike(file: ShopFile) -> Iterator[str]:
    seen: dict[str, tuple[str, str]] = {}
    named = [("run", index, table.name) for index, table in enumerate(file.run)]
    named += [("port", index, table.name) for index, table in enumerate(file.port)]
    for kind, index, name in named:
        folded = " ".join(name.lower().split())
        what = f"{kind} {name!r}"
        if folded in seen and seen[folded][0] != name:
            yield f"{kind}[{index}].name: {what} and {seen[folded][1]} have names too much alike; rename one of them"
        seen.setdefault(folded, (name, what))


_WHERE = re.compile(r"^(run|port) (?P<quote>['\"])(.*)(?P=quote)(, hose)?$", re.DOTALL)

_KEYS = (
    ("flows into", "into"), ("feeds nothing", "into"), ("joins as", "join"), ("the name is used twice", "name"),
    ("is larger", "pipe"), ("the hose is larger", "hose"), ("the flow that the machine needs", "needs"),
    ("the runs go round", "into"), ("no port and no other run", "name"),
)
_ADVICE = (
    ("is larger", "air slows down in the wider piece; check both pipes, or make the run it flows into larger"),
    ("the hose is larger", "check the sizes of hose and pipe"),
    ("join straight on; only one can", "make one of them a wye or a tee"),
    ("the name is used twice", "rename one of them"),
    ("the flow that the machine needs", "a smaller pipe or more air would carry it"),
    ("no run flows into", 'write into = "fan" in the run that ends at the fan'),
    ("the runs go round", 'let one of them flow into "fan"'),
)


def _sentence(problem: Problem, file: ShopFile, system: System) -> str:
    """A problem of the design as a sentence of the configuration: its key, what is wrong, what to do."""
    words = problem.words
    names = {"run": [table.name for table in file.run], "port": [table.name for table in file.port]}
    key = "run" if problem.where == "design" else problem.where
    match = _WHERE.match(problem.where)
    if match and match.group(3) in names[match.group(1)]:
        kind, name = match.group(1), match.group(3)
        places = [place for place, other in enumerate(names[kind]) if other == name]
        place = places[-1] if "used twice" in words else places[0]
        key = f"{kind}[{place}]"
        part = next((part for begin, part in _KEYS if words.startswith(begin)), None)
        key += ".hose" if match.group(4) else f".{part}" if part else ""
        glue = ": " if words.startswith(("the ", "run ", "port ", "no ")) else " "
        words = f"{problem.where}{glue}{words}"
        if part == "into":
            words += _meant(file, kind, place, names["run"])
    advice = next((advice for begin, advice in _ADVICE if begin in problem.words), None)
    if "pieces that meet where it begins" in words:
        words += ' such as at = "12 ft"'
    return f"{key}: {words}" + (f"; {advice}" if advice else "")


def _meant(file: ShopFile, kind: str, place: int, runs: list[str]) -> str:
    into = (file.run if kind == "run" else file.port)[place].into
    if into in runs or into == FAN:
        return ""
    close = difflib.get_close_matches(into, [*runs, FAN], n=1, cutoff=0.6)
    return f"; did you mean {close[0]!r}?" if close else ""

