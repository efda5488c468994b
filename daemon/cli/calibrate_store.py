"""What sensors a shop needs, and the checks that run by themselves on what the store holds, as tables."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator

from rich.console import Console
from rich.table import Table

from analysis import self_checks
from analysis.blocks import Stat
from analysis.readings import CHANNELS
from analysis.self_checks import Check
from analysis.sensor_needs import Effect, drawing_sd, effects, needs, signals
from analysis.units import System, from_si, shown, shown_unit
from daemon.cli.common import local_moment
from daemon.cli.gate_words import gates_in_words, read_gates
from daemon.config.config import Config
from daemon.store.codec import Document
from daemon.store.reader import Reader

COLUMNS: tuple[tuple[str, Callable[[Effect], float | None]], ...] = (
    ("flow by inlet", lambda e: e.flow_by_inlet), ("flow by filter", lambda e: e.flow_by_filter),
    ("flow by current", lambda e: e.flow_by_current), ("drag", lambda e: e.drag),
)


def print_needs(console: Console, config: Config, open_words: str, system: System) -> None:
    """Ranges to buy; then what there is to see and what errors do, with a gate set (none named: the first port)."""
    design = config.design
    gates = read_gates(open_words, design) if open_words else (design.port_names[0],)
    table = Table(title=f"{config.file.shop.name}: ranges that the sensors must cover", title_justify="left")
    for head in ("channel", "what", "takes values", "usual range that covers them"):
        table.add_column(head)
    for need in needs(design):
        kind = CHANNELS[need.channel].kind
        low, high = (_number(value, kind, system) for value in (need.low, need.high))
        span = "none: ask for more" if need.span is None else f"0 to {_number(need.span, kind, system)}"
        table.add_row(need.channel, CHANNELS[need.channel].words, f"{low} to {high}", span)
    console.print(table)
    console.print(Table.grid())
    words = gates_in_words(gates, design)
    seen = Table(title=f"What there is to see, {words}, clean bags", title_justify="left")
    for head in ("event", "inlet", "filter", "current", "flow"):
        seen.add_column(head, justify="left" if head == "event" else "right")
    for row in signal_rows(config, gates, system):
        seen.add_row(*row)
    console.print(seen)
    wrong = Table(title=f"What errors do to the answers, {words}", title_justify="left")
    wrong.add_column("error")
    for head, _ in COLUMNS:
        wrong.add_column(head, justify="right")
    for row in effect_rows(config, gates):
        wrong.add_row(*row)
    console.print(wrong)
    console.print(f"For comparison: before a baseline the drawing itself knows this flow to ± {drawing_sd(design, gates):.0%}.")


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


def print_checks(console: Console, config: Config, all_shut: str | None, days: float, system: System) -> None:
    """The checks as a table, with what to do about each that asks for a look."""
    reader = Reader(config.at(config.file.store.file))
    try:
        found, frames = checks(config, reader, None if all_shut is None else local_moment(all_shut), days)
    finally:
        reader.close()
    table = Table(title=f"{config.file.shop.name}: checks that need no instrument, {frames} stored frames of {days:g} days",
                  title_justify="left")
    for head in ("check", "channel", "found", "should lie", "verdict"):
        table.add_column(head)
    for check in found:
        table.add_row(check.name, check.channel, _text(check.found, check.kind, system), _span(check, system), check.verdict)
    console.print(table)
    for check in found:
        if check.words:
            console.print(f"- {check.channel}, {check.name}: {check.words}")
    wrong = self_checks.looks(found)
    console.print("Nothing asks for a look." if not wrong else f"{wrong} ask for a look.")


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
