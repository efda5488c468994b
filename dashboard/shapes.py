"""From SI to what a screen shows: the one place where the dashboard converts units and words times.

A number leaves as a :class:`Quantity`, which carries both the SI value (for programs) and the text in the viewer's units
(for people). Charts get SI columns and the :class:`Axis` that turns them into the viewer's numbers.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel, Field

from analysis import units
from analysis.readings import CHANNELS
from analysis.units import System
from dashboard.words import DASH as DASH
from dashboard.words import day_and_time as day_and_time
from dashboard.words import decimal_text, with_unit
from dashboard.words import sentence as sentence

Out = dict[str, Any]
"""What a page and its JSON are both made of: plain values, texts ready to be shown, and :class:`Quantity` for numbers. Templates
read it by the same paths as the live updates do."""
SYSTEMS: tuple[System, ...] = ("us", "si")
LARGEST = 1e15
"""Nothing in a shop is larger, in any unit; what is comes from a spoiled document."""
TWO_SD = 1.96
"""Half-width of the band that holds 19 of 20 normal values, in standard deviations."""


class Quantity(BaseModel):
    """One number: SI for programs, text for people. An unknown one has no ``si``, and ``shown`` says why."""

    si: float | None = Field(default=None, examples=[-1972.0])
    shown: str = Field(default=DASH, examples=["7.92 in. w.g."])
    number: str = Field(default=DASH, examples=["7.92"])
    unit: str = Field(default="", examples=["in. w.g."])


class Axis(BaseModel):
    """How a chart turns SI into the viewer's numbers: ``shown = si * factor + offset``."""

    symbol: str = Field(examples=["in. w.g."])
    factor: float = Field(examples=[-0.0040146])
    offset: float = 0.0
    decimals: int = 2


@dataclass(frozen=True, slots=True)
class Series:
    """Something that can be drawn over time: its kind of quantity and its words. ``sign`` -1 shows suction as positive."""

    name: str
    kind: str
    words: str
    sign: int = 1


_CHANNEL_WORDS = {
    "inlet_pa": "Suction before the fan",
    "filter_pa": "Pressure over the filter bags",
    "motor_a": "Motor current",
    "pitot_pa": "Velocity pressure in the main",
    "bag_level": "Chip bag level",
    "exhaust_ugm3": "Dust in the air near the bags",
    "air_c": "Air temperature",
    "air_rh": "Humidity of the air",
    "barometer_pa": "Barometer",
    "line_v": "Line voltage",
    "motor_c": "Motor temperature",
}

_KINDS = {"barometer_pa": "barometer"}
"""A channel that people read in a unit of its own."""

SERIES: dict[str, Series] = {
    name: Series(name, _KINDS.get(name, info.kind), _CHANNEL_WORDS.get(name, info.words), -1 if name == "inlet_pa" else 1)
    for name, info in CHANNELS.items()
} | {
    series.name: series
    for series in (
        Series("flow_m3s", "flow", "Air through the fan"),
        Series("drag_ratio", "ratio", "Filter drag against clean"),
        Series("flow_lost", "fraction", "Air lost to the filter"),
        Series("filter_drag", "drag", "Filter drag"),
        Series("duct_resistance", "resistance", "Resistance of the ducts"),
        Series("along", "fraction", "Air above or below what the gates explain"),
        Series("off", "deviations", "Mismatch of readings and ducts"),
        Series("air_density_kgm3", "density", "Air density"),
    )
}
"""Every series that the pages can draw, by the name it has in the store."""

_PLAIN: dict[str, tuple[str, float, int]] = {
    "ratio": ("× clean", 1.0, 2),
    "deviations": ("sd", 1.0, 1),
    "count": ("", 1.0, 0),
    "number": ("", 1.0, 2),
}
_BAROMETER: dict[System, tuple[str, int]] = {"us": ("inHg", 2), "si": ("hPa", 0)}
_PRETTY = {
    "inHg": "in. Hg",
    "inwg": "in. w.g.",
    "m3/h": "m³/h",
    "m3/s": "m³/s",
    "ft2": "ft²",
    "m2": "m²",
    "C": "°C",
    "F": "°F",
    "kg/m3": "kg/m³",
    "lb/ft3": "lb/ft³",
    "ug/m3": "µg/m³",
    "ft3": "ft³",
    "m3": "m³",
}


