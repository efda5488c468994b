"""Every conversion between units, both ways. Nothing else in the project converts.

Inside, every quantity is SI. A quantity with a unit is read at the configuration and source edges (:func:`parse`) and
written at the screen edge (:func:`show`). The inch of water is the conventional one (water of 1000 kg/m3 and standard
gravity): 249.08891 Pa (NIST SP 811, appendix B.8).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

System = Literal["us", "si"]

FOOT_M = 0.3048
INCH_M = 0.0254
POUND_KG = 0.45359237
INWG_PA = 249.08891
CFM_M3S = FOOT_M**3 / 60.0
FPM_MS = FOOT_M / 60.0
HORSEPOWER_W = 745.69987158227


class UnitError(ValueError):
    """A text that should be a number with a unit is not one; the message says what was found and what is allowed."""


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit: ``si = number * factor + offset``."""

    symbol: str
    kind: str
    factor: float
    offset: float = 0.0


_TABLE: dict[str, list[tuple[str, float] | tuple[str, float, float]]] = {
    "length": [("m", 1.0), ("cm", 0.01), ("mm", 1e-3), ("in", INCH_M), ("inch", INCH_M), ("ft", FOOT_M)],
    "area": [("m2", 1.0), ("cm2", 1e-4), ("ft2", FOOT_M**2), ("in2", INCH_M**2)],
    "volume": [("m3", 1.0), ("l", 1e-3), ("ft3", FOOT_M**3), ("gal", 231 * INCH_M**3)],
    "pressure": [
        ("Pa", 1.0), ("hPa", 100.0), ("kPa", 1000.0), ("mbar", 100.0), ("inwg", INWG_PA), ("inwc", INWG_PA),
        ("mmwg", INWG_PA / 25.4), ("inHg", 3386.389), ("psi", 6894.757293168),
    ],
    "flow": [("m3/s", 1.0), ("m3/h", 1 / 3600.0), ("l/s", 1e-3), ("cfm", CFM_M3S)],
    "velocity": [("m/s", 1.0), ("fpm", FPM_MS), ("ft/min", FPM_MS)],
    "temperature": [("C", 1.0, 0.0), ("F", 5 / 9, -160 / 9), ("K", 1.0, -273.15)],
    "power": [("W", 1.0), ("kW", 1000.0), ("hp", HORSEPOWER_W)],
    "current": [("A", 1.0), ("mA", 1e-3)],
    "voltage": [("V", 1.0), ("mV", 1e-3)],
    "frequency": [("Hz", 1.0)],
    "speed": [("rpm", 1.0)],
    "density": [("kg/m3", 1.0), ("lb/ft3", POUND_KG / FOOT_M**3)],
    "mass": [("kg", 1.0), ("lb", POUND_KG)],
    "time": [("s", 1.0), ("ms", 1e-3), ("min", 60.0), ("h", 3600.0), ("d", 86400.0), ("days", 86400.0)],
    "angle": [("deg", 1.0)],
    "fraction": [("", 1.0), ("%", 0.01)],
    "ratio": [("", 1.0)],
    "energy": [("J", 1.0), ("kWh", 3.6e6)],
    "concentration": [("ug/m3", 1.0), ("mg/m3", 1000.0)],
}

UNITS: dict[str, dict[str, Unit]] = {
    kind: {row[0]: Unit(row[0], kind, row[1], row[2] if len(row) == 3 else 0.0) for row in rows}
    for kind, rows in _TABLE.items()
}
"""Kind of quantity -> symbol -> unit."""

_SHOWN: dict[System, dict[str, tuple[str, int]]] = {
    "us": {
        "length": ("ft", 1), "diameter": ("in", 2), "area": ("ft2", 1), "volume": ("ft3", 1), "pressure": ("inwg", 2),
        "flow": ("cfm", 0), "velocity": ("fpm", 0), "temperature": ("F", 0), "power": ("hp", 2),
        "density": ("lb/ft3", 4), "mass": ("lb", 1),
    },
    "si": {
        "length": ("m", 2), "diameter": ("mm", 0), "area": ("m2", 2), "volume": ("m3", 2), "pressure": ("Pa", 0),
        "flow": ("m3/h", 0), "velocity": ("m/s", 1), "temperature": ("C", 0), "power": ("W", 0),
        "density": ("kg/m3", 3), "mass": ("kg", 1),
    },
}
_SHOWN_BOTH: dict[str, tuple[str, int]] = {
    "current": ("A", 1), "voltage": ("V", 0), "speed": ("rpm", 0), "fraction": ("%", 0), "ratio": ("", 2),
    "energy": ("kWh", 1), "concentration": ("ug/m3", 0), "frequency": ("Hz", 1), "time": ("min", 0),
}
_KIND_ALIAS = {"diameter": "length"}

