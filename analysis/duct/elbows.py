"""Loss coefficients of elbows, mitres and tapers, as total-pressure losses in velocity pressures.

Elbows are taken from one of two families. A *smooth* bend (moulded drain elbow, pressed metal) follows Rennels and
Hudson, *Pipe Flow* (2012), with the friction factor of smooth pipe at carrying velocity held at 0.018; it agrees with
Crane, Miller and Ito within about 10 % at r/D 1 to 2.5. The ACGIH table for stamped smooth elbows is 20 to 35 % lower
(0.22 at r/D 1, 0.15 at r/D 1.5; from memory): shop elbows have socket steps and gaps, so the higher figures are the
better guess. A *pieced* (gored) elbow follows the ACGIH table from memory. """

from __future__ import annotations

import math

from analysis.duct.pchip import between

SMOOTH_FACTOR = 0.018
"""Friction factor taken for the inside of smooth bends."""

HOSE_FACTOR = 0.05
"""Friction factor taken for bends of wire hose."""

PIECED: dict[int, tuple[tuple[float, float], ...]] = {
    3: ((1.0, 0.42), (1.5, 0.34), (2.0, 0.33)),
    4: ((1.0, 0.37), (1.5, 0.27), (2.0, 0.24)),
    5: ((0.75, 0.46), (1.0, 0.33), (1.5, 0.24), (2.0, 0.19), (2.5, 0.17)),
}
"""Pieces -> (r/D, K at 90 degrees): ACGIH *Industrial Ventilation* figure 5 (from memory)."""


def smooth_bend(angle_deg: float, radius_ratio: float, friction_factor: float = SMOOTH_FACTOR) -> float:
    """Loss of a smooth bend by Rennels and Hudson.

    K = f a r/D + (0.10 + 2.4 f) sin(a/2) + 6.6 f (sqrt(sin(a/2)) + sin(a/2)) / (r/D)^(4 a/pi), a in radians.
    ``angle_deg`` [deg] 0 to 180, ``radius_ratio`` centre-line radius over diameter r/D [-] 0.5 to 10,
    ``friction_factor`` [-]. The length of the bend along its centre line is in it.

    >>> round(smooth_bend(90.0, 1.5), 4)
    0.2254
    """
    angle = math.radians(angle_deg)
    half = math.sin(angle / 2.0)
    f = friction_factor
    last = 6.6 * f * (math.sqrt(half) + half) / radius_ratio ** (4.0 * angle / math.pi)
    return float(f * angle * radius_ratio + (0.10 + 2.4 * f) * half + last)


def pieced_elbow(angle_deg: float, radius_ratio: float, pieces: int) -> float:
    """Loss of an elbow made of ``pieces`` (3, 4 or 5) straight pieces, from :data:`PIECED`.

    Linear in r/D between the rows (held at the ends) and in the angle: 60 degrees takes 0.67 of the loss at 90, 45
    degrees a half, 30 degrees a third (the same figure).

    >>> round(pieced_elbow(45.0, 1.5, 5), 3)
    0.12
    """
    ratios, losses = zip(*PIECED[pieces], strict=True)
    return between(radius_ratio, ratios, losses) * angle_deg / 90.0


def mitre(angle_deg: float) -> float:
    """Loss of a single mitred joint without vanes: K = 0.42 sin(a/2) + 2.56 sin^3(a/2) (Rennels and Hudson).

    >>> round(mitre(90.0), 2), round(mitre(45.0), 2)
    (1.2, 0.3)
    """
    half = math.sin(math.radians(angle_deg) / 2.0)
    return 0.42 * half + 2.56 * half**3


def contraction(ratio: float, taper_deg: float = 180.0) -> float:
    """Loss of a contraction in velocity pressures of the *smaller* duct (Rennels and Hudson).

    K = 0.0696 sin(t/2) (1 - b^5) l^2 + (l - 1)^2 with l = 1 + 0.622 (t/180)^0.8 (1 - 0.215 b^2 - 0.785 b^5);
    ``ratio`` b = smaller over larger diameter [-] 0 to 1, ``taper_deg`` t the included angle [deg], 180 for an abrupt
    step.

    >>> round(contraction(2 / 3), 3)
    0.384
    """
    jet = 1.0 + 0.622 * math.pow(taper_deg / 180.0, 0.8) * (1.0 - 0.215 * ratio**2 - 0.785 * ratio**5)
    return 0.0696 * math.sin(math.radians(taper_deg) / 2.0) * (1.0 - ratio**5) * jet * jet + (jet - 1.0) ** 2


def expansion(ratio: float, taper_deg: float = 180.0) -> float:
    """Loss of an expansion in velocity pressures of the *smaller* duct.

    Abrupt (180 degrees): (1 - b^2)^2 of Borda and Carnot. Tapered: Rennels and Hudson's ranges of the included angle,
    with the friction of the cone, but never more than the abrupt step. (They have a taper of 50 to 90 degrees lose up
    to a fifth more than that, and a cone between nearly equal sizes its friction; the length of a shop's reducer is
    counted in its run, and nobody's forecast shall fall because he wrote a reducer down.) ``ratio`` b = smaller over
    larger diameter [-] 0 to 1, ``taper_deg`` the included angle [deg] above 3.

    >>> round(expansion(2 / 3), 4)
    0.3086
    """
    step = (1.0 - ratio * ratio) ** 2
    if taper_deg >= 180.0:
        return step
    half = math.radians(taper_deg) / 2.0
    cone = SMOOTH_FACTOR * (1.0 - ratio**4) / (8.0 * math.sin(half))
    narrow = max(0.0, 0.0625 - ratio**4)
    if taper_deg <= 20.0:
        return min(step, 8.30 * math.pow(math.tan(half), 1.75) * step + cone)
    if taper_deg <= 60.0:
        shape = 1.366 * math.sqrt(math.sin(math.radians(2.0 * (taper_deg - 15.0)))) - 0.170
        return min(step, (shape - 3.28 * narrow * math.sqrt(0.025 * (taper_deg - 20.0))) * step + cone)
    wide = math.sqrt((taper_deg - 60.0) / 120.0)
    factor = 1.205 - (3.28 * narrow + 12.8 * ratio**6 * wide if ratio < 0.5 else 0.20 * wide)
    return min(1.0, factor) * step
