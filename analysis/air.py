"""Air: density and viscosity from barometer or altitude, temperature and humidity.

The formulas are explicit and need no package, so that the daemon starts quickly; the tests hold them against
psychrolib (moist air), the US Standard Atmosphere 1976 and fluids.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

STANDARD_DENSITY_KGM3 = 1.201385
"""Standard air of industrial ventilation, 0.075 lb/ft3 (about 70 F, 29.92 inHg, dry)."""

STANDARD_PRESSURE_PA = 101325.0
"""Standard barometer at sea level [Pa]."""

_GAS_DRY = 287.042
"""Gas constant of dry air [J/(kg K)] (ASHRAE Fundamentals, chapter Psychrometrics; from memory)."""
_MASS_RATIO = 0.621945
"""Molar mass of water over that of dry air (the same chapter; from memory)."""


@dataclass(frozen=True, slots=True)
class Air:
    """Air of the shop: density [kg/m3], dynamic viscosity [Pa s], temperature [deg C], barometer [Pa] and relative
    humidity [0..1]."""

    density_kgm3: float
    viscosity_pas: float
    temperature_c: float
    pressure_pa: float
    relative_humidity: float


def viscosity(temperature_c: float) -> float:
    """Dynamic viscosity of air [Pa s] by Sutherland's law, as the US Standard Atmosphere 1976 writes it.

    mu = 1.458e-6 T^1.5 / (T + 110.4), T in kelvin. Humidity is left out: it lowers the viscosity of shop air by less
    than 1 %, and the loss of a duct by less than 0.2 %. Valid from -70 to 300 deg C, far beyond a shop.

    >>> round(viscosity(20.0) * 1e5, 3)
    1.813
    """
    kelvin = temperature_c + 273.15
    return 1.458e-6 * kelvin * math.sqrt(kelvin) / (kelvin + 110.4)


def pressure_at_altitude(altitude_m: float) -> float:
    """Barometer [Pa] at ``altitude_m`` [m above sea level] by the US Standard Atmosphere 1976, lowest layer.

    p = 101325 (1 - 2.25577e-5 h)^5.25588 with the geopotential height h = z R/(R + z). Raises ValueError outside
    -500 to 11000 m.

    >>> round(pressure_at_altitude(1500.0))
    84560
    """
    if not -500.0 <= altitude_m <= 11000.0:
        raise ValueError(f"altitude {altitude_m:g} m is outside -500 to 11000 m")
    geopotential = altitude_m * 6356766.0 / (6356766.0 + altitude_m)
    exponent = 9.80665 * 0.0289644 / (8.31432 * 0.0065)
    return STANDARD_PRESSURE_PA * math.pow(1.0 - 0.0065 * geopotential / 288.15, exponent)


def saturation_pressure(temperature_c: float) -> float:
    """Pressure of saturated water vapour [Pa] over water, and over ice below 0.01 deg C.

    Hyland and Wexler 1983, as in ASHRAE Fundamentals (coefficients checked against psychrolib in the tests). Raises
    ValueError outside -60 to 100 deg C.

    >>> round(saturation_pressure(20.0))
    2339
    """
    if not -60.0 <= temperature_c <= 100.0:
        raise ValueError(f"air temperature {temperature_c:g} C is outside -60 to 100 C")
    t = temperature_c + 273.15
    if temperature_c <= 0.01:
        exponent = (
            -5.6745359e3 / t + 6.3925247 - 9.677843e-3 * t + 6.2215701e-7 * t**2 + 2.0747825e-9 * t**3
            - 9.484024e-13 * t**4 + 4.1635019 * math.log(t)
        )
    else:
        exponent = (
            -5.8002206e3 / t + 1.3914993 - 4.8640239e-2 * t + 4.1764768e-5 * t**2 - 1.4452093e-8 * t**3
            + 6.5459673 * math.log(t)
        )
    return math.exp(exponent)


def moist_air(
    temperature_c: float, pressure_pa: float = STANDARD_PRESSURE_PA, relative_humidity: float = 0.5
) -> Air:
    """Air at ``temperature_c`` [deg C], barometer ``pressure_pa`` [Pa] and ``relative_humidity`` [0..1].

    Ideal-gas mixture of dry air and water vapour: rho = (1 + W) p / (R T (1 + W/0.621945)) with the humidity ratio
    W = 0.621945 pw/(p - pw). Raises ValueError for a temperature outside -60 to 100 deg C, a pressure outside 40 to
    120 kPa or a humidity outside 0 to 1.

    >>> round(moist_air(20.0, 101325.0, 0.5).density_kgm3, 4)
    1.1989
    """
    if not 40e3 <= pressure_pa <= 120e3:
        raise ValueError(f"barometer {pressure_pa:g} Pa is outside 40000 to 120000 Pa")
    if not 0.0 <= relative_humidity <= 1.0:
        raise ValueError(f"relative humidity {relative_humidity:g} is outside 0 to 1")
    vapour = relative_humidity * saturation_pressure(temperature_c)
    if vapour >= pressure_pa:
        raise ValueError(f"air of {temperature_c:g} C cannot hold that much water at {pressure_pa:g} Pa")
    ratio = _MASS_RATIO * vapour / (pressure_pa - vapour)
    kelvin = temperature_c + 273.15
    density = (1.0 + ratio) * pressure_pa / (_GAS_DRY * kelvin * (1.0 + ratio / _MASS_RATIO))
    return Air(density, viscosity(temperature_c), temperature_c, pressure_pa, relative_humidity)


def standard_air() -> Air:
    """Standard air of industrial ventilation: 0.075 lb/ft3 at 70 F (21.11 deg C), dry.

    Its density is the agreed round figure; dry air at that state computes to 1.1996 kg/m3 (0.15 % less).

    >>> standard_air().density_kgm3
    1.201385
    """
    temperature = (70.0 - 32.0) / 1.8
    return Air(STANDARD_DENSITY_KGM3, viscosity(temperature), temperature, STANDARD_PRESSURE_PA, 0.0)
