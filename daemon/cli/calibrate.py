"""``ductwarden calibrate``: what sensors a shop needs, how to check them, and the line that calibrates one.

The commands grow with what is given:

- ``calibrate SHOP.toml``: checks that need no instrument, from what the store holds;
- ``calibrate SHOP.toml --needs``: ranges to buy, what there is to see, what errors do;
- ``calibrate SHOP.toml inlet_pa``: the heights of water to pour;
- ``calibrate SHOP.toml inlet_pa "0 in = -3.1" "10 in = 2478"``: the line through what was read, as configuration, kept with
  its date. Where the points look like a slip (a sign, an exchanged pair, a scale that changes by more than 10 %), it asks, or
  refuses where nobody can answer, before anything is kept.
"""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict
from typing import Annotated

import typer
from rich.table import Table

from analysis import self_checks
from analysis.blocks import Stat
from analysis.readings import CHANNELS
from analysis.self_checks import Check
from analysis.sensor_needs import Effect, drawing_sd, effects, needs, signals
from analysis.units import System, UnitError, from_si, parse, shown, shown_unit
from daemon.calibrate import SensorSpec
from daemon.cli.calibrate_points import (
    Calibration,
    Standard,
    config_lines,
    doubts,
    fitted,
    heights,
    heights_of,
    keep,
    record_entry,
    slips,
    spec_of,
    words,
)
from daemon.cli.common import Json, Shop, Units, chosen_system, gates_in_words, give, local_moment, opened, read_gates
from daemon.config.config import Config
from daemon.config.load import load
from daemon.errors import ConfigError
from daemon.store.codec import Document
from daemon.store.reader import Reader


def calibrate(
    shop: Shop,
    channel: Annotated[str | None, typer.Argument(help="The channel to calibrate, such as inlet_pa.")] = None,
    points: Annotated[
        list[str] | None,
        typer.Argument(help="Points as 'TRUE = READ': '10 in = 2478' (height of water, bare number as the device sends it), "
                            "'2500 Pa = 9.9 inwg' (what the dashboard shows), '9.4 A = 9.1'."),
    ] = None,
    water: Annotated[str, typer.Option(help="Temperature of the water in the U-tube.")] = "68 F",
    latitude: Annotated[float | None, typer.Option(help="Latitude in degrees, for gravity to better than 0.1 %.")] = None,
    needs_: Annotated[bool, typer.Option("--needs", help="Ranges to buy, signals to see, and what errors do.")] = False,
    open_ports: Annotated[str, typer.Option("--open", help="Gates taken as open for --needs.")] = "",
    all_shut: Annotated[
        str | None, typer.Option(help="A minute from this local time on every gate was shut and the fan ran.")
    ] = None,
    days: Annotated[float, typer.Option(help="How far back the checks look.", min=0.01, max=400.0)] = 7.0,
    record: Annotated[bool, typer.Option(help="Keep the calibration with its date.")] = True,
    anyway: Annotated[bool, typer.Option("--anyway", help="Take points that look like a slip as they are.")] = False,
    units: Units = None,
    as_json: Json = False,
) -> None:
    """Check the sensors, say what they must cover, and calibrate one against a column of water or a clamp meter."""
    config = load(shop)
    system = chosen_system(units, config)
    try:
        water_c = parse(water, "temperature")
    except UnitError as error:
        raise typer.BadParameter(f"--water: {error}") from error
    if needs_:
        give(as_json, needs_document(config, open_ports) if as_json else None, needs_tables(config, open_ports, system))
        return
    if channel is None:
        with opened(config) as reader:
            found, frames = checks(config, reader, None if all_shut is None else local_moment(all_shut), days)
        document = {"frames": frames, "days": days, "checks": [{**asdict(one), "verdict": one.verdict} for one in found]}
        give(as_json, document, checks_lines(config, found, frames, days, system))
        return
    standard = Standard.of(config, water_c, latitude)
    spec = spec_of(config, channel)
    if not points:
        steps = list(heights_of(config, spec, standard, system))
        document = {"channel": channel, "heights": [{"height_m": height, "pressure_pa": made} for height, made, _ in steps]}
        give(as_json, document, heights(config, spec, standard, system))
        return
    _calibrate(config, fitted(config, spec, points, standard), spec, standard, system, anyway, record, as_json)


