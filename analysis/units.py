"""Every conversion between units, both ways. Nothing else in the project converts.

Inside, every quantity is SI. A quantity with a unit is read at the configuration and source edges (:func:`parse`) and
written at the screen edge (:func:`show`). The inch of water is the conventional one (water of 1000 kg/m3 and standard
gravity): 249.08891 Pa (NIST SP 811, appendix B.8).
"""

from __future__ import annotations

import difflib
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
        ("mmwg", INWG_PA / 25.4), ("inHg", 3386.389), ("psi", 6894.757293168), ("bar", 1e5),
    ],
    "flow": [("m3/s", 1.0), ("m3/h", 1 / 3600.0), ("m3/min", 1 / 60.0), ("l/s", 1e-3), ("l/min", 1e-3 / 60.0), ("cfm", CFM_M3S)],
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
    "ampere": "A", "amperes": "A", "celsius": "C", "fahrenheit": "F", "pascal": "Pa", "pascals": "Pa",
    "inches of water": "inwg", "inch of water": "inwg", "in of water": "inwg", "inches water": "inwg", "inches wg": "inwg",
    "inches wc": "inwg", "inches h2o": "inwg", "in water": "inwg", '"wg': "inwg", '"wc': "inwg", '"h2o': "inwg",
    "mm of water": "mmwg", "mm ws": "mmwg", "mmws": "mmwg", "inches of mercury": "inHg",
    "ft3/min": "cfm", "cu ft/min": "cfm", "cubic feet per minute": "cfm", "m3/hr": "m3/h", "m³/hr": "m3/h", "cbm/h": "m3/h",
    "cubic meters per hour": "m3/h", "cubic metres per hour": "m3/h", "feet per minute": "fpm", "ft/minute": "fpm",
    "feet/min": "fpm", "meters per second": "m/s", "metres per second": "m/s", "m/sec": "m/s",
    "sq ft": "ft2", "square feet": "ft2", "square foot": "ft2", "sf": "ft2", "sq in": "in2", "square inches": "in2",
    "sqm": "m2", "sq m": "m2", "square meters": "m2", "square metres": "m2", "qm": "m2", "cm²": "cm2",
    "cu ft": "ft3", "cubic feet": "ft3", "ft³": "ft3", "m³": "m3", "cubic meters": "m3", "cubic metres": "m3", "liter": "l",
    "litre": "l", "liters": "l", "litres": "l", "gallon": "gal", "gallons": "gal",
    "deg c": "C", "deg f": "F", "degrees c": "C", "degrees f": "F", "degrees celsius": "C", "degrees fahrenheit": "F",
    "horsepower": "hp", "kilowatt": "kW", "kilowatts": "kW", "r/min": "rpm", "1/min": "rpm", "min-1": "rpm", "u/min": "rpm",
    "foot": "ft", "meter": "m", "metre": "m", "meters": "m", "metres": "m", "millimeter": "mm", "millimetre": "mm",
    "millimeters": "mm", "millimetres": "mm", "centimeter": "cm", "centimetre": "cm", "centimeters": "cm",
    "centimetres": "cm", "lbs": "lb", "pound": "lb", "pounds": "lb", "second": "s", "seconds": "s", "minute": "min",
    "hr": "h", "hrs": "h", "degrees": "deg", "°": "deg", "degree": "deg", "hertz": "Hz",
}
"""Other ways to write a unit, in lower case; dots, blanks and carets in them do not matter."""

BARE = {"speed": "rpm", "voltage": "V", "current": "A", "frequency": "Hz", "angle": "deg"}
"""Kinds whose number may stand without a unit, since only one is usual."""

_NUMBER = r"(?:\d[\d.,]*|[.,]\d+)(?:[eE][-+]?\d+)?"
_RATIO = r"(\d+)\s?/\s?(\d+)"
_QUANTITY = re.compile(rf"^([-+]?)(?:{_RATIO}|({_NUMBER})(?:(?:\s+|-){_RATIO})?)\s*(.*)$")
_FEET_AND_INCHES = re.compile(r"^(.+?)\s*(?:'|ft\.?|feet|foot)\s*-?\s*(\d.*?)\s*(?:\"|''|in\.?|inch|inches)$", re.IGNORECASE)
_FRACTIONS = {"½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8", "⅓": "1/3", "⅔": "2/3"}
_TYPED = str.maketrans({"″": '"', "“": '"', "”": '"', "′": "'", "’": "'", "‘": "'", "\u2212": "-", "\u00a0": " ", "\u202f": " "})


