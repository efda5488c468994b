"""The checks that run by themselves, on what the store holds."""

from __future__ import annotations

import math
from collections.abc import Iterable

from rich.console import Console
from rich.table import Table

from analysis import self_checks
from analysis.blocks import Stat
from analysis.self_checks import Check
from analysis.units import System, shown, shown_unit
from daemon.cli.common import local_moment
from daemon.config.config import Config
from daemon.store.codec import Document
from daemon.store.reader import Reader

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