def _calibrate(
    config: Config, found: Calibration, spec: SensorSpec, standard: Standard, system: System, anyway: bool, record: bool,
    as_json: bool,
) -> None:
    """Give the fitted line; nothing is kept of points that look like a slip before their owner says that they are right."""
    wrong = list(slips(found, spec))
    if not as_json:
        give(False, None, [*words(found, spec, standard, system), *(f"a slip? {slip}" for slip in wrong)])
    if wrong and not anyway:
        asked = sys.stdin.isatty() and not as_json
        if not (asked and typer.confirm("Is it right all the same?", default=False)):
            why = f": {'; '.join(wrong)}" if as_json else ""
            raise ConfigError([f"nothing was kept: put the points right, or give --anyway if they are{why}"])
    kept = list(keep(config, found, spec, standard, time.time())) if record else []
    document = {
        **record_entry(found, spec, standard), "doubts": list(doubts(found, spec)), "slips": wrong,
        "kept": [line for line in kept if line],
    }
    give(as_json, document, [*config_lines(found, spec), *kept])


# -- what the shop needs, and what the store holds ---------------------------------------------------------------------

COLUMNS: tuple[tuple[str, Callable[[Effect], float | None]], ...] = (
    ("flow by inlet", lambda e: e.flow_by_inlet), ("flow by filter", lambda e: e.flow_by_filter),
    ("flow by current", lambda e: e.flow_by_current), ("drag", lambda e: e.drag),
)


def needs_tables(config: Config, open_words: str, system: System) -> Iterator[object]:
    """Ranges to buy; then what there is to see and what errors do, with a gate set (none named: the first port)."""
    design = config.design
    gates = read_gates(open_words, design) if open_words else (design.port_names[0],)
    rows = []
    for need in needs(design):
        kind = CHANNELS[need.channel].kind
        low, high = (_number(value, kind, system) for value in (need.low, need.high))
        span = "none: ask for more" if need.span is None else f"0 to {_number(need.span, kind, system)}"
        rows.append((need.channel, CHANNELS[need.channel].words, f"{low} to {high}", span))
    heads: tuple[str, ...] = ("channel", "what", "takes values", "usual range that covers them")
    yield _table(f"{config.file.shop.name}: ranges that the sensors must cover", heads, rows, 4)
    yield ""
    words = gates_in_words(gates, design)
    heads = ("event", "inlet", "filter", "current", "flow")
    yield _table(f"What there is to see, {words}, clean bags", heads, signal_rows(config, gates, system))
    heads = ("error", *(head for head, _ in COLUMNS))
    yield _table(f"What errors do to the answers, {words}", heads, effect_rows(config, gates))
    yield f"For comparison: before a baseline the drawing itself knows this flow to ± {drawing_sd(design, gates):.0%}."


def needs_document(config: Config, open_words: str) -> dict[str, object]:
    """The same as SI values."""
    gates = read_gates(open_words, config.design) if open_words else (config.design.port_names[0],)
    return {
        "open": gates, "ranges": [asdict(need) for need in needs(config.design)],
        "signals": [asdict(signal) for signal in signals(config.design, gates)],
        "errors": [asdict(effect) for effect in effects(config.design, gates)],
    }


def _table(title: str, heads: Sequence[str], rows: Iterable[Sequence[str]], left: int = 1) -> Table:
    """A table whose first ``left`` columns hold words, the others numbers."""
    table = Table(title=title, title_justify="left")
    for at, head in enumerate(heads):
        table.add_column(head, justify="left" if at < left else "right")
    for row in rows:
        table.add_row(*row)
    return table


def signal_rows(config: Config, gates: tuple[str, ...], system: System) -> Iterator[tuple[str, ...]]:
    """Rows of the table of signals."""
    for signal in signals(config.design, gates):
        amps = "" if signal.motor_a is None else _change(signal.motor_a, "current", system)
        yield (signal.words, _change(signal.inlet_pa, "pressure", system), _change(signal.filter_pa, "pressure", system),
               amps, f"{100 * signal.flow:+.0f} %")


