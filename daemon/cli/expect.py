"""``ductwarden expect``: what the shop should read and carry, from its drawing, as tables, as JSON and as a plot."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

import typer
from rich.table import Table

from analysis.duct.design import DuctDesign
from analysis.duct.points import Remark, SectionState
from analysis.duct.solve import solve
from analysis.duct.uncertainty import Expectation, Spread, expectation
from analysis.units import System, from_si, show, shown_unit
from daemon.cli.common import Json, Shop, Units, chosen_system, gates_in_words, give, read_gates
from daemon.config.config import Config
from daemon.config.load import load


def expect(
    shop: Shop,
    open_ports: Annotated[
        str | None,
        typer.Option("--open", help="Ports with open gates: 'planer,bandsaw', 'all' or 'none'. Without it: an overview."),
    ] = None,
    drag_ratio: Annotated[
        float, typer.Option("--drag-ratio", help="Drag of the bags over their clean drag.", min=0.1, max=50.0)
    ] = 1.0,
    units: Units = None,
    plot: Annotated[bool, typer.Option("--plot", help="Draw the ducts against the fan's curve.")] = False,
    as_json: Json = False,
) -> None:
    """Say what the shop should read at its taps, what every run and port carries, and how sure that is."""
    config = load(shop)
    system = chosen_system(units, config)
    if open_ports is None:
        if plot:
            raise typer.BadParameter("--plot needs a gate set: add for example --open all")
        sets = usual_gate_sets(config.design)
        document: object = [as_values(config, gates, drag_ratio, system) for gates in sets] if as_json else None
        give(as_json, document, () if as_json else overview(config, sets, drag_ratio, system))
        return
    gates = read_gates(open_ports, config.design)
    document = as_values(config, gates, drag_ratio, system) if as_json else None
    give(as_json, document, () if as_json else one_set(config, gates, drag_ratio, system))
    if plot and not as_json:
        give(False, None, curve_plot(config.design, gates, drag_ratio, system))


_KINDS = {"flow_m3s": "flow", "velocity_ms": "velocity", "motor_a": "current"}
_SI = {"flow": "m3/s", "velocity": "m/s", "pressure": "Pa", "current": "A"}
_REMARK_KINDS = {"short_of_need": "flow", "outside_fan_points": "flow"}
_TAPS = {
    "inlet_pa": "inlet static pressure", "filter_pa": "filter pressure", "motor_a": "motor current",
    "flow_m3s": "flow through the fan", "fan_static_pa": "fan static pressure",
}


def kind_of(key: str) -> str:
    """Kind of quantity of a value's key."""
    return _KINDS.get(key.rsplit(":", 1)[-1], "pressure")


def spread_text(spread: Spread, kind: str, system: System) -> str:
    """``629 ± 35 cfm``: a value and one standard deviation, with the decimals of the screen."""
    symbol, decimals = shown_unit(kind, system)
    value = from_si(spread.value, symbol, kind)
    width = spread.sd * abs(from_si(1.0, symbol, kind))
    text = show(spread.value, kind, system)
    number = f"{value:.{decimals}f}"
    return text.replace(number, f"{number} ± {width:.{decimals}f}", 1)


def usual_gate_sets(design: DuctDesign) -> list[tuple[str, ...]]:
    """All shut, each port alone, all open."""
    return [(), *((name,) for name in design.port_names), design.port_names]


def expected(config: Config, gates: tuple[str, ...], drag_ratio: float) -> Expectation:
    """What the drawing expects with these gates and bags of ``drag_ratio`` times their clean drag."""
    drag = None if drag_ratio == 1.0 else drag_ratio * config.design.filter.clean_drag_pasm3
    return expectation(config.design, gates, filter_drag_pasm3=drag)


def overview(config: Config, sets: list[tuple[str, ...]], drag_ratio: float, system: System) -> Iterator[object]:
    """One line for each gate set: taps, flow, and what falls short."""
    table = Table(title=f"{config.file.shop.name}: what the drawing expects, {_bags(drag_ratio)}", title_justify="left")
    for head in ("gates", "flow", "inlet static", "filter", "motor"):
        table.add_column(head, justify="left" if head == "gates" else "right")
    notes: dict[tuple[str, str], list[str]] = {}
    for gates in sets:
        found = expected(config, gates, drag_ratio)
        words = gates_in_words(found.point.open_ports, config.design)
        cells = [spread_text(found.values[key], kind_of(key), system) for key in ("flow_m3s", "inlet_pa", "filter_pa")]
        motor = found.values.get("motor_a")
        table.add_row(words, *cells, "–" if motor is None else spread_text(motor, "current", system))
        for remark in found.point.remarks:
            notes.setdefault((remark.kind, remark.where), []).append(words)
    yield table
    yield "± is one standard deviation."
    for (kind, where), words_of in notes.items():
        yield (f"- {_SHORT[kind].format(where=where)} by design with: {'; '.join(words_of)}")


