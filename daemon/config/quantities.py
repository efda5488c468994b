"""Quantities in the configuration: strings with units, read into SI numbers.

``Length``, ``Pressure`` and the rest are annotated float types for pydantic models. In the TOML file they are written
as text (``"7 in"``); in the model they are SI numbers. A bare number is taken where only one unit is usual (rpm, V, A, a
share of one) and refused elsewhere: a length without a unit is the mistake that these types exist to catch.
"""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel as PydanticModel
from pydantic import BeforeValidator, ConfigDict, WithJsonSchema

from analysis import units


class StrictModel(PydanticModel):
    """A table of the configuration file: unknown keys are errors, values are frozen."""

    # Built when the first file is read, all together: built one by one, each would be built again in what holds it.
    model_config = ConfigDict(extra="forbid", frozen=True, strict=False, str_strip_whitespace=True, defer_build=True)


def _reader(kind: str, low: float | None, low_open: bool) -> BeforeValidator:
    def read(value: Any) -> float:
        bare = kind in units.BARE or kind == "fraction"
        if isinstance(value, bool) or not isinstance(value, (str, int, float) if bare else str):
            raise ValueError(f"needs a unit: write it as text, for example {example(kind)!r}")
        number = units.parse(value, kind) if isinstance(value, str) else float(value)
        if low is not None and not (number > low or (number == low and not low_open)):
            raise ValueError(f"must be {'more than' if low_open else 'at least'} {low:g}")
        return number

    return BeforeValidator(read)


def example(kind: str) -> str:
    """A text that is a valid quantity of ``kind``, for messages and for the JSON schema."""
    return {
        "length": "12 ft", "area": "48 ft2", "pressure": "2.5 kPa", "flow": "400 cfm", "velocity": "4000 fpm",
        "temperature": "60 F", "power": "2 hp", "current": "11 A", "voltage": "230 V", "speed": "3450 rpm",
        "density": "0.075 lb/ft3", "time": "30 s", "fraction": "5 %", "volume": "30 gal", "mass": "20 lb",
        "frequency": "60 Hz", "angle": "45 deg",
    }[kind]


def _schema(kind: str) -> WithJsonSchema:
    allowed = ", ".join(symbol or "(none)" for symbol in units.UNITS[kind])
    return WithJsonSchema({"type": "string", "description": f"{kind} with a unit ({allowed})", "examples": [example(kind)]})


Length = Annotated[float, _reader("length", 0.0, True), _schema("length")]
LengthOrZero = Annotated[float, _reader("length", 0.0, False), _schema("length")]
Area = Annotated[float, _reader("area", 0.0, True), _schema("area")]
Volume = Annotated[float, _reader("volume", 0.0, True), _schema("volume")]
Mass = Annotated[float, _reader("mass", 0.0, True), _schema("mass")]
Pressure = Annotated[float, _reader("pressure", None, False), _schema("pressure")]
PositivePressure = Annotated[float, _reader("pressure", 0.0, True), _schema("pressure")]
Flow = Annotated[float, _reader("flow", 0.0, True), _schema("flow")]
FlowOrZero = Annotated[float, _reader("flow", 0.0, False), _schema("flow")]
Velocity = Annotated[float, _reader("velocity", 0.0, True), _schema("velocity")]
Temperature = Annotated[float, _reader("temperature", -100.0, False), _schema("temperature")]
Power = Annotated[float, _reader("power", 0.0, True), _schema("power")]
Current = Annotated[float, _reader("current", None, False), _schema("current")]
PositiveCurrent = Annotated[float, _reader("current", 0.0, True), _schema("current")]
Voltage = Annotated[float, _reader("voltage", 0.0, True), _schema("voltage")]
Speed = Annotated[float, _reader("speed", 0.0, True), _schema("speed")]
Density = Annotated[float, _reader("density", 0.0, True), _schema("density")]
Duration = Annotated[float, _reader("time", 0.0, False), _schema("time")]
Fraction = Annotated[float, _reader("fraction", 0.0, False), _schema("fraction")]
