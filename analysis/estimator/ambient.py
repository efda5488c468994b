"""The air of the moment against the air of the design: density and viscosity, with what is not known about them.

Fan pressure, duct losses and shaft power go with density, the drag of the bags with viscosity. So readings are carried
to the design's air before they are compared with it, and one table of the design serves every day of the year.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from analysis.air import Air, moist_air, viscosity

TEMPERATURE_SD_K = 8.0
"""How far a shop's air is usually from the temperature in its configuration, where nobody measures it (ours)."""
BAROMETER_SD = 0.009
"""Relative standard deviation of the weather's barometer about its mean at one place (common practice, no source)."""
SENSED_SD = 0.003
"""What is left of the density's uncertainty where temperature and barometer are both measured."""


@dataclass(frozen=True, slots=True)
class AirState:
    """Air against that of the design: ``density_ratio``, ``viscosity_ratio``, the density itself, and the relative
    standard deviation of the density ratio."""

    density_ratio: float
    viscosity_ratio: float
    density_kgm3: float
    density_sd: float
    missing: tuple[str, ...]


def change_since(seconds: float) -> float:
    """Relative standard deviation by which a shop's air changes in density over ``seconds`` [s]: weather within days,
    and the seasons, which are furthest apart after half a year (ours).

    >>> round(change_since(0.0), 3), change_since(182.6 * 86400.0) > 0.03
    (0.012, True)
    """
    year = 365.25 * 86400.0
    return math.hypot(0.012, 0.035 * math.sin(math.pi * seconds / year))


class Ambient:
    """Follows the air. The state is computed anew only when a reading moved, since it changes over hours.

    >>> from analysis.air import standard_air
    >>> ambient = Ambient(standard_air())
    >>> ambient.at({}).density_ratio
    1.0
    >>> ambient.at({"air_c": 0.0, "barometer_pa": 101325.0}).density_ratio > 1.06
    True
    """

    __slots__ = ("_design", "_key", "_state")

    def __init__(self, design: Air) -> None:
        self._design = design
        self._key: tuple[float | None, float | None, float | None] | None = None
        self._state = AirState(1.0, 1.0, design.density_kgm3, 0.03, ())

    def at(self, values: Mapping[str, float]) -> AirState:
        """The air of a frame; what is not measured is taken from the design, and widens ``density_sd``."""
        t, p, h = values.get("air_c"), values.get("barometer_pa"), values.get("air_rh")
        # Rounded to what moves the density by about 1e-4, so that noise does not start a new computation.
        key = (
            None if t is None else round(t * 20.0), None if p is None else round(p / 20.0),
            None if h is None else round(h * 50.0),
        )
        if key == self._key:
            return self._state
        self._key = key
        design = self._design
        celsius = design.temperature_c if t is None else min(max(t, -40.0), 60.0)
        pressure = design.pressure_pa if p is None else min(max(p, 60e3), 110e3)
        humidity = design.relative_humidity if h is None else min(max(h, 0.0), 1.0)
        density = moist_air(celsius, pressure, humidity).density_kgm3
        usual = moist_air(design.temperature_c, design.pressure_pa, design.relative_humidity).density_kgm3
        ratio = density / usual
        variance = SENSED_SD**2
        missing = []
        if t is None:
            variance += (TEMPERATURE_SD_K / (celsius + 273.15)) ** 2
            missing.append("air temperature")
        if p is None:
            variance += BAROMETER_SD**2
            missing.append("barometer")
        self._state = AirState(
            ratio, viscosity(celsius) / viscosity(design.temperature_c), design.density_kgm3 * ratio, variance**0.5,
            tuple(missing))
        return self._state