SPELLINGS = {
    "in.": "in", '"': "in", "'": "ft", "in. w.g.": "inwg", "in w.g.": "inwg", "in wg": "inwg", "in.wg": "inwg",
    "inh2o": "inwg", "inw.g.": "inwg", "in. wg": "inwg", "degc": "C", "degf": "F", "°c": "C", "°f": "F", "sqft": "ft2",
    "ft²": "ft2", "m²": "m2", "m³/s": "m3/s", "m³/h": "m3/h", "l/min": "l/min", "amp": "A", "amps": "A", "volt": "V",
    "volts": "V", "sec": "s", "hours": "h", "hour": "h", "minutes": "min", "day": "d", "inches": "in", "feet": "ft",
    "µg/m3": "ug/m3", "µg/m³": "ug/m3", "percent": "%", "in h2o": "inwg", "inh₂o": "inwg", "in wc": "inwg", "in w.c.": "inwg",
    "iwc": "inwg", "iwg": "inwg", "mmh2o": "mmwg", "mm h2o": "mmwg", "mm wg": "mmwg", "mmwc": "mmwg", "watt": "W", "watts": "W",
    "ampere": "A", "amperes": "A", "celsius": "C", "fahrenheit": "F", "pascal": "Pa",
}
"""Other ways to write a unit, in lower case."""
_QUANTITY = re.compile(r"^\s*([-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*?)\s*$")


def unit(symbol: str, kind: str) -> Unit:
    """The unit of ``kind`` written ``symbol``; usual spellings and any case are understood.

    Raises :class:`UnitError` naming the symbol found and the allowed ones.

    >>> unit("in. w.g.", "pressure").symbol
    'inwg'
    """
    table = UNITS[_KIND_ALIAS.get(kind, kind)]
    if symbol in table:
        return table[symbol]
    folded = SPELLINGS.get(symbol.lower(), symbol).lower()
    for name, found in table.items():
        if name.lower() == folded:
            return found
    raise UnitError(f"{symbol!r} is not a unit of {kind}; allowed: {', '.join(s or '(none)' for s in table)}")


def parse(text: str, kind: str) -> float:
    """The SI value of a number with a unit, such as ``"7 in"`` (kind ``"length"``) or ``"2.5 kPa"`` (``"pressure"``).

    Temperatures come out in degrees Celsius, fractions as 0..1. Raises :class:`UnitError` for a missing or wrong unit,
    or a number that is not finite.

    >>> round(parse("4 in", "length"), 4)
    0.1016
    >>> round(parse("68 F", "temperature"), 6)
    20.0
    """
    match = _QUANTITY.match(text)
    if match is None:
        raise UnitError(f"{text!r} is not a number with a unit of {kind}, such as {_sample(kind)!r}")
    number = float(match.group(1))
    symbol = match.group(2)
    if not math.isfinite(number):
        raise UnitError(f"{text!r} is not a finite number")
    if symbol == "" and kind not in ("fraction", "ratio"):
        raise UnitError(f"{text!r} has no unit; write for example {_sample(kind)!r}")
    return to_si(number, symbol, kind)


def to_si(number: float, symbol: str, kind: str) -> float:
    """SI value of ``number`` in the unit ``symbol`` of ``kind``."""
    found = unit(symbol, kind)
    return number * found.factor + found.offset


def from_si(value: float, symbol: str, kind: str) -> float:
    """``value`` (SI) as a number in the unit ``symbol``; the inverse of :func:`to_si`."""
    found = unit(symbol, kind)
    return (value - found.offset) / found.factor


def shown_unit(kind: str, system: System) -> tuple[str, int]:
    """Symbol and number of decimals in which the screen shows a quantity of ``kind``."""
    if kind in _SHOWN_BOTH:
        return _SHOWN_BOTH[kind]
    return _SHOWN[system][kind]


def shown(value: float, kind: str, system: System) -> float:
    """``value`` (SI) as the number that the screen of ``system`` shows, not rounded."""
    return from_si(value, shown_unit(kind, system)[0], kind)


def show(value: float | None, kind: str, system: System) -> str:
    """``value`` (SI) as text with its unit; an unknown value is written as a dash.

    >>> show(0.2, "flow", "us"), show(None, "flow", "us")
    ('424 cfm', '–')
    """
    if value is None:
        return "–"
    symbol, decimals = shown_unit(kind, system)
    number = from_si(value, symbol, kind)
    spaced = symbol if symbol in ("%", "") else f" {_PRETTY.get(symbol, symbol)}"
    return f"{number:.{decimals}f}{spaced}"


_PRETTY = {
    "inwg": "in. w.g.", "m3/h": "m³/h", "ft2": "ft²", "m2": "m²", "C": "°C", "F": "°F", "kg/m3": "kg/m³",
    "ug/m3": "µg/m³",
}


def _sample(kind: str) -> str:
    rows = list(UNITS[_KIND_ALIAS.get(kind, kind)])
    return f"12 {rows[-1] if kind == 'length' else rows[0]}".strip()
