"""The plant's own loss laws: friction by Churchill (1977), junctions from an energy balance, bends and plugs.

All in total pressure, which is what a flow loses; static pressure comes from it by taking the velocity head away.
"""

from __future__ import annotations

import math

import numpy as np

from analysis.plant.shop import Array

DISCHARGE = 0.62
"""Contraction of a jet through a sharp hole (0.61 to 0.64 in any hydraulics handbook)."""

ENTRY_ANGLE_DEG = (0.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0, 50.0, 60.0, 90.0)
ENTRY_LOSS = (0.0, 0.06, 0.09, 0.12, 0.15, 0.18, 0.21, 0.25, 0.28, 0.32, 0.44, 1.00)
"""Loss of a side entry in its own velocity heads against its angle (industrial-ventilation handbook; from memory)."""

REGAIN = 0.6
"""Share of the velocity head given up in a wider main that comes back as static pressure (0.5 to 0.75 in duct-design
practice; no source). For a step from 4 to 6 in this is within 5 % of the Borda-Carnot loss."""


def churchill_friction(reynolds: Array, relative_roughness: Array | float) -> Array:
    """Darcy friction factor over all regimes by Churchill's single formula.

    ``f = 8 [(8/Re)^12 + (A + B)^-1.5]^(1/12)`` with ``A = (2.457 ln(1/((7/Re)^0.9 + 0.27 e/D)))^16`` and
    ``B = (37530/Re)^16``.

    reynolds : Reynolds number [-], above 0.  relative_roughness : e/D [-], 0 to 0.1.
    Source: S. W. Churchill, "Friction-factor equation spans all fluid-flow regimes", Chem. Eng. 84 (1977).

    >>> round(float(churchill_friction(np.array([119244.0]), 0.09e-3 / 0.1016)[0]), 5)
    0.02157
    """
    re = np.maximum(reynolds, 1.0)
    a = (2.457 * np.log(1.0 / ((7.0 / re) ** 0.9 + 0.27 * relative_roughness))) ** 16
    b = (37530.0 / re) ** 16
    return np.asarray(8.0 * ((8.0 / re) ** 12 + (a + b) ** -1.5) ** (1.0 / 12.0), dtype=np.float64)


def bend_k(angle_deg: float, radius_ratio: float) -> float:
    """Loss coefficient of a smooth round bend in velocity heads: ``A(angle) * 0.21 / (r/D)^n + friction``.

    ``n`` is 0.5 from r/D 1 on and 2.5 below it; ``A`` is 0.9 sin(angle) to 70 degrees and 0.7 + 0.35 angle/90 from 100
    on. The skin friction of the bend's own length is added with f = 0.02. Form and constants after the bend law in the
    handbooks of hydraulic resistance (from memory). r/D from 0.5 to 10, angle from 5 to 180 degrees.

    >>> round(bend_k(90.0, 1.5), 2)
    0.22
    """
    if not 0.0 < radius_ratio <= 100.0 or not 0.0 < angle_deg <= 180.0:
        raise ValueError(f"bend of {angle_deg} deg and r/D {radius_ratio} is not one that air can turn in")
    if angle_deg <= 70.0:
        by_angle = 0.9 * math.sin(math.radians(angle_deg))
    elif angle_deg >= 100.0:
        by_angle = 0.7 + 0.35 * angle_deg / 90.0
    else:
        low, high = 0.9 * math.sin(math.radians(70.0)), 0.7 + 0.35 * 100.0 / 90.0
        by_angle = low + (angle_deg - 70.0) / 30.0 * (high - low)
    exponent = 0.5 if radius_ratio >= 1.0 else 2.5
    return by_angle * 0.21 / float(radius_ratio**exponent) + 0.02 * radius_ratio * math.radians(angle_deg)


