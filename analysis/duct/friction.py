"""Friction of straight duct: Darcy-Weisbach with the Colebrook factor, laminar flow and the passage between them.

Two paths give the same numbers: plain floats (``*_scalar``, a microsecond or two) for the live pipeline, and numpy
arrays for batches of gate sets.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

LAMINAR_BELOW = 2000.0
"""Reynolds number below which flow is laminar (textbook value 2000 to 2300)."""
TURBULENT_ABOVE = 4000.0
"""Reynolds number above which Colebrook holds. Between the two only leaks and shut runs are found; the factor is
blended there, so that loss grows steadily with flow."""

_TINY = 1e-9
_LOG10 = math.log(10.0)


def _colebrook_scalar(reynolds: float, relative_roughness: float) -> float:
    a = relative_roughness / 3.7
    b = 2.51 / reynolds
    # Haaland's formula is within 2 %; two Newton steps on x = 1/sqrt(f) then reach 1e-9.
    x = -1.8 * math.log10(a**1.11 + 6.9 / reynolds)
    for _ in (1, 2):
        inner = a + b * x
        x -= (x + 2.0 * math.log10(inner)) / (1.0 + 2.0 * b / (_LOG10 * inner))
    return 1.0 / (x * x)


def friction_factor_scalar(reynolds: float, relative_roughness: float) -> float:
    """Darcy friction factor [-] for one Reynolds number [-] and relative roughness [-]; see :func:`friction_factor`.

    >>> round(friction_factor_scalar(1e5, 0.001), 7)
    0.0221745
    """
    if reynolds >= TURBULENT_ABOVE:
        return _colebrook_scalar(reynolds, relative_roughness)
    laminar = 64.0 / (reynolds if reynolds > _TINY else _TINY)
    if reynolds <= LAMINAR_BELOW:
        return laminar
    s = math.log(reynolds / LAMINAR_BELOW) / math.log(TURBULENT_ABOVE / LAMINAR_BELOW)
    weight = s * s * (3.0 - 2.0 * s)
    return float(laminar ** (1.0 - weight) * _colebrook_scalar(reynolds, relative_roughness) ** weight)


def friction_factor(reynolds: npt.ArrayLike, relative_roughness: npt.ArrayLike) -> Array:
    """Darcy friction factor [-], arrays (or floats) broadcast together.

    1/sqrt(f) = -2 log10(e/3.7 + 2.51/(Re sqrt(f)))  (Colebrook 1939), solved to better than 1e-8 relative, above
    Re 4000; f = 64/Re below Re 2000; between, a geometric blend with a smooth step in log Re, which keeps f and its
    slope continuous and the loss f Re^2 strictly growing. Valid for a relative roughness of 0 to 0.05.

    >>> round(float(friction_factor(1e5, 0.0)), 7)
    0.0179898
    """
    re, rough = np.broadcast_arrays(np.asarray(reynolds, dtype=float), np.asarray(relative_roughness, dtype=float))
    re = np.maximum(re, _TINY)
    turbulent = np.maximum(re, LAMINAR_BELOW)
    a = rough / 3.7
    b = 2.51 / turbulent
    x = -1.8 * np.log10(a**1.11 + 6.9 / turbulent)
    for _ in (1, 2):
        inner = a + b * x
        x = x - (x + 2.0 * np.log10(inner)) / (1.0 + 2.0 * b / (_LOG10 * inner))
    colebrook = 1.0 / (x * x)
    s = np.clip(np.log(turbulent / LAMINAR_BELOW) / math.log(TURBULENT_ABOVE / LAMINAR_BELOW), 0.0, 1.0)
    weight = s * s * (3.0 - 2.0 * s)
    return np.asarray((64.0 / re) ** (1.0 - weight) * colebrook**weight)


def loss_scalar(
    flow_m3s: float, length_m: float, diameter_m: float, roughness_m: float, density_kgm3: float, viscosity_pas: float
) -> float:
    """Pressure lost by friction [Pa] for one flow; odd in the flow, so that a reversed flow gains it back."""
    velocity = 4.0 * abs(flow_m3s) / (math.pi * diameter_m * diameter_m)
    factor = friction_factor_scalar(density_kgm3 * velocity * diameter_m / viscosity_pas, roughness_m / diameter_m)
    loss = factor * length_m / diameter_m * 0.5 * density_kgm3 * velocity * velocity
    return loss if flow_m3s >= 0.0 else -loss


def loss_pa(
    flow_m3s: npt.ArrayLike,
    length_m: npt.ArrayLike,
    diameter_m: npt.ArrayLike,
    roughness_m: npt.ArrayLike,
    density_kgm3: npt.ArrayLike,
    viscosity_pas: npt.ArrayLike,
) -> Array:
    """Pressure lost by friction in a straight duct [Pa]: dp = f L/D rho V^2/2 (Darcy-Weisbach), arrays broadcast.

    ``flow_m3s`` [m3/s] (its sign is kept), ``length_m`` and inside ``diameter_m`` [m], absolute ``roughness_m`` [m],
    ``density_kgm3`` [kg/m3], ``viscosity_pas`` [Pa s].

    100 ft of 4 in galvanised duct (0.09 mm) at 3500 fpm, in inches of water:

    >>> float(loss_pa(0.144147, 30.48, 0.1016, 9e-5, 1.201385, 1.82e-5) / 249.08891).__round__(2)
    4.9
    """
    flow = np.asarray(flow_m3s, dtype=float)
    diameter = np.asarray(diameter_m, dtype=float)
    density = np.asarray(density_kgm3, dtype=float)
    velocity = 4.0 * np.abs(flow) / (np.pi * diameter**2)
    reynolds = density * velocity * diameter / np.asarray(viscosity_pas)
    factor = friction_factor(reynolds, np.asarray(roughness_m) / diameter)
    return np.asarray(np.sign(flow) * factor * np.asarray(length_m) / diameter * 0.5 * density * velocity**2)
