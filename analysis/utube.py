"""A column of water as the standard of pressure: what it weighs, and the line fitted through readings against it.

A U-tube half full of water is the one pressure standard that every shop has: the difference between its two levels, the
temperature of the water and gravity give the pressure, with nothing to drift.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

STANDARD_GRAVITY_MS2 = 9.80665
"""Standard acceleration of free fall [m/s2] (by definition)."""

LEVEL_SD_M = 0.0007
"""Difference of two menisci read to half a millimetre each [m] (ours)."""

WATER_SD_C = 2.0
"""How well the temperature of the water is usually known [K] (ours); at 20 deg C it is worth 0.04 %."""


def water_density(temperature_c: float) -> float:
    """Density of clean water without air at 101325 Pa [kg/m3].

    rho = 999.974950 (1 - (t - 3.983035)^2 (t + 301.797) / (522528.9 (t + 69.34881))), the formula recommended by the
    CIPM: Tanaka, Girard, Davis, Peuto, Bignell, *Metrologia* 38 (2001) 301-309. Tap water is heavier by less than
    0.05 % (dissolved salts), water that stood in air lighter by 0.0003 %: both are nothing here. Raises ValueError
    outside 0 to 40 deg C.

    >>> round(water_density(20.0), 3)
    998.207
    """
    t = temperature_c
    if not 0.0 <= t <= 40.0:
        raise ValueError(f"water at {t:g} C is outside 0 to 40 C")
    return 999.974950 * (1.0 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881)))


def local_gravity(latitude_deg: float, altitude_m: float = 0.0) -> float:
    """Acceleration of free fall [m/s2] at a latitude [deg] and a height above the sea [m].

    Somigliana's formula with the constants of the World Geodetic System 1984, less 3.086e-6 per metre of height (the
    free-air gradient; constants from memory, checked against known values at places). From equator to pole gravity
    grows by 0.5 %. Raises ValueError outside -90 to 90 deg or -500 to 5000 m.

    >>> round(local_gravity(45.0), 4)
    9.8062
    """
    if not -90.0 <= latitude_deg <= 90.0:
        raise ValueError(f"latitude {latitude_deg:g} is outside -90 to 90 degrees")
    if not -500.0 <= altitude_m <= 5000.0:
        raise ValueError(f"altitude {altitude_m:g} m is outside -500 to 5000 m")
    squared = math.sin(math.radians(latitude_deg)) ** 2
    at_sea = 9.7803253359 * (1.0 + 0.00193185265241 * squared) / math.sqrt(1.0 - 0.00669437999014 * squared)
    return at_sea - 3.086e-6 * altitude_m


def column_pressure(
    height_m: float, water_c: float, gravity_ms2: float = STANDARD_GRAVITY_MS2, air_kgm3: float = 1.2
) -> float:
    """Pressure [Pa] of a difference of levels ``height_m`` [m]: (rho of water - rho of air) g h.

    The air that stands over the lower level weighs 0.12 % of the water and pushes back. Signed as the height is.

    >>> round(column_pressure(0.254, 20.0), 1)
    2483.4
    """
    return (water_density(water_c) - air_kgm3) * gravity_ms2 * height_m


def column_height(
    pressure_pa: float, water_c: float, gravity_ms2: float = STANDARD_GRAVITY_MS2, air_kgm3: float = 1.2
) -> float:
    """Difference of levels [m] that makes ``pressure_pa`` [Pa]; the inverse of :func:`column_pressure`."""
    return pressure_pa / ((water_density(water_c) - air_kgm3) * gravity_ms2)


def column_sd(height_m: float, water_c: float, level_sd_m: float = LEVEL_SD_M, gravity_known: bool = False) -> float:
    """One standard deviation of :func:`column_pressure` [Pa]: levels, water temperature, and gravity where it is the
    standard one (0.1 % over the inhabited latitudes, as one standard deviation)."""
    weight = water_density(water_c) * STANDARD_GRAVITY_MS2
    low, high = max(0.0, water_c - WATER_SD_C), min(40.0, water_c + WATER_SD_C)
    of_water = abs(water_density(high) - water_density(low)) / 2.0 * STANDARD_GRAVITY_MS2 * height_m
    of_gravity = 0.0 if gravity_known else 0.001 * weight * height_m
    # With level legs there is nothing to misread: both menisci touch one line.
    of_level = weight * level_sd_m if height_m != 0.0 else 0.0
    return math.sqrt(of_level**2 + of_water**2 + of_gravity**2)


@dataclass(frozen=True, slots=True)
class KnownPoint:
    """One step of a calibration: what truly was there (``true``, with one ``sd``, SI) and the ``raw`` number read."""

    true: float
    raw: float
    sd: float


@dataclass(frozen=True, slots=True)
class LineFit:
    """true = ``slope`` raw + ``offset``; ``misses`` are true less fitted, in the order of the points."""

    slope: float
    offset: float
    slope_sd: float
    offset_sd: float
    misses: tuple[float, ...]

    @property
    def worst(self) -> float:
        """The largest miss, as a size."""
        return max(abs(miss) for miss in self.misses)

    def at(self, raw: float) -> float:
        """The calibrated value of a raw number."""
        return self.slope * raw + self.offset


NOISE_SD = 1.0
"""No point is trusted better than this [SI of the channel, for pressure 1 Pa] (ours)."""


def fit_line(points: Sequence[KnownPoint], slope: float | None = None, noise_sd: float = NOISE_SD) -> LineFit:
    """The straight line through known points by weighted least squares, each weighted by its own uncertainty.

    With ``slope`` given only the offset is fitted, and one point is enough (a zero). Raises ValueError for too few
    points, raw numbers that are all the same, or a line that is flat.

    >>> fit = fit_line([KnownPoint(0.0, 4.0, 1.0), KnownPoint(2500.0, 2479.0, 5.0)])
    >>> round(fit.slope, 4), round(fit.offset, 2)
    (1.0101, -4.04)
    """
    if not points:
        raise ValueError("no point was given")
    weights = [1.0 / (point.sd**2 + noise_sd**2) for point in points]
    total = sum(weights)
    raw = sum(w * p.raw for w, p in zip(weights, points, strict=True)) / total
    true = sum(w * p.true for w, p in zip(weights, points, strict=True)) / total
    if slope is None:
        spread = sum(w * (p.raw - raw) ** 2 for w, p in zip(weights, points, strict=True))
        if len({point.raw for point in points}) < 2:
            raise ValueError("a line needs two points with different raw numbers; with one point only the zero is fitted")
        slope = sum(w * (p.raw - raw) * (p.true - true) for w, p in zip(weights, points, strict=True)) / spread
        if len({point.true for point in points}) < 2 or slope == 0.0:
            raise ValueError("the true values are all the same: that fits no line")
        slope_sd = math.sqrt(1.0 / spread)
    else:
        slope_sd = 0.0
    offset = true - slope * raw
    offset_sd = math.sqrt(1.0 / total + (raw * slope_sd) ** 2)
    misses = tuple(point.true - (slope * point.raw + offset) for point in points)
    return LineFit(slope, offset, slope_sd, offset_sd, misses)
