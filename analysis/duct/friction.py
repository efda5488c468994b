"""Friction of straight duct: Darcy-Weisbach with the Colebrook factor, laminar flow and the passage between them.

Two ways to the same numbers: one factor, solved to the end, and one Newton step at a time, for the solver of one gate set.
The same in arrays, for many gate sets, is in ``friction_many``.
"""

from __future__ import annotations

import math

LAMINAR_BELOW = 2000.0
"""Reynolds number below which flow is laminar (textbook value 2000 to 2300)."""
TURBULENT_ABOVE = 4000.0
"""Reynolds number above which Colebrook holds. Between the two only leaks and shut runs are found; the factor is
blended there, so that loss grows steadily with flow."""
START_X = 7.0
"""1/sqrt(f) to begin with; the first step already brings it to a per mille."""

_TINY = 1e-9
_LOG10 = math.log(10.0)
TWO_LOG = 2.0 / _LOG10
SMOOTH = 1e-12
"""Added to every relative roughness, so that air at rest in a smooth pipe has a logarithm too."""
BLEND = 2.51 / TURBULENT_ABOVE
LAMINAR = 2.51 / LAMINAR_BELOW
OCTAVES = math.log(TURBULENT_ABOVE / LAMINAR_BELOW)


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
    """Darcy friction factor [-] for one Reynolds number [-] and relative roughness [-].

    1/sqrt(f) = -2 log10(e/3.7 + 2.51/(Re sqrt(f))) (Colebrook 1939), solved to better than 1e-8 relative, above Re 4000;
    f = 64/Re below Re 2000; between, a geometric blend with a smooth step in log Re, which keeps f and its slope
    continuous and the loss f Re^2 strictly growing. Valid for a relative roughness of 0 to 0.05.

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


def friction_near(x: float, rough: float, thin: float) -> tuple[float, float, float]:
    """Friction factor f, the exponent d ln(f Q^2)/d ln Q of its loss, and the next 1/sqrt(f) to carry on with.

    One Newton step on Colebrook's equation from ``x``; ``rough`` is relative roughness over 3.7 and ``thin`` 2.51/Re.
    Below Re 4000 the blend of :func:`friction_factor_scalar`.
    """
    if thin >= LAMINAR:
        return 64.0 / 2.51 * thin, 1.0, x
    inner = rough + thin * x
    g = TWO_LOG * thin / inner
    x -= (x + TWO_LOG * math.log(inner)) / (1.0 + g)
    if thin <= BLEND:
        return 1.0 / (x * x), 2.0 / (1.0 + g), x
    laminar = 64.0 / 2.51 * thin
    s = math.log(LAMINAR / thin) / OCTAVES
    weight = s * s * (3.0 - 2.0 * s)
    drop = -2.0 * math.log(x) - math.log(laminar)
    factor = laminar * math.exp(weight * drop)
    slope = -(1.0 - weight) - weight * 2.0 * g / (1.0 + g) + drop * 6.0 * s * (1.0 - s) / OCTAVES
    return factor, 2.0 + slope, x
