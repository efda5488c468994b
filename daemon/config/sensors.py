"""[sensor.CHANNEL] tables -> sensor specifications, with defaults per channel."""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis import units
from analysis.readings import CHANNELS
from daemon.calibrate import SensorSpec
from daemon.config.model import SensorTable


@dataclass(frozen=True, slots=True)
class SensorDefaults:
    """What holds for a channel where the owner says nothing [SI]. All are common practice, no source."""

    low: float
    high: float
    max_jump: float | None
    stuck_s: float | None
    hold_s: float
    sd: float


DEFAULTS: dict[str, SensorDefaults] = {
    "inlet_pa": SensorDefaults(-6000.0, 500.0, 3500.0, 120.0, 5.0, 10.0),
    "filter_pa": SensorDefaults(-250.0, 3000.0, 1500.0, 120.0, 5.0, 5.0),
    "motor_a": SensorDefaults(-0.5, 200.0, None, 900.0, 5.0, 0.1),
    "pitot_pa": SensorDefaults(-250.0, 1500.0, 800.0, 120.0, 5.0, 5.0),
    "bag_level": SensorDefaults(-0.05, 1.1, None, None, 120.0, 0.05),
    "exhaust_ugm3": SensorDefaults(0.0, 50_000.0, None, None, 30.0, 10.0),
    "air_c": SensorDefaults(-40.0, 70.0, None, None, 900.0, 1.0),
    "air_rh": SensorDefaults(0.0, 1.05, None, None, 900.0, 0.05),
    "barometer_pa": SensorDefaults(60_000.0, 110_000.0, None, None, 900.0, 200.0),
    "line_v": SensorDefaults(0.0, 700.0, None, None, 30.0, 1.0),
    "motor_c": SensorDefaults(-40.0, 200.0, None, None, 60.0, 2.0),
}

BY_POWER_SD = 0.5
"""Of a current that is reckoned from power [A]: the power factor moves with the load, the voltage with the mains."""
EDGE_SD = 4.0
"""A range is widened by this many times the accuracy: a sensor at rest reads a little below the zero that people write."""


def build_sensors(tables: dict[str, SensorTable], sources: frozenset[str]) -> tuple[tuple[SensorSpec, ...], list[str]]:
    """The specifications, and a sentence for each thing that cannot be: ``key path: what was found; what is allowed``."""
    specs: list[SensorSpec] = []
    problems: list[str] = []
    for channel, table in tables.items():
        kind = CHANNELS[channel].kind
        usual = DEFAULTS[channel]
        where = f"sensor.{channel}"

        def read(text: str, key: str, kind: str = kind, where: str = where, difference: bool = False) -> float | None:
            try:
                value = units.parse(text, kind)
                return value - units.parse(_zero_of(text), kind) if difference else value
            except units.UnitError as error:
                problems.append(f"{where}.{key}: {error}")
                return None

        if table.source and table.source not in sources:
            problems.append(
                f"{where}.source: no source is named {table.source!r}; the sources are {', '.join(sorted(sources))}"
            )
        volts = None
        if table.voltage is not None:
            if channel != "motor_a":
                problems.append(f"{where}.voltage: only motor_a can be reckoned from power")
            volts = table.voltage * table.power_factor * math.sqrt(table.phases)
            kind = "power"
        elif channel == "motor_a" and table.unit.lower() in ("w", "kw"):
            problems.append(
                f"{where}.unit: {table.unit} is power; name the voltage as well (voltage = \"230 V\", phases = 3 for three-phase)"
            )
            continue
        if table.unit:
            try:
                units.unit(table.unit, kind)
            except units.UnitError as error:
                problems.append(f"{where}.unit: {error}")
                continue
        low, high = usual.low, usual.high
        if table.range is not None:
            found = [read(text, "range") for text in table.range]
            if found[0] is None or found[1] is None:
                continue
            low, high = found[0], found[1]
            if not low < high:
                problems.append(f"{where}.range: {table.range[0]!r} is not below {table.range[1]!r}")
                continue
        offset = None if table.offset is None else read(table.offset, "offset", difference=True)
        jump = None if table.max_jump is None else read(table.max_jump, "max_jump", difference=True)
        sd = None if table.accuracy is None else read(table.accuracy, "accuracy", difference=True)
        accuracy = (usual.sd if volts is None else BY_POWER_SD) if sd is None else abs(sd)
        specs.append(SensorSpec(
            channel=channel,
            raw_name=table.raw or channel,
            source=table.source,
            unit=table.unit,
            scale=table.scale,
            offset=offset or 0.0,
            low=low - EDGE_SD * accuracy,
            high=high + EDGE_SD * accuracy,
            max_jump=usual.max_jump if table.max_jump is None else jump,
            stuck_s=usual.stuck_s if table.stuck_after is None else (table.stuck_after or None),
            hold_s=usual.hold_s if table.silent_after is None else table.silent_after,
            sd=accuracy,
            volts=volts,
        ))
    return tuple(specs), problems


def _zero_of(text: str) -> str:
    """The same unit with the number 0: a difference of temperatures has no zero of its own."""
    at = len(text) - len(text.lstrip("+-0123456789.eE \t"))
    return f"0 {text[at:]}"