@dataclass(frozen=True, slots=True)
class Screen:
    """The viewer's units, and every word and number made for them."""

    system: System = "us"

    def axis(self, kind: str, sign: int = 1) -> Axis:
        """Symbol, factor, offset and decimals for a kind of quantity."""
        if kind in _PLAIN:
            symbol, factor, decimals = _PLAIN[kind]
            return Axis(symbol=symbol, factor=sign * factor, decimals=decimals)
        if kind in ("drag", "resistance"):
            pressure, flow = self.axis("pressure"), self.axis("flow")
            # Drag in the shop's own numbers: pressure for a hundred units of flow (cfm), or for a thousand (m3/h).
            lot = 100.0 if self.system == "us" else 1000.0
            power = 1 if kind == "drag" else 2
            factor = pressure.factor * (lot / flow.factor) ** power
            name = f"{pressure.symbol} at {lot:.0f} {flow.symbol}"
            return Axis(symbol=name, factor=sign * factor, decimals=3 if self.system == "us" else 1)
        symbol, decimals = units.shown_unit(kind, self.system) if kind != "barometer" else _BAROMETER[self.system]
        kind = "pressure" if kind == "barometer" else kind
        found = units.unit(symbol, kind)
        return Axis(
            symbol=_PRETTY.get(symbol, symbol),
            factor=sign / found.factor,
            offset=-sign * found.offset / found.factor,
            decimals=decimals,
        )

    def quantity(self, si: float | None, kind: str, *, sign: int = 1, why: str = "", signed: bool = False) -> Quantity:
        """``si`` as it is shown; for an unknown or unusable number the reason ``why``."""
        axis = self.axis(kind, sign)
        if si is None or not math.isfinite(si):
            return Quantity(unit=axis.symbol, shown=why or "not known")
        number = decimal_text(si * axis.factor + axis.offset, axis.decimals, signed)
        return Quantity(si=si, shown=with_unit(number, axis.symbol), number=number, unit=axis.symbol)

    def difference(self, si: float, kind: str, *, sign: int = 1) -> str:
        """A difference of two values as text without its sign (so that an offset, as of temperatures, does not enter)."""
        axis = self.axis(kind, sign)
        number = decimal_text(abs(si * axis.factor), axis.decimals)
        return with_unit(number, axis.symbol)

    def channel(self, name: str, si: float | None, why: str = "") -> Quantity:
        """A channel's value."""
        series = SERIES[name]
        return self.quantity(si, series.kind, sign=series.sign, why=why)


def place_words(where: str) -> str:
    """The place of an alarm or a journal entry as a person calls it: a channel by its words, a port or run by its name.

    >>> place_words("inlet_pa"), place_words("planer")
    ('suction before the fan', 'planer')
    """
    series = SERIES.get(where)
    return where if series is None else series.words[:1].lower() + series.words[1:]


def system_of(text: object, default: System = "us") -> System:
    """``text`` as a system of units, where it names one."""
    return text if text in SYSTEMS else default


def shape_of(*parts: object) -> str:
    """A short mark of what a page is built of; when it changes, filling in values is not enough and the page is made anew.

    >>> shape_of(3, ["planer"]) == shape_of(3, ["planer"]), shape_of(3) == shape_of(4)
    (True, False)
    """
    return hashlib.sha256(repr(parts).encode()).hexdigest()[:8]


def number(document: Mapping[str, Any] | None, *path: str) -> float | None:
    """The number at ``path`` in a status document, None where there is none, or none that anything here could be."""
    found = dig(document, *path)
    if isinstance(found, bool) or not isinstance(found, int | float) or not abs(found) < LARGEST:
        return None
    return float(found)


def table(document: Mapping[str, Any] | None, *path: str) -> Mapping[str, Any]:
    """The mapping at ``path`` in a status document; {} where there is none."""
    found = dig(document, *path)
    return found if isinstance(found, Mapping) else {}


def texts(document: Mapping[str, Any] | None, *path: str) -> list[str]:
    """The list of texts at ``path`` in a status document; [] where there is no list."""
    found = dig(document, *path)
    return [str(item) for item in found] if isinstance(found, list | tuple) else []


def text(document: Mapping[str, Any] | None, *path: str, default: str = "") -> str:
    """The text at ``path`` in a status document."""
    found = dig(document, *path)
    return found if isinstance(found, str) else default


def dig(document: Any, *path: str) -> Any:
    """What stands at ``path`` in nested mappings, None where a step is missing."""
    for step in path:
        if not isinstance(document, Mapping):
            return None
        document = document.get(step)
    return document


def rows(document: Any, *path: str) -> list[Mapping[str, Any]]:
    """The list of mappings at ``path``; anything else in it is left out."""
    found = dig(document, *path) if path else document
    return [row for row in found if isinstance(row, Mapping)] if isinstance(found, list | tuple) else []
