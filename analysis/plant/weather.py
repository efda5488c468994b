"""Air, barometer and mains around the plant: smooth functions of time, fixed by a seed, the same at every look.

Each is a mean, a yearly and a daily swing and a few sines of periods between minutes and weeks with seeded phases, so
any moment can be asked for without what came before.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.plant.shop import REFERENCE_DENSITY, REFERENCE_VISCOSITY, Array

DAY_S = 86400.0
YEAR_S = 365.25 * DAY_S


@dataclass(frozen=True, slots=True)
class Air:
    """The air at each second: temperature [C], relative humidity, pressure [Pa], mains [share of rated voltage],
    density and viscosity as shares of the reference."""

    air_c: Array
    air_rh: Array
    barometer_pa: Array
    line: Array
    density: Array
    viscosity: Array


def moist_density(air_c: Array, air_rh: Array, barometer_pa: Array) -> Array:
    """Density of moist air by Dalton's law of two ideal gases [kg/m3].

    ``rho = (p - e)/(287.055 T) + e/(461.52 T)`` with the saturation pressure ``611.2 exp(17.62 t/(243.12 + t))``
    (Magnus formula, WMO guide to instruments). -40 to 50 C.

    >>> round(float(moist_density(np.array([20.0]), np.array([0.5]), np.array([101325.0]))[0]), 3)
    1.199
    """
    kelvin = air_c + 273.15
    vapour = air_rh * 611.2 * np.exp(17.62 * air_c / (243.12 + air_c))
    return np.asarray((barometer_pa - vapour) / (287.055 * kelvin) + vapour / (461.52 * kelvin))


def viscosity(air_c: Array) -> Array:
    """Viscosity of air by Sutherland's law [Pa s], constants 1.716e-5, 273.15 K, 110.4 K."""
    kelvin = air_c + 273.15
    return np.asarray(1.716e-5 * (kelvin / 273.15) ** 1.5 * (273.15 + 110.4) / (kelvin + 110.4))


class Weather:
    """Seeded weather and mains of one place.

    ``utc_offset_s`` puts the warmest hour in the afternoon of the shop's clock. Year's swing 11 K, day's 3 K (a shop is
    milder than the yard), fronts 3 K and 700 Pa, mains 1.2 % over the day and 0.6 % within minutes.
    """

    def __init__(self, seed: int, mean_c: float = 14.0, mean_pa: float = 101_325.0, utc_offset_s: float = 0.0) -> None:
        rng = np.random.default_rng([seed, 7001])
        self.mean_c, self.mean_pa, self.utc_offset_s = mean_c, mean_pa, utc_offset_s
        self._fronts = self._sines(rng, 6, 1.7 * DAY_S, 19.0 * DAY_S)
        self._dry = self._sines(rng, 4, 2.0 * DAY_S, 12.0 * DAY_S)
        self._pressure = self._sines(rng, 6, 2.1 * DAY_S, 15.0 * DAY_S)
        self._mains = self._sines(rng, 8, 240.0, 5400.0)
        self._mains_day = rng.uniform(0.0, 2.0 * np.pi)

    @staticmethod
    def _sines(rng: np.random.Generator, count: int, short_s: float, long_s: float) -> Array:
        omega = 2.0 * np.pi / np.exp(rng.uniform(np.log(short_s), np.log(long_s), count))
        return np.vstack(
            [omega, rng.uniform(0.0, 2.0 * np.pi, count), rng.uniform(0.6, 1.4, count) / np.sqrt(count / 2.0)]
        )

    @staticmethod
    def _sum(sines: Array, t: Array) -> Array:
        return np.asarray(np.sin(np.outer(t, sines[0]) + sines[1]) @ sines[2])

    def at(self, t: Array) -> Air:
        """Everything at the times ``t`` (rising). Long stretches are sampled each half minute and joined by lines."""
        if len(t) > 60 and t[-1] - t[0] > 120.0:
            knots = np.linspace(t[0], t[-1], int((t[-1] - t[0]) / 30.0) + 2)
            sparse = self._exact(knots)
            return Air(*(np.interp(t, knots, column) for column in sparse))
        return Air(*self._exact(t))

    def _exact(self, t: Array) -> tuple[Array, ...]:
        local = t + self.utc_offset_s
        year = np.cos(2.0 * np.pi * (local / YEAR_S - 0.56))
        day = np.cos(2.0 * np.pi * (local / DAY_S - 15.0 / 24.0))
        air_c = self.mean_c + 11.0 * year + 3.0 * day + 3.0 * self._sum(self._fronts, t)
        air_rh = np.clip(0.55 - 0.08 * day + 0.10 * self._sum(self._dry, t), 0.15, 0.95)
        barometer = self.mean_pa + 700.0 * self._sum(self._pressure, t)
        line = 1.0 + 0.012 * np.sin(2.0 * np.pi * local / DAY_S + self._mains_day) + 0.006 * self._sum(self._mains, t)
        return (
            air_c,
            air_rh,
            barometer,
            line,
            moist_density(air_c, air_rh, barometer) / REFERENCE_DENSITY,
            viscosity(air_c) / REFERENCE_VISCOSITY,
        )
