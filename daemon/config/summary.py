"""A configuration in words: what ``ductwarden check`` prints."""

from __future__ import annotations

import re
from collections.abc import Iterator

from analysis.detectors.scope import SCOPE, what_is_missing
from analysis.duct.design import FAN, DuctDesign, Port, Run
from analysis.duct.solve import solve
from analysis.readings import CHANNELS
from analysis.units import System, show
from daemon.config.config import Config

CAN_TELL: dict[frozenset[str], str] = {
    frozenset({"inlet_pa", "filter_pa", "motor_a"}):
        "with both pressures and the current it can tell filter, bag, fan, motor and a wrong sensor apart",
    frozenset({"inlet_pa", "filter_pa"}):
        "with both pressures it can tell a loaded filter and a full bag; not a loose bag, the motor or a weak fan",
    frozenset({"inlet_pa", "motor_a"}):
        "without the filter pressure it can tell an overload and long or frequent running; nothing about filter and bag",
    frozenset({"filter_pa", "motor_a"}):
        "without the inlet pressure it can tell an overload and long or frequent running; the filter only roughly",
    frozenset({"inlet_pa"}):
        "with the inlet pressure alone it can tell that the fan runs, how long, and how often; not the filter from the fan",
    frozenset({"filter_pa"}):
        "with the filter pressure alone it cannot tell more air from more drag: only slow growth speaks of the filter",
    frozenset({"motor_a"}):
        "with the current alone it can tell running time, starts and overload; flow only very roughly",
    frozenset(): "without a pressure or a current it can tell nothing about the air",
}
"""Fitted main channels -> what that set can and cannot tell."""


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def summary(config: Config) -> Iterator[str]:
    """Lines of text: shop, duct tree, design values, sensors and what they can tell, sources, outlets, store."""
    file, design, system = config.file, config.design, config.units
    yield f"{file.shop.name}: {_count(len(design.ports), 'port')}, {_count(len(design.runs), 'run')}, shown in {system} units"
    density, warmth = show(config.air.density_kgm3, 'density', system), show(config.air.temperature_c, 'temperature', system)
    yield f"air: {density} at {warmth}"
    yield "ducts, from the fan outwards:"
    yield "  fan"
    yield from _tree(design, FAN, "  ", system)
    yield from _after(design, system)
    yield "design values, filter clean:"
    for port in design.ports:
        point = solve(design, [port.name])
        share = point.ports[port.name].need_share
        yield (
            f"  {port.name} open alone: inlet {show(point.inlet_pa, 'pressure', system)}, "
            + (f"filter {show(point.filter_pa, 'pressure', system)}, " if design.filter.fitted else "")
            + show(point.flow_m3s, "flow", system)
            + ("" if point.motor_a is None else f", {show(point.motor_a, 'current', system)}")
            + ("" if share is None else f"; {share:.0%} of what the machine needs")
        )
    yield "sensors:"
    for spec in config.sensors:
        info = CHANNELS[spec.channel]
        source = f"source {spec.source!r}" if spec.source else "any source"
        yield (
            f"  {spec.channel} ({info.words}): {spec.raw_name!r} of {source}, believed from "
            f"{show(spec.low, info.kind, system)} to {show(spec.high, info.kind, system)}"
        )
    fitted = frozenset(spec.channel for spec in config.sensors) & {"inlet_pa", "filter_pa", "motor_a"}
    yield f"  {CAN_TELL[fitted]}"
    channels = frozenset(spec.channel for spec in config.sensors)
    for row in SCOPE:
        missing = what_is_missing(row, channels, switches=False)
        able = f"{row.soon}" if not missing else f"cannot be judged without {missing}"
        yield f"  {row.condition.value}: {able}"
    yield "sources: " + ", ".join(f"{source.name} ({source.kind})" for source in file.source)
    yield "outlets: " + (", ".join(f"{outlet.name} ({outlet.kind})" for outlet in file.outlet) or "none")
    yield f"store: {config.at(file.store.file)}, single readings kept {file.store.keep_raw / 86400.0:g} days"
    if file.dashboard.enabled:
        yield f"dashboard: http://{file.dashboard.host}:{file.dashboard.port}"


def _tree(design: DuctDesign, into: str, indent: str, system: System) -> Iterator[str]:
    """What flows into a run, each with what flows into it; ports in brackets."""
    every: tuple[Run | Port, ...] = (*design.runs, *design.ports)
    pieces = [piece for piece in every if piece.into == into]
    for piece in pieces:
        last = piece is pieces[-1]
        joins = "" if into == FAN else f", {_joins(piece)}"
        if isinstance(piece, Run):
            yield f"{indent}{'└─' if last else '├─'} {piece.name}: {_size(piece, system)}{joins}"
            yield from _tree(design, piece.name, indent + ("   " if last else "│  "), system)
        else:
            hose = "" if piece.hose is None else f", {show(piece.hose.length_m, 'length', system)} of hose"
            needs = "" if piece.needs_m3s is None else f", needs {show(piece.needs_m3s, 'flow', system)}"
            yield f"{indent}{'└─' if last else '├─'} [{piece.name}] {_size(piece, system)}{hose}{joins}{needs}"


def _size(piece: Run | Port, system: System) -> str:
    across = f"{show(piece.diameter_m, 'diameter', system)} inside"
    if piece.hydraulic_m is not None:
        across = f"rectangular duct, as wide as {show(piece.diameter_m, 'diameter', system)} round"
    return f"{show(piece.length_m, 'length', system)} of {across}"


def _joins(piece: Run | Port) -> str:
    join = piece.join
    words = {"straight": "straight on", "tee": "by a tee"}.get(join.kind, f"by a wye of {join.angle_deg:g}°")
    if join.kind == "stated":
        words = f"losing K {join.k:g}"
    return words


def _after(design: DuctDesign, system: System) -> Iterator[str]:
    """The way of the air from the last run on, where it is not simply the fan and then the bags."""
    bags, separator = design.filter, design.separator
    way = [f"separator ({show(separator.loss_pa, 'pressure', system)} at {show(separator.at_flow_m3s, 'flow', system)})"
           if separator else "", "bags" if bags.fitted else ""]
    sides = (separator is not None and separator.after_fan, not bags.before_fan)
    before = [part for part, behind in zip(way, sides, strict=True) if part and not behind]
    duct = [_size(piece, system) for piece in design.discharge]
    after = [*duct, *(part for part, behind in zip(way, sides, strict=True) if part and behind)]
    if before or len(after) != 1 or duct:
        yield f"  the air goes on through: {' → '.join([*before, 'fan', *after, 'the room' if bags.fitted else 'outside'])}"


def notes(config: Config) -> Iterator[str]:
    """The remarks on the drawing; what is said of several places alike is said once, with the other places behind it."""
    alike: dict[str, list[str]] = {}
    for warning in config.warnings:
        _, _, words = warning.partition(": ")
        alike.setdefault(re.sub(r"'[^']*'|^[^:]*: ", "", words), []).append(warning)
    for first, *others in alike.values():
        places = "; ".join(": ".join(other.split(": ")[:2]).removeprefix(f"{config.path}, ") for other in others)
        yield f"{first} (likewise {places})" if others else first