def mitre_k(angle_deg: float) -> float:
    """Loss coefficient of a mitre without vanes: ``0.95 sin^2(a/2) + 2.05 sin^4(a/2)`` (Weisbach; from memory)."""
    half = math.sin(math.radians(angle_deg) / 2.0) ** 2
    return 0.95 * half + 2.05 * half * half


def plug_k(blocked: float) -> float:
    """Loss coefficient, in velocity heads of the pipe, of a heap that fills the share ``blocked`` of it: a sharp hole.

    ``K = (1/(m Cc) - 1)^2`` with ``m = 1 - blocked`` and the jet's contraction ``Cc = 0.62 + 0.38 m^3`` (Weisbach).
    """
    if not 0.0 <= blocked < 1.0:
        raise ValueError(f"blocked share {blocked} must be at least 0 and below 1")
    m = 1.0 - blocked
    return (1.0 / (m * (0.62 + 0.38 * m**3)) - 1.0) ** 2


class Junctions:
    """Losses where runs join, by the energy balance of ventilation practice.

    The streams meet at one static pressure. What flows on has their mean velocity head, weighted by flow:
    ``W = rho/2 (sum_k Q_k^3/A_k^2) / sum_k Q_k``. Speeding up from W to the head ``V`` of the common run costs nothing;
    slowing down brings back ``REGAIN`` of the difference. A run with velocity head ``v`` and entry angle ``a`` so loses
    ``v - W + h(a) v + (1 - REGAIN) max(W - V, 0)`` of total pressure, which is negative for a slow stream beside a fast
    one. ``h`` is ``ENTRY_LOSS``. The form is that of the handbook's resultant velocity pressure (from memory).

    area : section of each run [m2].  parent : index of the run it flows into, -1 for the fan.  angle_deg : entry angle.
    """

    def __init__(self, area: Array, parent: list[int], angle_deg: Array) -> None:
        count = len(parent)
        self.joins = np.array([into >= 0 for into in parent])
        self.into = np.array([max(into, 0) for into in parent])
        self.children = np.zeros((count, count))
        for run, into in enumerate(parent):
            if into >= 0:
                self.children[into, run] = 1.0
        self.per_area = 1.0 / area**2
        self.entry = 1.0 + np.interp(angle_deg, ENTRY_ANGLE_DEG, ENTRY_LOSS)

    def loss(self, run_m3s: Array, half_density: float) -> Array:
        """Total pressure that each run loses at its junction (batch x runs) [Pa]."""
        mean, given = self._heads(run_m3s)
        slowing = (1.0 - REGAIN) * np.maximum(mean - given, 0.0)
        own = self.entry * self.per_area * run_m3s**2
        return np.asarray(half_density * self.joins * (own + (slowing - mean)[:, self.into]))

    def slope(self, run_m3s: Array, half_density: float) -> Array:
        """Change of each run's loss with each run's flow (batch x runs x runs) [Pa s/m3]."""
        mean, given = self._heads(run_m3s)
        sums = np.maximum(run_m3s @ self.children.T, 1e-12)
        slows = (mean > given).astype(float)
        weight = 1.0 - (1.0 - REGAIN) * slows
        each = 3.0 * run_m3s**2 * self.per_area
        by_child = self.children * (each[:, None, :] - mean[:, :, None]) / sums[:, :, None] * -weight[:, :, None]
        at = np.arange(len(self.into))
        by_child[:, at, at] -= (1.0 - REGAIN) * slows * 2.0 * run_m3s * self.per_area
        slope = by_child[:, self.into, :]
        slope[:, at, at] += 2.0 * self.entry * self.per_area * run_m3s
        return np.asarray(half_density * self.joins[:, None] * slope)

    def _heads(self, run_m3s: Array) -> tuple[Array, Array]:
        """Mean head of what joins each run and the head in it, without the half density."""
        sums = np.maximum(run_m3s @ self.children.T, 1e-12)
        return (run_m3s**3 * self.per_area) @ self.children.T / sums, run_m3s**2 * self.per_area