def effect_rows(config: Config, gates: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
    """Rows of the table of errors, as sizes in per cent."""
    for effect in effects(config.design, gates):
        yield (effect.words, *(_share(pick(effect)) for _, pick in COLUMNS))


def _share(value: float | None) -> str:
    return "" if value is None else f"{abs(100 * value):.1f} %"


def _number(value: float, kind: str, system: System) -> str:
    symbol, _ = shown_unit(kind, system)
    number = from_si(value, symbol, kind)
    return f"{number:.{1 if kind == 'current' or symbol == 'inwg' else 0}f} {symbol}"


def _change(value: float, kind: str, system: System) -> str:
    symbol, decimals = shown_unit(kind, system)
    number = value * (from_si(1.0, symbol, kind) - from_si(0.0, symbol, kind))
    return f"{number:+.{decimals + (kind == 'current')}f} {symbol}"


SETTLED_S = 60.0
"""Standstill before a reading counts as rest: the wheel coasts down and the bags deflate (ours)."""
SHUT_S = 60.0
MOST_KEPT = 20_000
"""So many readings of a state are looked at, the latest ones: enough for any mean."""
PRESSURES = ("inlet_pa", "filter_pa", "pitot_pa")


class Gathered:
    """Readings by state: at rest, and running."""

    def __init__(self, frames: Iterable[Document], channels: tuple[str, ...]) -> None:
        self.rest: dict[str, list[float]] = {channel: [] for channel in channels}
        self.running: dict[str, list[float]] = {channel: [] for channel in channels}
        self.frames = 0
        moved_t: float | None = None
        for frame in frames:
            self.frames += 1
            state = frame["state"]
            if state == "running":
                self._take(self.running, frame)
            if state != "off":
                moved_t = frame["t"]
            elif moved_t is None or frame["t"] - moved_t >= SETTLED_S:
                self._take(self.rest, frame)

    @staticmethod
    def _take(columns: dict[str, list[float]], frame: Document) -> None:
        for channel, column in columns.items():
            value = frame[channel]
            if value is not None:
                column.append(value)
                if len(column) > 2 * MOST_KEPT:
                    del column[:MOST_KEPT]


def checks(config: Config, reader: Reader, all_shut_t: float | None, days: float) -> tuple[list[Check], int]:
    """Every check of the fitted channels over the last ``days`` of the store, and how many frames were looked at."""
    fitted = {spec.channel: spec for spec in config.sensors}
    sds = {channel: spec.sd for channel, spec in fitted.items()}
    last = reader.last_t()
    channels = tuple(channel for channel in (*PRESSURES, "motor_a") if channel in fitted)
    frames: Iterable[Document] = () if last is None else reader.frames(last - days * 86_400.0, last)
    seen = Gathered(frames, channels)
    rest = {channel: self_checks.stat(column) for channel, column in seen.rest.items()}
    running = {channel: self_checks.stat(column) for channel, column in seen.running.items()}
    found: list[Check] = []
    for channel in PRESSURES:
        if channel in fitted:
            found.append(self_checks.zero_at_rest(channel, rest[channel], sds[channel]))
            found.append(self_checks.signs(channel, running[channel]))
            found.append(self_checks.pulsation(channel, running[channel]))
    motor = config.design.motor
    if "motor_a" in fitted and motor is not None:
        found.append(self_checks.current_at_rest(rest["motor_a"], motor.full_a, sds["motor_a"]))
        found.append(self_checks.current_in_range(running["motor_a"], motor.full_a, motor.service_factor))
    shut = _shut(reader, all_shut_t, channels)
    found += [check for check in self_checks.shut_off(config.design, shut, sds) if check.channel in fitted]
    return found, seen.frames


def _shut(reader: Reader, all_shut_t: float | None, channels: tuple[str, ...]) -> dict[str, Stat]:
    if all_shut_t is None:
        return {}
    rows = [row for row in reader.frames(all_shut_t, all_shut_t + SHUT_S) if row["state"] == "running"]
    columns = {channel: self_checks.stat(row[channel] for row in rows if row[channel] is not None) for channel in channels}
    return {channel: stat for channel, stat in columns.items() if stat is not None}


def checks_lines(config: Config, found: Sequence[Check], frames: int, days: float, system: System) -> Iterator[object]:
    """The checks as a table, with what to do about each that asks for a look."""
    yield _table(
        f"{config.file.shop.name}: checks that need no instrument, {frames} stored frames of {days:g} days",
        ("check", "channel", "found", "should lie", "verdict"),
        [(one.name, one.channel, _text(one.found, one.kind, system), _span(one, system), one.verdict) for one in found], 5,
    )
    yield from (f"- {one.channel}, {one.name}: {one.words}" for one in found if one.words)
    wrong = self_checks.looks(found)
    yield "Nothing asks for a look." if not wrong else f"{wrong} ask for a look."


def _text(value: float | None, kind: str, system: System) -> str:
    if value is None:
        return "–"
    symbol, decimals = shown_unit(kind, system)
    return f"{shown(value, kind, system):.{decimals + (kind in ('pressure', 'current'))}f} {symbol}"


def _span(check: Check, system: System) -> str:
    if check.low is None or check.high is None:
        return ""
    if math.isinf(check.low):
        return f"below {_text(check.high, check.kind, system)}"
    if math.isinf(check.high):
        return f"above {_text(check.low, check.kind, system)}"
    return f"{_text(check.low, check.kind, system)} to {_text(check.high, check.kind, system)}"