def _compact(text: str) -> str:
    return re.sub(r"[\s.^]", "", text.lower()).translate(str.maketrans("²³", "23"))


_COMPACT = {_compact(spelling): symbol for spelling, symbol in SPELLINGS.items()}


def unit(symbol: str, kind: str) -> Unit:
    """The unit of ``kind`` written ``symbol``; usual spellings and any case are understood.

    Raises :class:`UnitError` naming the symbol found and the allowed ones.

    >>> unit("in. w.g.", "pressure").symbol
    'inwg'
    """
    table = UNITS[_KIND_ALIAS.get(kind, kind)]
    if symbol in table:
        return table[symbol]
    folded = (SPELLINGS.get(symbol.lower()) or _COMPACT.get(_compact(symbol)) or _compact(symbol)).lower()
    for name, found in table.items():
        if name.lower() == folded:
            return found
    raise UnitError(
        f"{symbol!r} is {_instead(symbol, kind, table)}; allowed: {', '.join(s or '(none)' for s in table)}"
    )


def _instead(symbol: str, kind: str, table: dict[str, Unit]) -> str:
    folded = (SPELLINGS.get(symbol.lower()) or _COMPACT.get(_compact(symbol)) or _compact(symbol)).lower()
    for other, rows in UNITS.items():
        if folded and any(name.lower() == folded for name in rows):
            return f"not a unit of {kind}, but of {other}"
    close = difflib.get_close_matches(_compact(symbol), [name.lower() for name in table if name], n=1, cutoff=0.6)
    meant = f"; did you mean {next(name for name in table if name.lower() == close[0])!r}?" if close else ""
    return f"not a unit of {kind}{meant}"


def parse(text: str, kind: str) -> float:
    """The SI value of a number with a unit, such as ``"7 in"`` (kind ``"length"``) or ``"2.5 kPa"`` (``"pressure"``).

    Fractions ("14 1/2 ft"), feet with inches (``14' 6"``), a decimal comma and commas between thousands are understood.
    Temperatures come out in degrees Celsius, fractions as 0..1. Raises :class:`UnitError` for a missing or wrong unit,
    or a number that is not finite.

    >>> round(parse("4 in", "length"), 4), round(parse("14 ft 6 in", "length"), 4), parse("14,5 m", "length")
    (0.1016, 4.4196, 14.5)
    >>> round(parse("68 F", "temperature"), 6)
    20.0
    """
    written = text.translate(_TYPED)
    for sign, ratio in _FRACTIONS.items():
        written = written.replace(sign, f" {ratio}")
    written = " ".join(written.split())
    both = _FEET_AND_INCHES.match(written) if _KIND_ALIAS.get(kind, kind) == "length" else None
    if both:
        feet, inches = (parse(f"{part} {symbol}", "length") for part, symbol in zip(both.groups(), ("ft", "in"), strict=True))
        return math.copysign(abs(feet) + inches, feet)
    match = _QUANTITY.match(written)
    if match is None:
        raise UnitError(f"{text!r} is not a number with a unit of {kind}, such as {_sample(kind)!r}")
    sign, *parts, symbol = match.groups()
    number = _number(parts[2], text) if parts[2] else 0.0
    above, below = parts[0] or parts[3], parts[1] or parts[4]
    if above is not None:
        number += int(above) / int(below) if int(below) else math.nan
    if not math.isfinite(number):
        raise UnitError(f"{text!r} is not a finite number")
    if symbol == "" and kind not in ("fraction", "ratio"):
        if kind not in BARE:
            raise UnitError(f"{text!r} has no unit; write for example {_sample(kind)!r}")
        symbol = BARE[kind]
    return to_si(-number if sign == "-" else number, symbol, kind)


def _number(written: str, text: str) -> float:
    """A number with a point or a comma: "1,200" has thousands, "14,5" and "0,125" a decimal comma."""
    plain = written
    if "," in plain:
        thousands = re.fullmatch(r"[1-9]\d{0,2}(?:,\d{3})+(?:\.\d+)?", plain)
        german = re.fullmatch(r"\d{1,3}(?:\.\d{3})+,\d+", plain)
        plain = plain.replace(",", "") if thousands else plain.replace(".", "") if german else plain
        plain = plain.replace(",", ".", 1)
    try:
        return float(plain)
    except ValueError:
        raise UnitError(f"{text!r}: {written!r} is not a number") from None


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