_SHORT = {
    "below_carrying_velocity": "{where} runs below carrying velocity",
    "short_of_need": "{where} draws less air than its machine needs",
    "outside_fan_points": "the fan works outside the points of its curve",
    "blows_back": "air flows backwards in {where}",
}


def one_set(config: Config, gates: tuple[str, ...], drag_ratio: float, system: System) -> Iterator[object]:
    """Taps, runs, ports, remarks and what the uncertainty comes from."""
    found = expected(config, gates, drag_ratio)
    point, design = found.point, config.design
    words = gates_in_words(point.open_ports, design)
    taps = Table(title=f"{config.file.shop.name}: {words}, {_bags(drag_ratio)}", title_justify="left", show_header=False)
    for key, name in _TAPS.items():
        if key in found.values:
            taps.add_row(name, spread_text(found.values[key], kind_of(key), system), _tap_note(key, config, found, system))
    yield taps
    yield _sections("run", found, design, system)
    yield _sections("port", found, design, system)
    yield ("± is one standard deviation. Static pressures are gauge, at the downstream end.")
    for remark in point.remarks:
        yield f"- {remark_text(remark, system)}"
    for key in ("flow_m3s", "inlet_pa"):
        causes = [
            f"{found.inputs[name].words} {share:.0%}" for name, share in found.values[key].shares()[:3] if share > 0.02
        ]
        if causes:
            yield (f"- the ± of the {_TAPS[key]} comes from: {', '.join(causes)}")


def remark_text(remark: Remark, system: System) -> str:
    """A remark with its numbers in the units of the screen."""
    kind = _REMARK_KINDS.get(remark.kind, "velocity")
    limit = f", limit {show(remark.limit, kind, system)}" if remark.limit else ""
    return f"{remark.words} ({show(remark.value, kind, system)}{limit})"


def _bags(drag_ratio: float) -> str:
    return "bags clean" if drag_ratio == 1.0 else f"bags at {drag_ratio:g} times their clean drag"


def _tap_note(key: str, config: Config, found: Expectation, system: System) -> str:
    motor = config.design.motor
    if key == "motor_a" and motor is not None:
        return f"{found.values[key].value / motor.full_a:.0%} of full load ({motor.full_a:g} A)"
    if key == "flow_m3s" and found.point.shaft_w is not None:
        return f"{show(found.point.shaft_w, 'power', system)} at the shaft"
    return ""


def _sections(kind: str, found: Expectation, design: DuctDesign, system: System) -> Table:
    table = Table()
    heads = [kind, "flow", "velocity", "of carrying", "static", *(["of need"] if kind == "port" else [])]
    for head in heads:
        table.add_column(head, justify="left" if head == kind else "right")
    states = found.point.runs if kind == "run" else found.point.ports
    for name, state in states.items():
        cells = [
            spread_text(found.values[f"{kind}:{name}:{key}"], kind_of(key), system)
            for key in ("flow_m3s", "velocity_ms", "static_pa")
        ]
        carrying = _share(state.velocity_share, state, found.values[f"{kind}:{name}:velocity_ms"], state.carrying_ms)
        cells.insert(2, carrying)
        if kind == "port":
            need = next(port.needs_m3s for port in design.ports if port.name == name)
            flow = found.values[f"port:{name}:flow_m3s"]
            cells.append("–" if need is None or not state.in_use else _share(flow.value / need, state, flow, need))
        table.add_row(name if state.in_use else f"{name} (shut)", *cells)
    return table


def _share(share: float, state: SectionState, spread: Spread, of: float) -> str:
    """``92 ± 5 % below`` for a share that falls short, a dash where nothing is in use."""
    if not state.in_use:
        return "–"
    return f"{100 * share:.0f} ± {100 * spread.sd / of:.0f} %{' below' if share < 0.995 else ''}"


