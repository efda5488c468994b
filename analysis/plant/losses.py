"""The plant's own loss laws: friction by Churchill (1977), junctions from a momentum balance, bends, plugs, ends.

All in total pressure, which is what a flow loses; static pressure comes from it by taking the velocity head away.
"""

from __future__ import annotations

import math

import numpy as np

from analysis.plant.shop import Array

DISCHARGE = 0.62
"""Contraction of a jet through a sharp hole (0.61 to 0.64 in any hydraulics handbook)."""

SIDE_MIXING = 0.62
"""Share of the ideal momentum-balance loss that a side entry of more than 0.35 of the main's section shows.

Handbooks of hydraulic resistance give 0.55 to 0.9 over the flow ratios met here (from memory); one value is used.
"""


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


def junction_matrix(area: Array, parent: list[int], angle_deg: Array) -> Array:
    """Matrix ``T`` such that run ``r`` loses ``rho/2 * sum_s T[r, s] Q_s^2`` of total pressure where it joins another.

    Momentum along the common run, with one static pressure where the streams meet (``c`` the common run, ``k`` each
    that joins it): ``p - p_c = rho/A_c (Q_c^2/A_c - sum_k Q_k^2 cos(a_k)/A_k)``; each run then loses
    ``p - p_c + rho/2 (Q_r^2/A_r^2 - Q_c^2/A_c^2)``. It can be negative (the faster stream drags the slower along). With
    one straight run only it is the Borda-Carnot loss. Wide side entries show ``SIDE_MIXING`` of it.

    area : section of each run [m2].  parent : index of the run it flows into, -1 for the fan.  angle_deg : entry angle.
    """
    count = len(parent)
    matrix = np.zeros((count, count))
    cosine = np.cos(np.radians(angle_deg))
    for run in range(count):
        into = parent[run]
        if into < 0:
            continue
        side = angle_deg[run] > 1.0 and area[run] > 0.35 * area[into]
        share = SIDE_MIXING if side else 1.0
        matrix[run, into] += share * (2.0 / area[into] ** 2 - 1.0 / area[into] ** 2)
        matrix[run, run] += share / area[run] ** 2
        for other in range(count):
            if parent[other] == into:
                matrix[run, other] -= share * 2.0 * cosine[other] / (area[other] * area[into])
    return matrix