def as_values(config: Config, gates: tuple[str, ...], drag_ratio: float, system: System) -> dict[str, Any]:
    """The whole answer as plain data: SI values with one standard deviation, and the text that the screen shows."""
    found = expected(config, gates, drag_ratio)
    point, design = found.point, config.design
    needs = {port.name: port.needs_m3s for port in design.ports}

    def value(key: str) -> dict[str, Any]:
        spread, kind = found.values[key], kind_of(key)
        return {
            "value": spread.value, "sd": spread.sd, "unit": _SI[kind], "shown": spread_text(spread, kind, system),
            "from": {found.inputs[name].words: round(share, 4) for name, share in spread.shares()[:5]},
        }

    def section(kind: str, state: SectionState) -> dict[str, Any]:
        answer: dict[str, Any] = {"name": state.name, "in_use": state.in_use, "carrying_ms": state.carrying_ms}
        answer |= {key: value(f"{kind}:{state.name}:{key}") for key in ("flow_m3s", "velocity_ms", "static_pa")}
        if kind == "port":
            answer |= {"needs_m3s": needs[state.name], "need_share": state.need_share}
        return answer

    return {
        "shop": config.file.shop.name,
        "open": list(point.open_ports),
        "filter_drag_pasm3": point.filter_drag_pasm3,
        "drag_ratio": drag_ratio,
        "air_density_kgm3": point.density_kgm3,
        "taps": {key: value(key) for key in ("inlet_pa", "filter_pa", "motor_a") if key in found.values},
        "flow_m3s": value("flow_m3s"),
        "fan_static_pa": value("fan_static_pa"),
        "shaft_w": point.shaft_w,
        "runs": [section("run", state) for state in point.runs.values()],
        "ports": [section("port", state) for state in point.ports.values()],
        "remarks": [
            {
                "kind": remark.kind, "where": remark.where, "value": remark.value, "limit": remark.limit,
                "words": remark_text(remark, system),
            }
            for remark in point.remarks
        ],
    }


def curve_plot(design: DuctDesign, gates: tuple[str, ...], drag_ratio: float, system: System) -> list[str]:
    """The fan's static pressure (o) and what ducts and bags take with these gates (+), crossing at the X."""
    drag = drag_ratio * design.filter.clean_drag_pasm3
    density = design.air.density_kgm3
    flow_unit, pressure_unit = shown_unit("flow", system)[0], shown_unit("pressure", system)[0]

    def shown(flow: float, pressure: float) -> tuple[float, float]:
        return from_si(flow, flow_unit, "flow"), from_si(pressure, pressure_unit, "pressure")

    free = design.fan.free_flow_m3s()
    fan = [shown(q, design.fan.pressure_scalar(q, 1.0, density)[0]) for q in (free * i / 160 for i in range(161))]
    # The same gates with a slower or faster fan trace the curve of the ducts.
    ducts = [(0.0, 0.0)]
    for i in range(1, 70):
        point = solve(design, gates, filter_drag_pasm3=drag, fan_speed_ratio=0.02 * i)
        ducts.append(shown(point.flow_m3s, point.fan_static_pa))
    here = solve(design, gates, filter_drag_pasm3=drag)
    top = 1.05 * max(y for _, y in fan)
    series = [
        Series("+", [row for row in ducts if row[1] <= top]), Series("o", fan),
        Series("X", [shown(here.flow_m3s, here.fan_static_pa)]),
    ]
    legend = "o fan   + ducts and bags   X operating point"
    return text_plot(series, f"flow, {flow_unit}      {legend}", f"fan static pressure, {pressure_unit}")


@dataclass(frozen=True, slots=True)
class Series:
    """Points drawn with one character; a later series draws over an earlier one."""

    symbol: str
    points: Sequence[tuple[float, float]]


def text_plot(
    series: Sequence[Series], x_label: str, y_label: str, width: int = 64, height: int = 16
) -> list[str]:
    """Lines of text with the series in a frame from zero to their largest values; points outside are left out.

    >>> print("\\n".join(text_plot([Series("o", [(0, 0), (10, 5)])], "flow", "pressure", 11, 3)))
    pressure
       5 |          o
     2.5 |
       0 |o
         +-----------
          0        10
    flow
    """
    high_x = _round_up(max((x for row in series for x, _ in row.points), default=1.0))
    high_y = _round_up(max((y for row in series for _, y in row.points), default=1.0))
    grid = [[" "] * width for _ in range(height)]
    for row in series:
        for x, y in row.points:
            if 0.0 <= x <= high_x and 0.0 <= y <= high_y:
                grid[height - 1 - round(y / high_y * (height - 1))][round(x / high_x * (width - 1))] = row.symbol
    ticks = {0: high_y, (height - 1) // 2: high_y * (1 - ((height - 1) // 2) / (height - 1)), height - 1: 0.0}
    margin = max(4, *(len(f"{value:.3g}") for value in ticks.values()))
    lines = [y_label]
    for index, cells in enumerate(grid):
        label = f"{ticks[index]:.3g}" if index in ticks else ""
        lines.append(f"{label:>{margin}} |{''.join(cells)}".rstrip())
    lines.append(f"{'':>{margin}} +{'-' * width}")
    lines.append(f"{'':>{margin + 2}}0{f'{high_x:g}':>{width - 1}}")
    lines.append(x_label)
    return lines


def _round_up(value: float) -> float:
    """The next round number: 1, 2, 2.5, 5 or 6, 8 times a power of ten."""
    if value <= 0.0:
        return 1.0
    scale = 1.0
    while value / scale > 10.0:
        scale *= 10.0
    while value / scale <= 1.0:
        scale /= 10.0
    return next(step * scale for step in (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0) if value <= step * scale)
